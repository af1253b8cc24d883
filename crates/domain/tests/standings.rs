//! What a firm has on file with a state, from which day to which.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::StandingAnswer;
use counterfoil_domain::ids::*;
use counterfoil_domain::money::{Currency, Money};
use counterfoil_domain::refusal::{Reason, Refusal};

const TODAY: &str = "2026-06-01";

fn state(code: &str) -> StateCode {
    StateCode::parse(code).unwrap()
}

/// A desk on the day on which these tests ask.
fn desk() -> Desk {
    let mut desk = Desk::open();
    desk.today(TODAY);
    desk
}

fn refusal_on(desk: &mut Desk, on: &str, action: FirmAction) -> Refusal {
    let action = Dated { occurred_at: None, occurred_on: day(on), action };
    desk.command(&Command::Firm { action }).expect_err("must be refused")
}

fn refuses(desk: &mut Desk, action: FirmAction, reason: Reason, subject: &str) {
    let refusal = refusal_on(desk, TODAY, action);
    is(&refusal, reason);
    assert_eq!(refusal.violations[0].subject, subject, "{refusal}");
}

const YEAR: (&str, &str) = ("2026-01-01", "2026-12-31");

fn filed(kind: StandingKind, minor: i64, (from, through): (&str, &str)) -> StandingRecorded {
    StandingRecorded {
        amount: Some(usd(minor)),
        document: None,
        kind,
        state: state("NV"),
        valid_from: day(from),
        valid_through: day(through),
    }
}

fn ended(valid_from: &str, last_day: &str) -> StandingEnded {
    StandingEnded {
        document: Some(DocumentHash([4; 32])),
        kind: StandingKind::Bond,
        last_day: day(last_day),
        reason: StandingEndReason::SuretyCancelled,
        state: state("NV"),
        valid_from: day(valid_from),
    }
}

/// The bond of a day: its amount if one stands, its last day if it lapsed.
fn bond_of(desk: &Desk, on: &str) -> String {
    let firm = desk.firm_state();
    match firm.standing_on(state("NV"), StandingKind::Bond, day(on)) {
        StandingAnswer::Stands(bond) => format!("stands {}", bond.filed.amount.unwrap().minor()),
        StandingAnswer::Lapsed(bond) => format!("lapsed {}", bond.last_day()),
        StandingAnswer::NeverRecorded => "never".into(),
        StandingAnswer::TooSmall(_) => "too small".into(),
    }
}

#[test]
fn a_standing_is_unknown_before_the_first_and_lapsed_after_the_last() {
    let mut desk = desk();
    assert_eq!(bond_of(&desk, TODAY), "never");
    for (minor, days) in
        [(300, ("2026-03-01", "2026-03-31")), (100, YEAR), (200, ("2026-03-10", "2026-03-20"))]
    {
        desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, minor, days)));
    }
    for (on, says) in [
        ("2025-12-31", "never"),
        ("2026-01-01", "stands 100"),
        ("2026-03-10", "stands 300"),
        ("2026-04-01", "stands 100"),
        ("2026-12-31", "stands 100"),
        ("2027-01-01", "lapsed 2026-12-31"),
    ] {
        assert_eq!(bond_of(&desk, on), says, "{on}");
    }
    let firm = desk.firm_state();
    let registration = firm.standing_on(state("NV"), StandingKind::Registration, day(TODAY));
    assert_eq!(registration, StandingAnswer::NeverRecorded);
    let least = |minor| firm.bond_on(state("NV"), usd(minor), day(TODAY));
    assert!(matches!(least(100), StandingAnswer::Stands(_)));
    let StandingAnswer::TooSmall(bond) = least(101) else { panic!("it is smaller") };
    assert_eq!(bond.filed.amount, Some(usd(100)));
    let of_elsewhere = Money::new(1, Currency::parse("EUR").unwrap()).unwrap();
    let answer = firm.bond_on(state("NV"), of_elsewhere, day(TODAY));
    assert!(matches!(answer, StandingAnswer::TooSmall(_)));
}

