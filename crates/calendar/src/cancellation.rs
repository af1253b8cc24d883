//! The days after signing in which the client may cancel and no service may be performed.
//!
//! The Credit Repair Organizations Act counts three business days twice, in different words: the
//! bar on services (15 USC 1679d(a)(2)) counts the day of signing, the right to cancel (15 USC
//! 1679e(a)) begins to count after it. "Midnight" is the midnight that closes the last day, where
//! the client lives. State law may ask for more days or another calendar.

use crate::civil::plus_days;
use crate::{BusinessCalendar, CivilDate};

/// The last day on which the client may cancel: the `days`th business day that begins after the day
/// of signing (15 USC 1679e(a)). The right ends at the midnight that closes it.
pub fn right_ends_on(signed: CivilDate, days: u16, calendar: BusinessCalendar) -> CivilDate {
    calendar.add_business_days(signed, days)
}

/// The last day of the bar on services: the `days`th business day of the period beginning on the
/// day of signing (15 USC 1679d(a)(2)).
pub fn bar_ends_on(signed: CivilDate, days: u16, calendar: BusinessCalendar) -> CivilDate {
    calendar.nth_business_day_from(signed, days)
}

/// The first day on which a service may be performed: the day after the later of
/// [`right_ends_on`] and [`bar_ends_on`], so that either reading of the Act is kept.
pub fn service_opens_on(signed: CivilDate, days: u16, calendar: BusinessCalendar) -> CivilDate {
    let last_day = right_ends_on(signed, days, calendar).max(bar_ends_on(signed, days, calendar));
    plus_days(last_day, 1)
}
