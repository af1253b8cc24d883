//! The day on which an entry counts: that of its fact, or the first that is open. What was told late leaves no month wrong
//! that is open, and changes none that is closed (common practice, no source).

use std::collections::BTreeMap;

use books::Entry;
use calendar::CivilDate;
use counterfoil_tests::reclaimed::{Desk, case, enrolment, reference, work};
use counterfoil_tests::shared;
use domain::command::{
    AccountAction, CaseAction, Command, Dated, FirmAction, Lower, PaymentReceived, Refund,
};
use domain::event::{
    AccountEvent, BookAccount, Event, FirmEvent, PeriodLocked, Recorded, ServicePaused,
};
use domain::money::{Currency, Money};
use domain::value::Personal;

use super::whole;

fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).unwrap()
}

fn day(text: &str) -> CivilDate {
    text.parse().unwrap()
}

fn paid(name: &str, minor: i64) -> AccountAction {
    let (amount, payment) = (usd(minor), reference(name));
    AccountAction::PaymentReceived(PaymentReceived { amount, invoice: Some(1), payment })
}

fn refund(of: &str, name: &str, minor: i64) -> AccountAction {
    let (amount, payment, refund) = (usd(minor), reference(of), reference(name));
    AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
}

fn written_off(minor: i64) -> AccountAction {
    let (amount, reason) = (usd(minor), Personal::parse("Nobody answers.").unwrap());
    AccountAction::WriteOff(Lower { amount, invoice: 1, reason })
}

fn close(desk: &mut Desk, on: &str, through: &str) {
    let (checked_at, through) = (desk.0.world.position(), day(through));
    let lock = PeriodLocked { accepted: None, checked_at, first_open: Some(true), through };
    let action = FirmAction::LockPeriod(lock);
    let action = Dated { occurred_at: None, occurred_on: day(on), action };
    desk.play(on, Command::Firm { action });
}

/// What an account of the books comes to by each day on which something moved.
fn balances(entries: &[Entry], account: BookAccount) -> BTreeMap<CivilDate, i64> {
    let mut moved: BTreeMap<CivilDate, i64> = BTreeMap::new();
    for entry in entries {
        let lines = entry.lines().into_iter().filter(|line| line.account == account);
        *moved.entry(entry.posted_on).or_default() += lines.map(|of| of.amount_minor).sum::<i64>();
    }
    let mut sum = 0;
    let summed = moved.into_iter().map(|(on, minor)| {
        sum += minor;
        (on, sum)
    });
    summed.collect()
}

fn on(balances: &BTreeMap<CivilDate, i64>, by: &str) -> i64 {
    balances.range(..=day(by)).next_back().map_or(0, |(_, minor)| *minor)
}

/// Given an invoice that was given up in July, when August tells that it had been paid in June, then no day of any
/// open month says that something was lost, or that more was recovered than was lost.
#[test]
fn a_payment_told_behind_a_write_off_leaves_no_earlier_month_wrong() {
    let mut desk = shared::billed();
    desk.account("2025-07-10", written_off(32_700));
    desk.told_late("2025-08-05", "2025-06-20", paid("p1", 32_700));
    let entries = whole(&desk.0.log);
    let bad_debt = balances(&entries, BookAccount::BadDebt);
    assert!(bad_debt.values().all(|&minor| minor == 0), "{bad_debt:?}");
    let receivable = balances(&entries, BookAccount::Receivable);
    assert_eq!((on(&receivable, "2025-06-19"), on(&receivable, "2025-06-20")), (32_700, 0));
    assert!(receivable.values().all(|&minor| minor >= 0), "{receivable:?}");
}

/// The same once June and July are closed: they stay as they were, and the first of August takes it all.
#[test]
fn what_is_told_of_a_closed_month_counts_on_the_first_open_day_and_changes_no_closed_one() {
    let mut desk = shared::billed();
    desk.account("2025-07-10", written_off(32_700));
    close(&mut desk, "2025-08-02", "2025-07-31");
    let before = whole(&desk.0.log);
    desk.told_late("2025-09-05", "2025-06-20", paid("p1", 32_700));
    let entries = whole(&desk.0.log);
    let closed = |entries: &[Entry]| -> Vec<Entry> {
        let closed = entries.iter().filter(|entry| entry.posted_on <= day("2025-07-31"));
        closed.cloned().collect()
    };
    assert_eq!(closed(&entries), closed(&before));
    let late: Vec<_> = entries.iter().filter(|of| of.posted_on > day("2025-07-31")).collect();
    let days: Vec<_> = late.iter().map(|of| (of.kind, of.posted_on, of.occurred_on)).collect();
    assert_eq!(
        days,
        [
            // It recovers what July gave up; that July gave nothing up, were it open, is the same on one day.
            ("payment_settled", day("2025-08-01"), day("2025-06-20")),
        ]
    );
    let bad_debt = balances(&entries, BookAccount::BadDebt);
    assert_eq!((on(&bad_debt, "2025-07-31"), on(&bad_debt, "2025-08-01")), (32_700, 0));
}

