//! Giving money back and keeping it opens nothing, and nothing is given back twice.

use std::collections::BTreeMap;

use counterfoil_tests::history::Move;
use counterfoil_tests::judging::judged;
use counterfoil_tests::player::Player;
use domain::command::{AccountAction, Command};
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, ProcessorRef};
use domain::money::Money;

/// The periods of cases that may be claimed.
pub(crate) type Claimable = BTreeMap<CaseId, Vec<u32>>;

/// What may be claimed of the cases that an act of asking back or keeping is about; nothing if it is another act.
pub(crate) fn claimable(player: &Player, step: &Move) -> Option<Claimable> {
    let cases = match &step.command {
        Command::Account { account, action } => match action.action {
            AccountAction::RequestRefund(_) | AccountAction::RefundFailed(_) => {
                player.world.account(*account).ok()?.members.clone()
            }
            _ => return None,
        },
        Command::KeepFee { case, .. } => vec![*case],
        _ => return None,
    };
    let today = player.world.firm().ok()?.today(step.now)?;
    let of_case = |case: CaseId| {
        let open = judged(&player.world, case, today, |judge| {
            let is_claimable =
                |period: &u32| judge.explain(*period, today).is_some_and(|e| e.is_claimable());
            judge.open_periods(today).filter(is_claimable).collect()
        });
        (case, open)
    };
    Some(cases.into_iter().map(of_case).collect())
}

/// A request for a refund that waits.
struct Waiting {
    payment: ProcessorRef,
    number: u32,
}

/// Of each payment no more is refunded than it was, and no more is taken back by a bank, one request waits at a time for no more than is left of it, and each
/// is answered once.
pub(crate) fn nothing_is_given_back_twice(log: &[Recorded]) -> usize {
    let mut left: BTreeMap<(AccountId, ProcessorRef), i64> = BTreeMap::new();
    let mut paid: BTreeMap<(AccountId, ProcessorRef), i64> = BTreeMap::new();
    let mut charged: BTreeMap<(AccountId, ProcessorRef), i64> = BTreeMap::new();
    let mut back: BTreeMap<(AccountId, ProcessorRef), (ProcessorRef, i64)> = BTreeMap::new();
    let mut requests: BTreeMap<AccountId, u32> = BTreeMap::new();
    let mut answered: BTreeMap<(AccountId, u32), usize> = BTreeMap::new();
    let mut waiting: BTreeMap<AccountId, Vec<Waiting>> = BTreeMap::new();
    for recorded in log {
        let (Event::Account(event), StreamId::Account(id)) = (&recorded.event, recorded.stream)
        else {
            continue;
        };
        let waiting = waiting.entry(id).or_default();
        match event {
            AccountEvent::PaymentSettled(e) => {
                left.insert((id, e.payment.clone()), e.amount.minor());
                paid.insert((id, e.payment.clone()), e.amount.minor());
                charged.insert((id, e.payment.clone()), 0);
            }
            AccountEvent::RefundRequested(e) => {
                let number = requests.entry(id).or_default();
                *number += 1;
                assert_eq!(e.number, *number);
                let key = (id, e.payment.clone());
                assert!((1..=left[&key] - charged[&key]).contains(&e.amount.minor()));
                assert!(waiting.iter().all(|other| other.payment != e.payment));
                waiting.push(Waiting { payment: e.payment.clone(), number: e.number });
            }
            AccountEvent::RefundFailed(e) => waiting.retain(|of| of.number != e.number),
            AccountEvent::RefundIssued(e) => {
                if let Some(number) = e.request {
                    *answered.entry((id, number)).or_default() += 1;
                    waiting.retain(|of| of.number != number);
                }
                *left.get_mut(&(id, e.payment.clone())).unwrap() -= e.amount.minor();
            }
            AccountEvent::ChargebackOpened(e) => {
                *charged.get_mut(&(id, e.payment.clone())).unwrap() += e.amount.minor();
                let of = (e.payment.clone(), e.amount.minor());
                back.insert((id, e.chargeback.clone()), of);
            }
            AccountEvent::ChargebackWon(e) => {
                let (payment, amount) = back[&(id, e.chargeback.clone())].clone();
                *charged.get_mut(&(id, payment)).unwrap() -= amount;
            }
            AccountEvent::MoneyCorrected(e) => {
                let fact = log.iter().find(|told| told.position == e.fact.position).unwrap();
                let Event::Account(fact) = &fact.event else { panic!("a fact of money") };
                match fact {
                    AccountEvent::PaymentSettled(e) => {
                        left.remove(&(id, e.payment.clone()));
                    }
                    AccountEvent::RefundIssued(e) => {
                        if let Some(number) = e.request {
                            *answered.get_mut(&(id, number)).unwrap() -= 1;
                            waiting.push(Waiting { payment: e.payment.clone(), number });
                        }
                        *left.get_mut(&(id, e.payment.clone())).unwrap() += e.amount.minor();
                    }
                    AccountEvent::ChargebackOpened(e) => {
                        *charged.get_mut(&(id, e.payment.clone())).unwrap() -= e.amount.minor();
                    }
                    AccountEvent::ChargebackWon(e) => {
                        let (payment, amount) = back[&(id, e.chargeback.clone())].clone();
                        *charged.get_mut(&(id, payment)).unwrap() += amount;
                    }
                    _ => {}
                }
            }
            _ => {}
        }
        assert!(left.values().all(|left| *left >= 0), "{recorded:?}");
        // A bank may take back what was refunded too, but no payment twice.
        assert!(charged.iter().all(|(key, sum)| *sum <= paid[key]), "{recorded:?}");
    }
    assert!(answered.values().all(|times| *times <= 1), "{answered:?}");
    answered.values().filter(|times| **times == 1).count()
}

/// What is owed for a fee never falls below nothing, and is never more than what of it nothing allowed.
pub(crate) fn what_is_owed_is_exposed(log: &[Recorded]) {
    for recorded in log {
        let Event::Case(CaseEvent::FeeMarked(mark)) = &recorded.event else { continue };
        let kept = mark.kept.map_or(0, Money::minor);
        let parts = [mark.owed, mark.open, mark.given_back].map(Money::minor);
        assert!(parts.iter().all(|part| *part >= 0) && kept >= 0, "{mark:?}");
        assert!(mark.owed.minor() + kept + mark.open.minor() <= mark.exposed.minor(), "{mark:?}");
    }
}
