//! Civil dates of the trade: federal holidays, business days, cancellation days, statutory clocks,
//! billing periods and local midnight.
//!
//! Everything here is pure: no I/O and no clock, so today's date is always an argument. A date is a
//! [`CivilDate`], a day without a zone; an instant is a count of microseconds since 1970-01-01 UTC.
//! No function panics on any date the type can hold: a result that would lie past the last one is
//! that last one ([`CivilDate::MAX`]), unless its docstring says otherwise.
//!
//! Where a statute can be read in two ways the function takes the reading that protects the client
//! and never accuses a bureau early, and its docstring says so. This is engineering, not legal
//! advice.

mod business;
pub mod cancellation;
mod civil;
mod clock;
mod holiday;
pub mod obsolescence;
mod period;
mod schedule;
mod telemarketing;
mod zone;

pub use chrono::{Datelike, NaiveDate as CivilDate};

pub use crate::business::BusinessCalendar;
pub use crate::civil::{add_months_clamped, first_of_month, is_month_end};
pub use crate::clock::Clock;
pub use crate::holiday::{Holiday, federal_holidays};
pub use crate::period::{
    PERIOD_DAYS_MAX, PERIOD_DAYS_MIN, PERIODS_MAX, Period, PeriodError, PeriodRule,
};
pub use crate::schedule::{PeriodSchedule, ScheduleParts};
pub use crate::telemarketing::telemarketing_report_from;
pub use crate::zone::{Zone, ZoneError};
