//! Facts told of the wrong client, a seat told wrongly, and what whoever records may take back. A fee rests on what
//! was done for that client (15 USC 1679b(b)); whose fact it was is part of what happened.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate};
use counterfoil_domain::ids::AccessId;
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::Seat;
use uuid::Uuid;

const A: u128 = 2;
const B: u128 = 3;

/// Two clients who signed on Monday 2 March 2026; the first one's month was done, claimed and paid, of the second
/// no progress report was told.
fn two() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let payment =
        PaymentReceived { amount: usd(19_900), invoice: Some(1), payment: reference("p1") };
    desk.try_account(account(A), "2026-04-02", AccountAction::PaymentReceived(payment)).unwrap();
    desk.opened(case(B), "2026-03-02", "2026-03-06");
    desk.month(case(B), "2026-03-09");
    let of_b = desk.last("progress_report_sent");
    desk.correct(case(B), of_b, Becomes::Nothing);
    desk.today("2026-04-10");
    desk
}

fn by(
    desk: &mut Desk,
    by: CorrectedBy,
    corrections: Vec<Correction>,
) -> Result<Vec<Recorded>, Box<counterfoil_domain::refusal::Refusal>> {
    let command = Command::Correct { by, case: case(A), expected_version: None, corrections };
    desk.command(&command).map_err(Box::new)
}

#[test]
fn a_fact_of_the_wrong_client_is_told_of_the_right_one_in_one_append() {
    let mut desk = two();
    assert_eq!(desk.answer(case(B), 1, "2026-04-02", Gate::FullyPerformed), Answer::Fails);
    let at = desk.first("progress_report_sent");
    let told = desk.correct(case(A), at, Becomes::MovedTo(case(B)));
    let kinds = ["fact_corrected", "progress_report_sent", "correction_noted", "fee_marked"];
    assert_eq!(names(&told), kinds);
    assert_eq!(told[1].stream, StreamId::Case(case(B)));
    assert_eq!(told[1].occurred_on, day("2026-03-09"), "the day it happened goes with it");
    let Event::Case(CaseEvent::FactCorrected(corrected)) = &told[0].event else { panic!() };
    assert_eq!((corrected.about_another, &corrected.reading), (Some(true), &None));
    // The fee that was paid for work done for somebody else is owed back; the other's is open.
    let fee = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(fee, FeeStanding::Exposed);
    assert_eq!(desk.answer(case(B), 1, "2026-04-02", Gate::FullyPerformed), Answer::Holds);
    // The first thing an examiner looks for: by what the gate holds.
    let mut explained = desk.explain(case(B), 1, "2026-04-02");
    let moved = told[1].clone();
    let told_first = desk.state(case(B)).told_first(&[moved], desk.firm_state());
    desk.judged(case(B), |judge| judge.name_corrections(&mut explained, &told_first));
    let done = explained.findings.iter().find(|found| found.gate == Gate::FullyPerformed).unwrap();
    let said = "told first of another client, moved here at";
    assert!(done.is_corrected && done.because.contains(said), "{}", done.because);
    // Back again: what is told of the second is a fact like any other.
    let there = told[1].position;
    desk.correct(case(B), there, Becomes::MovedTo(case(A)));
    let fee = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(fee, FeeStanding::Allowed);
    assert_eq!(desk.answer(case(B), 1, "2026-04-02", Gate::FullyPerformed), Answer::Fails);
}

#[test]
fn what_names_its_own_case_does_not_move_and_nothing_is_half_moved() {
    let mut desk = two();
    let (before, events) = (desk.state(case(A)).version, desk.log.len());
    for kind in ["enrolled", "letter_delivered"] {
        if kind == "letter_delivered" {
            let delivered = LetterDelivered { bureau: bureau(NORTH), round: 1 };
            desk.act(case(A), "2026-03-12", CaseAction::LetterDelivered(delivered));
        }
        let at = desk.last(kind);
        let (stream, at) = if kind == "enrolled" { (A, desk.first(kind)) } else { (A, at) };
        let refused = desk.try_correct(case(stream), at, Becomes::MovedTo(case(B))).unwrap_err();
        is(&refused, Reason::StateRefuses);
    }
    let at = desk.first("progress_report_sent");
    let refused = desk.try_correct(case(A), at, Becomes::MovedTo(case(A))).unwrap_err();
    assert!(refused.to_string().contains("of this client already"), "{refused}");
    // Nobody enrolled under the other: neither half is recorded.
    let refused = desk.try_correct(case(A), at, Becomes::MovedTo(case(77))).unwrap_err();
    is(&refused, Reason::CaseUnknown);
    assert_eq!(desk.log.len(), events + 1, "the delivery alone was recorded");
    assert_eq!(desk.state(case(A)).version, before + 1);
}

