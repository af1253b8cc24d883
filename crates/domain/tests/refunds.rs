//! Asking the processor to give money back: never more than is left, never twice, and given back only when it says so.
//! "It is cleared ... by giving the money back" (trade rules).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::account::{Exposed, withheld};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::ids::ProcessorRef;
use counterfoil_domain::refusal::{Reason, Refusal};

const A: u128 = 2;

/// The fees of three months on one invoice of 39,700, paid in two parts of which the second has the last fee; a
/// renewal told later leaves a total in which the third fee does not fit, so that it is exposed.
fn owed() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-03-09", "2026-04-09", "2026-05-09"] {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-06-01");
    for (name, minor) in [("p1", 30_000), ("p2", 9_700)] {
        let payment = reference(name);
        let paid = PaymentReceived { amount: usd(minor), invoice: Some(1), payment };
        act(&mut desk, AccountAction::PaymentReceived(paid)).unwrap();
    }
    let renewal = SignConsent { total_of_payments: usd(100), ..sign() };
    desk.today("2026-07-05");
    desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal));
    assert_eq!(mark(&desk), (9_900, 0));
    desk
}

fn act(desk: &mut Desk, action: AccountAction) -> Result<Vec<Recorded>, Refusal> {
    desk.try_account(account(A), "2026-06-03", action)
}

fn ask(desk: &mut Desk, payment: &str, minor: Option<i64>) -> Result<RefundRequested, Refusal> {
    let (amount, reason) = (minor.map(usd), personal("nothing allowed it"));
    let asked = RefundAsked { amount, payment: reference(payment), reason };
    let events = act(desk, AccountAction::RequestRefund(asked))?;
    let Event::Account(AccountEvent::RefundRequested(asked)) = &events[0].event else {
        panic!("{events:?}")
    };
    assert_eq!(events.len(), 1, "a request changes nothing of any fee");
    Ok(asked.clone())
}

fn back(
    desk: &mut Desk,
    (payment, refund): (&str, &str),
    minor: i64,
    request: Option<u32>,
) -> Result<Vec<Recorded>, Refusal> {
    let (payment, refund) = (reference(payment), reference(refund));
    let refund = Refund { amount: usd(minor), payment, reason: None, refund, request };
    act(desk, AccountAction::Refund(refund))
}

fn fail(desk: &mut Desk, payment: &str, request: u32) -> Result<Vec<Recorded>, Refusal> {
    let reason = RefundFailureReason::Declined;
    let failed = RefundNotMade { payment: reference(payment), reason, request };
    act(desk, AccountAction::RefundFailed(failed))
}

/// What the last mark of a fee says that is owed and given back.
fn mark(desk: &Desk) -> (i64, i64) {
    let said = &desk.state(case(A)).marks.values().last().unwrap().said;
    (said.owed.minor(), said.given_back.minor())
}

fn unasked(desk: &Desk, payment: &str) -> i64 {
    let folded = desk.account(account(A));
    let exposed: Exposed = desk.state(case(A)).exposed_lines(case(A), account(A), folded);
    folded.owed_of(&reference(payment), &exposed).unwrap().minor()
}

#[test]
fn what_is_owed_is_asked_back_once_and_is_given_back_only_when_it_came() {
    let mut desk = owed();
    // 9,700 of the 9,900 fit into the second payment, 200 are of the first.
    assert_eq!((unasked(&desk, "p1"), unasked(&desk, "p2")), (9_900, 9_700));
    let asked = ask(&mut desk, "p2", None).unwrap();
    assert_eq!((asked.amount, asked.number), (usd(9_700), 1));
    let lines = asked.lines.unwrap();
    let of_line = |line: &LinePart| (line.line, line.amount.minor(), line.exposed);
    assert_eq!(
        lines.iter().map(of_line).collect::<Vec<_>>(),
        [(3, 9_700, Some(usd(9_900)))],
        "it is for the fee that nothing allowed, and for no other"
    );
    assert_eq!(mark(&desk), (9_900, 0), "asked back is not given back");
    assert_eq!(unasked(&desk, "p1"), 200, "what one payment gives back is not owed of the other");

    let asked = ask(&mut desk, "p1", None).unwrap();
    assert_eq!((asked.amount, asked.number), (usd(200), 2));
    back(&mut desk, ("p2", "r1"), 9_700, Some(1)).unwrap();
    assert_eq!(mark(&desk), (200, 9_700));
    back(&mut desk, ("p1", "r2"), 200, Some(2)).unwrap();
    let marked = desk.state(case(A)).marks.values().last().unwrap();
    assert!(marked.said.is_allowed(), "what is left of the fees fits into the total");
    is(&ask(&mut desk, "p1", None).unwrap_err(), Reason::StateRefuses);
    is(&ask(&mut desk, "p2", Some(1)).unwrap_err(), Reason::StateRefuses);
}

#[test]
fn one_request_for_a_payment_waits_at_a_time_and_never_for_more_than_is_left() {
    let mut desk = owed();
    is(&ask(&mut desk, "p2", Some(9_701)).unwrap_err(), Reason::ValueRefused);
    is(&ask(&mut desk, "p9", None).unwrap_err(), Reason::ReferenceUnknown);
    ask(&mut desk, "p2", Some(700)).unwrap();
    let refusal = ask(&mut desk, "p2", Some(100)).unwrap_err();
    is(&refusal, Reason::StateRefuses);
    assert!(refusal.violations[0].detail.contains("request 1 of USD 7.00 waits"));
    fail(&mut desk, "p2", 1).unwrap();
    is(&fail(&mut desk, "p2", 1).unwrap_err(), Reason::AlreadyRecorded);
    assert_eq!(ask(&mut desk, "p2", None).unwrap().number, 2, "a person decided to ask again");
}

