//! Times within a day, and days in doubt between the firm's zone and the client's: "rights of the client are counted
//! from the later reading and acts of the firm by whichever is worse for the fee; a gate that fails on one reading
//! alone is unknown".

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use calendar::Zone;
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate};
use counterfoil_domain::judge::Paused;
use counterfoil_domain::refusal::{Reason, Refusal};

const A: u128 = 3;

/// Minutes after midnight of a day, where somebody lives.
fn at(zone: Zone, on: &str, minutes: i64) -> UtcMicros {
    UtcMicros(zone.start_of_day(day(on)) + minutes * 60_000_000)
}

fn tell(
    desk: &mut Desk,
    on: &str,
    occurred_at: Option<UtcMicros>,
    action: CaseAction,
) -> Result<Vec<Recorded>, Refusal> {
    desk.today(on);
    tell_late(desk, on, occurred_at, action)
}

fn tell_late(
    desk: &mut Desk,
    on: &str,
    occurred_at: Option<UtcMicros>,
    action: CaseAction,
) -> Result<Vec<Recorded>, Refusal> {
    let actions = vec![Dated { occurred_at, occurred_on: day(on), action }];
    desk.command(&Command::Case { case: case(A), expected_version: None, actions })
}

fn acknowledgement() -> CaseAction {
    CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None })
}

/// 15 USC 1679c(a): the disclosure comes before the agreement. Told apart on one day, times say which came first.
#[test]
fn times_say_what_came_first_on_one_day() {
    for (acknowledged, signed, answer) in [
        (Some(9), Some(10), Answer::Holds),
        (Some(10), Some(9), Answer::Fails),
        (Some(9), None, Answer::Unknown),
        (Some(9), Some(9), Answer::Unknown),
    ] {
        let mut desk = Desk::open();
        let on = "2026-03-02";
        tell(&mut desk, on, None, CaseAction::Enrol(Box::new(enrol()))).unwrap();
        let hour = |hour: Option<i64>| hour.map(|hour| at(zone(), on, hour * 60));
        tell(&mut desk, on, hour(signed), CaseAction::SignConsent(sign())).unwrap();
        tell(&mut desk, on, hour(acknowledged), acknowledgement()).unwrap();
        desk.today("2026-04-02");
        assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Disclosure), answer);
    }
}

/// A correction that adds the time alone settles what was unknown.
#[test]
fn a_time_told_later_settles_the_order() {
    let mut desk = Desk::open();
    let on = "2026-03-02";
    tell(&mut desk, on, None, CaseAction::Enrol(Box::new(enrol()))).unwrap();
    tell(&mut desk, on, Some(at(zone(), on, 600)), CaseAction::SignConsent(sign())).unwrap();
    tell(&mut desk, on, None, acknowledgement()).unwrap();
    desk.today("2026-04-02");
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Unknown);
    let told = desk.last("disclosure_acknowledged");
    let timed = Dated {
        occurred_at: Some(at(zone(), on, 599)),
        occurred_on: day(on),
        action: acknowledgement(),
    };
    desk.correct(case(A), told, Becomes::Told(Box::new(timed)));
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Holds);
}

/// In a pause work earns nothing: on its first day what was done before it counts.
#[test]
fn a_pause_holds_what_was_done_after_it_on_its_first_day() {
    for (minutes, counts) in [(59, true), (61, false)] {
        let mut desk = Desk::open();
        desk.opened(case(A), "2026-03-02", "2026-03-06");
        let on = "2026-03-10";
        let pause = CaseAction::PauseService(ServicePaused { reason: personal("away") });
        tell(&mut desk, on, Some(at(zone(), on, 60)), pause).unwrap();
        let sent = CaseAction::NoteRoundSent(round(NORTH, &["a"]));
        tell(&mut desk, on, Some(at(zone(), on, minutes)), sent).unwrap();
        tell(&mut desk, "2026-03-12", None, CaseAction::ResumeService).unwrap();
        tell(&mut desk, "2026-03-12", None, progress()).unwrap();
        let import = CaseAction::ImportReport(report(SOUTH, "2026-03-12", &["a", "b"]));
        tell(&mut desk, "2026-03-12", None, import).unwrap();
        desk.today("2026-04-10");
        assert_eq!(desk.holds(case(A), 1, "2026-04-10", Gate::FullyPerformed), counts, "{minutes}");
        // What earns nothing is shown beside its pause.
        let shown = desk.judged(case(A), |judge| {
            let of = |paused: Paused<'_>| (paused.began_on, paused.resumed_on, paused.idle.len());
            judge.pauses().map(of).collect::<Vec<_>>()
        });
        let idle = usize::from(!counts);
        assert_eq!(shown, [(day(on), Some(day("2026-03-12")), idle)], "{minutes}");
    }
}

