//! Deadlines worked by hand from the words of the statutes.

mod support;

use counterfoil_calendar::obsolescence::{ObsoleteKind, must_not_report_from};
use counterfoil_calendar::{BusinessCalendar, CivilDate, Clock, cancellation};
use support::day;

const OFFICE: BusinessCalendar = BusinessCalendar::FederalOffice;

/// 15 USC 1679d(a)(2): "the 3-business-day period beginning on the date the contract is signed";
/// 15 USC 1679e(a): "midnight of the 3rd business day which begins after the date".
#[test]
fn cancellation_days_of_15_usc_1679d_and_1679e() {
    for (signed, bar_ends_on, right_ends_on, service_opens_on, what) in [
        ("2026-03-02", "2026-03-04", "2026-03-05", "2026-03-06", "a Monday"),
        ("2026-03-06", "2026-03-10", "2026-03-11", "2026-03-12", "a Friday"),
        ("2026-03-07", "2026-03-11", "2026-03-11", "2026-03-12", "a Saturday"),
        ("2026-06-30", "2026-07-02", "2026-07-06", "2026-07-07", "July 4 observed on Friday"),
    ] {
        let signed = day(signed);
        assert_eq!(cancellation::bar_ends_on(signed, 3, OFFICE), day(bar_ends_on), "{what}");
        assert_eq!(cancellation::right_ends_on(signed, 3, OFFICE), day(right_ends_on), "{what}");
        let opens_on = cancellation::service_opens_on(signed, 3, OFFICE);
        assert_eq!(opens_on, day(service_opens_on), "{what}");
    }
}

/// Five days, as some states give, counted in the same way and on two calendars.
#[test]
fn longer_cancellation_days_of_a_state() {
    let signed = day("2026-03-06");
    assert_eq!(cancellation::right_ends_on(signed, 5, OFFICE), day("2026-03-13"));
    assert_eq!(cancellation::bar_ends_on(signed, 5, OFFICE), day("2026-03-12"));
    let every_day = BusinessCalendar::EveryDay;
    assert_eq!(cancellation::right_ends_on(signed, 5, every_day), day("2026-03-11"));
    assert_eq!(cancellation::service_opens_on(signed, 5, every_day), day("2026-03-12"));
}

/// 15 USC 1681i(a)(1)(A), (B) and 1681j(a)(3). The columns are the reading that counts the day of
/// receipt and the one that counts from the next; a clock is due on the later.
#[test]
fn reinvestigation_clocks_of_15_usc_1681i_and_1681j() {
    for (received, counting_receipt_30, due_30, counting_receipt_45, due_45) in [
        ("2026-01-31", "2026-03-01", "2026-03-02", "2026-03-16", "2026-03-17"),
        ("2026-03-02", "2026-03-31", "2026-04-01", "2026-04-15", "2026-04-16"),
        ("2026-12-15", "2027-01-13", "2027-01-14", "2027-01-28", "2027-01-29"),
        ("2028-02-01", "2028-03-01", "2028-03-02", "2028-03-16", "2028-03-17"),
    ] {
        let received = day(received);
        assert_eq!(Clock::Reinvestigation.due_on(received), day(due_30));
        assert!(Clock::Reinvestigation.due_on(received) > day(counting_receipt_30));
        for clock in [Clock::ReinvestigationExtended, Clock::FreeReportReinvestigation] {
            assert_eq!(clock.due_on(received), day(due_45), "{clock:?}");
            assert!(clock.due_on(received) > day(counting_receipt_45), "{clock:?}");
        }
    }
}

/// 15 USC 1681i(a)(3)(B), (a)(5)(B)(ii) and (a)(6): not later than 5 business days after.
#[test]
fn notices_of_15_usc_1681i_within_5_business_days() {
    for (start, due, what) in [
        ("2026-04-10", "2026-04-17", "plain week"),
        ("2026-12-18", "2026-12-28", "over Christmas"),
        ("2026-12-29", "2027-01-06", "over New Year"),
        ("2026-07-02", "2026-07-10", "July 4 observed on Friday"),
    ] {
        for clock in [
            Clock::BlockNotice,
            Clock::FrivolousNotice,
            Clock::ReinsertionNotice,
            Clock::ResultsNotice,
        ] {
            assert_eq!(clock.due_on(day(start)), day(due), "{clock:?} {what}");
        }
    }
}