#[test]
fn a_refund_says_what_of_it_gives_back_what_is_owed_and_the_mark_says_it_once() {
    let mut desk = owed();
    let events = back(&mut desk, ("p2", "r1"), 9_700, None).unwrap();
    let owed_of = |event: &Event| match event {
        Event::Account(AccountEvent::RefundIssued(e)) => e.owed.clone(),
        _ => panic!("{event:?}"),
    };
    let owed = owed_of(&events[0].event).unwrap();
    let of_line = |part: &LinePart| (part.line, part.amount.minor(), part.exposed);
    assert_eq!(owed.iter().map(of_line).collect::<Vec<_>>(), [(3, 9_700, Some(usd(9_900)))]);
    let said = desk.state(case(A)).marks.values().last().unwrap().said.clone();
    assert_eq!((said.given_back_before, said.returned_before), (Some(usd(0)), None));
    assert_eq!((said.given_back, said.returned), (usd(9_700), Some(usd(9_700))));
    // Of what goes back beyond what is owed, nothing was.
    let events = back(&mut desk, ("p1", "r2"), 1_000, None).unwrap();
    let owed = owed_of(&events[0].event).unwrap();
    assert_eq!(owed.iter().map(of_line).collect::<Vec<_>>(), [(3, 200, Some(usd(9_900)))]);
    let events = back(&mut desk, ("p1", "r3"), 1_000, None).unwrap();
    assert_eq!(owed_of(&events[0].event), None);
}

/// Guessed, the refund that a request asked for would be paid once more.
#[test]
fn a_refund_says_which_request_it_answers_while_one_waits() {
    let mut desk = owed();
    ask(&mut desk, "p2", None).unwrap();
    let refusal = back(&mut desk, ("p2", "r1"), 9_700, None).unwrap_err();
    is(&refusal, Reason::ValueRefused);
    assert_eq!(refusal.violations[0].subject, "request");
    is(&back(&mut desk, ("p2", "r1"), 9_700, Some(2)).unwrap_err(), Reason::ReferenceUnknown);
    is(&back(&mut desk, ("p1", "r1"), 9_700, Some(1)).unwrap_err(), Reason::ReferenceUnknown);
    assert_eq!(withheld(desk.account(account(A)), 1), None);

    // A refund by hand leaves the request waiting. It does not go out any more.
    back(&mut desk, ("p2", "r1"), 9_000, Some(0)).unwrap();
    assert!(
        withheld(desk.account(account(A)), 1).unwrap().contains("money of the payment p2 moved")
    );
    // What the processor did all the same is a fact, as far as it can be true.
    is(&back(&mut desk, ("p2", "r2"), 9_700, Some(1)).unwrap_err(), Reason::ValueRefused);
    back(&mut desk, ("p2", "r2"), 700, Some(1)).unwrap();
    is(&back(&mut desk, ("p2", "r3"), 1, None).unwrap_err(), Reason::ValueRefused);
    let payment: &ProcessorRef = &reference("p2");
    let paid = &desk.account(account(A)).payments[payment];
    assert_eq!((paid.amount, paid.returned), (usd(9_700), usd(9_700)));
}

#[test]
fn a_refund_that_failed_may_come_late_and_once() {
    let mut desk = owed();
    ask(&mut desk, "p2", None).unwrap();
    fail(&mut desk, "p2", 1).unwrap();
    assert_eq!(mark(&desk), (9_900, 0));
    back(&mut desk, ("p2", "r1"), 5_000, Some(1)).unwrap();
    assert_eq!(mark(&desk), (4_900, 5_000));
    is(&back(&mut desk, ("p2", "r2"), 100, Some(1)).unwrap_err(), Reason::AlreadyRecorded);
}

#[test]
fn money_that_nothing_earned_stands_behind_is_asked_back_as_what_is_owed() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let payment = reference("p1");
    let paid = PaymentReceived { amount: usd(5_000), invoice: None, payment };
    act(&mut desk, AccountAction::PaymentReceived(paid)).unwrap();
    let asked = ask(&mut desk, "p1", None).unwrap();
    assert_eq!((asked.amount, asked.lines), (usd(5_000), None));
    assert_eq!(desk.account(account(A)).unearned_minor(), 5_000);
    back(&mut desk, ("p1", "r1"), 5_000, Some(1)).unwrap();
    assert_eq!(desk.account(account(A)).unearned_minor(), 0);
}

#[test]
fn money_goes_back_neither_before_it_came_nor_before_it_was_asked_for() {
    let mut desk = owed();
    let refund = Refund {
        amount: usd(100),
        payment: reference("p2"),
        reason: None,
        refund: reference("r1"),
        request: None,
    };
    let early = desk.try_account(account(A), "2026-06-02", AccountAction::Refund(refund.clone()));
    is(&early.unwrap_err(), Reason::DateImpossible);
    let asked = RefundAsked { amount: None, payment: reference("p2"), reason: personal("owed") };
    let asked = AccountAction::RequestRefund(asked);
    desk.try_account(account(A), "2026-06-10", asked).unwrap();
    let answer = AccountAction::Refund(Refund { request: Some(1), ..refund });
    let early = desk.try_account(account(A), "2026-06-09", answer);
    is(&early.unwrap_err(), Reason::DateImpossible);
}