#[test]
fn a_standing_ends_early_and_a_later_one_stands_beside_it() {
    let mut desk = desk();
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 100, YEAR)));
    let next = ("2026-05-15", "2027-05-14");
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 50, next)));
    for (end, reason, subject) in [
        (ended("2026-01-02", "2026-04-30"), Reason::ReferenceUnknown, "standing"),
        (
            StandingEnded { state: state("UT"), ..ended("2026-01-01", "2026-04-30") },
            Reason::ReferenceUnknown,
            "standing",
        ),
        (
            StandingEnded { kind: StandingKind::Registration, ..ended("2026-01-01", "2026-04-30") },
            Reason::ReferenceUnknown,
            "standing",
        ),
        (ended("2026-01-01", "2025-12-30"), Reason::ValueRefused, "last_day"),
        (ended("2026-01-01", "2026-12-31"), Reason::ValueRefused, "last_day"),
    ] {
        refuses(&mut desk, FirmAction::EndStanding(end), reason, subject);
    }
    let end = FirmAction::EndStanding(ended("2026-01-01", "2026-04-30"));
    is(&refusal_on(&mut desk, "2026-06-02", end.clone()), Reason::DateImpossible);
    let told = desk.firm(end);
    assert_eq!(names(&told), ["standing_ended"]);
    for (on, says) in [
        ("2026-04-30", "stands 100"),
        ("2026-05-01", "lapsed 2026-04-30"),
        ("2026-05-15", "stands 50"),
    ] {
        assert_eq!(bond_of(&desk, on), says, "{on}");
    }
    let StandingAnswer::Lapsed(bond) =
        desk.firm_state().standing_on(state("NV"), StandingKind::Bond, day("2026-05-01"))
    else {
        panic!("it lapsed")
    };
    let end = bond.end.as_ref().unwrap();
    assert_eq!((&end.at, end.on), (&told[0].reference(), day(TODAY)));
    assert_eq!(end.said.reason, StandingEndReason::SuretyCancelled);
    let later = FirmAction::EndStanding(ended("2026-01-01", "2026-04-30"));
    refuses(&mut desk, later, Reason::ValueRefused, "last_day");
    // An earlier end may still be found; one that is announced may lie ahead.
    desk.firm(FirmAction::EndStanding(ended("2026-01-01", "2026-04-15")));
    assert_eq!(bond_of(&desk, "2026-04-16"), "lapsed 2026-04-15");
    desk.firm(FirmAction::EndStanding(ended("2026-05-15", "2026-07-31")));
    assert_eq!(bond_of(&desk, "2026-08-01"), "lapsed 2026-07-31");
}

/// A cancellation from the first day on is an end; a record that was a mistake is none, and what takes its
/// place is not ended with it.
#[test]
fn a_standing_that_was_recorded_wrongly_tells_nothing() {
    let mut desk = desk();
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 100, YEAR)));
    desk.firm(FirmAction::EndStanding(ended("2026-01-01", "2025-12-31")));
    assert_eq!(bond_of(&desk, TODAY), "lapsed 2025-12-31");

    let mut desk = self::desk();
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 100, YEAR)));
    let reason = StandingEndReason::RecordedWrongly;
    let mistake = StandingEnded { reason, ..ended("2026-01-01", "2025-12-31") };
    desk.firm(FirmAction::EndStanding(mistake));
    assert_eq!(bond_of(&desk, TODAY), "never");
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 10, YEAR)));
    assert_eq!(bond_of(&desk, TODAY), "stands 10");
    desk.firm(FirmAction::EndStanding(ended("2026-01-01", "2026-05-31")));
    assert_eq!(bond_of(&desk, TODAY), "lapsed 2026-05-31");
}

/// The gates of today judge by what is on file as well: an early end closes them.
#[test]
fn a_bond_that_ended_early_is_not_on_file_any_more() {
    let mut desk = desk();
    desk.firm(FirmAction::RecordStanding(filed(StandingKind::Bond, 100, YEAR)));
    let on_file = |desk: &Desk| {
        desk.firm_state().standing(state("NV"), StandingKind::Bond, day(TODAY)).is_some()
    };
    assert!(on_file(&desk));
    desk.firm(FirmAction::EndStanding(ended("2026-01-01", "2026-05-31")));
    assert!(!on_file(&desk));
}

/// 16 CFR 314.4(j), 314.5: a notice is owed from 500 consumers on, within 30 days of the discovery, of what was discovered from
/// 13 May 2024 on.
#[test]
fn a_notice_of_an_event_of_security_is_owed_since_the_duty_began_and_late_by_its_days() {
    let event = |name: &str, discovered_on: &str, notified_on: Option<&str>| {
        let said = SecurityEventRecorded {
            consumers: 500,
            discovered_on: day(discovered_on),
            document: None,
            name: text(name),
            notified_on: notified_on.map(day),
        };
        FirmAction::RecordSecurityEvent(said)
    };
    let mut desk = desk();
    for action in [
        event("before", "2024-05-12", None),
        event("first", "2024-05-13", Some("2024-06-12")),
        event("late", "2026-02-02", Some("2026-03-09")),
        event("waiting", "2026-04-01", None),
    ] {
        desk.firm(action);
    }
    let told = &desk.firm_state().security_events;
    let seen: Vec<_> = told
        .iter()
        .map(|told| (told.notify_by().map(|by| by.to_string()), told.days_late(day(TODAY))))
        .collect();
    let by = |on: &str| Some(on.to_owned());
    let expected =
        [(None, 0), (by("2024-06-12"), 0), (by("2026-03-04"), 5), (by("2026-05-01"), 31)];
    assert_eq!(seen, expected);
    let waits: Vec<bool> = told.iter().map(|told| told.is_to_be_told_by().is_some()).collect();
    assert_eq!(waits, [false, false, false, true]);
}
