//! Which lines of an invoice money covers while one of them is exposed. "Payments cover an invoice's lines pro rata by
//! largest remainder; one received while a line is exposed covers the other lines first" (trade rules).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::State;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::FeeStanding;

const A: u128 = 2;

/// The fees of four months on one invoice of 49,600: 19,900 and three times 9,900.
fn invoiced() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-03-09", "2026-04-09", "2026-05-09", "2026-06-09"] {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-07-01");
    desk
}

/// A renewal of April is told, whose total of 120 dollars allows the third fee and not the fourth.
fn expose(desk: &mut Desk) {
    let renewal = SignConsent { total_of_payments: usd(12_000), ..sign() };
    desk.today("2026-07-05");
    desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal));
    let standings =
        desk.judged(case(A), |judge| judge.fees().map(|fee| fee.standing).collect::<Vec<_>>());
    let (allowed, exposed) = (FeeStanding::Allowed, FeeStanding::Exposed);
    assert_eq!(standings, [allowed, allowed, allowed, exposed]);
}

fn exposed() -> Desk {
    let mut desk = invoiced();
    expose(&mut desk);
    desk
}

fn pay(desk: &mut Desk, name: &str, minor: i64) {
    let payment = reference(name);
    let received = PaymentReceived { amount: usd(minor), invoice: Some(1), payment };
    desk.try_account(account(A), "2026-07-06", AccountAction::PaymentReceived(received)).unwrap();
}

fn refund(desk: &mut Desk, of: &str, minor: i64) {
    let action = AccountAction::Refund(Refund {
        amount: usd(minor),
        payment: reference(of),
        reason: None,
        refund: reference(&format!("back-{of}")),
        request: None,
    });
    desk.try_account(account(A), "2026-07-07", action).unwrap();
}

fn lower(minor: i64) -> Lower {
    Lower { amount: usd(minor), invoice: 1, reason: personal("a reason") }
}

/// What is paid and what is open of each line.
fn lines(desk: &Desk) -> [(i64, i64); 4] {
    let fees = &desk.state(case(A)).earned;
    let lines = fees.iter().map(|fee| {
        let line = desk
            .account(account(A))
            .lines_of(case(A))
            .find(|line| line.start == fee.start)
            .unwrap();
        (line.money.paid.minor(), line.money.open.minor())
    });
    lines.collect::<Vec<_>>().try_into().unwrap()
}

/// What is owed and open of what nothing allowed.
fn last(desk: &Desk) -> (i64, i64) {
    desk.judged(case(A), |judge| {
        let fee = judge.fees().last().unwrap();
        (fee.owed.minor(), fee.open.minor())
    })
}

const PAID: [(i64, i64); 3] = [(19_900, 0), (9_900, 0), (9_900, 0)];

#[test]
fn a_payment_covers_the_other_lines_first_and_what_is_paid_beyond_them_is_owed() {
    let mut desk = exposed();
    pay(&mut desk, "p1", 20_000);
    // 20,000 of 39,700 by largest remainder.
    assert_eq!(lines(&desk), [(10_025, 9_875), (4_988, 4_912), (4_987, 4_913), (0, 9_900)]);
    pay(&mut desk, "p2", 19_700);
    assert_eq!(lines(&desk)[..3], PAID);
    assert_eq!(last(&desk), (0, 9_900), "the allowed rest is paid, and nothing is owed");
    let charge = AccountAction::RequestCharge { invoice: 1 };
    desk.try_account(account(A), "2026-07-20", charge).unwrap_err();

    pay(&mut desk, "p3", 9_900);
    assert_eq!((lines(&desk)[3], last(&desk)), ((9_900, 0), (9_900, 0)), "there is no other line");
}

/// What `due` names as owed is settled by giving back just that.
#[test]
fn a_refund_goes_first_to_what_is_owed() {
    let mut desk = invoiced();
    pay(&mut desk, "p1", 49_600);
    expose(&mut desk);
    assert_eq!(last(&desk), (9_900, 0));
    refund(&mut desk, "p1", 9_900);
    assert_eq!(last(&desk), (0, 0));
    assert_eq!(lines(&desk), [PAID[0], PAID[1], PAID[2], (0, 0)], "no allowed line is touched");
}

