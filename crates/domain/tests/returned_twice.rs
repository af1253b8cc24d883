//! Money of one payment that went back twice: the firm refunded it, and the client's bank took it back as well. It happened,
//! so it is recorded; what went out beyond what came in is the firm's loss.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::account::{Account, ChargebackStatus};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::refusal::{Reason, Refusal};

const A: u128 = 2;

/// A client whose invoice of 199.00 is paid.
fn paid() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    desk.today("2026-05-20");
    let (amount, payment) = (usd(19_900), reference("p1"));
    let paid = PaymentReceived { amount, invoice: Some(1), payment };
    act(&mut desk, "2026-04-02", AccountAction::PaymentReceived(paid)).unwrap();
    desk
}

fn act(desk: &mut Desk, on: &str, action: AccountAction) -> Result<Vec<Recorded>, Refusal> {
    desk.try_account(account(A), on, action)
}

fn refund(name: &str, minor: i64) -> AccountAction {
    let (amount, payment, refund) = (usd(minor), reference("p1"), reference(name));
    AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
}

fn chargeback(name: &str, minor: i64) -> AccountAction {
    let (amount, payment, chargeback) = (usd(minor), reference("p1"), reference(name));
    AccountAction::OpenChargeback(Chargeback { amount, chargeback, payment, respond_by: None })
}

fn beyond(desk: &Desk, name: &str) -> i64 {
    desk.account(account(A)).money_back[&reference(name)].beyond.minor()
}

/// Paid, credited and open of the invoice, and what of the payment is left.
fn says(account: &Account) -> [i64; 4] {
    let (invoice, payment) = (&account.invoices[&1], &account.payments[&reference("p1")]);
    [invoice.paid, invoice.credited, invoice.open(), payment.left()]
        .map(counterfoil_domain::money::Money::minor)
}

#[test]
fn a_bank_takes_back_what_was_refunded_and_gives_it_again_when_the_firm_wins() {
    let mut desk = paid();
    act(&mut desk, "2026-04-10", refund("r1", 15_000)).unwrap();
    let refunded = says(desk.account(account(A)));
    act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap();
    assert_eq!(beyond(&desk, "c1"), 15_000);
    assert_eq!(says(desk.account(account(A))), [0, 15_000, 4_900, 0]);
    // Nothing goes back a third time.
    is(&act(&mut desk, "2026-04-21", chargeback("c2", 1)).unwrap_err(), Reason::ValueRefused);
    act(&mut desk, "2026-04-25", AccountAction::ChargebackWon(reference("c1"))).unwrap();
    assert_eq!(says(desk.account(account(A))), refunded);
    assert_eq!(
        desk.account(account(A)).money_back[&reference("c1")].status,
        Some(ChargebackStatus::Won)
    );
    // What was won may be taken back anew.
    act(&mut desk, "2026-04-26", chargeback("c3", 19_900)).unwrap();
    assert_eq!(beyond(&desk, "c3"), 15_000);
}

#[test]
fn of_an_invoice_that_two_payments_paid_each_gives_back_its_own_alone() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    desk.today("2026-05-20");
    for (name, minor) in [("p1", 10_000), ("p2", 9_900)] {
        let payment = reference(name);
        let paid = PaymentReceived { amount: usd(minor), invoice: Some(1), payment };
        act(&mut desk, "2026-04-02", AccountAction::PaymentReceived(paid)).unwrap();
    }
    act(&mut desk, "2026-04-10", refund("r1", 10_000)).unwrap();
    act(&mut desk, "2026-04-20", chargeback("c1", 10_000)).unwrap();
    assert_eq!(beyond(&desk, "c1"), 10_000);
    assert_eq!(says(desk.account(account(A))), [9_900, 10_000, 0, 0]);
}

fn correct(desk: &mut Desk, at: u64) {
    let told = Box::new(desk.log.iter().find(|told| told.position == at).unwrap().clone());
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let becomes = MoneyBecomes::Nothing;
    let correction = Box::new(MoneyCorrection { becomes, reason, said_by, told });
    let command = Command::CorrectMoney {
        account: account(A),
        by: CorrectedBy::Anyone,
        expected_version: None,
        correction,
    };
    desk.command(&command).unwrap();
}

