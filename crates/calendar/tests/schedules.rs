//! Service periods: worked examples, then random histories.

mod support;

use counterfoil_calendar::{
    CivilDate, PERIODS_MAX, Period, PeriodError, PeriodRule, PeriodSchedule,
};
use support::day;

fn period(number: u32, start: &str, end: &str) -> Period {
    Period { number, start: day(start), end: day(end) }
}

fn every_30_days(start: &str) -> PeriodSchedule {
    PeriodSchedule::new(day(start), PeriodRule::EveryDays(30))
}

fn monthly(start: &str, billing_day: u8) -> PeriodSchedule {
    PeriodSchedule::new(day(start), PeriodRule::MonthlyOn(billing_day))
}

fn ends(schedule: &PeriodSchedule, count: u32) -> Vec<CivilDate> {
    (1..=count).map(|number| schedule.period(number).expect("a period").end).collect()
}

#[test]
fn rules_are_checked() {
    for days in [28, 30, 92] {
        assert_eq!(PeriodRule::every_days(days), Ok(PeriodRule::EveryDays(days)));
    }
    for days in [0, 27, 93] {
        assert_eq!(PeriodRule::every_days(days), Err(PeriodError::Days { days }));
    }
    for billing_day in [1, 28, 31] {
        assert_eq!(PeriodRule::monthly_on(billing_day), Ok(PeriodRule::MonthlyOn(billing_day)));
    }
    for billing_day in [0, 32] {
        let refused = Err(PeriodError::BillingDay { day: billing_day });
        assert_eq!(PeriodRule::monthly_on(billing_day), refused);
    }
}

#[test]
fn thirty_days_follow_thirty_days() {
    let schedule = every_30_days("2026-01-10");
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-02-09")));
    assert_eq!(schedule.period(2), Some(period(2, "2026-02-09", "2026-03-11")));
    assert_eq!(schedule.period(0), None);
    assert_eq!(schedule.containing(day("2026-02-08")).map(|period| period.number), Some(1));
    assert_eq!(schedule.containing(day("2026-02-09")).map(|period| period.number), Some(2));
    assert_eq!(schedule.containing(day("2026-01-09")), None);
}

#[test]
fn first_monthly_period_is_at_least_28_days() {
    // The 15th comes 5 days after the start, so the period runs on to the next one.
    assert_eq!(monthly("2026-01-10", 15).period(1), Some(period(1, "2026-01-10", "2026-02-15")));
    // 5 February is 26 days after 10 January; 8 February would be 29.
    assert_eq!(monthly("2026-01-10", 5).period(1), Some(period(1, "2026-01-10", "2026-03-05")));
    assert_eq!(monthly("2026-01-10", 8).period(1), Some(period(1, "2026-01-10", "2026-02-08")));
}

#[test]
fn billing_day_is_clamped_to_the_month_and_comes_back() {
    let expected = ["2027-12-31", "2028-01-31", "2028-02-29", "2028-03-31", "2028-04-30"].map(day);
    assert_eq!(ends(&monthly("2027-11-30", 31), 5), expected);
    let expected = ["2026-02-28", "2026-03-30", "2026-04-30"].map(day);
    assert_eq!(ends(&monthly("2026-01-30", 30), 3), expected);
}

#[test]
fn periods_have_ended_from_their_end_on() {
    let schedule = every_30_days("2026-01-10");
    assert_eq!(schedule.ended_by(day("2026-02-08")), vec![]);
    assert_eq!(schedule.ended_by(day("2026-02-09")), vec![period(1, "2026-01-10", "2026-02-09")]);
    assert_eq!(schedule.ended_by(day("2026-03-11")).len(), 2);
    assert_eq!(schedule.ended_by(day("2026-01-01")), vec![]);
    assert_eq!(schedule.first_end_after(0), schedule.period(1));
    assert_eq!(schedule.first_end_after(7), schedule.period(8));
}

#[test]
fn new_billing_day_starts_with_the_next_period() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-02-20"), PeriodRule::MonthlyOn(1));
    assert_eq!(schedule.rule(), PeriodRule::MonthlyOn(1));
    assert_eq!(schedule.period(2), Some(period(2, "2026-02-09", "2026-03-11")), "keeps its end");
    assert_eq!(schedule.period(3), Some(period(3, "2026-03-11", "2026-05-01")), "28 days or more");
    assert_eq!(schedule.period(4), Some(period(4, "2026-05-01", "2026-06-01")));
}