/// Given a closed April, when a fee that was earned in it is claimed in June as of May, then it is earned, not invoiced,
/// before it is invoiced, and on no day less than nothing is (ASC 606: revenue when the work is done).
#[test]
fn revenue_of_a_closed_month_is_earned_before_it_is_invoiced() {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    let opened = [CaseAction::OpenWork].into_iter().chain(work("2025-03-10", 0, None));
    desk.tell("2025-03-10", "2025-03-10", opened);
    close(&mut desk, "2025-05-02", "2025-04-30");
    let (account, as_of) = (case().own_account(), day("2025-05-12"));
    desk.play("2025-06-05", Command::BillAccount { account, as_of });
    let entries = whole(&desk.0.log);
    let unbilled = balances(&entries, BookAccount::Unbilled);
    assert_eq!((on(&unbilled, "2025-04-30"), on(&unbilled, "2025-05-01")), (0, 14_900));
    assert_eq!(on(&unbilled, "2025-05-12"), 0);
    assert!(unbilled.values().all(|&minor| minor >= 0), "{unbilled:?}");
}

/// Given two payments of one invoice and a refund of the later one, when the earlier one is told last, then each day says what is
/// known of it now. Logs of earlier software say neither of both rules: what they closed on those days stays as it was.
#[test]
fn older_locks_and_restatements_count_on_the_day_of_telling() {
    let mut desk = shared::billed();
    desk.account("2025-07-05", paid("p2", 32_700));
    let (payment, refund) = (reference("p2"), reference("r1"));
    let back = Refund { amount: usd(100), payment, reason: None, refund, request: None };
    desk.account("2025-07-10", AccountAction::Refund(back));
    close(&mut desk, "2025-08-02", "2025-06-30");
    desk.told_late("2025-09-05", "2025-06-20", paid("p1", 32_700));
    let now = whole(&desk.0.log);
    let told_last = now.iter().filter(|entry| entry.recorded_at == now.last().unwrap().recorded_at);
    let told_last: Vec<_> = told_last.map(|of| (of.kind, of.posted_on)).collect();
    let restated = |on: &str| ("money_restated", day(on));
    assert_eq!(
        told_last,
        [
            ("payment_settled", day("2025-07-01")),
            restated("2025-07-01"),
            restated("2025-07-05"),
            restated("2025-07-10"),
        ]
    );
    let mut log: Vec<Recorded> = desk.0.log;
    for recorded in &mut log {
        match &mut recorded.event {
            Event::Firm(FirmEvent::PeriodLocked(lock)) => lock.first_open = None,
            Event::Account(AccountEvent::MoneyRestated(restated)) => restated.edition = None,
            _ => {}
        }
    }
    let entries = whole(&log);
    let late = entries.iter().filter(|entry| entry.posted_on > day("2025-07-31"));
    let late: Vec<_> = late.map(|of| (of.kind, of.posted_on)).collect();
    let told = day("2025-09-05");
    assert_eq!(late, [("payment_settled", told), ("money_restated", told)]);
}

/// Three fees of one invoice, of which the last is found on 14 June to be one that nothing allowed.
fn exposed() -> Desk {
    let mut desk = shared::billed();
    let away = Personal::parse("away").unwrap();
    let paused = CaseAction::PauseService(ServicePaused { reason: away });
    desk.tell("2025-06-14", "2025-05-09", [paused]);
    desk.tell("2025-06-14", "2025-05-11", [CaseAction::ResumeService]);
    desk
}

/// What is paid of a fee that nothing allows is owed to the client on the day on which it was paid (15 USC 1679b(b)), whenever
/// that is told: no open month has the money without what it is.
#[test]
fn what_is_paid_late_of_a_fee_that_was_found_not_allowed_is_owed_from_the_day_of_the_money() {
    let mut desk = exposed();
    desk.told_late("2025-08-05", "2025-06-20", paid("p1", 32_700));
    desk.told_late("2025-08-06", "2025-07-02", refund("p1", "r1", 4_000));
    let entries = whole(&desk.0.log);
    let receivable = balances(&entries, BookAccount::Receivable);
    assert!(receivable.values().all(|&minor| minor >= 0), "{receivable:?}");
    let owed = balances(&entries, BookAccount::OwedToClients);
    let found = on(&receivable, "2025-06-13") - on(&receivable, "2025-06-14");
    assert!(found > 4_000, "{receivable:?}");
    assert_eq!(on(&owed, "2025-06-19"), 0, "{owed:?}");
    assert_eq!(on(&owed, "2025-06-30"), -found, "{owed:?}");
    assert_eq!(on(&owed, "2025-07-31"), 4_000 - found, "{owed:?}");
    assert_eq!(on(&owed, "2025-08-31"), 4_000 - found, "August has nothing of it");

    // Nobody had found it by the day of this payment: until then its month says what was known.
    let mut desk = exposed();
    desk.told_late("2025-08-05", "2025-06-10", paid("p1", 32_700));
    let owed = balances(&whole(&desk.0.log), BookAccount::OwedToClients);
    assert_eq!((on(&owed, "2025-06-13"), on(&owed, "2025-06-14")), (0, -found), "{owed:?}");

    // June is closed: the first of July takes the payment and what it is.
    let mut desk = exposed();
    close(&mut desk, "2025-07-01", "2025-06-30");
    desk.told_late("2025-08-05", "2025-06-20", paid("p1", 32_700));
    let entries = whole(&desk.0.log);
    let (owed, receivable) = (
        balances(&entries, BookAccount::OwedToClients),
        balances(&entries, BookAccount::Receivable),
    );
    assert_eq!((on(&owed, "2025-06-30"), on(&owed, "2025-07-01")), (0, -found), "{owed:?}");
    assert!(receivable.values().all(|&minor| minor >= 0), "{receivable:?}");
}