/// Whoever ended or cancelled is shown the last day, and no period that runs.
#[test]
fn an_ended_or_cancelled_service_has_a_last_day_and_no_running_period() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    assert_eq!(desk.state(case(A)).last_day(), None);
    let cancel = Cancel { reason: None, sent_on: day("2026-03-04") };
    tell(&mut desk, "2026-03-05", None, CaseAction::Cancel(cancel)).unwrap();
    assert_eq!(desk.state(case(A)).last_day(), Some(day("2026-03-04")));
    assert!(desk.judged(case(A), |judge| judge.running().is_none()));

    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let end = ServiceEnded { by: EndedBy::Client, reason: None };
    tell(&mut desk, "2026-03-20", None, CaseAction::EndService(end)).unwrap();
    assert_eq!(desk.state(case(A)).last_day(), Some(day("2026-03-20")));
    assert!(desk.judged(case(A), |judge| judge.running().is_none()));
}

#[test]
fn a_time_of_another_day_or_of_the_future_is_refused() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    // The tests' clock stands at noon.
    for (minutes, allowed) in [(-1, false), (0, true), (720, true), (721, false)] {
        let told =
            tell(&mut desk, "2026-03-06", Some(at(zone(), "2026-03-06", minutes)), progress());
        assert_eq!(told.is_ok(), allowed, "{minutes}");
        if let Err(refusal) = told {
            is(&refusal, Reason::DateImpossible);
            assert_eq!(refusal.violations[0].subject, "occurred_at");
        }
    }
}

/// Midnight in two zones: a client in Denver, a firm in Chicago, an hour apart. Service from March 6th (15 USC
/// 1679d(a)(2)); letters of the 6th may have gone out on the 5th where the client lives.
#[test]
fn letters_of_the_first_day_of_service_are_in_doubt_until_their_time_is_told() {
    let denver = Zone::parse("America/Denver").unwrap();
    let sent = || CaseAction::NoteRoundSent(round(NORTH, &["a"]));
    let rest = |desk: &mut Desk| {
        tell(desk, "2026-03-10", None, progress()).unwrap();
        let import = CaseAction::ImportReport(report(SOUTH, "2026-03-10", &["a", "b"]));
        tell(desk, "2026-03-10", None, import).unwrap();
    };
    let signed = |zone| {
        let mut desk = Desk::open();
        desk.signed_as(case(A), "2026-03-02", Enrol { zone, ..enrol() });
        desk
    };
    for (zone, on, minutes, answer) in [
        // One zone: no doubt.
        (None, "2026-03-06", None, Answer::Holds),
        (Some(denver), "2026-03-06", None, Answer::Unknown),
        (Some(denver), "2026-03-06", Some(30), Answer::Holds),
        (Some(denver), "2026-03-05", Some(1_439), Answer::Fails),
        // It fails on either reading.
        (Some(denver), "2026-03-05", None, Answer::Fails),
        (Some(denver), "2026-03-09", None, Answer::Holds),
    ] {
        let mut desk = signed(zone);
        let time = minutes.map(|minutes| at(zone.unwrap_or_else(common::zone), on, minutes));
        desk.today("2026-03-10");
        tell_late(&mut desk, on, time, sent()).unwrap();
        rest(&mut desk);
        desk.today("2026-04-10");
        let found = desk.answer(case(A), 1, "2026-04-10", Gate::WaitingDays);
        assert_eq!(found, answer, "{on} {minutes:?}");
    }
}

/// What was asked of a bureau on a day has its time as letters have theirs.
#[test]
fn what_was_asked_of_a_bureau_is_in_doubt_until_its_time_is_told() {
    let denver = Zone::parse("America/Denver").unwrap();
    for (minutes, answer) in
        [(None, Answer::Unknown), (Some(30), Answer::Holds), (Some(-30), Answer::Fails)]
    {
        let mut desk = Desk::open();
        desk.signed_as(case(A), "2026-03-02", Enrol { zone: Some(denver), ..enrol() });
        desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
        desk.month(case(A), "2026-03-11");
        let on = if minutes == Some(-30) { "2026-03-05" } else { "2026-03-06" };
        let asked = BureauAsked {
            ask: Ask::ProcedureDescription,
            bureau: counterfoil_domain::ids::BureauCode::parse(NORTH).unwrap(),
        };
        let time = minutes.map(|minutes| at(denver, "2026-03-06", minutes));
        tell_late(&mut desk, on, time, CaseAction::BureauAsked(asked)).unwrap();
        desk.today("2026-04-10");
        let found = desk.answer(case(A), 1, "2026-04-10", Gate::WaitingDays);
        assert_eq!(found, answer, "{minutes:?}");
    }
}

