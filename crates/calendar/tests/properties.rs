//! What must hold for every date and every history, tried with random ones.

mod support;

use chrono::{Datelike, Days};
use counterfoil_calendar::{
    BusinessCalendar, CivilDate, PERIOD_DAYS_MIN, PeriodRule, PeriodSchedule, add_months_clamped,
    cancellation, federal_holidays,
};
use proptest::prelude::*;
use support::day;

/// How many periods of a history are looked at.
const PERIODS_SEEN: u32 = 40;

#[derive(Debug, Clone)]
enum Change {
    Rule(PeriodRule),
    Pause,
    Resume,
}

fn date() -> impl Strategy<Value = CivilDate> {
    (0_u64..30_000).prop_map(|offset| day("2000-01-01") + Days::new(offset))
}

fn any_date() -> impl Strategy<Value = CivilDate> {
    let span = CivilDate::MAX.signed_duration_since(CivilDate::MIN).num_days();
    let span = u64::try_from(span).expect("MAX is later than MIN");
    prop_oneof![
        (0..=span).prop_map(|offset| CivilDate::MIN + Days::new(offset)),
        (0_u64..500).prop_map(|offset| CivilDate::MAX - Days::new(offset)),
        (0_u64..500).prop_map(|offset| CivilDate::MIN + Days::new(offset)),
    ]
}

fn calendar() -> impl Strategy<Value = BusinessCalendar> {
    prop::sample::select(BusinessCalendar::ALL.to_vec())
}

fn rule() -> impl Strategy<Value = PeriodRule> {
    prop_oneof![
        (28_u16..=92).prop_map(PeriodRule::EveryDays),
        (1_u8..=31).prop_map(PeriodRule::MonthlyOn),
    ]
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![rule().prop_map(Change::Rule), Just(Change::Pause), Just(Change::Resume)]
}

/// Changes, each so many days after the one before; a negative number is one recorded late.
fn history() -> impl Strategy<Value = Vec<(i64, Change)>> {
    prop::collection::vec((-40_i64..120, change()), 0..12)
}

fn apply(schedule: &mut PeriodSchedule, on: CivilDate, change: &Change) {
    match change {
        Change::Rule(rule) => schedule.change_rule(on, *rule),
        Change::Pause => schedule.pause(on),
        Change::Resume => schedule.resume(on),
    }
}

fn lived(start: CivilDate, rule: PeriodRule, history: &[(i64, Change)]) -> PeriodSchedule {
    let mut schedule = PeriodSchedule::new(start, rule);
    let mut on = start;
    for (days, change) in history {
        on += chrono::TimeDelta::days(*days);
        apply(&mut schedule, on, change);
    }
    schedule
}

/// The end of a period, found by walking one day at a time.
fn walked_end(start: CivilDate, rule: PeriodRule) -> CivilDate {
    let days = match rule {
        PeriodRule::EveryDays(days) => return start + Days::new(u64::from(days)),
        PeriodRule::MonthlyOn(day) => u32::from(day),
    };
    (start + Days::new(u64::from(PERIOD_DAYS_MIN)))
        .iter_days()
        .find(|date| {
            let last_of_month = (*date + Days::new(1)).day() == 1;
            date.day() == days || (last_of_month && date.day() < days)
        })
        .expect("every month has a billing day")
}

