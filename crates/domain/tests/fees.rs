//! The gates that stand before money, one by one, and what comes of claiming.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, Gate};
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::{Channel, Sale};

const A: u128 = 2;

/// A month done in full, with period 1 (2026-03-02 to 2026-04-01) over.
fn done() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.today("2026-04-01");
    desk
}

#[test]
fn a_finished_month_is_billed_with_its_evidence() {
    let mut desk = done();
    let events = desk.bill(account(A), "2026-04-01");
    assert_eq!(names(&events), ["fee_earned", "invoice_issued"]);
    let Event::Case(CaseEvent::FeeEarned(fee)) = &events[0].event else { panic!() };
    assert_eq!((fee.amount, fee.period, fee.end), (usd(19_900), 1, day("2026-04-01")));
    assert_eq!(fee.evidence.len(), 3);
    for evidence in &fee.evidence {
        let position = usize::try_from(evidence.event.position).unwrap();
        assert_eq!(
            desk.log[position - 1].event_id,
            evidence.event.id,
            "evidence names a real event"
        );
    }
    let Event::Account(AccountEvent::InvoiceIssued(invoice)) = &events[1].event else { panic!() };
    assert_eq!((invoice.number, invoice.total, invoice.lines.len()), (1, usd(19_900), 1));
}

/// 15 USC 1679b(b): not a day before the period is over.
#[test]
fn g4_no_fee_before_the_month_is_over() {
    let mut desk = done();
    desk.today("2026-04-01");
    assert!(!desk.holds(case(A), 1, "2026-03-31", Gate::FullyPerformed));
    assert!(desk.bill(account(A), "2026-03-31").is_empty());
    assert!(desk.explain(case(A), 1, "2026-04-01").is_claimable());
}

#[test]
fn g4_an_unfinished_month_stays_open_until_done() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk.act(case(A), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"])));
    desk.act(
        case(A),
        "2026-03-09",
        CaseAction::ImportReport(report(SOUTH, "2026-03-09", &["a", "b"])),
    );
    let held = desk.bill(account(A), "2026-04-01");
    assert_eq!(names(&held), ["fee_held"]);
    assert!(desk.bill(account(A), "2026-04-02").is_empty(), "noted once");
    let refusal = desk.claim(case(A), 1, "2026-04-02").unwrap_err();
    is(&refusal, Reason::GatesClosed);
    assert_eq!(rules(&refusal), ["G4"]);
    assert!(refusal.violations[0].detail.contains("progress report"), "{refusal}");
    let completing = ProgressReportSent { completes_before: Some(true), document: None };
    desk.act(case(A), "2026-04-03", CaseAction::ProgressReportSent(completing));
    assert_eq!(
        names(&desk.claim(case(A), 1, "2026-04-03").unwrap()),
        ["fee_earned", "invoice_issued"]
    );
}

