//! Facts that were told wrongly: taken back, or told anew. A fee is judged on what happened, not on when it
//! was told or mistyped (15 USC 1679b(b), 1679c(a), 1679d(a)).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate};
use counterfoil_domain::refusal::Reason;

const A: u128 = 2;

/// A client signed on Monday 2 March 2026, served from the 6th, whose first fee was claimed and paid.
fn paid() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    assert_eq!(names(&desk.bill(account(A), "2026-04-01")), ["fee_earned", "invoice_issued"]);
    let payment =
        PaymentReceived { amount: usd(19_900), invoice: Some(1), payment: reference("p1") };
    desk.try_account(account(A), "2026-04-02", AccountAction::PaymentReceived(payment)).unwrap();
    desk
}

fn standing(desk: &Desk) -> FeeStanding {
    desk.judged(case(A), |judge| judge.fees().next().unwrap().standing)
}

fn owed(desk: &Desk) -> i64 {
    desk.judged(case(A), |judge| judge.fees().next().unwrap().owed.minor())
}

#[test]
fn a_mistyped_early_round_exposes_and_its_correction_heals() {
    let mut desk = paid();
    // 15 USC 1679d(a)(2): no service before the end of the cancellation days.
    let told = desk.act(case(A), "2026-03-04", CaseAction::NoteRoundSent(round(NORTH, &["b"])));
    assert_eq!(names(&told), ["round_sent", "exposure_found", "fee_marked"]);
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Exposed, 19_900));

    let at = desk.last("round_sent");
    let corrected = desk.correct(case(A), at, Becomes::OnDay(day("2026-03-24")));
    assert_eq!(names(&corrected), ["fact_corrected", "fee_marked"]);
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Allowed, 0));
    // The exposure followed from the mistake.
    assert_eq!(desk.state(case(A)).exposures.len(), 0);
}

#[test]
fn work_that_did_not_happen_exposes_the_fee_that_rested_on_it() {
    let mut desk = paid();
    let at = desk.last("progress_report_sent");
    let corrected = desk.correct(case(A), at, Becomes::Nothing);
    assert_eq!(names(&corrected), ["fact_corrected", "fee_marked"]);
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Exposed, 19_900));
    // Told anew it heals: the day is before the asking, whenever it is told.
    let again = desk.last("fact_corrected");
    desk.today("2026-05-20").correct(case(A), again, anew("2026-03-12", progress()));
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Allowed, 0));
}

#[test]
fn a_signing_day_is_corrected_both_ways() {
    let mut desk = paid();
    let at = desk.last("consent_signed");
    // Signed a week later: the round of the 9th came in the waiting days of Monday the 9th.
    desk.correct(case(A), at, Becomes::OnDay(day("2026-03-09")));
    assert_eq!(standing(&desk), FeeStanding::Exposed);
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::WaitingDays), Answer::Fails);
    // And back: the order that the request stated among acknowledgement and signing holds again.
    let again = desk.last("fact_corrected");
    desk.correct(case(A), again, Becomes::OnDay(day("2026-03-02")));
    assert_eq!(standing(&desk), FeeStanding::Allowed);
    assert!(desk.holds(case(A), 1, "2026-04-02", Gate::Disclosure));
    let agreement = desk.state(case(A)).agreement().unwrap();
    assert_eq!(agreement.cancel_through, day("2026-03-05"));
}

#[test]
fn an_acknowledgement_that_came_after_the_signing_closes_the_first_gate() {
    let mut desk = paid();
    let at = desk.last("disclosure_acknowledged");
    desk.correct(case(A), at, Becomes::OnDay(day("2026-03-03")));
    // 15 USC 1679c(a): before any contract is executed.
    assert_eq!(standing(&desk), FeeStanding::Exposed);
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Fails);
    // On the day of the signing, in the request that told both, its place is as it was.
    let again = desk.last("fact_corrected");
    desk.correct(case(A), again, Becomes::OnDay(day("2026-03-02")));
    assert_eq!(standing(&desk), FeeStanding::Allowed);
}

