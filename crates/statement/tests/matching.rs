//! Months whose truth is known: what is determinable is found, what is ambiguous is said to be, and
//! nothing wrong is ever certain.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeSet;

use chrono::{Days, NaiveDate};
use counterfoil_statement::matching::{
    COMBINED_MAX, Certainty, Deposit, Movement, Payout, Proposal, Refused, Rule, Window, propose,
};
use proptest::prelude::*;

fn day(number: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 1).unwrap() + Days::new(number)
}

fn movement(amount_minor: i64, on: u64, name: &str) -> Movement {
    Movement { amount_minor, happened_on: day(on), name: name.into() }
}

fn deposit(amount_minor: i64, on: u64, references: &[&str]) -> Deposit {
    let references = references.iter().map(|text| (*text).to_owned()).collect();
    let booked_on = day(on);
    Deposit { amount_minor, booked_on, references, refused: Vec::new(), doubted: false }
}

fn payout(net_minor: i64, on: u64, name: &str, movements: &[usize]) -> Payout {
    Payout { name: name.into(), net_minor, paid_on: day(on), movements: movements.to_vec() }
}

fn found(deposits: &[Deposit], movements: &[Movement], payouts: &[Payout]) -> Vec<Proposal> {
    let proposals = propose(deposits, movements, payouts, Window::default());
    let lines: Vec<usize> = proposals.iter().map(|p| p.deposit).collect();
    assert_eq!(lines, (0..deposits.len()).collect::<Vec<_>>(), "every line once, in order");
    proposals
}

/// 99.00 + 99.00 − 20.00 less costs of 5.16.
fn netted() -> (Vec<Movement>, Payout) {
    let movements = vec![
        movement(9_900, 1, "pay-1"),
        movement(9_900, 1, "pay-2"),
        movement(-2_000, 2, "ref-1"),
    ];
    (movements, payout(17_284, 3, "po-1", &[0, 1, 2]))
}

#[test]
fn a_named_payout_is_certain_to_the_cent_and_a_cent_off_is_not() {
    let (movements, payout) = netted();
    let payouts = [payout];
    let exact = found(&[deposit(17_284, 5, &["X", "po-1"])], &movements, &payouts).remove(0);
    assert_eq!((exact.certainty, exact.rule), (Certainty::Certain, Some(Rule::Reference)));
    assert_eq!((exact.movements, exact.payout), (vec![0, 1, 2], Some(0)));
    let off = found(&[deposit(17_283, 5, &["po-1"])], &movements, &payouts).remove(0);
    assert_eq!((off.certainty, off.difference_minor), (Certainty::DoesNotAddUp, -1));
}

#[test]
fn pieces_of_one_payout_are_joined_named_or_not() {
    let (movements, payout) = netted();
    let payouts = [payout];
    let pieces = [deposit(10_000, 5, &["po-1"]), deposit(7_284, 6, &["po-1"])];
    let named = found(&pieces, &movements, &payouts);
    assert!(named.iter().all(|p| p.certainty == Certainty::Certain));
    assert_eq!((named[0].joined.as_slice(), named[0].payout), (&[1][..], Some(0)));
    let pieces = [deposit(10_000, 5, &[]), deposit(7_284, 6, &[])];
    let unnamed = found(&pieces, &movements, &payouts);
    assert_eq!((unnamed[0].certainty, unnamed[0].joined.as_slice()), (Certainty::Only, &[1][..]));
    assert_eq!(unnamed[1].joined, [0]);
}

#[test]
fn equal_amounts_are_said_to_be_several() {
    let movements = [movement(8_900, 1, "pay-1"), movement(8_900, 1, "pay-2")];
    let one = found(&[deposit(8_900, 3, &[])], &movements, &[]).remove(0);
    assert_eq!((one.certainty, one.rule), (Certainty::OneOfSeveral, Some(Rule::Amount)));
    let named = found(&[deposit(8_900, 3, &["pay-2"])], &movements, &[]).remove(0);
    assert_eq!((named.certainty, named.movements), (Certainty::Certain, vec![1]));
    // One movement and two lines of its amount: neither line is the only one.
    let lines = [deposit(8_900, 3, &[]), deposit(8_900, 4, &[])];
    let two = found(&lines, &movements[..1], &[]);
    assert!(two.iter().all(|p| p.certainty == Certainty::OneOfSeveral), "{two:?}");
    let payouts = [payout(8_900, 2, "po-1", &[0]), payout(8_900, 2, "po-2", &[1])];
    let rivals = found(&[deposit(8_900, 3, &[])], &movements, &payouts).remove(0);
    assert_eq!(
        (rivals.certainty, rivals.rule),
        (Certainty::OneOfSeveral, Some(Rule::PayoutAmount))
    );
}