#[test]
fn second_change_in_a_period_replaces_the_first() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-02-20"), PeriodRule::MonthlyOn(1));
    schedule.change_rule(day("2026-02-22"), PeriodRule::MonthlyOn(20));
    assert_eq!(schedule.period(2), Some(period(2, "2026-02-09", "2026-03-11")));
    assert_eq!(schedule.period(3), Some(period(3, "2026-03-11", "2026-04-20")));
}

#[test]
fn change_before_the_start_holds_from_the_first_period() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-01-05"), PeriodRule::EveryDays(60));
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-03-11")));
}

#[test]
fn change_recorded_late_leaves_settled_periods_alone() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-04-15"), PeriodRule::EveryDays(28));
    let settled = ends(&schedule, 4);
    schedule.change_rule(day("2026-01-20"), PeriodRule::EveryDays(60));
    assert_eq!(ends(&schedule, 4), settled);
    assert_eq!(schedule.period(5), Some(period(5, "2026-05-10", "2026-07-09")));
}

#[test]
fn pause_moves_the_open_end_by_the_paused_days() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.pause(day("2026-02-19"));
    assert!(schedule.is_paused());
    assert_eq!(schedule.ended_by(day("2027-01-01")), vec![period(1, "2026-01-10", "2026-02-09")]);
    assert_eq!(schedule.period(3), None, "nothing starts while paused");
    assert_eq!(schedule.first_end_after(1), None, "its end is not known yet");
    assert_eq!(schedule.first_end_after(0), schedule.period(1));
    let held_open = schedule.containing(day("2026-06-01")).expect("the open period");
    assert_eq!((held_open.number, held_open.start), (2, day("2026-02-09")));

    schedule.resume(day("2026-03-01"));
    assert!(!schedule.is_paused());
    // From 19 February to 1 March are 10 days.
    assert_eq!(schedule.period(2), Some(period(2, "2026-02-09", "2026-03-21")));
    assert_eq!(schedule.period(3), Some(period(3, "2026-03-21", "2026-04-20")));
}

#[test]
fn pause_under_a_monthly_rule_runs_on_to_a_billing_day() {
    let mut schedule = monthly("2026-01-15", 15);
    schedule.pause(day("2026-02-20"));
    schedule.resume(day("2026-02-21"));
    // One day past 15 March; the next billing day is in April.
    assert_eq!(schedule.period(2), Some(period(2, "2026-02-15", "2026-04-15")));
    assert_eq!(schedule.period(3), Some(period(3, "2026-04-15", "2026-05-15")));
}

#[test]
fn two_pauses_in_one_period_add_up() {
    let mut schedule = every_30_days("2026-01-10");
    for (from, to) in [("2026-01-12", "2026-01-15"), ("2026-01-20", "2026-01-22")] {
        schedule.pause(day(from));
        schedule.resume(day(to));
    }
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-02-14")));
}

#[test]
fn pauses_without_effect() {
    let untouched = monthly("2026-01-15", 15);
    let mut schedule = untouched.clone();
    schedule.resume(day("2026-02-01"));
    assert_eq!(schedule, untouched, "not paused");

    schedule.pause(day("2026-02-20"));
    schedule.pause(day("2026-02-25"));
    assert_eq!(schedule.to_parts().paused_on, Some(day("2026-02-20")), "the earlier stands");
    schedule.resume(day("2026-02-10"));
    assert_eq!(ends(&schedule, 9), ends(&untouched, 9), "resumed before it began");

    schedule.pause(day("2026-03-20"));
    schedule.resume(day("2026-03-20"));
    assert_eq!(ends(&schedule, 9), ends(&untouched, 9), "no day was paused");
}

#[test]
fn pause_before_the_start_holds_the_first_period_back() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.pause(day("2026-01-05"));
    assert_eq!(schedule.period(1), None);
    assert_eq!(schedule.containing(day("2026-01-15")), None);
    assert_eq!(schedule.ended_by(day("2027-01-01")), vec![]);
    let mut back_in_time = schedule.clone();
    schedule.resume(day("2026-01-20"));
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-20", "2026-02-19")));
    back_in_time.resume(day("2026-01-08"));
    assert_eq!(back_in_time.period(1), Some(period(1, "2026-01-10", "2026-02-09")));
}