#[test]
fn of_two_facts_moved_to_one_day_the_request_states_the_order() {
    let mut desk = paid();
    let signing = desk.correction(desk.last("consent_signed"), Becomes::OnDay(day("2026-03-01")));
    let acknowledged =
        desk.correction(desk.last("disclosure_acknowledged"), Becomes::OnDay(day("2026-03-01")));
    let of = |corrections| Command::Correct {
        by: CorrectedBy::Anyone,
        case: case(A),
        expected_version: None,
        corrections,
    };
    let mut other = paid();
    desk.command(&of(vec![acknowledged.clone(), signing.clone()])).unwrap();
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Holds);
    other.command(&of(vec![signing, acknowledged])).unwrap();
    assert_eq!(other.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Fails);
    // Told apart, nobody has said which came first.
    let mut apart = paid();
    for kind in ["disclosure_acknowledged", "consent_signed"] {
        let at = apart.last(kind);
        apart.correct(case(A), at, Becomes::OnDay(day("2026-03-01")));
    }
    assert_eq!(apart.answer(case(A), 1, "2026-04-02", Gate::Disclosure), Answer::Unknown);
}

#[test]
fn a_late_postmark_and_a_mistaken_one() {
    let mut desk = paid();
    let cancel = Cancel { reason: None, sent_on: day("2026-03-04") };
    desk.act(case(A), "2026-04-20", CaseAction::Cancel(cancel));
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Exposed, 19_900));
    // The letter was another person's: 15 USC 1679e(a) is about the client's own.
    let at = desk.last("consent_cancelled");
    desk.correct(case(A), at, Becomes::Nothing);
    assert_eq!((standing(&desk), owed(&desk)), (FeeStanding::Allowed, 0));
}

#[test]
fn total_corrected_below_what_was_claimed_exposes_what_is_above_it() {
    let mut desk = paid();
    let at = desk.last("consent_signed");
    let sign = SignConsent { total_of_payments: usd(15_000), ..sign() };
    // 15 USC 1679d(b)(1): the terms of payment and the total amount.
    desk.correct(case(A), at, anew("2026-03-02", CaseAction::SignConsent(sign)));
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::Total), Answer::Fails);
    assert_eq!(owed(&desk), 19_900);
}

#[test]
fn what_is_named_must_be_the_reading_in_force_of_a_fact_of_the_case() {
    let mut desk = paid();
    let at = desk.last("progress_report_sent");
    desk.correct(case(A), at, Becomes::OnDay(day("2026-03-10")));
    let newer = desk.last("fact_corrected");
    let refused = desk.try_correct(case(A), at, Becomes::Nothing).unwrap_err();
    assert_eq!(refused.reason, Reason::StateRefuses);
    assert!(refused.to_string().contains(&format!("position {newer}")), "{refused}");

    for decided in ["fee_earned", "item_listed"] {
        let at = desk.first(decided);
        let refused = desk.try_correct(case(A), at, Becomes::Nothing).unwrap_err();
        assert_eq!(refused.reason, Reason::StateRefuses, "{decided}: {refused}");
    }
    let enrolled = desk.first("enrolled");
    let refused = desk.try_correct(case(A), enrolled, Becomes::Nothing).unwrap_err();
    assert_eq!(refused.reason, Reason::StateRefuses);

    let other_kind = anew("2026-03-10", CaseAction::ResumeService);
    let refused = desk.try_correct(case(A), newer, other_kind).unwrap_err();
    assert!(matches!(refused.reason, Reason::ValueRefused | Reason::StateRefuses), "{refused}");

    let tomorrow = Becomes::OnDay(day("2027-01-01"));
    let refused = desk.try_correct(case(A), newer, tomorrow).unwrap_err();
    assert_eq!(refused.reason, Reason::DateImpossible);

    desk.correct(case(A), newer, Becomes::Nothing);
    let last = desk.last("fact_corrected");
    let refused = desk.try_correct(case(A), last, Becomes::Nothing).unwrap_err();
    assert_eq!(refused.reason, Reason::AlreadyRecorded);

    // Another client's event is none of this case.
    desk.signed(case(3), "2026-03-02");
    let theirs = desk.last("consent_signed");
    let refused = desk.try_correct(case(A), theirs, Becomes::Nothing).unwrap_err();
    assert_eq!(refused.reason, Reason::ReferenceUnknown);
}

