//! Keeping money of a fee that nothing allowed, by counsel's reason: "shown for ever", and it opens nothing (trade rules).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::account::Exposed;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{FeeStanding, Gate};
use counterfoil_domain::money::Money;
use counterfoil_domain::refusal::{Reason, Refusal};

const A: u128 = 2;

/// The fees of four months on one invoice of 49,600, of which so much is paid; a renewal told later leaves a total in which
/// the fourth fee does not fit.
fn exposed(paid: i64) -> Desk {
    exposed_beyond(12_000, paid)
}

/// The same with another total.
fn exposed_beyond(total: i64, paid: i64) -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-03-09", "2026-04-09", "2026-05-09", "2026-06-09"] {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-07-01");
    let payment = reference("p1");
    let received = PaymentReceived { amount: usd(paid), invoice: Some(1), payment };
    act(&mut desk, AccountAction::PaymentReceived(received)).unwrap();
    let renewal = SignConsent { total_of_payments: usd(total), ..sign() };
    desk.today("2026-07-05");
    desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal));
    desk
}

fn act(desk: &mut Desk, action: AccountAction) -> Result<Vec<Recorded>, Refusal> {
    desk.try_account(account(A), "2026-07-01", action)
}

fn keep(desk: &mut Desk, period: u32, minor: Option<i64>) -> Result<Vec<Recorded>, Refusal> {
    let kept = KeepFee {
        amount: minor.map(usd),
        counsel: text("Robin Ashdown"),
        document: None,
        fee: FeeNamed::Period(period),
        reason: personal("the total was mistyped"),
    };
    let action = Dated { occurred_at: None, occurred_on: day("2026-07-05"), action: kept };
    desk.command(&Command::KeepFee { case: case(A), action })
}

/// What is exposed, owed, kept and open of the fourth fee.
fn fourth(desk: &Desk) -> [i64; 4] {
    desk.judged(case(A), |judge| {
        let fee = judge.fees().last().unwrap();
        assert_eq!(fee.standing, FeeStanding::Exposed, "it stays what it is");
        [fee.exposed, fee.owed, fee.kept, fee.open].map(Money::minor)
    })
}

#[test]
fn what_was_collected_is_kept_and_the_fee_stays_exposed() {
    let mut desk = exposed(49_600);
    assert_eq!(fourth(&desk), [9_900, 9_900, 0, 0]);
    let events = keep(&mut desk, 4, None).unwrap();
    assert_eq!(names(&events), ["fee_kept", "fee_marked"]);
    assert_eq!(fourth(&desk), [9_900, 0, 9_900, 0]);
    let Event::Case(CaseEvent::FeeMarked(mark)) = &events[1].event else { panic!("{events:?}") };
    assert_eq!((mark.kept, mark.kept_before), (Some(usd(9_900)), None));
    assert_eq!((mark.owed, mark.owed_before), (usd(0), usd(9_900)));
    is(&keep(&mut desk, 4, None).unwrap_err(), Reason::AlreadyRecorded);
    let kept = desk.state(case(A)).keeping_of(&mark.fee).unwrap();
    assert_eq!(kept.said.gates, [Gate::Total].into());

    // Taken back, it is owed as before, and both decisions stay.
    keep(&mut desk, 4, Some(0)).unwrap();
    assert_eq!(fourth(&desk), [9_900, 9_900, 0, 0]);
    is(&keep(&mut desk, 4, Some(0)).unwrap_err(), Reason::StateRefuses);
    assert_eq!(desk.state(case(A)).keepings_of(&mark.fee).count(), 2);
}

/// Counsel's reason decides on what it names, and on nothing else: what went back before is of the fees that it was of.
#[test]
fn one_decision_settles_its_fee_and_moves_no_older_refund_to_another() {
    let mut desk = exposed_beyond(5_000, 49_600);
    let owed = |desk: &Desk| -> Vec<i64> {
        desk.judged(case(A), |judge| judge.fees().map(|fee| fee.owed.minor()).collect())
    };
    let exposed = [0_usize, 1, 2, 3].into_iter().filter(|at| owed(&desk)[*at] == 9_900);
    let exposed: Vec<usize> = exposed.collect();
    assert!(exposed.len() >= 2, "{exposed:?}");
    let (payment, refund) = (reference("p1"), reference("r1"));
    let back = Refund { amount: usd(9_000), payment, reason: None, refund, request: None };
    act(&mut desk, AccountAction::Refund(back)).unwrap();
    let before = owed(&desk);
    for at in exposed {
        let period = u32::try_from(at).unwrap() + 1;
        let mut expected = owed(&desk);
        keep(&mut desk, period, None).unwrap();
        expected[at] = 0;
        assert_eq!(owed(&desk), expected, "period {period}");
        is(&keep(&mut desk, period, None).unwrap_err(), Reason::AlreadyRecorded);
    }
    let kept: i64 = desk.judged(case(A), |judge| judge.fees().map(|fee| fee.kept.minor()).sum());
    assert_eq!(kept, before.iter().sum::<i64>(), "what was owed is kept, and no more");
}