proptest! {
    #[test]
    fn periods_tile_time(start in date(), rule in rule(), history in history()) {
        let schedule = lived(start, rule, &history);
        let mut expected_start = None;
        let seen: Vec<_> = (1..=PERIODS_SEEN).map_while(|number| schedule.period(number)).collect();
        for (period, number) in seen.iter().zip(1..) {
            prop_assert_eq!(period.number, number);
            prop_assert!(expected_start.is_none_or(|start| start == period.start));
            let days = period.end.signed_duration_since(period.start).num_days();
            prop_assert!(days >= i64::from(PERIOD_DAYS_MIN), "{:?}", period);
            expected_start = Some(period.end);
        }
        prop_assert!(schedule.is_paused() || seen.last() == schedule.period(PERIODS_SEEN).as_ref());
    }

    #[test]
    fn every_day_has_the_period_that_holds_it(
        start in date(), rule in rule(), history in history(), offset in 0_u64..1_500,
    ) {
        let schedule = lived(start, rule, &history);
        let on = start + Days::new(offset);
        if let Some(held) = schedule.containing(on) {
            prop_assert!(held.contains(on));
            let numbered = schedule.period(held.number).expect("it has a number");
            prop_assert_eq!(numbered.start, held.start);
            prop_assert!(schedule.is_paused() || numbered == held);
        } else {
            let first = schedule.period(1);
            prop_assert!(schedule.is_paused() || first.is_some_and(|first| on < first.start));
            prop_assert!(first.is_none_or(|first| on < first.start), "{:?}", schedule);
        }
    }

    #[test]
    fn ended_periods_are_the_first_ones(
        start in date(), rule in rule(), history in history(), offset in 0_u64..1_500,
    ) {
        let schedule = lived(start, rule, &history);
        let as_of = start + Days::new(offset);
        let expected: Vec<_> = (0..)
            .map_while(|number| schedule.first_end_after(number))
            .take_while(|period| period.end <= as_of)
            .collect();
        prop_assert_eq!(schedule.ended_by(as_of), expected);
    }

    #[test]
    fn parts_give_the_schedule_back(start in date(), rule in rule(), history in history()) {
        let schedule = lived(start, rule, &history);
        prop_assert_eq!(PeriodSchedule::from_parts(schedule.to_parts()), schedule);
    }

    #[test]
    fn periods_end_where_a_walk_ends(start in date(), rule in rule()) {
        let schedule = PeriodSchedule::new(start, rule);
        let mut next_start = start;
        for number in 1..=PERIODS_SEEN {
            let end = walked_end(next_start, rule);
            let period = schedule.period(number).expect("within the calendar");
            prop_assert_eq!((period.start, period.end), (next_start, end));
            next_start = end;
        }
    }

    #[test]
    fn pause_shifts_the_open_period_and_all_later(
        start in date(), rule in rule(), before in 0_u64..400, paused in 1_u64..200,
    ) {
        let plain = PeriodSchedule::new(start, rule);
        let pause_on = start + Days::new(before);
        let open = plain.containing(pause_on).expect("started");
        let mut schedule = plain.clone();
        schedule.pause(pause_on);
        schedule.resume(pause_on + Days::new(paused));
        for number in 1..open.number {
            prop_assert_eq!(schedule.period(number), plain.period(number));
        }
        let moved = schedule.period(open.number).expect("the open period");
        let earliest = open.end + Days::new(paused);
        prop_assert_eq!(moved.start, open.start);
        match rule {
            PeriodRule::EveryDays(_) => prop_assert_eq!(moved.end, earliest),
            PeriodRule::MonthlyOn(_) => {
                let from = earliest - Days::new(u64::from(PERIOD_DAYS_MIN));
                prop_assert_eq!(moved.end, walked_end(from, rule));
            }
        }
        let next = schedule.period(open.number + 1).expect("the next period");
        prop_assert_eq!((next.start, next.end), (moved.end, walked_end(moved.end, rule)));
    }

    #[test]
    fn changed_rule_keeps_the_period_it_falls_in(
        start in date(), rule in rule(), new_rule in rule(), before in 0_u64..400,
    ) {
        let plain = PeriodSchedule::new(start, rule);
        let on = start + Days::new(before);
        let open = plain.containing(on).expect("started");
        let mut schedule = plain.clone();
        schedule.change_rule(on, new_rule);
        for number in 1..=open.number {
            prop_assert_eq!(schedule.period(number), plain.period(number));
        }
        let next = schedule.period(open.number + 1).expect("the next period");
        prop_assert_eq!((next.start, next.end), (open.end, walked_end(open.end, new_rule)));
    }

    #[test]
    fn schedules_never_panic(
        start in any_date(),
        rule in prop_oneof![
            any::<u16>().prop_map(PeriodRule::EveryDays),
            any::<u8>().prop_map(PeriodRule::MonthlyOn),
        ],
        history in prop::collection::vec((any_date(), change()), 0..4),
        on in any_date(),
        number in any::<u32>(),
    ) {
        let mut schedule = PeriodSchedule::new(start, rule);
        for (on, change) in &history {
            apply(&mut schedule, *on, change);
            schedule.period(number);
            schedule.first_end_after(number);
            schedule.containing(*on);
        }
        schedule.containing(on);
        schedule.ended_by(on);
    }

    #[test]
    fn business_days_are_counted_after_the_start(
        calendar in calendar(), start in date(), n in 1_u16..60,
    ) {
        let end = calendar.add_business_days(start, n);
        prop_assert!(calendar.is_business_day(end));
        let counted =
            start.iter_days().skip(1).take_while(|date| *date <= end)
                .filter(|date| calendar.is_business_day(*date)).count();
        prop_assert_eq!(counted, usize::from(n));
    }

    #[test]
    fn business_days_are_monotone(
        calendar in calendar(), start in date(), n in 0_u16..60,
    ) {
        let end = calendar.add_business_days(start, n);
        prop_assert!(end < calendar.add_business_days(start, n + 1));
        prop_assert!(end <= calendar.add_business_days(start + Days::new(1), n));
    }

    #[test]
    fn period_beginning_on_the_start_never_ends_later(
        calendar in calendar(), start in date(), n in 0_u16..20,
    ) {
        let beginning_on = calendar.nth_business_day_from(start, n);
        let after = calendar.add_business_days(start, n);
        prop_assert!(beginning_on <= after);
        prop_assert_eq!(beginning_on == after, n == 0 || !calendar.is_business_day(start));
        let opens_on = cancellation::service_opens_on(start, n, calendar);
        prop_assert!(opens_on > after && opens_on > beginning_on);
    }

    #[test]
    fn latest_ending_is_never_before_any_calendar(
        calendar in calendar(), start in date(), n in 0_u16..60,
    ) {
        let latest = BusinessCalendar::latest_ending(start, n);
        prop_assert!(latest >= calendar.add_business_days(start, n));
        let reached = |calendar: BusinessCalendar| calendar.add_business_days(start, n) == latest;
        prop_assert!(BusinessCalendar::ALL.into_iter().any(reached));
    }

    #[test]
    fn holidays_are_observed_on_the_nearest_weekday(year in 1900_i32..2400) {
        for holiday in federal_holidays(year) {
            prop_assert_eq!(holiday.on.year(), year);
            prop_assert!(holiday.observed.weekday().number_from_monday() <= 5);
            prop_assert!(holiday.observed.signed_duration_since(holiday.on).num_days().abs() <= 1);
            prop_assert!(!BusinessCalendar::FederalOffice.is_business_day(holiday.observed));
        }
    }

    #[test]
    fn business_days_never_panic(calendar in calendar(), start in any_date(), n in 0_u16..300) {
        prop_assert!(calendar.add_business_days(start, n) >= start);
        prop_assert!(calendar.nth_business_day_from(start, n) >= start);
        federal_holidays(start.year());
    }

    #[test]
    fn months_keep_the_day_or_the_end_of_the_month(start in date(), months in 0_u32..200) {
        let end = add_months_clamped(start, months);
        let last_of_month = (end + Days::new(1)).day() == 1;
        prop_assert!(end.day() == start.day() || (last_of_month && end.day() < start.day()));
    }
}

#[test]
fn no_year_panics() {
    for year in [i32::MIN, -262_143, 0, 262_142, i32::MAX] {
        federal_holidays(year);
    }
}