#[test]
fn a_day_and_a_combination_are_found_and_what_is_far_away_is_not() {
    let movements = [
        movement(1_001, 1, "a"),
        movement(2_002, 1, "b"),
        movement(-504, 2, "c"),
        movement(4_008, 2, "d"),
        movement(8_016, 30, "e"),
    ];
    let whole = found(&[deposit(3_003, 3, &[])], &movements, &[]).remove(0);
    assert_eq!((whole.rule, whole.certainty), (Some(Rule::WholeDay), Certainty::Only));
    let some = found(&[deposit(1_001 - 504 + 4_008, 3, &[])], &movements, &[]).remove(0);
    assert_eq!((some.rule, some.movements), (Some(Rule::Combination), vec![0, 2, 3]));
    let far = found(&[deposit(8_016, 3, &[])], &movements, &[]).remove(0);
    assert_eq!(far.certainty, Certainty::Open);
    let many: Vec<Movement> =
        (0..=COMBINED_MAX).map(|at| movement(100 + i64::try_from(at).unwrap(), 1, "m")).collect();
    let many = found(&[deposit(205, 3, &[])], &many, &[]).remove(0);
    assert_eq!((many.certainty, many.rule), (Certainty::Open, None), "{}", many.because);
}

#[test]
fn a_refused_proposal_gives_way_to_the_next_and_the_last_is_open() {
    let movements = [movement(8_900, 1, "pay-1"), movement(8_900, 1, "pay-2")];
    let mut line = deposit(8_900, 3, &["pay-2"]);
    let no = |at: usize| Refused { joined: Vec::new(), payout: None, movements: vec![at] };
    for (refused, next) in [(1, Some(0)), (0, None)] {
        line.refused.push(no(refused));
        line.doubted = true;
        let proposal = found(std::slice::from_ref(&line), &movements, &[]).remove(0);
        assert_eq!(proposal.movements.first().copied(), next, "{proposal:?}");
        let sure = if next.is_some() { Certainty::Only } else { Certainty::Open };
        assert_eq!(proposal.certainty, sure, "{}", proposal.because);
    }
    // Of two pieces, a no to either is one to both.
    let (movements, payout) = netted();
    let mut pieces = [deposit(10_000, 5, &["po-1"]), deposit(7_284, 6, &["po-1"])];
    pieces[1].refused.push(Refused { joined: vec![0], payout: Some(0), movements: Vec::new() });
    let refused = found(&pieces, &movements, std::slice::from_ref(&payout));
    assert!(refused.iter().all(|p| p.certainty == Certainty::Open), "{refused:?}");
    // A match that was taken back is not made again by itself.
    let doubted = Deposit { doubted: true, ..deposit(17_284, 5, &["po-1"]) };
    let again = found(&[doubted], &movements, &[payout]).remove(0);
    assert_eq!((again.certainty, again.rule), (Certainty::Only, Some(Rule::Reference)));
}

/// A month: payouts of some movements each, with costs, refunds, equal amounts; lines that name them,
/// lines that do not, a payout that never came, a deposit in two pieces, lines a cent off.
#[derive(Debug)]
struct Month {
    deposits: Vec<Deposit>,
    movements: Vec<Movement>,
    payouts: Vec<Payout>,
    /// What stands behind each line, if it adds up at all.
    truth: Vec<Option<BTreeSet<usize>>>,
    /// Lines that name their payout and add up with their pieces.
    determinable: Vec<usize>,
}