#[test]
fn g1_the_disclosure_comes_before_the_agreement() {
    let mut desk = Desk::open();
    desk.act(case(A), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    desk.act(case(A), "2026-03-02", CaseAction::SignConsent(sign()));
    desk.act(
        case(A),
        "2026-03-02",
        CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
    );
    let answer = desk.answer(case(A), 1, "2026-04-01", Gate::Disclosure);
    assert_eq!(answer, Answer::Unknown, "the same day, and nobody said in which order");
    let mut desk = Desk::open();
    desk.act(case(A), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    let acknowledged = DisclosureAcknowledged { document: None };
    let wrong =
        vec![CaseAction::SignConsent(sign()), CaseAction::DisclosureAcknowledged(acknowledged)];
    desk.try_acts(case(A), "2026-03-02", wrong).unwrap();
    assert_eq!(desk.answer(case(A), 1, "2026-04-01", Gate::Disclosure), Answer::Fails);
    assert!(done().holds(case(A), 1, "2026-04-01", Gate::Disclosure));
}

#[test]
fn g2_no_fee_without_an_agreement_or_after_a_cancellation_in_its_days() {
    let mut desk = Desk::open();
    desk.act(case(A), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    assert_eq!(desk.judged(case(A), |judge| judge.periods().count()), 0);
    is(&desk.claim(case(A), 1, "2026-04-01").unwrap_err(), Reason::ReferenceUnknown);
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    desk.act(
        case(A),
        "2026-03-03",
        CaseAction::Cancel(Cancel { reason: None, sent_on: day("2026-03-03") }),
    );
    assert_eq!(desk.judged(case(A), |judge| judge.periods().count()), 0);
    assert!(desk.bill(account(A), "2026-05-01").is_empty());
}

#[test]
fn g3_early_service_holds_the_fee_for_good() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-05", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    let refusal = desk.claim(case(A), 1, "2026-04-01").unwrap_err();
    assert_eq!(rules(&refusal), ["G3"]);
    assert!(refusal.violations[0].cites.contains("1679d(a)(2)"));
}

#[test]
fn g5_a_period_is_paid_once_or_given_up() {
    let mut desk = done();
    desk.claim(case(A), 1, "2026-04-01").unwrap();
    assert_eq!(rules(&desk.claim(case(A), 1, "2026-04-02").unwrap_err()), ["G5"]);
    assert!(desk.bill(account(A), "2026-04-02").is_empty());
    let mut desk = done();
    let reason = personal("goodwill");
    let give_up = PeriodClosedWithoutFee { end: None, period: 1, reason, start: None };
    desk.act(case(A), "2026-04-01", CaseAction::ClosePeriod(give_up.clone()));
    is(
        &desk.refusal(case(A), "2026-04-01", CaseAction::ClosePeriod(give_up)),
        Reason::AlreadyRecorded,
    );
    assert_eq!(rules(&desk.claim(case(A), 1, "2026-04-02").unwrap_err()), ["G4"]);
}

fn by_telephone() -> Enrol {
    Enrol {
        sale: Sale { channel: Channel::Telephone, evidence: None, promised_days: 60 },
        ..enrol()
    }
}

/// 16 CFR 310.4(a)(2): covered is the default; an exempt channel without evidence does not leave it.
#[test]
fn g6_telemarketing_is_presumed() {
    for (channel, evidence, holds) in [
        (Channel::InPerson, true, true),
        (Channel::InPerson, false, false),
        (Channel::Telephone, true, false),
    ] {
        let mut desk = Desk::open();
        let evidence = evidence.then_some(counterfoil_domain::ids::DocumentHash([1; 32]));
        desk.signed_as(
            case(A),
            "2026-03-02",
            Enrol { sale: Sale { channel, evidence, promised_days: 60 }, ..enrol() },
        );
        assert_eq!(desk.holds(case(A), 1, "2026-04-01", Gate::Telemarketing), holds, "{channel}");
    }
}

/// Result on 2026-04-01; more than six months later is 2026-10-03 at the latest reading (185 days).
#[test]
fn g6_holds_once_a_later_report_shows_the_results() {
    let mut desk = Desk::open();
    desk.signed_for(case(A), "2026-03-02", by_telephone(), promising([gone(NORTH, "a")]));
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Deleted)]));
    assert!(
        !desk.holds(case(A), 1, "2026-05-01", Gate::Telemarketing),
        "the time frame runs to May 1st"
    );
    let found = desk
        .explain(case(A), 1, "2026-06-01")
        .findings
        .into_iter()
        .find(|f| f.gate == Gate::Telemarketing);
    assert_eq!(found.unwrap().not_before(), Some(day("2026-10-03")));
    desk.act(case(A), "2026-10-02", CaseAction::ImportReport(report(NORTH, "2026-10-02", &["b"])));
    assert!(!desk.holds(case(A), 1, "2026-10-02", Gate::Telemarketing), "a day too soon");
    desk.act(case(A), "2026-10-03", CaseAction::ImportReport(report(NORTH, "2026-10-03", &["b"])));
    assert!(
        !desk.holds(case(A), 1, "2026-10-03", Gate::Telemarketing),
        "not given to the client yet"
    );
    desk.act(case(A), "2026-10-05", progress());
    assert!(desk.holds(case(A), 1, "2026-10-05", Gate::Telemarketing));
    // A reinsertion undoes the proof.
    desk.act(
        case(A),
        "2026-11-01",
        CaseAction::ImportReport(report(NORTH, "2026-11-01", &["a", "b"])),
    );
    assert!(!desk.holds(case(A), 1, "2026-11-01", Gate::Telemarketing));
}

fn from_state(code: &str) -> Enrol {
    let mut enrol = enrol();
    enrol.contact.address.state = StateCode::parse(code).unwrap();
    enrol
}

fn standing(desk: &mut Desk, kind: StandingKind, state: &str, minor: Option<i64>, through: &str) {
    desk.firm(FirmAction::RecordStanding(StandingRecorded {
        amount: minor.map(usd),
        document: None,
        kind,
        state: StateCode::parse(state).unwrap(),
        valid_from: day("2026-01-01"),
        valid_through: day(through),
    }));
}

/// Tex. Fin. Code 393 as the example pack has it (bond and registration from memory).
#[test]
fn g7_registration_and_bond_must_be_on_file_and_valid() {
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", from_state("TX"));
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk.today("2026-04-01");
    assert!(!desk.holds(case(A), 1, "2026-04-01", Gate::State), "no registration");
    standing(&mut desk, StandingKind::Registration, "TX", None, "2026-12-31");
    assert!(!desk.holds(case(A), 1, "2026-04-01", Gate::State), "no bond");
    standing(&mut desk, StandingKind::Bond, "TX", Some(500_000), "2026-12-31");
    assert!(!desk.holds(case(A), 1, "2026-04-01", Gate::State), "bond too small");
    standing(&mut desk, StandingKind::Bond, "TX", Some(1_000_000), "2026-04-01");
    assert!(desk.holds(case(A), 1, "2026-04-01", Gate::State));
    assert!(!desk.holds(case(A), 1, "2026-04-02", Gate::State), "bond expired");
}