/// 15 USC 1681i(a)(7): not later than 15 days after the request.
#[test]
fn description_of_procedure_of_15_usc_1681i_within_15_days() {
    assert_eq!(Clock::ProcedureDescription.due_on(day("2026-02-20")), day("2026-03-07"));
}

/// 15 USC 1681c-2(a): not later than 4 business days after receipt; Thanksgiving is the 26th.
#[test]
fn theft_block_of_15_usc_1681c_2_within_4_business_days() {
    assert_eq!(Clock::TheftBlock.due_on(day("2026-11-20")), day("2026-11-27"));
}

#[test]
fn clocks_have_their_own_code_citation_and_description() {
    for clock in Clock::ALL {
        assert_eq!(Clock::from_code(clock.as_code()), Some(clock));
        assert!(clock.citation().starts_with("15 USC 1681"), "{clock:?}");
        let twins = Clock::ALL.into_iter().filter(|other| other.citation() == clock.citation());
        assert_eq!(twins.count(), 1, "{clock:?}");
        let twins = Clock::ALL.into_iter().filter(|other| other.describe() == clock.describe());
        assert_eq!(twins.count(), 1, "{clock:?}");
    }
    assert_eq!(Clock::from_code("obsolescence"), None);
}

/// 15 USC 1681c(a)(4), (c)(1): seven years that begin "upon the expiration of the 180-day period
/// beginning on the date of the commencement of the delinquency". The third column counts that date
/// as the first of the 180; the reading used begins a day later.
#[test]
fn collections_become_obsolete_after_180_days_and_7_years() {
    for (delinquent_from, seven_years_begin, counting_first_day, must_not_report) in [
        ("2018-12-31", "2019-06-29", "2026-06-29", "2026-06-30"),
        ("2019-03-15", "2019-09-11", "2026-09-11", "2026-09-12"),
        ("2019-09-04", "2020-03-02", "2027-03-02", "2027-03-03"),
        ("2020-02-29", "2020-08-27", "2027-08-27", "2027-08-28"),
    ] {
        let kind = ObsoleteKind::CollectionOrChargeOff;
        let from = must_not_report_from(kind, day(delinquent_from));
        assert_eq!(from, day(must_not_report));
        assert_eq!(from.pred_opt(), Some(day(counting_first_day)));
        assert_eq!(from, must_not_report_from(ObsoleteKind::OtherAdverse, day(seven_years_begin)));
    }
}

/// 15 USC 1681c(a)(1) "by more than 10 years", (a)(5) "by more than seven years": the anniversary
/// itself is not yet more.
#[test]
fn other_items_become_obsolete_the_day_after_their_anniversary() {
    let other = |from| must_not_report_from(ObsoleteKind::OtherAdverse, day(from));
    assert_eq!(other("2019-05-10"), day("2026-05-11"));
    let bankruptcy = must_not_report_from(ObsoleteKind::Bankruptcy, day("2016-05-10"));
    assert_eq!(bankruptcy, day("2026-05-11"));
    // Around the end of February the readings part; the later is taken.
    assert_eq!(other("2020-02-28"), day("2027-03-01"));
    assert_eq!(other("2020-02-29"), day("2027-03-01"));
    assert_eq!(other("2021-02-28"), day("2028-03-01"));
}

#[test]
fn no_date_is_too_late_to_ask_about() {
    for edge in [CivilDate::MIN, CivilDate::MAX] {
        for calendar in BusinessCalendar::ALL {
            assert!(calendar.add_business_days(edge, u16::MAX) >= edge);
            assert!(calendar.nth_business_day_from(edge, 3) >= edge);
            assert!(cancellation::service_opens_on(edge, 3, calendar) >= edge);
        }
        for clock in Clock::ALL {
            assert!(clock.due_on(edge) >= edge);
        }
        for kind in ObsoleteKind::ALL {
            assert!(must_not_report_from(kind, edge) >= edge);
        }
    }
}
