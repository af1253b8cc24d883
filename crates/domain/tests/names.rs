//! A processor's name is of one movement in the whole firm (15 USC 1679b(b): what was received has to be known to the
//! payment).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::Recorded;
use counterfoil_domain::refusal::{Reason, Refusal};

const A: u128 = 2;
const B: u128 = 3;

/// Two clients with an invoice of 199.00 each.
fn invoiced() -> Desk {
    let mut desk = Desk::open();
    for id in [A, B] {
        desk.opened(case(id), "2026-03-02", "2026-03-06").month(case(id), "2026-03-09");
    }
    desk.bill(account(A), "2026-04-01");
    desk.bill(account(B), "2026-04-01");
    desk.today("2026-05-20");
    desk
}

fn pay(name: &str, invoice: u64) -> AccountAction {
    let (amount, invoice, payment) = (usd(19_900), Some(invoice), reference(name));
    AccountAction::PaymentReceived(PaymentReceived { amount, invoice, payment })
}

fn refund(name: &str, payment: &str) -> AccountAction {
    let (amount, payment, refund) = (usd(100), reference(payment), reference(name));
    AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
}

fn chargeback(name: &str, payment: &str) -> AccountAction {
    let (amount, payment, chargeback) = (usd(100), reference(payment), reference(name));
    AccountAction::OpenChargeback(Chargeback { amount, chargeback, payment, respond_by: None })
}

fn tell(desk: &mut Desk, of: u128, action: AccountAction) -> Result<Vec<Recorded>, Refusal> {
    desk.try_account(account(of), "2026-04-02", action)
}

fn correct(
    desk: &mut Desk,
    of: u128,
    position: u64,
    becomes: MoneyBecomes,
) -> Result<Vec<Recorded>, Refusal> {
    let told = desk.log.iter().find(|told| told.position == position).unwrap().clone();
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let correction = MoneyCorrection { becomes, reason, said_by, told: Box::new(told) };
    let correction = Box::new(correction);
    let account = account(of);
    desk.command(&Command::CorrectMoney {
        account,
        by: CorrectedBy::Anyone,
        expected_version: None,
        correction,
    })
}

#[track_caller]
fn assert_known(refused: Result<Vec<Recorded>, Refusal>, of: u128, position: u64) {
    let refused = refused.unwrap_err();
    assert_eq!(refused.reason, Reason::AlreadyRecorded, "{refused}");
    let known = format!("account {} at position {position}", account(of));
    assert!(refused.to_string().contains(&known), "{refused}");
}

#[test]
fn a_name_of_another_client_s_movement_is_refused_with_where_it_is() {
    let mut desk = invoiced();
    let paid = tell(&mut desk, A, pay("p1", 1)).unwrap()[0].position;
    assert_known(tell(&mut desk, B, pay("p1", 2)), A, paid);
    tell(&mut desk, B, pay("p2", 2)).unwrap();
    let back = tell(&mut desk, A, refund("r1", "p1")).unwrap()[0].position;
    assert_known(tell(&mut desk, B, refund("r1", "p2")), A, back);
    assert_known(tell(&mut desk, B, chargeback("r1", "p2")), A, back);
    assert_known(tell(&mut desk, B, refund("p1", "p2")), A, paid);
    assert_known(tell(&mut desk, B, chargeback("p1", "p2")), A, paid);
    assert_known(tell(&mut desk, B, pay("r1", 2)), A, back);
}

/// Of what goes back a chargeback alone may carry the name of its own payment: returns of the ACH carry the trace number of
/// the entry that they return (Nacha rules, from memory).
#[test]
fn a_name_is_of_one_movement_but_for_a_chargeback_of_its_own_payment() {
    let mut desk = invoiced();
    tell(&mut desk, A, pay("p1", 1)).unwrap();
    tell(&mut desk, A, pay("p2", 1)).unwrap();
    for refused in [refund("p1", "p1"), refund("p2", "p1"), chargeback("p2", "p1")] {
        let refused = tell(&mut desk, A, refused).unwrap_err();
        assert_eq!(refused.reason, Reason::AlreadyRecorded, "{refused}");
    }
    tell(&mut desk, A, chargeback("p1", "p1")).unwrap();
    let again = tell(&mut desk, A, chargeback("p1", "p1")).unwrap_err();
    assert_eq!(again.reason, Reason::AlreadyRecorded, "{again}");
    tell(&mut desk, A, refund("r1", "p1")).unwrap();
    assert_eq!(tell(&mut desk, A, pay("r1", 1)).unwrap_err().reason, Reason::AlreadyRecorded);
}

#[test]
fn a_payment_that_is_moved_keeps_its_name_and_one_that_is_taken_back_frees_it() {
    let mut desk = invoiced();
    let paid = tell(&mut desk, A, pay("p1", 1)).unwrap()[0].position;
    let becomes = MoneyBecomes::MovedTo { account: account(B), invoice: Some(2) };
    let moved = correct(&mut desk, A, paid, becomes).unwrap()[1].position;
    assert_known(tell(&mut desk, A, pay("p1", 1)), B, moved);
    correct(&mut desk, B, moved, MoneyBecomes::Nothing).unwrap();
    tell(&mut desk, A, pay("p1", 1)).unwrap();
}

#[test]
fn a_correction_gives_no_name_that_is_another_client_s() {
    let mut desk = invoiced();
    let paid = tell(&mut desk, A, pay("p1", 1)).unwrap()[0].position;
    let other = tell(&mut desk, B, pay("p2", 2)).unwrap()[0].position;
    let named = |name: &str| {
        let action = pay(name, 2);
        let told = Dated { occurred_at: None, occurred_on: day("2026-04-03"), action };
        MoneyBecomes::Told(Box::new(told))
    };
    assert_known(correct(&mut desk, B, other, named("p1")), A, paid);
    // With its own name it is told anew.
    correct(&mut desk, B, other, named("p2")).unwrap();
}