#[test]
fn g7_a_state_that_forbids_the_trade_pays_nothing() {
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", from_state("GA"));
    assert!(!desk.holds(case(A), 1, "2026-04-01", Gate::State));
}

/// Cal. Civ. Code 1789.13(b): within 180 days of signing (2026-03-02 + 180 days: August 29th).
#[test]
fn g7_work_after_the_time_to_perform_earns_nothing() {
    let mut desk = Desk::open();
    standing(&mut desk, StandingKind::Registration, "CA", None, "2027-12-31");
    standing(&mut desk, StandingKind::Bond, "CA", Some(10_000_000), "2027-12-31");
    desk.signed_as(case(A), "2026-03-02", from_state("CA"));
    desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
    desk.month(case(A), "2026-08-28");
    assert!(desk.holds(case(A), 6, "2026-09-01", Gate::State));
    desk.month(case(A), "2026-08-30");
    desk.today("2026-10-10");
    assert!(!desk.holds(case(A), 7, "2026-10-10", Gate::State));
}

/// Cal. Civ. Code 1789.13(c): a statement of the services performed before each fee; one sent in the third month is of
/// that month's work and of no other's.
#[test]
fn g7_one_statement_is_of_one_period() {
    let mut desk = Desk::open();
    standing(&mut desk, StandingKind::Registration, "CA", None, "2027-12-31");
    standing(&mut desk, StandingKind::Bond, "CA", Some(10_000_000), "2027-12-31");
    desk.signed_as(case(A), "2026-03-02", from_state("CA"));
    desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
    for on in ["2026-03-11", "2026-04-11", "2026-05-11"] {
        desk.act(case(A), on, CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    }
    desk.act(case(A), "2026-05-12", progress());
    desk.today("2026-06-20");
    let stated = |number| desk.holds(case(A), number, "2026-06-20", Gate::State);
    assert_eq!([stated(1), stated(2), stated(3)], [false, false, true]);
    let explained = desk.explain(case(A), 1, "2026-06-20");
    let because = explained.findings.iter().find(|found| found.gate == Gate::State);
    assert!(because.unwrap().because.contains("no statement of the services performed"));
}

/// A report that was sent before any other work of the period was done states none of it.
#[test]
fn g7_a_statement_sent_before_the_work_states_none() {
    for (stated_on, holds) in [("2026-03-10", false), ("2026-03-11", true), ("2026-03-20", true)] {
        let mut desk = Desk::open();
        standing(&mut desk, StandingKind::Registration, "CA", None, "2027-12-31");
        standing(&mut desk, StandingKind::Bond, "CA", Some(10_000_000), "2027-12-31");
        desk.signed_as(case(A), "2026-03-02", from_state("CA"));
        desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
        desk.today("2026-03-20");
        desk.act(case(A), stated_on, progress());
        desk.act(case(A), "2026-03-11", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
        desk.today("2026-04-10");
        assert_eq!(desk.holds(case(A), 1, "2026-04-10", Gate::State), holds, "{stated_on}");
    }
}

/// 15 USC 1679d(b)(1).
#[test]
fn g8_no_more_than_the_total_the_agreement_states() {
    let mut desk = Desk::open();
    desk.act(case(A), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    desk.act(
        case(A),
        "2026-03-02",
        CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
    );
    let small = SignConsent { total_of_payments: usd(19_899), ..sign() };
    desk.act(case(A), "2026-03-02", CaseAction::SignConsent(small));
    assert!(!desk.holds(case(A), 1, "2026-04-01", Gate::Total), "one cent too much");
    assert!(done().holds(case(A), 1, "2026-04-01", Gate::Total));
}

#[test]
fn a_period_that_the_end_of_service_cuts_short_earns_nothing() {
    let mut desk = done();
    desk.act(
        case(A),
        "2026-03-30",
        CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None }),
    );
    assert_eq!(rules(&desk.claim(case(A), 1, "2026-04-02").unwrap_err()), ["G4"]);
}

#[test]
fn a_run_catches_up_several_periods_on_one_invoice() {
    let mut desk = done();
    desk.month(case(A), "2026-04-10");
    let events = desk.bill(account(A), "2026-05-02");
    assert_eq!(names(&events), ["fee_earned", "fee_earned", "invoice_issued"]);
    let Event::Account(AccountEvent::InvoiceIssued(invoice)) = &events[2].event else { panic!() };
    assert_eq!(invoice.total, usd(19_900 + 9_900));
}

#[test]
fn a_fee_on_work_told_late_says_so() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk.today("2026-04-20");
    desk.act(case(A), "2026-03-09", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    desk.act(
        case(A),
        "2026-03-09",
        CaseAction::ImportReport(report(SOUTH, "2026-03-09", &["a", "b"])),
    );
    desk.act(case(A), "2026-03-09", progress());
    let explanation = desk.explain(case(A), 1, "2026-04-20");
    assert!(explanation.is_claimable());
    let g4 = explanation.findings.iter().find(|f| f.gate == Gate::FullyPerformed).unwrap();
    assert!(g4.because.contains("3 of it recorded late"), "{}", g4.because);
}
