//! The six-month wait of the Telemarketing Sales Rule, 16 CFR 310.4(a)(2)(ii).

use crate::CivilDate;
use crate::civil::{add_months_clamped, plus_days};

/// The months the rule names: "more than six months after the results were achieved".
const SIX_MONTHS: u32 = 6;
/// The first day that is more than six months later however long the months are: six calendar
/// months have 181 to 184 days.
const SIX_MONTHS_DAYS: u32 = 185;

/// The first day on which a consumer report may have been issued to prove results achieved on
/// `result_on` (16 CFR 310.4(a)(2)(ii)).
///
/// "More than six months" can mean the day after six calendar months (clamped to the end of a short
/// month), or 185 days, more than any six months have. The later of the two is used, so that no
/// reading finds a fee asked for too soon. They fall on one day only where six months have 184
/// days. Saturates at [`CivilDate::MAX`].
pub fn telemarketing_report_from(result_on: CivilDate) -> CivilDate {
    plus_days(six_calendar_months(result_on), 1).max(plus_days(result_on, SIX_MONTHS_DAYS))
}

/// Six calendar months after a day.
fn six_calendar_months(result_on: CivilDate) -> CivilDate {
    add_months_clamped(result_on, SIX_MONTHS)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(text: &str) -> CivilDate {
        text.parse().expect("an ISO 8601 date")
    }

    /// 16 CFR 310.4(a)(2)(ii), worked by hand: result achieved, six months later, the day after.
    #[test]
    fn calendar_reading_of_more_than_six_months() {
        for (result_on, six_months_on, report_from) in [
            ("2026-01-15", "2026-07-15", "2026-07-16"),
            ("2026-02-28", "2026-08-28", "2026-08-29"),
            ("2026-03-31", "2026-09-30", "2026-10-01"),
            ("2025-08-31", "2026-02-28", "2026-03-01"),
            ("2027-08-29", "2028-02-29", "2028-03-01"),
        ] {
            let six_months = six_calendar_months(day(result_on));
            assert_eq!(six_months, day(six_months_on), "{result_on}");
            assert_eq!(plus_days(six_months, 1), day(report_from), "{result_on}");
            assert!(telemarketing_report_from(day(result_on)) >= day(report_from), "{result_on}");
        }
    }

    #[test]
    fn reading_in_days_is_never_the_earlier() {
        // From 31 August 2025: 30 + 31 + 30 + 31 + 31 + 28 + 4 = 185 days to 4 March 2026.
        assert_eq!(telemarketing_report_from(day("2025-08-31")), day("2026-03-04"));
        // The longest six months: 1 March to 1 September is 184 days, and both readings agree.
        assert_eq!(six_calendar_months(day("2026-03-01")), day("2026-09-01"));
        assert_eq!(telemarketing_report_from(day("2026-03-01")), day("2026-09-02"));
    }

    proptest! {
        #[test]
        fn report_is_strictly_later_than_both_readings(offset in 0_u32..80_000) {
            let result_on = plus_days(day("1970-01-01"), offset);
            let report_from = telemarketing_report_from(result_on);
            prop_assert!(report_from > six_calendar_months(result_on));
            prop_assert!(report_from >= plus_days(result_on, SIX_MONTHS_DAYS));
        }
    }
}