#[test]
fn what_is_open_is_kept_by_nobody_and_asked_for_by_nobody() {
    let mut desk = exposed(45_000);
    let [exposed, owed, kept, open] = fourth(&desk);
    assert_eq!((exposed, kept, owed + open), (9_900, 0, 9_900));
    assert!(owed > 0 && open > 0);
    is(&keep(&mut desk, 4, Some(owed + 1)).unwrap_err(), Reason::ValueRefused);
    is(&keep(&mut desk, 4, Some(-1)).unwrap_err(), Reason::ValueRefused);
    is(&keep(&mut desk, 3, None).unwrap_err(), Reason::StateRefuses);
    is(&keep(&mut desk, 9, None).unwrap_err(), Reason::ReferenceUnknown);
    keep(&mut desk, 4, None).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, owed, open]);
    let others: i64 = desk.account(account(A)).invoices[&1].open().minor() - open;
    let charge = AccountAction::RequestCharge { invoice: 1 };
    desk.today("2026-07-20");
    assert_eq!(others, 0, "what was paid is of what is allowed first");
    let refusal = desk.try_account(account(A), "2026-07-20", charge).unwrap_err();
    is(&refusal, Reason::GatesClosed);
}

#[test]
fn more_that_comes_to_be_owed_is_owed_and_what_goes_back_is_not_kept() {
    let mut desk = exposed(49_600);
    keep(&mut desk, 4, Some(5_000)).unwrap();
    assert_eq!(fourth(&desk), [9_900, 4_900, 5_000, 0]);
    // What is kept is not asked back by default, and a refund is first of what is owed.
    let folded = desk.account(account(A));
    let lines: Exposed = desk.state(case(A)).exposed_lines(case(A), account(A), folded);
    assert_eq!(folded.owed_of(&reference("p1"), &lines).unwrap(), usd(4_900));
    let back = |minor, name: &str| {
        let (payment, refund) = (reference("p1"), reference(name));
        let amount = usd(minor);
        AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
    };
    act(&mut desk, back(4_900, "r1")).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, 5_000, 0]);
    // A client's bank takes the whole payment: nothing is left to keep, and the fee is open and asked for by nobody.
    let chargeback = Chargeback {
        amount: usd(44_700),
        chargeback: reference("c1"),
        payment: reference("p1"),
        respond_by: None,
    };
    act(&mut desk, AccountAction::OpenChargeback(chargeback)).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, 0, 5_000]);
    act(&mut desk, AccountAction::ChargebackWon(reference("c1"))).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, 5_000, 0], "the money that was kept is there again");
}

/// "No double": what the processor was asked to give back cannot be kept as well.
#[test]
fn what_was_asked_back_is_not_kept() {
    let mut desk = exposed(49_600);
    let (payment, reason) = (reference("p1"), personal("owed"));
    let asked = RefundAsked { amount: Some(usd(6_000)), payment, reason };
    act(&mut desk, AccountAction::RequestRefund(asked)).unwrap();
    is(&keep(&mut desk, 4, Some(3_901)).unwrap_err(), Reason::ValueRefused);
    keep(&mut desk, 4, None).unwrap();
    assert_eq!(fourth(&desk), [9_900, 6_000, 3_900, 0]);
}

/// It frees neither the period (G5) nor the total (G8).
#[test]
fn it_opens_no_gate() {
    let mut desk = exposed(49_600);
    let closed = |desk: &Desk| {
        desk.judged(case(A), |judge| {
            let held = |period| {
                let explained = judge.explain(period, judge.today()).unwrap();
                explained.closed_gates().collect::<Vec<_>>()
            };
            (held(4), held(5), judge.fees().map(|fee| fee.closed).collect::<Vec<_>>())
        })
    };
    let before = closed(&desk);
    keep(&mut desk, 4, None).unwrap();
    assert_eq!(closed(&desk), before);
    is(&desk.claim(case(A), 4, "2026-07-05").unwrap_err(), Reason::GatesClosed);
}

/// Counsel's reason is for what counsel knew: it keeps nothing that another gate closes since.
#[test]
fn a_reason_for_one_gate_keeps_nothing_that_another_closes() {
    let mut desk = exposed(49_600);
    keep(&mut desk, 4, None).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, 9_900, 0]);
    let told = desk.last("progress_report_sent");
    desk.correct(case(A), told, Becomes::Nothing);
    assert_eq!(fourth(&desk), [9_900, 9_900, 0, 0]);
    keep(&mut desk, 4, None).unwrap();
    assert_eq!(fourth(&desk), [9_900, 0, 9_900, 0]);
}

#[test]
fn nothing_is_kept_before_its_fee_was_claimed() {
    let mut desk = exposed(49_600);
    let kept = KeepFee {
        amount: None,
        counsel: text("Robin Ashdown"),
        document: None,
        fee: FeeNamed::Period(4),
        reason: personal("the total was mistyped"),
    };
    let action = Dated { occurred_at: None, occurred_on: day("2026-06-30"), action: kept };
    let refused = desk.command(&Command::KeepFee { case: case(A), action }).unwrap_err();
    is(&refused, Reason::DateImpossible);
}
