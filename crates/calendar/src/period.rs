//! One service period and the rule that says where it ends.

use chrono::{Datelike, Days};
use thiserror::Error;

use crate::CivilDate;
use crate::civil::days_between;

/// The shortest period, in days.
pub const PERIOD_DAYS_MIN: u16 = 28;
/// The longest period a rule may name, in days: one quarter of a year.
pub const PERIOD_DAYS_MAX: u16 = 92;
/// The last period number a schedule counts to: more than three centuries of the shortest period.
/// A date that no case can reach finds no period instead of a long loop.
pub const PERIODS_MAX: u32 = 4_096;

const BILLING_DAY_MIN: u8 = 1;
const BILLING_DAY_MAX: u8 = 31;
const MONTHS_PER_YEAR: i32 = 12;

/// How periods follow one another.
///
/// Make one with [`every_days`](Self::every_days) or [`monthly_on`](Self::monthly_on). A variant
/// written out with a number outside their range counts as the nearest number inside it, so that no
/// period is ever shorter than [`PERIOD_DAYS_MIN`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PeriodRule {
    /// Every period has this many days, 28 to 92.
    EveryDays(u16),
    /// A period runs to the first billing day, 1 to 31, that is at least 28 days after its start;
    /// in a month without that day, to the month's last day.
    MonthlyOn(u8),
}

/// A period rule that would make periods too short, too long or endless.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum PeriodError {
    /// The number of days is outside 28 to 92.
    #[error("a period of {days} days is outside {PERIOD_DAYS_MIN} to {PERIOD_DAYS_MAX}")]
    Days {
        /// The days asked for.
        days: u16,
    },
    /// The day of the month is outside 1 to 31.
    #[error("billing day {day} is outside {BILLING_DAY_MIN} to {BILLING_DAY_MAX}")]
    BillingDay {
        /// The day asked for.
        day: u8,
    },
}

/// One service period: the days from `start` up to, not including, `end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Period {
    /// Counted from 1 over the life of the schedule.
    pub number: u32,
    /// First day.
    pub start: CivilDate,
    /// First day after the period: the earliest day on which its fee can be earned.
    pub end: CivilDate,
}

impl Period {
    /// Does `on` lie in the period?
    pub fn contains(&self, on: CivilDate) -> bool {
        self.start <= on && on < self.end
    }
}

impl PeriodRule {
    /// Periods of `days` days each, 28 to 92.
    pub fn every_days(days: u16) -> Result<Self, PeriodError> {
        if (PERIOD_DAYS_MIN..=PERIOD_DAYS_MAX).contains(&days) {
            Ok(Self::EveryDays(days))
        } else {
            Err(PeriodError::Days { days })
        }
    }

    /// Periods that end on `day` of the month, 1 to 31.
    pub fn monthly_on(day: u8) -> Result<Self, PeriodError> {
        if (BILLING_DAY_MIN..=BILLING_DAY_MAX).contains(&day) {
            Ok(Self::MonthlyOn(day))
        } else {
            Err(PeriodError::BillingDay { day })
        }
    }

    /// The start of the period `index` places after one that starts on `start`; `None` where the
    /// calendar has no such date.
    pub(crate) fn start_after(self, start: CivilDate, index: u32) -> Option<CivilDate> {
        let Some(full_months) = index.checked_sub(1) else { return Some(start) };
        match self {
            Self::EveryDays(days) => {
                let shift = u64::from(bounded_days(days)) * u64::from(index);
                start.checked_add_days(Days::new(shift))
            }
            // After the first, every period runs from one month's billing day to the next month's:
            // two of those are never less than 28 days apart.
            Self::MonthlyOn(day) => {
                let month = month_index(first_monthly_end(start, day)?);
                billing_day(month.checked_add(i32::try_from(full_months).ok()?)?, day)
            }
        }
    }

    /// How many places after the period that starts on `start` the one holding `on` lies; `on` is
    /// not before `start`.
    pub(crate) fn index_at(self, start: CivilDate, on: CivilDate) -> Option<u32> {
        match self {
            Self::EveryDays(days) => Some(days_between(start, on) / u32::from(bounded_days(days))),
            Self::MonthlyOn(day) => {
                let first_end = first_monthly_end(start, day)?;
                if on < first_end {
                    return Some(0);
                }
                let months = month_index(on) - month_index(first_end);
                let turned = billing_day(month_index(on), day).is_some_and(|turn| turn <= on);
                u32::try_from(months + i32::from(turned)).ok()
            }
        }
    }

    /// How many days of service a period has at least: all of its days, or under a monthly rule those after
    /// which the next billing day ends it.
    pub fn days(self) -> u16 {
        match self {
            Self::EveryDays(days) => bounded_days(days),
            Self::MonthlyOn(_) => PERIOD_DAYS_MIN,
        }
    }

    /// The end of a period whose [`days`](Self::days) are over on `earliest`, pauses left out: that day, or
    /// under a monthly rule the first billing day on or after it.
    pub fn end_not_before(self, earliest: CivilDate) -> CivilDate {
        match self {
            Self::EveryDays(_) => earliest,
            Self::MonthlyOn(day) => billing_day_from(earliest, day).unwrap_or(CivilDate::MAX),
        }
    }
}

fn bounded_days(days: u16) -> u16 {
    days.clamp(PERIOD_DAYS_MIN, PERIOD_DAYS_MAX)
}

fn first_monthly_end(start: CivilDate, day: u8) -> Option<CivilDate> {
    billing_day_from(start.checked_add_days(Days::new(u64::from(PERIOD_DAYS_MIN)))?, day)
}

/// The first billing day on or after `earliest`.
fn billing_day_from(earliest: CivilDate, day: u8) -> Option<CivilDate> {
    let month = month_index(earliest);
    billing_day(month, day).filter(|date| *date >= earliest).or_else(|| billing_day(month + 1, day))
}

/// Months since January of year 0.
fn month_index(date: CivilDate) -> i32 {
    // A civil year has at most six digits, so the product fits with room to spare.
    date.year() * MONTHS_PER_YEAR + date.month0().cast_signed()
}

/// The billing day of a month, clamped to its last day.
fn billing_day(month: i32, day: u8) -> Option<CivilDate> {
    let year = month.div_euclid(MONTHS_PER_YEAR);
    let month_of_year = u32::try_from(month.rem_euclid(MONTHS_PER_YEAR) + 1).ok()?;
    let day = u32::from(day.clamp(BILLING_DAY_MIN, BILLING_DAY_MAX));
    (1..=day).rev().find_map(|day| CivilDate::from_ymd_opt(year, month_of_year, day))
}
