//! What an account's money comes to follows from the days of what was told: "owed money [is] a function of (F, D, T, A),
//! whatever the order of telling" (trade rules). Refunds, chargebacks and their ends, credits, write-offs and what is paid
//! twice, told in every order that can be told, and corrected.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::collections::BTreeSet;

use common::*;
use counterfoil_domain::account::{ChargebackStatus, NotAsked};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::money::Money;
use counterfoil_domain::refusal::Reason;
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;

const A: u128 = 2;

/// Something that happened to the money of an account.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Told {
    Paid(String, i64),
    Refunded { payment: String, name: String, minor: i64 },
    ChargedBack { payment: String, name: String, minor: i64 },
    Won(String),
    Lost(String),
    Credited(i64),
    WrittenOff(i64),
}

use Told::*;

/// What happened, and on which day after the invoice.
type Fact = (i64, Told);

fn paid(name: &str, minor: i64) -> Told {
    Paid(name.into(), minor)
}

fn refunded(payment: &str, name: &str, minor: i64) -> Told {
    Refunded { payment: payment.into(), name: name.into(), minor }
}

fn charged_back(payment: &str, name: &str, minor: i64) -> Told {
    ChargedBack { payment: payment.into(), name: name.into(), minor }
}

/// An invoice of so many months: 19,900, and 9,900 for each further one. The last is exposed if there are four.
fn invoiced(months: usize) -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-03-09", "2026-04-09", "2026-05-09", "2026-06-09"].into_iter().take(months) {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-07-01");
    desk.today("2026-09-20");
    if months == 4 {
        let renewal = SignConsent { total_of_payments: usd(12_000), ..sign() };
        desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal));
    }
    desk
}

fn action(told: &Told) -> AccountAction {
    match told.clone() {
        Paid(name, minor) => {
            let (amount, payment) = (usd(minor), reference(&name));
            AccountAction::PaymentReceived(PaymentReceived { amount, invoice: Some(1), payment })
        }
        Refunded { payment, name, minor } => {
            let (amount, payment, refund) = (usd(minor), reference(&payment), reference(&name));
            AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
        }
        ChargedBack { payment, name, minor } => {
            let (payment, chargeback) = (reference(&payment), reference(&name));
            let amount = usd(minor);
            AccountAction::OpenChargeback(Chargeback {
                amount,
                chargeback,
                payment,
                respond_by: None,
            })
        }
        Won(name) => AccountAction::ChargebackWon(reference(&name)),
        Lost(name) => AccountAction::ChargebackLost(reference(&name)),
        Credited(minor) => {
            let (amount, reason) = (usd(minor), personal("a reason"));
            AccountAction::GrantCredit(Lower { amount, invoice: 1, reason })
        }
        WrittenOff(minor) => {
            let (amount, reason) = (usd(minor), personal("a reason"));
            AccountAction::WriteOff(Lower { amount, invoice: 1, reason })
        }
    }
}

fn on(days: i64) -> String {
    (day("2026-07-02") + chrono::Duration::days(days)).to_string()
}

/// Tells facts in an order; gives where each stands, or nothing if one cannot be told then.
fn tell(desk: &mut Desk, facts: &[&Fact]) -> Option<Vec<u64>> {
    facts
        .iter()
        .map(|(days, told)| {
            let told = desk.try_account(account(A), &on(*days), action(told));
            told.ok().map(|events| events[0].position)
        })
        .collect()
}

/// What is owed, open and given back of each fee, what is unearned of each payment, and the sums of the invoice.
#[derive(Debug, PartialEq, Eq)]
struct Standing {
    fees: Vec<[i64; 5]>,
    payments: Vec<(String, i64)>,
    invoice: [i64; 4],
}

fn standing(desk: &Desk) -> Standing {
    let folded = desk.account(account(A));
    let fees = desk.judged(case(A), |judge| {
        let lines = folded.lines_of(case(A));
        let fees = judge.fees().zip(lines).map(|(fee, line)| {
            let sums = [fee.owed, fee.open, fee.given_back, line.money.paid, line.money.open];
            sums.map(Money::minor)
        });
        fees.collect()
    });
    let payments = folded.payments.iter();
    let payments = payments.map(|(name, of)| (name.to_string(), of.unearned_left.minor()));
    let invoice = &folded.invoices[&1];
    let sums = [invoice.paid, invoice.credited, invoice.written_off, invoice.open()];
    Standing { fees, payments: payments.collect(), invoice: sums.map(Money::minor) }
}

