//! Work on days on which what has to be on file with a state did not stand: a breach, though the fee of its month may hold
//! by other work (15 USC 1679j).
//!
//! All are signed on Monday 2 March 2026 with service from 6 March (15 USC 1679d(a)(2), 1679e(a)); the plan promises a
//! round of letters a month, 99.00 the first time and 89.00 after that. The act of the state is invented: a bond of
//! 10,000.00 on every day of the business, and in one test a registration.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::states::{adopt, code};
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{FeeStanding, Gate};
use counterfoil_domain::judge::Breach;
use counterfoil_domain::rules::{Dimension, RulePack};
use counterfoil_domain::terms::*;

const A: u128 = 1;
const BOND: &str = r#""bond": { "amount": { "currency": "USD", "minor": "1000000" }, "cites": "an invented act", "when": "always" }"#;

fn pack(from: &str, says: &str) -> RulePack {
    let read: Vec<String> = Dimension::ALL.iter().map(|one| format!("\"{one}\"")).collect();
    let json = format!(
        r#"{{ "code": "us-il-act", "version": 1, "state": "IL", "in_force_from": "{from}",
            "confirmed_by_counsel": false, "note": "Invented for tests.", "read": [{}], {says} }}"#,
        read.join(", ")
    );
    RulePack::from_json(&json).unwrap()
}

fn monthly() -> Plan {
    Plan {
        first_work: vec![Work::DisputeRound],
        grace_days: Some(10),
        individual: Prices { first_fee: usd(9_900), monthly_fee: usd(8_900) },
        monthly_work: vec![Work::DisputeRound],
        ..plan()
    }
}

fn filed(kind: StandingKind, from: &str, through: &str) -> FirmAction {
    FirmAction::RecordStanding(StandingRecorded {
        amount: (kind == StandingKind::Bond).then(|| usd(1_000_000)),
        document: None,
        kind,
        state: code("IL"),
        valid_from: day(from),
        valid_through: day(through),
    })
}

/// A client of a firm in whose state an act asks for something, before anything of it is on file.
fn signed(from: &str, says: &str) -> Desk {
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(monthly()));
    adopt(&mut desk, pack(from, says));
    desk.firm(filed(StandingKind::Bond, "2026-01-01", "2026-01-02"));
    desk.firm(filed(StandingKind::Registration, "2026-01-01", "2026-01-02"));
    desk
}

/// The same, with a bond that does not stand from 13 to 20 April.
fn lapsed() -> Desk {
    let mut desk = signed("2020-01-01", BOND);
    desk.firm(filed(StandingKind::Bond, "2026-01-01", "2026-04-12"));
    desk.firm(filed(StandingKind::Bond, "2026-04-21", "2026-12-31"));
    desk.signed_for(
        case(A),
        "2026-03-02",
        enrol(),
        SignConsent { total_of_payments: usd(500_000), ..sign() },
    );
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    desk
}

fn sent(desk: &mut Desk, on: &str) -> Vec<Recorded> {
    desk.act(case(A), on, CaseAction::NoteRoundSent(round(NORTH, &["a"])))
}

fn breaches(desk: &Desk) -> Vec<String> {
    desk.judged(case(A), |judge| {
        let unsecured = judge.breaches().filter(|(_, breach)| *breach == Breach::WorkUnsecured);
        unsecured.map(|(on, _)| on.to_string()).collect()
    })
}

fn recorded(desk: &Desk) -> Vec<String> {
    let standing = desk.state(case(A)).standing_exposures();
    let unsecured = standing.filter(|seen| seen.found.kind == ExposureKind::WorkUnsecured);
    unsecured.map(|seen| seen.mark.on.to_string()).collect()
}

fn review(desk: &mut Desk) -> Vec<&'static str> {
    names(&desk.command(&Command::Review { case: case(A) }).unwrap())
}