#[test]
fn papers_complaints_contacts_and_sources_are_taken_back() {
    let mut desk = paid();
    let ready = |desk: &Desk| desk.state(case(A)).readiness(day("2026-05-01")).percent();
    assert_eq!(ready(&desk), 100);
    for kind in ["identity_paper_accepted", "report_source_connected", "disclosure_acknowledged"] {
        let before = ready(&desk);
        let at = desk.last(kind);
        desk.correct(case(A), at, Becomes::Nothing);
        assert!(ready(&desk) < before, "{kind}");
    }
    let complaint = MessageLogged {
        complaint: true,
        direction: Direction::Incoming,
        text: personal("They say the letters never went out."),
    };
    desk.act(case(A), "2026-04-03", CaseAction::MessageLogged(complaint));
    assert_eq!(desk.state(case(A)).open_complaints().count(), 1);
    let at = desk.last("message_logged");
    desk.correct(case(A), at, Becomes::Nothing);
    assert_eq!(desk.state(case(A)).open_complaints().count(), 0);

    let mut moved = contact();
    moved.address.line1 = personal("9 Elm Street");
    let changed = ContactChanged { contact: moved };
    desk.act(case(A), "2026-04-03", CaseAction::ContactChanged(Box::new(changed)));
    let at = desk.last("contact_changed");
    desk.correct(case(A), at, Becomes::Nothing);
    let current = desk.state(case(A)).contact().unwrap().contact.address.line1.clone();
    assert_eq!(current.revealed(), Some("12 North Main Street"));
}

#[test]
fn a_corrected_case_is_judged_as_one_that_was_told_right() {
    let (mut right, mut wrong) = (Desk::open(), Desk::open());
    right.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    let plan = [("2026-03-05", "2026-03-02"), ("2026-03-20", "2026-03-09")];
    wrong.opened(case(A), plan[0].0, "2026-03-11").month(case(A), plan[1].0);
    let at = wrong.last("consent_signed");
    wrong.correct(case(A), at, Becomes::OnDay(day(plan[0].1)));
    let at = wrong.last("disclosure_acknowledged");
    wrong.today("2026-04-02").correct(case(A), at, Becomes::OnDay(day("2026-03-01")));
    for kind in ["round_sent", "progress_report_sent"] {
        let at = wrong.last(kind);
        wrong.correct(case(A), at, Becomes::OnDay(day(plan[1].1)));
    }
    right.today("2026-04-02");
    let of = |desk: &Desk| {
        let explained = desk.judged(case(A), |judge| judge.explain_anew(1, day("2026-04-02")));
        let explained = explained.unwrap();
        let answers: Vec<_> = explained.findings.iter().map(|f| (f.gate, f.answer)).collect();
        (explained.period, explained.amount, answers)
    };
    assert_eq!(of(&right), of(&wrong));
}

#[test]
fn a_correction_shortens_no_time_for_which_the_record_is_kept() {
    let mut desk = paid();
    let ended = ServiceEnded { by: EndedBy::Client, reason: None };
    desk.act(case(A), "2026-04-10", CaseAction::EndService(ended));
    let until = |desk: &Desk| -> Vec<_> {
        desk.state(case(A)).retained().iter().map(|kept| kept.until).collect()
    };
    let before = until(&desk);
    // 15 USC 1679i, 1679c(c): what was told first is evidence, whatever is told now.
    for (kind, on) in [("disclosure_acknowledged", "2019-01-02"), ("service_ended", "2026-04-09")] {
        let at = desk.last(kind);
        desk.correct(case(A), at, Becomes::OnDay(day(on)));
    }
    assert_eq!(until(&desk), before);
    let at = desk.last("fact_corrected");
    desk.correct(case(A), at, Becomes::Nothing);
    assert!(desk.state(case(A)).retained().is_empty(), "the service goes on");
}