/// Every payment less what went back is what is paid of the invoice and what is owed beside it, less the firm's losses.
fn adds_up(desk: &Desk) {
    let folded = desk.account(account(A));
    let net: i64 = folded.movements().map(|(_, found)| found.amount.minor()).sum();
    let beyond: i64 = folded.told.values().map(|told| told.beyond.minor()).sum();
    let kept: i64 = folded.invoices.values().map(|invoice| invoice.paid.minor()).sum();
    assert_eq!(net, kept + folded.unearned_minor() - beyond);
    for invoice in folded.invoices.values() {
        let sums = [invoice.paid, invoice.credited, invoice.written_off, invoice.open()];
        assert!(sums.iter().all(|sum| sum.minor() >= 0), "{sums:?}");
    }
    let nothing = |number: u64| -> Vec<NotAsked> {
        let lines = &folded.invoices[&number].lines;
        lines.iter().map(|_| NotAsked::nothing(usd(0))).collect()
    };
    assert_eq!(folded.restated(nothing).unwrap(), None, "all of it is said");
    for payment in folded.payments.values() {
        assert!(payment.unearned_left.minor() >= 0);
        assert!(
            payment.unearned.minor() >= payment.unearned_left.minor(),
            "what is owed was found"
        );
    }
}

/// Orders in which facts can be told, up to so many.
fn orders(facts: &[Fact], most: usize) -> Vec<Vec<&Fact>> {
    fn go<'a>(rest: &[&'a Fact], begun: &[&'a Fact], found: &mut Vec<Vec<&'a Fact>>, most: usize) {
        if found.len() >= most {
            return;
        }
        if rest.is_empty() {
            found.push(begun.to_vec());
        }
        for at in 0..rest.len() {
            let mut left = rest.to_vec();
            let next = left.remove(at);
            let mut begun = begun.to_vec();
            begun.push(next);
            go(&left, &begun, found, most);
        }
    }
    let (all, mut found) = (facts.iter().collect::<Vec<_>>(), Vec::new());
    go(&all, &[], &mut found, most);
    found
}

/// The same comes of it in every order that can be told; gives it.
fn alike(months: usize, facts: &[Fact]) -> Standing {
    let mut in_order: Vec<&Fact> = facts.iter().collect();
    in_order.sort_by_key(|(days, _)| *days);
    let mut desk = invoiced(months);
    tell(&mut desk, &in_order).expect("what happened can be told in its order");
    adds_up(&desk);
    let expected = standing(&desk);
    for order in orders(facts, 150) {
        let mut desk = invoiced(months);
        if tell(&mut desk, &order).is_some() {
            adds_up(&desk);
            assert_eq!(standing(&desk), expected, "{order:?}");
        }
    }
    expected
}

/// A bank took back 742 of which 178 had been given back by hand, and the firm won.
#[test]
fn a_refund_and_a_chargeback_beyond_a_payment_come_to_the_same_in_every_order() {
    for months in [1, 2, 4] {
        let facts = [
            (1, paid("p1", 19_900)),
            (2, charged_back("p1", "c1", 19_900)),
            (3, refunded("p1", "r1", 4_000)),
            (5, Won("c1".into())),
        ];
        let found = alike(months, &facts);
        assert_eq!(found.invoice[..2], [15_900, 4_000], "{months} months");
    }
}

#[test]
fn what_is_paid_again_while_a_bank_has_it_is_owed_once_the_chargeback_is_won() {
    let facts = [
        (1, paid("p1", 19_900)),
        (2, charged_back("p1", "c1", 19_900)),
        (3, paid("p2", 19_900)),
        (5, Won("c1".into())),
    ];
    let found = alike(1, &facts);
    assert_eq!(found.payments.iter().map(|(_, minor)| minor).sum::<i64>(), 19_900);
    assert_eq!(found.invoice, [19_900, 0, 0, 0]);
    let mut desk = invoiced(1);
    tell(&mut desk, &facts.iter().collect::<Vec<_>>()).unwrap();
    let is_found = |told: &&Recorded| told.event.type_name() == "unearned_payment_found";
    assert_eq!(desk.log.iter().filter(is_found).count(), 1, "it is an exposure");
}

/// A chargeback that was lost may be won in a later round (card networks' second representment, from memory): the money came.
#[test]
fn what_was_lost_and_then_won_is_paid() {
    for on in [4, 6] {
        let facts = [
            (1, paid("p1", 19_900)),
            (2, charged_back("p1", "c1", 19_900)),
            (4, Lost("c1".into())),
            (on, Won("c1".into())),
        ];
        let mut desk = invoiced(1);
        tell(&mut desk, &facts.iter().collect::<Vec<_>>()).unwrap();
        adds_up(&desk);
        assert_eq!(standing(&desk).invoice, [19_900, 0, 0, 0]);
        let back = &desk.account(account(A)).money_back[&reference("c1")];
        assert_eq!(back.status, Some(ChargebackStatus::Won));
    }
}

