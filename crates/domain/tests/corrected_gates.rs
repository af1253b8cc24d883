//! "A correction that helps a fee through is shown beside that gate wherever the fee is explained or exported, for it
//! is the first thing an examiner looks for": beside the gate whose answer would be another without it, and beside no
//! other.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Explanation, Gate};
use counterfoil_domain::ids::StateCode;

const A: u128 = 2;

/// A client signed on 2 March 2026 and served from the 6th, without work.
fn opened() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk
}

fn report_and_round(desk: &mut Desk, on: &str) {
    desk.act(case(A), on, CaseAction::SendRound(round(NORTH, &["a"])));
    desk.act(case(A), on, CaseAction::ImportReport(report(SOUTH, on, &["a", "b"])));
}

fn first_period(desk: &mut Desk) -> Explanation {
    desk.today("2026-04-10").explain_with_corrections(case(A), 1, "2026-04-10")
}

/// The gates beside which something is named, and whether they hold.
fn named(explained: &Explanation) -> Vec<(Gate, bool)> {
    let named = explained.findings.iter().filter(|found| found.is_corrected);
    let named: Vec<(Gate, bool)> = named.map(|found| (found.gate, found.holds())).collect();
    for found in &explained.findings {
        let is_said = found.because.contains("; corrected: ");
        assert_eq!(found.is_corrected, is_said, "{found:?}");
    }
    named
}

fn said(explained: &Explanation, gate: Gate) -> &str {
    let found = explained.findings.iter().find(|found| found.gate == gate).unwrap();
    found.because.split_once("; corrected: ").unwrap().1
}

#[test]
fn a_correction_is_named_beside_the_gate_that_it_helped_through_alone() {
    let mut desk = opened();
    report_and_round(&mut desk, "2026-03-10");
    desk.act(case(A), "2026-03-12", progress());
    let early = desk.act(case(A), "2026-03-04", CaseAction::NoteRoundSent(round(NORTH, &["b"])));
    let at = early[0].position;
    desk.today("2026-03-24");
    desk.correct(case(A), at, Becomes::OnDay(day("2026-03-24")));
    let explained = first_period(&mut desk);
    assert_eq!(named(&explained), [(Gate::WaitingDays, true)]);
    let correction = desk.last("fact_corrected");
    assert_eq!(
        said(&explained, Gate::WaitingDays),
        format!(
            "round sent of position {at} told anew at {correction}, without which it would not pass"
        )
    );
    assert_eq!(explained.helped_gates().collect::<Vec<_>>(), [Gate::WaitingDays]);
}

#[test]
fn a_correction_that_changed_no_answer_is_named_nowhere() {
    let mut desk = opened();
    report_and_round(&mut desk, "2026-03-10");
    desk.act(case(A), "2026-03-12", progress());
    desk.today("2026-03-20");
    desk.correct(case(A), desk.last("round_sent"), Becomes::OnDay(day("2026-03-11")));
    desk.correct(case(A), desk.last("progress_report_sent"), Becomes::OnDay(day("2026-03-14")));
    assert_eq!(named(&first_period(&mut desk)), []);
}

#[test]
fn a_correction_is_named_beside_the_gate_that_it_closed() {
    let mut desk = opened();
    report_and_round(&mut desk, "2026-03-10");
    desk.act(case(A), "2026-03-12", progress());
    desk.bill(account(A), "2026-04-01");
    desk.correct(case(A), desk.last("progress_report_sent"), Becomes::Nothing);
    let explained = first_period(&mut desk);
    assert_eq!(named(&explained), [(Gate::FullyPerformed, false)]);
    assert!(said(&explained, Gate::FullyPerformed).ends_with("without which it would pass"));
    // A fee that was claimed is explained as of its asking, and so are the corrections.
    let told_first = desk.told_first(case(A));
    let claimed = desk.judged(case(A), |judge| {
        let judged = judge.fees().next().unwrap();
        let mut explained = judge.explain_claimed(&judged);
        judge.name_corrections(&mut explained, &told_first);
        explained
    });
    assert_eq!(named(&claimed), [(Gate::FullyPerformed, false)]);
    // What is told anew over it stands: the fact is as if nothing had been corrected.
    let again = desk.last("fact_corrected");
    desk.correct(case(A), again, anew("2026-03-12", progress()));
    assert_eq!(named(&first_period(&mut desk)), []);
}