#[test]
fn a_round_went_out_before_what_came_of_it() {
    let mut desk = paid();
    let delivered = LetterDelivered { bureau: bureau(NORTH), round: 1 };
    desk.act(case(A), "2026-03-12", CaseAction::LetterDelivered(delivered));
    let (sent, scan) = (desk.last("round_sent"), desk.last("letter_delivered"));
    for becomes in [Becomes::OnDay(day("2026-03-13")), Becomes::Nothing] {
        let refused = desk.try_correct(case(A), sent, becomes).unwrap_err();
        assert_eq!(refused.reason, Reason::DateImpossible);
        assert!(refused.to_string().contains(&format!("position {scan}")), "{refused}");
    }
    // Both in one request, the scan first.
    let corrections = vec![
        desk.correction(scan, Becomes::OnDay(day("2026-03-16"))),
        desk.correction(sent, Becomes::OnDay(day("2026-03-13"))),
    ];
    desk.command(&Command::Correct {
        by: CorrectedBy::Anyone,
        case: case(A),
        expected_version: None,
        corrections,
    })
    .unwrap();
    let (round, letter) = desk.state(case(A)).letter(1, &bureau(NORTH)).unwrap();
    assert_eq!((round.mark.on, letter.delivered[0].on()), (day("2026-03-13"), day("2026-03-16")));
}

#[test]
fn what_a_correction_breaks_is_concluded() {
    // 15 USC 1679d(a)(2): the round of the 9th comes into the waiting days of the 9th.
    let mut desk = paid();
    let at = desk.last("consent_signed");
    let told = desk.correct(case(A), at, Becomes::OnDay(day("2026-03-09")));
    assert_eq!(names(&told), ["fact_corrected", "exposure_found", "fee_marked"]);
    assert_eq!(told[1].occurred_on, day("2026-03-09"));
    assert_eq!(desk.state(case(A)).standing_exposures().count(), 1);
    // Put right, it stands no more.
    let again = desk.last("fact_corrected");
    desk.correct(case(A), again, Becomes::OnDay(day("2026-03-02")));
    assert_eq!(desk.state(case(A)).standing_exposures().count(), 0);
    // 15 USC 1679b(a)(1): no basis, no dispute.
    let at = desk.first("basis_attested");
    let told = desk.correct(case(A), at, Becomes::Nothing);
    assert!(names(&told).contains(&"exposure_found"), "{:?}", names(&told));
}

#[test]
fn a_correction_that_changes_nothing_or_another_plan_is_refused() {
    let mut desk = paid();
    let at = desk.last("progress_report_sent");
    let refused = desk.try_correct(case(A), at, Becomes::OnDay(day("2026-03-09"))).unwrap_err();
    assert_eq!(refused.reason, Reason::AlreadyRecorded);
    let mut other = plan();
    other.code = counterfoil_domain::ids::PlanCode::parse("other").unwrap();
    desk.firm(FirmAction::PublishPlan(other));
    let mut again = enrol();
    again.card = None;
    again.plan = counterfoil_domain::ids::PlanCode::parse("other").unwrap();
    let at = desk.first("enrolled");
    let becomes = anew("2026-03-02", CaseAction::Enrol(Box::new(again)));
    let refused = desk.try_correct(case(A), at, becomes).unwrap_err();
    assert_eq!(refused.reason, Reason::StateRefuses);
    assert!(refused.to_string().contains("terms of the plan standard"), "{refused}");
}
