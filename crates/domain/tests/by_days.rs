//! Which lines of an invoice money is of follows from the days of what was told: "exposures and owed money are a function of
//! (F, D, T, A), whatever the order of telling" (trade rules).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::money::Money;
use counterfoil_domain::terms::Seat;

const A: u128 = 2;

/// Something that happened on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Told {
    /// A renewal whose total allows the fees of 19,900 and 9,900 twice, and no fourth.
    Renewal,
    Paid(&'static str, &'static str, i64),
    Refunded(&'static str, &'static str, &'static str, i64),
    Credited(&'static str, i64),
    ChargedBack(&'static str, &'static str, &'static str, i64),
}

use Told::*;

/// The fees of four months on one invoice of 49,600: 19,900 and three times 9,900.
fn invoiced() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-03-09", "2026-04-09", "2026-05-09", "2026-06-09"] {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-07-01");
    desk.today("2026-07-20");
    desk
}

fn tell(desk: &mut Desk, told: Told) -> u64 {
    let of = |amount: i64| usd(amount);
    let (on, action) = match told {
        Renewal => {
            let renewal = SignConsent { total_of_payments: usd(12_000), ..sign() };
            return desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal))[0].position;
        }
        Paid(on, name, amount) => {
            let (amount, payment) = (of(amount), reference(name));
            (
                on,
                AccountAction::PaymentReceived(PaymentReceived {
                    amount,
                    invoice: Some(1),
                    payment,
                }),
            )
        }
        Refunded(on, payment, name, amount) => {
            let (payment, refund) = (reference(payment), reference(name));
            let amount = of(amount);
            (
                on,
                AccountAction::Refund(Refund {
                    amount,
                    payment,
                    reason: None,
                    refund,
                    request: None,
                }),
            )
        }
        Credited(on, amount) => {
            let (amount, reason) = (of(amount), personal("a reason"));
            (on, AccountAction::GrantCredit(Lower { amount, invoice: 1, reason }))
        }
        ChargedBack(on, payment, name, amount) => {
            let (amount, chargeback) = (of(amount), reference(name));
            let payment = reference(payment);
            let opened = Chargeback { amount, chargeback, payment, respond_by: None };
            (on, AccountAction::OpenChargeback(opened))
        }
    };
    desk.try_account(account(A), on, action).unwrap()[0].position
}

/// Of each fee: whether it stands, what is exposed, owed, open and given back of it, and what is paid of its line.
fn fees(desk: &Desk) -> Vec<(String, [i64; 5])> {
    desk.judged(case(A), |judge| {
        let lines = desk.account(account(A)).lines_of(case(A));
        let fees = judge.fees().zip(lines).map(|(fee, line)| {
            let sums = [fee.exposed, fee.owed, fee.open, fee.given_back, line.money.paid];
            (format!("{:?}", fee.standing), sums.map(Money::minor))
        });
        fees.collect()
    })
}

fn told(order: &[Told]) -> Vec<(String, [i64; 5])> {
    let mut desk = invoiced();
    for &told in order {
        tell(&mut desk, told);
    }
    for marked in desk.state(case(A)).marks.values() {
        let judged = desk.judged(case(A), |judge| {
            let fee = judge.fees().find(|fee| fee.fee.mark.at == marked.said.fee).unwrap();
            (fee.exposed, fee.owed, fee.open)
        });
        let said = (marked.said.exposed, marked.said.owed, marked.said.open);
        assert_eq!(said, judged, "a mark says what is judged: {order:?}");
    }
    fees(&desk)
}

/// Every order in which these can be told: money goes back of what came.
fn orders(facts: &[Told]) -> Vec<Vec<Told>> {
    if facts.is_empty() {
        return vec![Vec::new()];
    }
    let mut found = Vec::new();
    for (at, &last) in facts.iter().enumerate() {
        let mut rest = facts.to_vec();
        rest.remove(at);
        let is_needed = |other: &Told| match (last, other) {
            (Paid(_, name, _), Refunded(_, of, ..) | ChargedBack(_, of, ..)) => *of == name,
            (_, _) => false,
        };
        if !rest.iter().any(is_needed) {
            found.extend(orders(&rest).into_iter().map(|mut order| {
                order.push(last);
                order
            }));
        }
    }
    found
}

