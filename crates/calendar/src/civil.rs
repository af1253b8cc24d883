//! Arithmetic on civil dates that saturates instead of failing.

use chrono::{Datelike as _, Days, Months};

use crate::CivilDate;

/// The date `days` calendar days after `date`; [`CivilDate::MAX`] when there is none.
pub(crate) fn plus_days(date: CivilDate, days: u32) -> CivilDate {
    date.checked_add_days(Days::new(u64::from(days))).unwrap_or(CivilDate::MAX)
}

/// The same day of the month `months` calendar months after `date`. Where that month is too short,
/// its last day (31 August + 6 months is the last of February). Saturates at [`CivilDate::MAX`].
pub fn add_months_clamped(date: CivilDate, months: u32) -> CivilDate {
    date.checked_add_months(Months::new(months)).unwrap_or(CivilDate::MAX)
}

/// The first day of a date's month.
pub fn first_of_month(date: CivilDate) -> CivilDate {
    date.with_day(1).unwrap_or(date)
}

/// Whether a date is the last of its month.
pub fn is_month_end(date: CivilDate) -> bool {
    date.succ_opt().is_none_or(|next| next.day() == 1)
}

/// Whole days from `from` to `to`; zero when `to` is not later.
pub(crate) fn days_between(from: CivilDate, to: CivilDate) -> u32 {
    let days = to.signed_duration_since(from).num_days().max(0);
    // Civil dates span fewer than 2^28 days, so the bound is never met.
    u32::try_from(days).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> CivilDate {
        text.parse().expect("an ISO 8601 date")
    }

    #[test]
    fn months_clamp_to_the_end_of_a_short_month() {
        assert_eq!(add_months_clamped(day("2026-01-31"), 1), day("2026-02-28"));
        assert_eq!(add_months_clamped(day("2028-01-31"), 1), day("2028-02-29"));
        assert_eq!(add_months_clamped(day("2026-01-15"), 13), day("2027-02-15"));
        assert_eq!(add_months_clamped(day("2026-05-05"), 0), day("2026-05-05"));
    }

    #[test]
    fn the_last_of_a_month_is_known() {
        for (text, is_last) in [
            ("2028-02-28", false),
            ("2028-02-29", true),
            ("2026-12-31", true),
            ("2026-12-30", false),
        ] {
            assert_eq!(is_month_end(day(text)), is_last, "{text}");
        }
    }

    #[test]
    fn arithmetic_stops_at_the_last_date() {
        assert_eq!(plus_days(CivilDate::MAX, 1), CivilDate::MAX);
        assert_eq!(plus_days(CivilDate::MIN, u32::MAX), CivilDate::MAX);
        assert_eq!(add_months_clamped(CivilDate::MAX, u32::MAX), CivilDate::MAX);
        assert_eq!(days_between(CivilDate::MAX, CivilDate::MIN), 0);
        assert!(days_between(CivilDate::MIN, CivilDate::MAX) < 1 << 28);
    }
}