fn months() -> impl Strategy<Value = Month> {
    let payout = (prop::collection::vec((0_usize..6, any::<bool>()), 1..12), 0_i64..700, 0_u8..10);
    prop::collection::vec(payout, 1..25).prop_map(|plan| {
        let prices = [8_900, 14_900, 9_900, 24_999, 4_950, 11_901];
        let mut month = Month {
            deposits: Vec::new(),
            movements: Vec::new(),
            payouts: Vec::new(),
            truth: Vec::new(),
            determinable: Vec::new(),
        };
        for (number, (items, costs, fate)) in (0_u64..).zip(plan) {
            let on = number % 25;
            let first = month.movements.len();
            for (price, refunds) in items {
                let name = format!("m-{}", month.movements.len());
                month.movements.push(movement(prices[price], on, &name));
                if refunds && price == 0 {
                    let name = format!("r-{}", month.movements.len());
                    month.movements.push(movement(-prices[price] / 2, on, &name));
                }
            }
            let places: Vec<usize> = (first..month.movements.len()).collect();
            let gross: i64 = places.iter().map(|at| month.movements[*at].amount_minor).sum();
            let (name, net) = (format!("po-{number}"), gross - costs);
            month.payouts.push(payout_of(&name, net, on + 1, &places));
            let truth = Some(places.into_iter().collect::<BTreeSet<_>>());
            let mut line = |amount, references: &[&str], truth: Option<BTreeSet<usize>>| {
                month.deposits.push(deposit(amount, on + 2, references));
                month.truth.push(truth);
                month.deposits.len() - 1
            };
            match fate {
                0 => {} // It never came.
                1 => {
                    line(net + 1, &[&name], None);
                }
                2 => {
                    let one = line(net / 2, &[&name], truth.clone());
                    line(net - net / 2, &[&name], truth);
                    month.determinable.push(one);
                }
                3..=5 => {
                    line(net, &[], truth);
                }
                _ => {
                    let one = line(net, &["bank-words", &name], truth);
                    month.determinable.push(one);
                }
            }
        }
        month
    })
}

fn payout_of(name: &str, net: i64, on: u64, places: &[usize]) -> Payout {
    payout(net, on, name, places)
}

/// Other lines, a payout, movements.
type Answer = (Vec<usize>, Option<usize>, Vec<usize>);

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn every_determinable_match_is_found_and_nothing_wrong_is_certain(month in months()) {
        let proposals = found(&month.deposits, &month.movements, &month.payouts);
        let mut behind = BTreeSet::new();
        for proposal in &proposals {
            let lines: Vec<usize> =
                std::iter::once(proposal.deposit).chain(proposal.joined.iter().copied()).collect();
            let sum: i64 = lines.iter().map(|at| month.deposits[*at].amount_minor).sum();
            if proposal.certainty == Certainty::Certain && !proposal.movements.is_empty() {
                let movements: BTreeSet<usize> = proposal.movements.iter().copied().collect();
                prop_assert_eq!(Some(&movements), month.truth[proposal.deposit].as_ref());
                prop_assert!(movements.iter().all(|at| behind.insert(*at)), "behind one line only");
            }
            if let (Some(payout), Certainty::Only) = (proposal.payout, proposal.certainty) {
                prop_assert_eq!(sum, month.payouts[payout].net_minor, "what is proposed adds up");
            }
            if month.truth[proposal.deposit].is_none() {
                prop_assert!(proposal.certainty != Certainty::Certain, "a cent off: {:?}", proposal);
            }
        }
        for line in &month.determinable {
            let proposal = &proposals[*line];
            prop_assert_eq!(proposal.certainty, Certainty::Certain, "{:?}", proposal);
        }
    }

    /// A person says no to whatever is proposed, again and again: no proposal ever comes twice, and
    /// nothing about a line that was said no about is certain.
    #[test]
    fn what_was_refused_is_never_proposed_again(mut month in months()) {
        let mut seen: Vec<BTreeSet<Answer>> = vec![BTreeSet::new(); month.deposits.len()];
        for _ in 0..6 {
            for proposal in found(&month.deposits, &month.movements, &month.payouts) {
                if proposal.movements.is_empty() {
                    continue;
                }
                let line = &mut month.deposits[proposal.deposit];
                prop_assert!(!line.doubted || proposal.certainty != Certainty::Certain);
                let (payout, movements) = (proposal.payout, proposal.movements.clone());
                let mut joined = proposal.joined.clone();
                joined.sort_unstable();
                let key = (joined.clone(), payout, movements.clone());
                prop_assert!(seen[proposal.deposit].insert(key), "again: {:?}", proposal);
                let movements = if payout.is_some() { Vec::new() } else { movements };
                line.refused.push(Refused { joined, payout, movements });
                line.doubted = true;
            }
        }
    }
}