/// ASC 326-20-35-8 (from memory): what was written off and is paid later is recovered.
#[test]
fn what_is_paid_after_a_write_off_is_recovered_and_not_owed() {
    let facts = [(2, WrittenOff(19_900)), (5, paid("p1", 19_900))];
    let found = alike(1, &facts);
    assert_eq!(found.invoice, [19_900, 0, 0, 0]);
    assert_eq!(found.payments, [("p1".to_owned(), 0)]);
    // In part, what is not paid stays written off.
    let facts = [(2, WrittenOff(19_900)), (5, paid("p1", 7_000))];
    assert_eq!(alike(1, &facts).invoice, [7_000, 0, 12_900, 0]);
    // What is above the invoice is owed.
    let facts = [(2, WrittenOff(19_900)), (5, paid("p1", 20_000))];
    assert_eq!(alike(1, &facts).payments, [("p1".to_owned(), 100)]);
}

/// Of several lines, the lawful ones are paid first; what nothing allowed is owed.
#[test]
fn what_is_paid_after_a_write_off_is_of_what_is_allowed_first() {
    let facts = [(2, WrittenOff(49_600)), (5, paid("p1", 39_700)), (6, paid("p2", 1_000))];
    let found = alike(4, &facts);
    let owed: Vec<i64> = found.fees.iter().map(|sums| sums[0]).collect();
    assert_eq!(owed, [0, 0, 0, 1_000]);
}

/// Of two payments of one invoice, the later one is unearned, whichever was told first: it alone is an exposure.
#[test]
fn of_a_double_payment_the_later_one_is_unearned_in_every_order() {
    let facts = [(3, paid("p1", 19_900)), (8, paid("p2", 19_900)), (9, refunded("p2", "r1", 50))];
    for order in [[0, 1, 2], [1, 0, 2], [1, 2, 0]] {
        let mut desk = invoiced(1);
        assert!(tell(&mut desk, &order.map(|at| &facts[at])).is_some(), "{order:?} can be told");
        let folded = desk.account(account(A));
        let unearned = folded.payments.iter().map(|(name, of)| (name.as_str(), of.unearned));
        assert_eq!(
            unearned.collect::<Vec<_>>(),
            [("p1", usd(0)), ("p2", usd(19_900))],
            "{order:?}"
        );
    }
}

/// 15 USC 1679b(b): what was paid twice is owed until it goes back, and then nothing is, whichever of the two went back.
#[test]
fn a_refund_of_either_of_two_payments_leaves_the_fee_paid_and_nothing_owed() {
    for months in [1, 2] {
        for of in ["p1", "p2"] {
            let minor = [19_900, 29_800][months - 1];
            let facts =
                [(3, paid("p1", minor)), (8, paid("p2", minor)), (9, refunded(of, "r1", minor))];
            let found = alike(months, &facts);
            assert_eq!(found.invoice, [minor, 0, 0, 0], "{months} months, {of}");
            assert!(found.payments.iter().all(|(_, minor)| *minor == 0), "{found:?}");
        }
    }
    // What goes back in part lowers what is owed by that part.
    let facts =
        [(3, paid("p1", 19_900)), (8, paid("p2", 19_900)), (9, refunded("p1", "r1", 5_000))];
    let found = alike(1, &facts);
    assert_eq!(found.invoice, [19_900, 0, 0, 0]);
    assert_eq!(found.payments.iter().map(|(_, minor)| minor).sum::<i64>(), 14_900);
}

/// Nothing is forgiven or given up of an invoice that is not there yet.
#[test]
fn an_invoice_is_not_lowered_on_a_day_before_it_was_issued() {
    let mut desk = invoiced(1);
    let issued = desk.account(account(A)).invoices[&1].issued.on;
    let before = issued.pred_opt().unwrap().to_string();
    for told in [Credited(100), WrittenOff(100)] {
        let refused = desk.try_account(account(A), &before, action(&told)).unwrap_err();
        is(&refused, Reason::DateImpossible);
        assert!(refused.to_string().contains(&format!("was issued on {issued}")), "{refused}");
        desk.try_account(account(A), &issued.to_string(), action(&told)).unwrap();
    }
}