/// Facts are never refused: that the bank's taking back was told first changes nothing of what the firm gave back.
#[test]
fn a_refund_told_behind_a_chargeback_is_as_one_told_before_it() {
    let told_in_order = {
        let mut desk = paid();
        act(&mut desk, "2026-04-10", refund("r1", 15_000)).unwrap();
        act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap();
        desk
    };
    for on in ["2026-04-10", "2026-04-22"] {
        let mut desk = paid();
        act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap();
        let charged_back = says(desk.account(account(A)));
        let at = act(&mut desk, on, refund("r1", 15_000)).unwrap()[0].position;
        assert_eq!(
            says(desk.account(account(A))),
            says(told_in_order.account(account(A))),
            "the fee that was given back is not asked for again"
        );
        assert_eq!((beyond(&desk, "r1"), beyond(&desk, "c1")), (0, 15_000));
        // No more is refunded than came in.
        is(&act(&mut desk, on, refund("r2", 4_901)).unwrap_err(), Reason::ValueRefused);
        let back = |desk: &Desk| desk.account(account(A)).money_back[&reference("c1")].clone();
        let taken = back(&desk);
        correct(&mut desk, at);
        assert_eq!(says(desk.account(account(A))), charged_back);
        assert_eq!(beyond(&desk, "c1"), 0);
        act(&mut desk, on, refund("r1", 15_000)).unwrap();
        assert_eq!(back(&desk), taken);
        // What the firm wins is what the bank took beyond the refund, and the loss is made good.
        act(&mut desk, "2026-04-25", AccountAction::ChargebackWon(reference("c1"))).unwrap();
        assert_eq!(says(desk.account(account(A))), [4_900, 15_000, 0, 4_900]);
    }
}

/// What came of a request is recorded, whatever happened meanwhile.
#[test]
fn a_request_for_a_refund_that_a_chargeback_overtook_is_answered() {
    let mut desk = paid();
    let (amount, payment) = (Some(usd(19_900)), reference("p1"));
    let asked = RefundAsked { amount, payment, reason: personal("The client asked for it.") };
    act(&mut desk, "2026-04-10", AccountAction::RequestRefund(asked)).unwrap();
    act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap();
    let (payment, refund) = (reference("p1"), reference("r1"));
    let made = Refund { amount: usd(19_900), payment, reason: None, refund, request: Some(1) };
    act(&mut desk, "2026-04-21", AccountAction::Refund(made)).unwrap();
    assert_eq!(desk.account(account(A)).refunds_waiting().count(), 0);
    assert_eq!(says(desk.account(account(A))), [0, 19_900, 0, 0]);
}

/// What was paid or forgiven since is not forgiven once more.
#[test]
fn what_is_settled_otherwise_since_a_chargeback_is_all_lost() {
    let mut desk = paid();
    act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap();
    let (amount, payment) = (usd(15_000), reference("p2"));
    let paid = PaymentReceived { amount, invoice: Some(1), payment };
    act(&mut desk, "2026-04-21", AccountAction::PaymentReceived(paid)).unwrap();
    act(&mut desk, "2026-04-22", refund("r1", 19_900)).unwrap();
    assert_eq!((beyond(&desk, "r1"), beyond(&desk, "c1")), (15_000, 4_900));
    assert_eq!(says(desk.account(account(A))), [15_000, 4_900, 0, 0]);
}

#[test]
fn a_chargeback_that_took_more_than_came_in_is_taken_back_whole() {
    let mut desk = paid();
    act(&mut desk, "2026-04-10", refund("r1", 19_900)).unwrap();
    let refunded = says(desk.account(account(A)));
    let at = act(&mut desk, "2026-04-20", chargeback("c1", 19_900)).unwrap()[0].position;
    let told = Box::new(desk.log.iter().find(|told| told.position == at).unwrap().clone());
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let becomes = MoneyBecomes::Nothing;
    let correction = Box::new(MoneyCorrection { becomes, reason, said_by, told });
    let command = Command::CorrectMoney {
        account: account(A),
        by: CorrectedBy::Anyone,
        expected_version: None,
        correction,
    };
    desk.command(&command).unwrap();
    assert_eq!(says(desk.account(account(A))), refunded);
}