/// The same is owed of every line, in whatever order it is told.
fn alike(facts: &[Told]) -> Vec<(String, [i64; 5])> {
    let expected = told(facts);
    for order in orders(facts) {
        assert_eq!(told(&order), expected, "{order:?}");
    }
    expected
}

fn fee(standing: &str, sums: [i64; 5]) -> (String, [i64; 5]) {
    (standing.to_owned(), sums)
}

#[test]
fn what_is_owed_does_not_depend_on_whether_payment_refund_or_exposure_was_told_first() {
    let facts =
        [Renewal, Paid("2026-07-06", "p1", 49_600), Refunded("2026-07-07", "p1", "r1", 4_000)];
    let found = alike(&facts);
    assert_eq!(
        found,
        [
            fee("Allowed", [0, 0, 0, 0, 19_900]),
            fee("Allowed", [0, 0, 0, 0, 9_900]),
            fee("Allowed", [0, 0, 0, 0, 9_900]),
            fee("Exposed", [9_900, 5_900, 0, 4_000, 5_900]),
        ],
        "a refund is of what is owed first"
    );
}

#[test]
fn the_lines_of_parts_refunds_and_credits_follow_from_their_days() {
    let facts = [
        Renewal,
        Paid("2026-07-06", "p1", 20_000),
        Credited("2026-07-07", 3_000),
        Paid("2026-07-08", "p2", 23_000),
        Refunded("2026-07-09", "p1", "r1", 1_000),
        Refunded("2026-07-10", "p2", "r2", 700),
    ];
    let found = alike(&facts);
    // 39,700 of 43,000 are of what is allowed; 3,000 of the fourth were forgiven, 3,300 paid and 1,700 given back.
    assert_eq!(found[3], fee("Exposed", [9_900, 1_600, 3_600, 4_700, 1_600]));
    assert_eq!(found[0], fee("Allowed", [0, 0, 0, 0, 19_900]));
}

#[test]
fn a_chargeback_opens_the_lines_of_its_payment_whatever_was_told_first() {
    let facts = [
        Renewal,
        Paid("2026-07-06", "p1", 39_700),
        Paid("2026-07-08", "p2", 9_900),
        ChargedBack("2026-07-10", "p1", "c1", 39_700),
    ];
    let found = alike(&facts[..]);
    assert_eq!(found[3], fee("Exposed", [9_900, 9_900, 0, 0, 9_900]));
    assert_eq!(found[1], fee("Allowed", [0, 0, 0, 0, 0]));
}

/// A refund that is told anew on another day is one that was told on that day at first.
#[test]
fn what_is_owed_is_the_same_once_a_day_is_corrected() {
    let early = [
        Renewal,
        Paid("2026-07-06", "p1", 45_000),
        Refunded("2026-07-07", "p1", "r1", 6_000),
        Paid("2026-07-09", "p2", 4_600),
    ];
    let expected = told(&early);
    let mut desk = invoiced();
    let mut at = 0;
    for told in [early[1], early[3], Refunded("2026-07-15", "p1", "r1", 6_000), early[0]] {
        let position = tell(&mut desk, told);
        at = if matches!(told, Refunded(..)) { position } else { at };
    }
    let told = desk.log.iter().find(|told| told.position == at).unwrap().clone();
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let becomes = MoneyBecomes::OnDay(day("2026-07-07"));
    let correction = Box::new(MoneyCorrection { becomes, reason, said_by, told: Box::new(told) });
    let id = account(A);
    desk.command(&Command::CorrectMoney {
        account: id,
        by: CorrectedBy::Anyone,
        expected_version: None,
        correction,
    })
    .unwrap();
    assert_eq!(fees(&desk), expected);
}