#[test]
fn a_credit_of_what_is_paid_by_its_days_is_owed() {
    let facts = [(1, paid("p1", 19_900)), (3, Credited(5_000))];
    let mut desk = invoiced(1);
    tell(&mut desk, &[&facts[1], &facts[0]]).unwrap();
    adds_up(&desk);
    let found = standing(&desk);
    assert_eq!(found.invoice, [14_900, 5_000, 0, 0]);
    assert_eq!(found.payments, [("p1".to_owned(), 5_000)]);
}

/// What was corrected is as if it had been told so at first.
#[test]
fn a_corrected_day_or_amount_is_as_if_it_had_been_told_so() {
    let right = [
        (1, paid("p1", 19_900)),
        (2, charged_back("p1", "c1", 19_900)),
        (3, paid("p2", 19_900)),
        (4, refunded("p1", "r1", 3_000)),
    ];
    let mut desk = invoiced(2);
    tell(&mut desk, &right.iter().collect::<Vec<_>>()).unwrap();
    let expected = standing(&desk);
    let wrong = [right[0].clone(), (9, right[2].1.clone()), right[1].clone(), right[3].clone()];
    let mut desk = invoiced(2);
    let at = tell(&mut desk, &wrong.iter().collect::<Vec<_>>()).unwrap()[1];
    let told = desk.log.iter().find(|told| told.position == at).unwrap().clone();
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let becomes = MoneyBecomes::OnDay(day(&on(3)));
    let correction = Box::new(MoneyCorrection { becomes, reason, said_by, told: Box::new(told) });
    let (account, by) = (account(A), CorrectedBy::Anyone);
    desk.command(&Command::CorrectMoney { account, by, expected_version: None, correction })
        .unwrap();
    adds_up(&desk);
    assert_eq!(standing(&desk), expected);
}

/// What can happen, made from random numbers: what goes back names a payment that came before.
fn history() -> impl Strategy<Value = (usize, Vec<Fact>)> {
    let fact = (0_u8..10, 0_usize..3, 1_i64..40, 0_i64..3);
    let facts = proptest::collection::vec(fact, 2..6);
    (prop_oneof![Just(1_usize), Just(2), Just(4)], facts).prop_map(|(months, drawn)| {
        let (mut facts, mut at) = (vec![(0, paid("p0", 15_000))], 0);
        let (mut payments, mut backs, mut ended) = (1, 0, 0);
        for (kind, which, size, days) in drawn {
            at += days;
            let (minor, of) = (size * 613, format!("p{}", which % payments));
            let told = match kind {
                0 | 1 => {
                    payments += 1;
                    paid(&format!("p{}", payments - 1), minor)
                }
                2 | 3 => refunded(&of, &format!("r{at}-{kind}-{}", facts.len()), minor / 3 + 1),
                4 | 5 => {
                    backs += 1;
                    charged_back(&of, &format!("c{}", backs - 1), minor)
                }
                6 if ended < backs => {
                    ended += 1;
                    Won(format!("c{}", ended - 1))
                }
                7 => Credited(minor / 2 + 1),
                8 => WrittenOff(minor),
                _ if ended < backs => {
                    ended += 1;
                    Lost(format!("c{}", ended - 1))
                }
                _ => continue,
            };
            facts.push((at, told));
        }
        (months, facts)
    })
}

/// A history that exercises nothing proves nothing: money and its lines come to something else by their days in some.
#[test]
fn random_histories_reach_what_is_otherwise_by_its_days() {
    let mut runner = TestRunner::deterministic();
    let mut seen = BTreeSet::new();
    for _ in 0..60 {
        let (months, facts) = history().new_tree(&mut runner).unwrap().current();
        for order in orders(&facts, 24) {
            let mut desk = invoiced(months);
            tell(&mut desk, &order);
            seen.extend(desk.log.iter().map(|recorded| recorded.event.type_name()));
        }
    }
    for name in
        ["lines_shared", "money_restated", "chargeback_won", "chargeback_lost", "written_off"]
    {
        assert!(seen.contains(name), "{name} in {seen:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whatever order a history is told in, if it can be: the same is owed, open and given back.
    #[test]
    fn every_order_of_telling_comes_to_the_same((months, facts) in history()) {
        let mut found: Option<(Vec<&Fact>, Standing)> = None;
        for order in orders(&facts, 120) {
            let mut desk = invoiced(months);
            if tell(&mut desk, &order).is_none() {
                continue;
            }
            adds_up(&desk);
            let now = standing(&desk);
            match &found {
                None => found = Some((order, now)),
                Some((first, expected)) => {
                    prop_assert_eq!(&now, expected, "{:?} against {:?}", order, first);
                }
            }
        }
    }
}
