//! Four ways to say which days are business days.
//!
//! Neither the Credit Repair Organizations Act (15 USC 1679 to 1679j) nor the Fair Credit Reporting
//! Act (15 USC 1681 to 1681x) defines "business day", so each clock names the calendar it counts on.

use chrono::{Datelike, Weekday};

use crate::CivilDate;
use crate::holiday::{is_friday_for_saturday, is_monday_for_sunday, is_named_day};

/// A set of business days.
///
/// Days closed by a single executive order are in none of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum BusinessCalendar {
    /// Monday to Friday, less the holidays of 5 USC 6103(a) and the days on which they are observed
    /// (6103(b)(1); Executive Order 11582). The calendar that ends latest.
    FederalOffice,
    /// Monday to Saturday, less the dates named in 5 USC 6103(a) themselves: the observed Friday or
    /// Monday is a business day (12 CFR 1026.2(a)(6), as for rescission, and its official
    /// interpretation 2(a)(6)-2).
    RegulationZRescission,
    /// Monday to Friday, less the Federal Reserve Banks' holidays: as the federal offices, but open
    /// on the Friday before a Saturday's holiday.
    FederalReserveBanking,
    /// Every calendar day.
    EveryDay,
}

impl BusinessCalendar {
    /// All calendars.
    pub const ALL: [Self; 4] = [
        Self::FederalOffice,
        Self::RegulationZRescission,
        Self::FederalReserveBanking,
        Self::EveryDay,
    ];

    /// The stable code kept in records and rule packs.
    pub fn as_code(self) -> &'static str {
        match self {
            Self::FederalOffice => "federal_office",
            Self::RegulationZRescission => "regulation_z_rescission",
            Self::FederalReserveBanking => "federal_reserve_banking",
            Self::EveryDay => "every_day",
        }
    }

    /// The calendar of a code made by [`as_code`](Self::as_code); `None` for any other text.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|calendar| calendar.as_code() == code)
    }

    /// Is `date` a business day on this calendar?
    pub fn is_business_day(self, date: CivilDate) -> bool {
        let weekday = date.weekday();
        let weekend = matches!(weekday, Weekday::Sat | Weekday::Sun);
        match self {
            Self::FederalOffice => {
                !weekend
                    && !is_named_day(date)
                    && !is_friday_for_saturday(date)
                    && !is_monday_for_sunday(date)
            }
            Self::RegulationZRescission => weekday != Weekday::Sun && !is_named_day(date),
            Self::FederalReserveBanking => {
                !weekend && !is_named_day(date) && !is_monday_for_sunday(date)
            }
            Self::EveryDay => true,
        }
    }

    /// The `n`th business day after `start`. The start is not counted, whatever kind of day it is;
    /// with `n = 0` the answer is `start`. Saturates at [`CivilDate::MAX`].
    pub fn add_business_days(self, start: CivilDate, n: u16) -> CivilDate {
        if n == 0 {
            return start;
        }
        start.succ_opt().map_or(CivilDate::MAX, |next| self.nth_business_day_from(next, n))
    }

    /// The `n`th business day of a period beginning on `start`: the start is the first one counted
    /// if it is a business day; with `n = 0` the answer is `start`. Saturates at
    /// [`CivilDate::MAX`].
    pub fn nth_business_day_from(self, start: CivilDate, n: u16) -> CivilDate {
        let mut date = start;
        let mut left = n;
        while left > 0 {
            if self.is_business_day(date) {
                left -= 1;
            }
            if left > 0 {
                let Some(next) = date.succ_opt() else { return CivilDate::MAX };
                date = next;
            }
        }
        date
    }

    /// The latest answer any calendar gives to [`add_business_days`](Self::add_business_days): the
    /// reading on which nobody is called late too soon.
    pub fn latest_ending(start: CivilDate, n: u16) -> CivilDate {
        Self::ALL
            .into_iter()
            .map(|calendar| calendar.add_business_days(start, n))
            .fold(start, CivilDate::max)
    }
}
