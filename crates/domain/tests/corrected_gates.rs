//! "A correction that helps a fee through is shown beside that gate wherever the fee is explained or exported, for it
//! is the first thing an examiner looks for": beside the gate whose answer would be another without it, and beside no
//! other.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::gates::{Explanation, Gate};

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
            "round sent of position {at} told anew at {correction}, without which it would not hold"
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
    assert!(said(&explained, Gate::FullyPerformed).ends_with("without which it would hold"));
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