/// "Bond `always` but for 04-13 to 04-20; P2 paid on the round of 04-10; another round 04-15: nothing owed; a breach".
#[test]
fn h13_work_beyond_the_promise_on_a_day_without_security_is_a_breach_and_owes_nothing() {
    let mut desk = lapsed();
    for on in ["2026-03-10", "2026-04-10"] {
        assert_eq!(names(&sent(&mut desk, on)), ["round_sent"], "{on}");
    }
    desk.bill(account(A), "2026-05-01");
    let told = sent(&mut desk, "2026-04-15");
    assert_eq!(names(&told), ["round_sent", "exposure_found"]);
    let Event::Case(CaseEvent::ExposureFound(found)) = &told[1].event else { panic!("{told:?}") };
    assert_eq!((found.kind, found.cites.as_str()), (ExposureKind::WorkUnsecured, "15 USC 1679j"));
    assert_eq!(
        (breaches(&desk), recorded(&desk)),
        (vec!["2026-04-15".into()], vec!["2026-04-15".into()])
    );
    desk.judged(case(A), |judge| {
        let fees: Vec<_> = judge.fees().map(|fee| (fee.standing, fee.owed.minor())).collect();
        assert_eq!(fees, [(FeeStanding::Allowed, 0), (FeeStanding::Allowed, 0)]);
        let [found] = &judge.unsecured_work()[..] else { panic!("one piece of work") };
        let said: Vec<&str> = found.violations.iter().map(|of| of.detail.as_str()).collect();
        assert_eq!(said, ["no bond of USD 10000.00 valid on 2026-04-15 is on file for IL"]);
    });
    // Each piece of work is one, and a report to the client is work too.
    let told = desk.act(case(A), "2026-04-15", progress());
    assert_eq!(names(&told), ["progress_report_sent", "exposure_found"]);
    assert_eq!(breaches(&desk).len(), 2);
    assert_eq!(review(&mut desk), [""; 0]);
}

/// Told late, the work is a breach of its own day; the order of telling decides nothing.
#[test]
fn unsecured_work_follows_from_the_days_in_any_order_of_telling() {
    let mut found = Vec::new();
    for order in [
        ["2026-04-12", "2026-04-13", "2026-04-20", "2026-04-21"],
        ["2026-04-21", "2026-04-20", "2026-04-13", "2026-04-12"],
    ] {
        let mut desk = lapsed();
        desk.today("2026-05-20");
        for on in order {
            sent(&mut desk, on);
        }
        let mut told = recorded(&desk);
        told.sort_unstable();
        assert_eq!(told, ["2026-04-13", "2026-04-20"]);
        found.push(breaches(&desk));
    }
    assert_eq!(found[0], found[1]);
}

/// A lapse that is found later is told of work that was done by a review, and what shows that all stood puts it right. What is
/// filed for later days cures nothing of before.
#[test]
fn a_lapse_that_is_found_later_is_told_by_a_review_and_healed_by_what_stood_that_day() {
    let mut desk = signed("2020-01-01", BOND);
    desk.firm(filed(StandingKind::Bond, "2026-01-01", "2026-12-31"));
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    sent(&mut desk, "2026-03-10");
    desk.today("2026-04-20");
    let ended = StandingEnded {
        document: None,
        kind: StandingKind::Bond,
        last_day: day("2026-03-05"),
        reason: StandingEndReason::SuretyCancelled,
        state: code("IL"),
        valid_from: day("2026-01-01"),
    };
    desk.firm(FirmAction::EndStanding(ended));
    assert_eq!((breaches(&desk), recorded(&desk)), (vec!["2026-03-10".to_owned()], vec![]));
    assert_eq!(review(&mut desk), ["exposure_found"]);
    assert_eq!(review(&mut desk), [""; 0], "it is told once");
    assert_eq!(recorded(&desk), ["2026-03-10"]);
    desk.firm(filed(StandingKind::Bond, "2026-03-15", "2026-12-31"));
    assert_eq!(breaches(&desk), ["2026-03-10"]);
    desk.firm(filed(StandingKind::Bond, "2026-03-06", "2026-12-31"));
    assert_eq!(breaches(&desk), [""; 0]);
}

/// A correction of the work, or of the agreement that it was done under, changes what it broke.
#[test]
fn a_correction_of_the_work_moves_or_lifts_the_breach() {
    let mut desk = lapsed();
    sent(&mut desk, "2026-04-10");
    desk.today("2026-05-20");
    let at = desk.last("round_sent");
    let noted = || CaseAction::NoteRoundSent(round(NORTH, &["a"]));
    let told = desk.correct(case(A), at, anew("2026-04-16", noted()));
    assert!(names(&told).contains(&"exposure_found"), "{:?}", names(&told));
    assert_eq!(
        (breaches(&desk), recorded(&desk)),
        (vec!["2026-04-16".into()], vec!["2026-04-16".into()])
    );
    let at = desk.last("fact_corrected");
    desk.correct(case(A), at, anew("2026-04-22", noted()));
    assert_eq!((breaches(&desk), recorded(&desk)), (vec![], vec![]));
    let at = desk.last("fact_corrected");
    desk.correct(case(A), at, anew("2026-04-14", noted()));
    assert_eq!(recorded(&desk), ["2026-04-14"]);
    let at = desk.last("fact_corrected");
    desk.correct(case(A), at, Becomes::Nothing);
    assert_eq!((breaches(&desk), recorded(&desk)), (vec![], vec![]));
}