/// Where an agreement governs the period in one reading of a day and none in the other, the gate of the agreement
/// is unknown, and no other: that the disclosure was acknowledged before the signing is so in both.
#[test]
fn whether_a_period_began_before_the_end_is_asked_of_the_agreement_alone() {
    let denver = Zone::parse("America/Denver").unwrap();
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", Enrol { zone: Some(denver), ..enrol() });
    desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-11");
    desk.today("2026-04-02");
    let ended = CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None });
    let second = desk.judged(case(A), |judge| judge.periods().nth(1).unwrap().start.to_string());
    tell_late(&mut desk, &second, None, ended).unwrap();
    desk.today("2026-05-10");
    let found = desk.explain(case(A), 2, "2026-05-10").findings;
    let doubted: Vec<Gate> =
        found.iter().filter(|of| of.answer == Answer::Unknown).map(|of| of.gate).collect();
    assert_eq!(doubted, [Gate::Agreement]);
}

/// "Unknown holds a new fee back like a failure, but exposes no fee already claimed: that one is unproved."
#[test]
fn a_fee_that_a_doubtful_day_decides_is_unproved_and_a_time_proves_it() {
    let denver = Zone::parse("America/Denver").unwrap();
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", Enrol { zone: Some(denver), ..enrol() });
    let time = Some(at(denver, "2026-03-06", 30));
    tell(&mut desk, "2026-03-06", time, CaseAction::NoteRoundSent(round(NORTH, &["a"]))).unwrap();
    tell(&mut desk, "2026-03-10", None, progress()).unwrap();
    let import = CaseAction::ImportReport(report(SOUTH, "2026-03-10", &["a", "b"]));
    tell(&mut desk, "2026-03-10", None, import).unwrap();
    // The period is over on April 1st, or on March 31st where the client lives.
    assert_eq!(rules(&desk.claim(case(A), 1, "2026-03-31").unwrap_err()), ["G4"]);
    desk.claim(case(A), 1, "2026-04-01").unwrap();
    let standing = |desk: &Desk| {
        desk.judged(case(A), |judge| {
            let fee = judge.fees().next().unwrap();
            (fee.standing, fee.exposed.minor())
        })
    };
    assert_eq!(standing(&desk), (FeeStanding::Allowed, 0));
    let sent = desk.last("round_sent");
    let untimed = anew("2026-03-06", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    let told = desk.correct(case(A), sent, untimed);
    assert!(names(&told).contains(&"fee_marked"), "{:?}", names(&told));
    assert_eq!(standing(&desk), (FeeStanding::Unproved, 0));
    let because = desk.explain(case(A), 1, "2026-04-01").findings;
    let because = &because.iter().find(|found| found.gate == Gate::WaitingDays).unwrap().because;
    assert!(because.contains("say at what time it was"), "{because}");
}

/// Rights of the client are counted from the later reading: a client in New York who signs late on March 2nd of the
/// firm's day may cancel through the 6th (15 USC 1679e(a)), and a cancellation sent then undoes the agreement.
#[test]
fn a_right_to_cancel_is_counted_from_the_later_day() {
    let new_york = Zone::parse("America/New_York").unwrap();
    let cancelled = |zone, sent_on: &str| {
        let mut desk = Desk::open();
        desk.signed_as(case(A), "2026-03-02", Enrol { zone, ..enrol() });
        let cancel = CaseAction::Cancel(Cancel { reason: None, sent_on: day(sent_on) });
        tell(&mut desk, sent_on, None, cancel).unwrap();
        desk.judged(case(A), |judge| judge.periods().count()) == 0
    };
    assert!(cancelled(None, "2026-03-05") && !cancelled(None, "2026-03-06"));
    assert!(cancelled(Some(new_york), "2026-03-06") && !cancelled(Some(new_york), "2026-03-07"));
}

/// 15 USC 1679b(a)(1): letters about what nobody said is wrong are no work, on whichever of two days they went out.
#[test]
fn letters_without_a_basis_are_no_work_on_either_day() {
    let new_york = Zone::parse("America/New_York").unwrap();
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", Enrol { zone: Some(new_york), ..enrol() });
    let import = CaseAction::ImportReport(report(NORTH, "2026-03-10", &["a", "b", "c"]));
    tell(&mut desk, "2026-03-10", None, import).unwrap();
    for (item, answer) in [("c", Answer::Fails), ("a", Answer::Unknown)] {
        // On April 1st, the first day of the second period, where the client lives.
        let sent = CaseAction::NoteRoundSent(round(NORTH, &[item]));
        tell(&mut desk, "2026-03-31", None, sent).unwrap();
        tell_late(&mut desk, "2026-03-31", None, progress()).unwrap();
        desk.today("2026-04-10");
        tell(&mut desk, "2026-04-10", None, progress()).unwrap();
        desk.today("2026-05-10");
        let found = desk.answer(case(A), 2, "2026-05-10", Gate::FullyPerformed);
        assert_eq!(found, answer, "{item}");
    }
}