/// What comes to the same as it was told is not recorded again.
#[test]
fn nothing_is_said_of_lines_where_money_was_told_in_order() {
    let mut desk = invoiced();
    for told in [Renewal, Paid("2026-07-06", "p1", 20_000), Paid("2026-07-08", "p2", 29_600)] {
        tell(&mut desk, told);
    }
    let is_shared =
        |told: &&Recorded| matches!(told.event, Event::Account(AccountEvent::LinesShared(_)));
    assert_eq!(desk.log.iter().filter(is_shared).count(), 0);
}

/// A month's fee whose period was not over when it was asked for only because a pause was told since is unproved: no exposure,
/// and nobody may ask for it. What is paid is of what was asked for first.
#[test]
fn an_unproved_line_is_paid_after_what_may_be_asked_for() {
    let told = |pause_first: bool| {
        let mut desk = Desk::open();
        desk.opened(case(A), "2026-03-02", "2026-03-06");
        desk.month(case(A), "2026-03-09").month(case(A), "2026-04-09");
        desk.bill(account(A), "2026-05-01");
        desk.today("2026-05-20");
        let pause = |desk: &mut Desk| {
            let paused = ServicePaused { reason: personal("away") };
            desk.act(case(A), "2026-04-15", CaseAction::PauseService(paused));
            desk.act(case(A), "2026-04-17", CaseAction::ResumeService);
        };
        if pause_first {
            pause(&mut desk);
        }
        tell(&mut desk, Paid("2026-05-04", "p1", 19_900));
        if !pause_first {
            pause(&mut desk);
        }
        fees(&desk)
    };
    for pause_first in [true, false] {
        let expected = [fee("Allowed", [0, 0, 0, 0, 19_900]), fee("Unproved", [0, 0, 0, 0, 0])];
        assert_eq!(told(pause_first), expected, "{pause_first}");
    }
}

/// The two of a couple share an invoice: what exposes the fee of one moves what was paid to the line of the other.
#[test]
fn what_is_told_of_one_of_a_couple_shares_the_money_of_both() {
    const B: u128 = 3;
    let member = |name: &str| {
        let mut enrol = Enrol { seat: Seat::Couple, ..enrol() };
        enrol.contact.name = personal(name);
        enrol
    };
    for paid_first in [true, false] {
        let mut desk = Desk::open();
        desk.signed_as(case(A), "2026-03-02", member("Ada Lark"));
        desk.signed_as(case(B), "2026-03-02", member("Ben Lark"));
        let (first, second, action) = (case(B), case(A), CoupleAction::Compare);
        desk.command(&Command::Couple { first, second, action }).unwrap();
        let paying = desk.account(account(B)).moved_to.unwrap_or(account(B));
        for id in [A, B] {
            desk.act(case(id), "2026-03-06", CaseAction::OpenWork);
            desk.month(case(id), "2026-03-09");
        }
        desk.bill(paying, "2026-04-05");
        desk.today("2026-04-20");
        let pay = |desk: &mut Desk| {
            let (amount, payment) = (usd(20_000), reference("p1"));
            let paid = PaymentReceived { amount, invoice: Some(1), payment };
            desk.try_account(paying, "2026-04-06", AccountAction::PaymentReceived(paid)).unwrap();
        };
        if paid_first {
            pay(&mut desk);
        }
        let paused = ServicePaused { reason: personal("away") };
        desk.act(case(B), "2026-03-08", CaseAction::PauseService(paused));
        desk.act(case(B), "2026-03-10", CaseAction::ResumeService);
        if !paid_first {
            pay(&mut desk);
        }
        let line = |id: u128| desk.account(paying).lines_of(case(id)).next().unwrap().money;
        let owed = desk.judged(case(B), |judge| judge.fees().next().unwrap().owed);
        assert_eq!(line(A).open, usd(0), "{paid_first}");
        assert_eq!(line(A).paid.plus(owed).unwrap(), usd(20_000), "{paid_first}");
    }
}
