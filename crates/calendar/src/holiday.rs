//! The legal public holidays of 5 USC 6103(a) and the days on which they are observed.

use chrono::{Datelike, Weekday};

use crate::CivilDate;

/// One legal public holiday in one year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Holiday {
    /// The name in 5 USC 6103(a).
    pub name: &'static str,
    /// The holiday itself.
    pub on: CivilDate,
    /// The weekday on which federal offices close for it: the Friday before a Saturday (5 USC
    /// 6103(b)(1)), the Monday after a Sunday (Executive Order 11582, section 3(a)), else `on`.
    pub observed: CivilDate,
}

/// How a holiday's date follows from the year.
enum DayRule {
    Fixed { month: u32, day: u32 },
    Nth { month: u32, weekday: Weekday, nth: u8 },
    Last { month: u32, weekday: Weekday },
}

struct HolidayRule {
    name: &'static str,
    day: DayRule,
    /// First year of the holiday, for those added since today's rules came together.
    since: Option<i32>,
}

impl DayRule {
    fn month(&self) -> u32 {
        match *self {
            Self::Fixed { month, .. } | Self::Nth { month, .. } | Self::Last { month, .. } => month,
        }
    }

    fn in_year(&self, year: i32) -> Option<CivilDate> {
        match *self {
            Self::Fixed { month, day } => CivilDate::from_ymd_opt(year, month, day),
            Self::Nth { month, weekday, nth } => {
                CivilDate::from_weekday_of_month_opt(year, month, weekday, nth)
            }
            Self::Last { month, weekday } => {
                CivilDate::from_weekday_of_month_opt(year, month, weekday, 5)
                    .or_else(|| CivilDate::from_weekday_of_month_opt(year, month, weekday, 4))
            }
        }
    }
}

impl HolidayRule {
    const fn fixed(name: &'static str, month: u32, day: u32) -> Self {
        Self { name, day: DayRule::Fixed { month, day }, since: None }
    }

    const fn nth(name: &'static str, nth: u8, weekday: Weekday, month: u32) -> Self {
        Self { name, day: DayRule::Nth { month, weekday, nth }, since: None }
    }

    const fn last(name: &'static str, weekday: Weekday, month: u32) -> Self {
        Self { name, day: DayRule::Last { month, weekday }, since: None }
    }

    const fn since(mut self, year: i32) -> Self {
        self.since = Some(year);
        self
    }

    fn in_year(&self, year: i32) -> Option<CivilDate> {
        if self.since.is_some_and(|first| year < first) {
            return None;
        }
        self.day.in_year(year)
    }
}

/// 5 USC 6103(a), in the order of the year.
static RULES: [HolidayRule; 11] = [
    HolidayRule::fixed("New Year's Day", 1, 1),
    // Public Law 98-144 (1983), first kept in 1986.
    HolidayRule::nth("Birthday of Martin Luther King, Jr.", 3, Weekday::Mon, 1).since(1986),
    HolidayRule::nth("Washington's Birthday", 3, Weekday::Mon, 2),
    HolidayRule::last("Memorial Day", Weekday::Mon, 5),
    // Public Law 117-17, in force from 17 June 2021.
    HolidayRule::fixed("Juneteenth National Independence Day", 6, 19).since(2021),
    HolidayRule::fixed("Independence Day", 7, 4),
    HolidayRule::nth("Labor Day", 1, Weekday::Mon, 9),
    HolidayRule::nth("Columbus Day", 2, Weekday::Mon, 10),
    HolidayRule::fixed("Veterans Day", 11, 11),
    HolidayRule::nth("Thanksgiving Day", 4, Weekday::Thu, 11),
    HolidayRule::fixed("Christmas Day", 12, 25),
];

/// The holidays of 5 USC 6103(a) that fall in `year`, in date order.
///
/// The day a holiday is observed can lie in the year before: New Year's Day 2028 is a Saturday and
/// is observed on Friday 2027-12-31, so look at `year + 1` as well when asking which days of
/// `year` are closed.
///
/// Juneteenth appears from 2021 and the Birthday of Martin Luther King, Jr. from 1986. The other
/// nine follow today's rule in every year asked for; that is history only from 1978 on, when
/// Veterans Day returned to 11 November, which is long before any contract this crate dates. Left
/// out are Inauguration Day (6103(c), Washington area only) and days closed by a single executive
/// order. A year outside the calendar of [`CivilDate`] has none.
pub fn federal_holidays(year: i32) -> Vec<Holiday> {
    RULES
        .iter()
        .filter_map(|rule| {
            let on = rule.in_year(year)?;
            Some(Holiday { name: rule.name, on, observed: observed_day(on) })
        })
        .collect()
}

fn observed_day(on: CivilDate) -> CivilDate {
    let moved = match on.weekday() {
        Weekday::Sat => on.pred_opt(),
        Weekday::Sun => on.succ_opt(),
        Weekday::Mon | Weekday::Tue | Weekday::Wed | Weekday::Thu | Weekday::Fri => Some(on),
    };
    moved.unwrap_or(on)
}

/// Is `date` itself one of the days named in 5 USC 6103(a)?
pub(crate) fn is_named_day(date: CivilDate) -> bool {
    RULES
        .iter()
        .filter(|rule| rule.day.month() == date.month())
        .any(|rule| rule.in_year(date.year()) == Some(date))
}

/// Is `date` the Friday on which a Saturday's holiday is observed (5 USC 6103(b)(1))?
pub(crate) fn is_friday_for_saturday(date: CivilDate) -> bool {
    date.weekday() == Weekday::Fri && date.succ_opt().is_some_and(is_named_day)
}

/// Is `date` the Monday on which a Sunday's holiday is observed (Executive Order 11582)?
pub(crate) fn is_monday_for_sunday(date: CivilDate) -> bool {
    date.weekday() == Weekday::Mon && date.pred_opt().is_some_and(is_named_day)
}