#[test]
fn whoever_records_takes_back_on_the_same_day_what_opens_no_gate() {
    let mut desk = two();
    let token = |n| Author { access: Some(AccessId(Uuid::from_u128(n))), actor: text("scanner") };
    desk.author = token(1);
    let note = || CaseAction::NoteRoundSent(round(NORTH, &["b"]));
    let twice = desk.act(case(A), "2026-04-09", note())[0].position;
    let correction = |desk: &Desk, at, becomes| vec![desk.correction(at, becomes)];
    // Another token, another reading, another day: none of these.
    desk.author = token(2);
    let asked = correction(&desk, twice, Becomes::Nothing);
    is(&by(&mut desk, CorrectedBy::Recorder, asked.clone()).unwrap_err(), Reason::StateRefuses);
    desk.author = token(1);
    let other_day = correction(&desk, twice, Becomes::OnDay(day("2026-04-08")));
    is(&by(&mut desk, CorrectedBy::Recorder, other_day).unwrap_err(), Reason::StateRefuses);
    desk.today("2026-04-11");
    is(&by(&mut desk, CorrectedBy::Recorder, asked.clone()).unwrap_err(), Reason::StateRefuses);
    desk.today("2026-04-10");
    let told = by(&mut desk, CorrectedBy::Recorder, asked).unwrap();
    assert_eq!(told[0].event.type_name(), "fact_corrected");

    // 15 USC 1679d(a)(2): a round in the waiting days closes the gate, and taking it back would open it.
    let early = desk.act(case(A), "2026-03-04", note())[0].position;
    let asked = correction(&desk, early, Becomes::Nothing);
    let refused = by(&mut desk, CorrectedBy::Recorder, asked.clone()).unwrap_err();
    assert!(refused.to_string().contains("scope correct"), "{refused}");
    by(&mut desk, CorrectedBy::Anyone, asked).unwrap();
    // A pause moves the periods behind it, and no gate of theirs: it is taken back.
    let pause = CaseAction::PauseService(ServicePaused { reason: personal("away") });
    let paused = desk.act(case(A), "2026-04-08", pause)[0].position;
    let asked = correction(&desk, paused, Becomes::Nothing);
    by(&mut desk, CorrectedBy::Recorder, asked).unwrap();
}

#[test]
fn a_seat_is_corrected_while_no_agreement_and_no_couple_stands_on_it() {
    let mut desk = Desk::open();
    desk.act(case(A), "2026-01-02", CaseAction::Enrol(Box::new(enrol())));
    let at = desk.first("enrolled");
    let couple = || {
        let enrol = Enrol { card: None, seat: Seat::Couple, ..enrol() };
        anew("2026-01-02", CaseAction::Enrol(Box::new(enrol)))
    };
    desk.correct(case(A), at, couple());
    assert_eq!(desk.state(case(A)).seat(), Some(Seat::Couple));

    let mut signed = two();
    let at = signed.first("enrolled");
    let refused = signed.try_correct(case(A), at, couple()).unwrap_err();
    assert!(refused.to_string().contains("for one client: take the signing back"), "{refused}");

    let of_couple = || Enrol { seat: Seat::Couple, ..enrol() };
    let mut linked = Desk::open();
    for id in [A, B] {
        linked.act(case(id), "2026-01-02", CaseAction::Enrol(Box::new(of_couple())));
    }
    let link = Command::Couple { first: case(A), second: case(B), action: CoupleAction::Confirm };
    linked.command(&link).unwrap();
    let at = linked.first("enrolled");
    let alone = Enrol { card: None, ..enrol() };
    let alone = anew("2026-01-02", CaseAction::Enrol(Box::new(alone)));
    let refused = linked.try_correct(case(A), at, alone.clone()).unwrap_err();
    assert!(refused.to_string().contains("unlink the two first"), "{refused}");
    let unlink = Command::Couple { first: case(A), second: case(B), action: CoupleAction::Unlink };
    linked.command(&unlink).unwrap();
    linked.correct(case(A), at, alone);
    assert_eq!(linked.state(case(A)).seat(), Some(Seat::Individual));
}

/// A report that was imported into the wrong file shows nothing there, and is the other's work.
#[test]
fn an_import_of_the_wrong_client_counts_for_the_right_one() {
    let mut desk = two();
    let of_the_month = |desk: &Desk, id| {
        let of = |recorded: &&Recorded| {
            recorded.stream == StreamId::Case(case(id))
                && recorded.event.type_name() == "report_imported"
                && recorded.occurred_on == day("2026-03-09")
        };
        desk.log.iter().find(of).map(|recorded| recorded.position)
    };
    let of_b = of_the_month(&desk, B).unwrap();
    desk.correct(case(B), of_b, Becomes::Nothing);
    desk.act(case(B), "2026-03-09", progress());
    assert_eq!(desk.answer(case(B), 1, "2026-04-02", Gate::FullyPerformed), Answer::Fails);
    let of_a = of_the_month(&desk, A).unwrap();
    desk.correct(case(A), of_a, Becomes::MovedTo(case(B)));
    let fee = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(fee, FeeStanding::Exposed);
    assert_eq!(desk.answer(case(B), 1, "2026-04-02", Gate::FullyPerformed), Answer::Holds);
}