#[test]
fn corrections_that_help_only_together_are_named_together() {
    let mut desk = opened();
    report_and_round(&mut desk, "2026-03-10");
    for on in ["2026-04-05", "2026-04-06"] {
        desk.act(case(A), on, progress());
    }
    let positions = [desk.first("progress_report_sent"), desk.last("progress_report_sent")];
    for at in positions {
        desk.correct(case(A), at, Becomes::OnDay(day("2026-03-20")));
    }
    let explained = first_period(&mut desk);
    assert_eq!(named(&explained), [(Gate::FullyPerformed, true)]);
    for at in positions {
        let name = format!("progress report sent of position {at} told anew");
        assert!(said(&explained, Gate::FullyPerformed).contains(&name));
    }
}

/// Of the firm: an end of its bond that was told of another one closed the gate, and taking it back opens it.
#[test]
fn a_correction_of_what_the_firm_told_of_itself_is_named_beside_the_gate_of_the_state() {
    let mut desk = Desk::open();
    let of_ca = |kind| StandingRecorded {
        amount: (kind == StandingKind::Bond).then(|| usd(10_000_000)),
        document: None,
        kind,
        state: StateCode::parse("CA").unwrap(),
        valid_from: day("2025-01-01"),
        valid_through: day("2026-12-31"),
    };
    desk.firm(FirmAction::RecordStanding(of_ca(StandingKind::Registration)));
    desk.firm(FirmAction::RecordStanding(of_ca(StandingKind::Bond)));
    let mut enrol = enrol();
    enrol.contact.address.state = StateCode::parse("CA").unwrap();
    desk.signed_as(case(A), "2026-03-02", enrol);
    desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-11");
    desk.today("2026-04-05");
    desk.firm(FirmAction::EndStanding(StandingEnded {
        document: None,
        kind: StandingKind::Bond,
        last_day: day("2026-03-20"),
        reason: StandingEndReason::SuretyCancelled,
        state: StateCode::parse("CA").unwrap(),
        valid_from: day("2025-01-01"),
    }));
    let end = desk.last("standing_ended");
    assert_eq!(named(&first_period(&mut desk)), []);
    let correct = |desk: &mut Desk, at: u64, becomes| {
        let told = Box::new(desk.log.iter().find(|told| told.position == at).unwrap().clone());
        let (reason, said_by) = (text("It was of another bond."), text("the office"));
        let correction = FirmCorrection { becomes, reason, said_by, told };
        desk.command(&Command::CorrectFirm(Box::new(correction))).unwrap();
    };
    correct(&mut desk, end, FirmBecomes::Nothing);
    let explained = first_period(&mut desk);
    assert_eq!(named(&explained), [(Gate::State, true)]);
    let by = desk.last("firm_corrected");
    assert_eq!(
        said(&explained, Gate::State),
        format!(
            "standing ended of position {end} taken back at {by}, without which it would not pass"
        )
    );
    // Told anew twice, it is the first telling that is named, with its newest correction.
    let bond = desk.last("standing_recorded");
    for through in ["2026-11-30", "2026-10-31"] {
        let at = desk.last("standing_recorded");
        let days = StandingRecorded { valid_through: day(through), ..of_ca(StandingKind::Bond) };
        let action = FirmAction::RecordStanding(days);
        let on = desk.log.iter().find(|told| told.position == at).unwrap().occurred_on;
        let dated = Dated { occurred_at: None, occurred_on: on, action };
        correct(&mut desk, at, FirmBecomes::Told(Box::new(dated)));
    }
    desk.today("2026-12-05");
    let explained = desk.explain_with_corrections(case(A), 1, "2026-12-05");
    let by = desk.last("firm_corrected");
    assert!(
        said(&explained, Gate::State).contains(&format!(
            "standing recorded of position {bond} told anew at {by}, without which it would pass"
        )),
        "{}",
        said(&explained, Gate::State)
    );
}

/// What is unknown does not pass either: a correction of what closed a gate, to a day on which nobody knows what came first,
/// helped it from failing to unknown (15 USC 1679b(b); common law of agency).
#[test]
fn beside_a_gate_that_is_unknown_stands_that_it_would_fail() {
    let mut desk = opened();
    report_and_round(&mut desk, "2026-03-10");
    desk.act(case(A), "2026-03-12", progress());
    let (amount, charge_on, document, least, who) = (None, None, None, None, None);
    let (holds, kind) = (true, Circumstance::AuthorityRevoked);
    let revoked = CircumstanceChanged { amount, charge_on, document, holds, kind, least, who };
    desk.act(case(A), "2026-03-09", CaseAction::ChangeCircumstance(revoked));
    let at = desk.last("circumstance_changed");
    desk.today("2026-03-24");
    desk.correct(case(A), at, Becomes::OnDay(day("2026-03-10")));
    let explained = first_period(&mut desk);
    assert_eq!(named(&explained), [(Gate::FullyPerformed, false)]);
    assert!(said(&explained, Gate::FullyPerformed).ends_with("without which it would fail"));
}
