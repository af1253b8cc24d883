//! Money of an invoice of several lines, told late and out of order, before and behind what exposes one of its fees, and
//! given back twice: by the domain alone.

use domain::command::{
    AccountAction, CaseAction, Chargeback, Command, Dated, FeeNamed, KeepFee, Lower,
    PaymentReceived, Refund,
};
use domain::event::{Recorded, ServicePaused};

use crate::history::{personal, text, usd};
use crate::reclaimed::{Desk, case, enrolment, reference, work};

fn paid(name: &str, minor: i64) -> AccountAction {
    let (amount, payment) = (usd(minor), reference(name));
    AccountAction::PaymentReceived(PaymentReceived { amount, invoice: Some(1), payment })
}

fn refund(of: &str, name: &str, minor: i64) -> AccountAction {
    let (amount, payment, refund) = (usd(minor), reference(of), reference(name));
    AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
}

/// Three fees of one invoice.
pub fn billed() -> Desk {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    let opened = [CaseAction::OpenWork].into_iter().chain(work("2025-03-10", 0, None));
    desk.tell("2025-03-10", "2025-03-10", opened);
    for on in ["2025-04-10", "2025-05-10"] {
        desk.tell(on, on, work(on, 1, None));
    }
    let account = case().own_account();
    let as_of = "2025-06-05".parse().expect("a date of ours");
    desk.play("2025-06-05", Command::BillAccount { account, as_of });
    desk
}

fn chargeback(of: &str, name: &str, minor: i64) -> AccountAction {
    let (amount, payment, chargeback) = (usd(minor), reference(of), reference(name));
    AccountAction::OpenChargeback(Chargeback { amount, chargeback, payment, respond_by: None })
}

/// What is paid twice, given back twice, given up and paid all the same, told late and out of order.
pub fn restated() -> Vec<Recorded> {
    let mut desk = billed();
    let lower = |minor: i64| {
        let (amount, reason) = (usd(minor), personal("a reason"));
        Lower { amount, invoice: 1, reason }
    };
    desk.told_late("2025-06-12", "2025-06-10", paid("p1", 20_000));
    desk.account("2025-06-13", chargeback("p1", "c1", 20_000));
    desk.told_late("2025-06-14", "2025-06-11", refund("p1", "r1", 3_000));
    desk.account("2025-06-15", paid("p2", 20_000));
    desk.told_late("2025-06-16", "2025-06-15", AccountAction::GrantCredit(lower(500)));
    desk.account("2025-06-17", AccountAction::WriteOff(lower(4_000)));
    desk.told_late("2025-06-18", "2025-06-09", paid("p3", 2_500));
    desk.account("2025-06-19", AccountAction::ChargebackWon(reference("c1")));
    desk.account("2025-06-20", paid("p4", 6_000));
    // It came first of all, so that others paid what it had paid.
    desk.told_late("2025-06-21", "2025-06-09", paid("p5", 15_000));
    desk.0.log
}

/// The log: three fees of one invoice, of which the last turns out to be exposed.
pub fn log() -> Vec<Recorded> {
    exposed().0.log
}

/// The same, with counsel's reason to keep the last fee in between, and more told late.
pub fn kept() -> Vec<Recorded> {
    let mut desk = exposed();
    let kept = KeepFee {
        amount: None,
        counsel: text("Robin Ashdown"),
        document: None,
        fee: FeeNamed::Period(3),
        reason: personal("Counsel holds that it was earned."),
    };
    let occurred_on = "2025-06-21".parse().expect("a date of ours");
    let action = Dated { occurred_at: None, occurred_on, action: kept };
    desk.play("2025-06-21", Command::KeepFee { case: case(), action });
    desk.told_late("2025-06-23", "2025-06-12", refund("p1", "r3", 2_000));
    desk.told_late("2025-06-24", "2025-06-22", refund("p1", "r4", 700));
    desk.told_late("2025-06-25", "2025-06-09", paid("p4", 3_000));
    desk.0.log
}

fn exposed() -> Desk {
    let mut desk = billed();
    desk.told_late("2025-06-12", "2025-06-10", paid("p1", 20_000));
    desk.told_late("2025-06-13", "2025-06-08", paid("p2", 10_000));
    let paused = ServicePaused { reason: personal("away") };
    desk.tell("2025-06-14", "2025-05-09", [CaseAction::PauseService(paused)]);
    desk.tell("2025-06-14", "2025-05-11", [CaseAction::ResumeService]);
    desk.told_late("2025-06-15", "2025-06-11", refund("p1", "r1", 500));
    let (amount, payment) = (usd(10_000), reference("p2"));
    let (chargeback, respond_by) = (reference("c1"), None);
    let opened = Chargeback { amount, chargeback: chargeback.clone(), payment, respond_by };
    desk.account("2025-06-16", AccountAction::OpenChargeback(opened));
    desk.told_late("2025-06-18", "2025-06-15", refund("p2", "r2", 4_000));
    desk.account("2025-06-19", paid("p3", 2_000));
    desk.account("2025-06-20", AccountAction::ChargebackWon(chargeback));
    desk
}