/// "After a recorded end it fails, before the first record it is unknown": what nobody knows is no breach. Nor is work of no
/// agreement one of this kind, which is service that no agreement allowed.
#[test]
fn what_was_never_recorded_and_what_no_agreement_allowed_are_no_such_breach() {
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(monthly()));
    adopt(&mut desk, pack("2020-01-01", BOND));
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    sent(&mut desk, "2026-03-10");
    assert_eq!(breaches(&desk), [""; 0]);
    desk.today("2026-04-20");
    desk.firm(filed(StandingKind::Bond, "2026-01-01", "2026-03-02"));
    assert_eq!(breaches(&desk), ["2026-03-10"]);
    sent(&mut desk, "2026-03-04");
    assert_eq!(breaches(&desk), ["2026-03-10"]);
}

/// An act that comes into force after the signing asks on the days of the work (15 USC 1679j).
#[test]
fn an_act_of_the_day_of_the_work_asks_too() {
    let mut desk = signed("2026-04-01", BOND);
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    sent(&mut desk, "2026-03-10");
    sent(&mut desk, "2026-04-10");
    assert_eq!(breaches(&desk), ["2026-04-10"]);
}

/// A registration without which the business may not be done asks on its days; one that is asked for before a contract alone
/// asks on that of the signing.
#[test]
fn a_registration_asks_on_every_day_only_where_the_act_bars_the_business() {
    for (bars, found) in [(r#""business""#, vec!["2026-04-15"]), (r#""contract""#, vec![])] {
        let says = format!(r#""registration": {{ "bars": [{bars}], "cites": "an invented act" }}"#);
        let mut desk = signed("2020-01-01", &says);
        desk.firm(filed(StandingKind::Registration, "2026-01-01", "2026-04-12"));
        desk.signed(case(A), "2026-03-02");
        desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
        sent(&mut desk, "2026-04-10");
        sent(&mut desk, "2026-04-15");
        assert_eq!(breaches(&desk), found, "{bars}");
    }
}

/// "Bond `always` ends 12-31; nine fees paid by then; on 01-04 a new telephone number is told: nothing owed; the next fee is
/// held", whatever was done for it in time. Work of January is a breach.
#[test]
fn h4_nine_fees_that_were_paid_while_the_bond_stood_owe_nothing() {
    let mut desk = signed("2020-01-01", BOND);
    desk.firm(filed(StandingKind::Bond, "2026-01-01", "2026-12-31"));
    let total = SignConsent { total_of_payments: usd(500_000), ..sign() };
    desk.signed_for(case(A), "2026-03-02", enrol(), total);
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    let done = ["03-10", "04-10", "05-10", "06-10", "07-10", "08-10", "09-10", "10-10", "11-10"];
    let over = ["04-01", "05-01", "05-31", "06-30", "07-30", "08-29", "09-28", "10-28", "11-27"];
    for (number, (done, over)) in (1..).zip(done.into_iter().zip(over)) {
        sent(&mut desk, &format!("2026-{done}"));
        let over = format!("2026-{over}");
        assert!(names(&desk.bill(account(A), &over)).contains(&"fee_earned"), "{over}");
        let amount = usd(if number == 1 { 9_900 } else { 8_900 });
        let payment = reference(&format!("pay-{number}"));
        let payment = PaymentReceived { amount, invoice: Some(number), payment };
        desk.try_account(account(A), &over, AccountAction::PaymentReceived(payment)).unwrap();
    }
    sent(&mut desk, "2026-12-10");
    let mut moved = contact();
    moved.phone = counterfoil_domain::value::Personal::phone("+12025550199").unwrap();
    let changed = CaseAction::ContactChanged(Box::new(ContactChanged { contact: moved }));
    assert_eq!(names(&desk.act(case(A), "2027-01-04", changed)), ["contact_changed"]);
    desk.judged(case(A), |judge| {
        let fees: Vec<_> = judge.fees().map(|fee| (fee.standing, fee.owed.minor())).collect();
        assert_eq!(fees, [(FeeStanding::Allowed, 0); 9]);
    });
    let held = desk.explain(case(A), 10, "2027-01-04");
    assert_eq!(held.closed_gates().collect::<Vec<_>>(), [Gate::State]);
    assert_eq!(breaches(&desk), [""; 0]);
    sent(&mut desk, "2027-01-05");
    assert_eq!(breaches(&desk), ["2027-01-05"]);
}