#[test]
fn pause_recorded_late_moves_the_latest_settled_period() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-03-15"), PeriodRule::EveryDays(30));
    schedule.pause(day("2026-02-01"));
    schedule.resume(day("2026-02-06"));
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-02-09")));
    assert_eq!(schedule.period(3), Some(period(3, "2026-03-11", "2026-04-15")));
}

#[test]
fn rule_changed_while_paused_starts_after_the_open_period() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.pause(day("2026-01-20"));
    schedule.change_rule(day("2026-01-25"), PeriodRule::MonthlyOn(1));
    schedule.resume(day("2026-01-30"));
    // 9 February and 10 days is the 19th; the rule now in force goes on to the 1st.
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-03-01")));
    assert_eq!(schedule.period(2), Some(period(2, "2026-03-01", "2026-04-01")));
}

#[test]
fn pause_of_no_days_keeps_the_end_even_under_a_new_rule() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-01-15"), PeriodRule::MonthlyOn(1));
    schedule.pause(day("2026-01-20"));
    schedule.resume(day("2026-01-20"));
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-02-09")));
}

#[test]
fn rule_changed_late_in_a_long_pause_starts_no_period() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.pause(day("2026-01-20"));
    schedule.change_rule(day("2026-06-15"), PeriodRule::EveryDays(60));
    assert_eq!(schedule.period(2), None);
    schedule.resume(day("2026-06-19"));
    // From 20 January to 19 June are 150 days.
    assert_eq!(schedule.period(1), Some(period(1, "2026-01-10", "2026-07-09")));
    assert_eq!(schedule.period(2), Some(period(2, "2026-07-09", "2026-09-07")));
}

#[test]
fn pause_recorded_late_leaves_earlier_periods_their_days() {
    let mut schedule = every_30_days("2026-01-10");
    schedule.change_rule(day("2026-03-15"), PeriodRule::EveryDays(30));
    schedule.pause(day("2026-02-01"));
    for (on, number) in [("2026-02-05", 1), ("2026-02-20", 2), ("2026-03-20", 3), ("2026-09-01", 3)]
    {
        let held = schedule.containing(day(on)).map(|period| period.number);
        assert_eq!(held, Some(number), "{on}");
    }
    assert_eq!(schedule.ended_by(day("2026-09-01")).len(), 2);
}

#[test]
fn schedules_are_finite() {
    let mut schedule = every_30_days("2026-01-10");
    assert!(schedule.period(PERIODS_MAX).is_some());
    assert_eq!(schedule.period(PERIODS_MAX + 1), None);
    assert_eq!(schedule.first_end_after(u32::MAX), None);
    assert_eq!(schedule.containing(CivilDate::MAX), None);
    let all = usize::try_from(PERIODS_MAX).expect("a small number");
    assert_eq!(schedule.ended_by(CivilDate::MAX).len(), all);
    schedule.pause(CivilDate::MAX);
    schedule.resume(CivilDate::MAX);
    assert_eq!(schedule.to_parts().fixed.len(), all);

    for rule in [PeriodRule::EveryDays(92), PeriodRule::MonthlyOn(31)] {
        let at_the_end = PeriodSchedule::new(CivilDate::MAX, rule);
        assert_eq!(at_the_end.period(1), None, "its end has no date");
        assert_eq!(at_the_end.ended_by(CivilDate::MAX), vec![]);
    }
}

#[test]
fn rules_written_out_of_range_count_as_the_nearest_in_range() {
    let start = day("2026-01-10");
    for (wild, tame) in [
        (PeriodRule::EveryDays(0), PeriodRule::EveryDays(28)),
        (PeriodRule::EveryDays(u16::MAX), PeriodRule::EveryDays(92)),
        (PeriodRule::MonthlyOn(0), PeriodRule::MonthlyOn(1)),
        (PeriodRule::MonthlyOn(u8::MAX), PeriodRule::MonthlyOn(31)),
    ] {
        let (wild, tame) = (PeriodSchedule::new(start, wild), PeriodSchedule::new(start, tame));
        assert_eq!(ends(&wild, 20), ends(&tame, 20));
    }
}