#[test]
fn a_credit_goes_first_to_what_nothing_allowed_and_a_write_off_last() {
    let mut desk = exposed();
    let credit = AccountAction::GrantCredit(lower(9_900));
    desk.try_account(account(A), "2026-07-06", credit).unwrap();
    assert_eq!(last(&desk), (0, 0));
    assert_eq!(lines(&desk), [(0, 19_900), (0, 9_900), (0, 9_900), (0, 0)]);

    let mut desk = exposed();
    let loss = AccountAction::WriteOff(lower(39_700));
    desk.try_account(account(A), "2026-07-06", loss).unwrap();
    assert_eq!(lines(&desk), [(0, 0), (0, 0), (0, 0), (0, 9_900)]);
    let invoice = &desk.account(account(A)).invoices[&1];
    assert_eq!(invoice.open(), usd(9_900));
}

/// "A chargeback opens its line again."
#[test]
fn a_chargeback_opens_the_lines_that_its_payment_covered_and_a_win_covers_them_again() {
    let mut desk = exposed();
    pay(&mut desk, "p1", 39_700);
    pay(&mut desk, "p2", 9_900);
    let opened = Chargeback {
        amount: usd(39_700),
        chargeback: reference("cb-1"),
        payment: reference("p1"),
        respond_by: None,
    };
    desk.try_account(account(A), "2026-07-08", AccountAction::OpenChargeback(opened)).unwrap();
    assert_eq!(lines(&desk), [(0, 19_900), (0, 9_900), (0, 9_900), (9_900, 0)]);
    assert_eq!(last(&desk), (9_900, 0), "its own payment was not taken back");
    let won = AccountAction::ChargebackWon(reference("cb-1"));
    desk.try_account(account(A), "2026-07-09", won).unwrap();
    assert_eq!(lines(&desk), [PAID[0], PAID[1], PAID[2], (9_900, 0)]);
}

/// What a bank takes back of written off lines and gives again makes good those.
#[test]
fn a_win_makes_good_what_was_written_off_of_its_lines() {
    let mut desk = exposed();
    pay(&mut desk, "p1", 39_700);
    let opened = Chargeback {
        amount: usd(39_700),
        chargeback: reference("cb-1"),
        payment: reference("p1"),
        respond_by: None,
    };
    desk.try_account(account(A), "2026-07-08", AccountAction::OpenChargeback(opened)).unwrap();
    let loss = AccountAction::WriteOff(lower(39_700));
    desk.try_account(account(A), "2026-07-08", loss).unwrap();
    let won = AccountAction::ChargebackWon(reference("cb-1"));
    desk.try_account(account(A), "2026-07-09", won).unwrap();
    assert_eq!(lines(&desk), [PAID[0], PAID[1], PAID[2], (0, 9_900)]);
    assert_eq!(desk.account(account(A)).invoices[&1].written_off, usd(0));
}

fn refold(desk: &Desk, change: impl Fn(&mut AccountEvent)) -> Result<State, String> {
    let stream = StreamId::Account(account(A));
    let mut state = State::empty(stream);
    for recorded in desk.log.iter().filter(|recorded| recorded.stream == stream) {
        let mut recorded = recorded.clone();
        if let Event::Account(event) = &mut recorded.event {
            change(event);
        }
        state.fold(&recorded).map_err(|impossible| impossible.what)?;
    }
    Ok(state)
}

/// What was recorded before lines were named keeps its meaning.
#[test]
fn an_older_payment_covers_all_lines_pro_rata() {
    let mut desk = exposed();
    pay(&mut desk, "p1", 20_000);
    let state = refold(&desk, |event| {
        if let AccountEvent::PaymentSettled(e) = event {
            assert!(e.lines.take().is_some());
        }
    });
    let State::Account(account) = state.unwrap() else { unreachable!() };
    let paid: Vec<i64> = account.invoices[&1].sums.iter().map(|sums| sums.paid.minor()).collect();
    assert_eq!(paid, [8_024, 3_992, 3_992, 3_992]);
}

/// Whoever writes past the program may write this; no fold makes anything of it.
#[test]
fn parts_of_lines_that_are_not_what_was_paid_are_a_fault() {
    let mut desk = exposed();
    pay(&mut desk, "p1", 20_000);
    let said = "the parts of the lines of invoice 1 do not come to what it says";
    for (amount, line, what) in [
        (usd(10_024), 1, said),
        (usd(-1), 1, said),
        (usd(10_025), 9, "it names a line of an invoice that the account does not have"),
        (usd(10_025), 0, "it names a line of an invoice that the account does not have"),
    ] {
        let refolded = refold(&desk, |event| {
            if let AccountEvent::PaymentSettled(PaymentSettled { lines: Some(lines), .. }) = event {
                (lines[0].amount, lines[0].line) = (amount, line);
            }
        });
        assert_eq!(refolded.unwrap_err(), what);
    }
}
