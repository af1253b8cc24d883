//! Counsel keeps what is owed of a fee in one decision, whatever refunds and chargebacks were told before: of clients alone and
//! of couples, of invoices with one line and with several ("owed is what was collected for it and not given back", trade rules).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::cell::Cell;
use std::collections::BTreeMap;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::ids::{AccountId, CaseId};
use counterfoil_domain::money::Money;
use counterfoil_domain::terms::Seat;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;

/// Something told of money, with numbers that choose what of.
#[derive(Clone, Debug)]
enum Told {
    Paid { invoice: u64, minor: i64 },
    Refunded { of: usize, minor: i64 },
    ChargedBack { of: usize, minor: i64 },
    Ended { of: usize, is_won: bool },
    Credited { invoice: u64, minor: i64 },
    Exposed { round: usize },
}

fn told() -> impl Strategy<Value = Told> {
    let invoice = || prop_oneof![Just(1_u64), Just(2)];
    prop_oneof![
        4 => (invoice(), 1_000..40_000_i64).prop_map(|(invoice, minor)| Told::Paid { invoice, minor }),
        2 => (0..4_usize, 500..20_000_i64).prop_map(|(of, minor)| Told::Refunded { of, minor }),
        2 => (0..4_usize, 500..40_000_i64).prop_map(|(of, minor)| Told::ChargedBack { of, minor }),
        1 => (0..3_usize, any::<bool>()).prop_map(|(of, is_won)| Told::Ended { of, is_won }),
        1 => (invoice(), 500..9_000_i64).prop_map(|(invoice, minor)| Told::Credited { invoice, minor }),
        3 => (0..8_usize).prop_map(|round| Told::Exposed { round }),
    ]
}

/// The clients of an account, each billed for so many months on two invoices.
fn billed(is_couple: bool, months: usize) -> (Desk, Vec<CaseId>, AccountId) {
    let mut desk = Desk::open();
    let cases: Vec<CaseId> = if is_couple { vec![case(2), case(3)] } else { vec![case(2)] };
    for (of, name) in cases.iter().zip(["Ada Lark", "Ben Lark"]) {
        let mut enrol = if is_couple { Enrol { seat: Seat::Couple, ..enrol() } } else { enrol() };
        enrol.contact.name = personal(name);
        desk.signed_as(*of, "2026-03-02", enrol);
    }
    let mut paying = account(2);
    if let [first, second] = cases.as_slice() {
        let (first, second, action) = (*second, *first, CoupleAction::Compare);
        desk.command(&Command::Couple { first, second, action }).unwrap();
        paying = desk.account(account(3)).moved_to.unwrap_or(account(3));
    }
    for of in &cases {
        desk.act(*of, "2026-03-06", CaseAction::OpenWork);
    }
    let days = ["2026-03-09", "2026-04-09", "2026-05-09"];
    for (at, on) in days.into_iter().take(months).enumerate() {
        for of in &cases {
            desk.month(*of, on);
        }
        if at == 0 {
            desk.bill(paying, "2026-04-05");
        }
    }
    if months > 1 {
        desk.bill(paying, "2026-06-05");
    }
    desk.today("2026-09-20");
    (desk, cases, paying)
}

/// Tells it if it can be told; what cannot be is no part of the story.
fn tell(desk: &mut Desk, (cases, paying): (&[CaseId], AccountId), (at, told): (usize, &Told)) {
    let on = (day("2026-06-06") + chrono::Duration::days(i64::try_from(at).unwrap())).to_string();
    let account = desk.account(paying).clone();
    let payment =
        |of: usize| account.payments.keys().nth(of % account.payments.len().max(1)).cloned();
    let action = match *told {
        Told::Paid { invoice, minor } => {
            let (amount, payment) = (usd(minor), reference(&format!("p{at}")));
            let invoice = Some(invoice).filter(|number| account.invoices.contains_key(number));
            Some(AccountAction::PaymentReceived(PaymentReceived { amount, invoice, payment }))
        }
        Told::Refunded { of, minor } => payment(of).map(|payment| {
            let (amount, refund) = (usd(minor), reference(&format!("r{at}")));
            AccountAction::Refund(Refund { amount, payment, reason: None, refund, request: None })
        }),
        Told::ChargedBack { of, minor } => payment(of).map(|payment| {
            let (amount, chargeback) = (usd(minor), reference(&format!("c{at}")));
            AccountAction::OpenChargeback(Chargeback {
                amount,
                chargeback,
                payment,
                respond_by: None,
            })
        }),
        Told::Ended { of, is_won } => {
            let open = account.money_back.iter().filter(|(_, back)| back.status.is_some());
            let open: Vec<_> = open.map(|(name, _)| name.clone()).collect();
            open.get(of % open.len().max(1)).cloned().map(|name| {
                if is_won {
                    AccountAction::ChargebackWon(name)
                } else {
                    AccountAction::ChargebackLost(name)
                }
            })
        }
        Told::Credited { invoice, minor } => {
            let (amount, reason) = (usd(minor), personal("a kindness"));
            Some(AccountAction::GrantCredit(Lower { amount, invoice, reason }))
        }
        Told::Exposed { round } => {
            // A round that did not leave: nothing earned the fee of its month.
            let rounds: Vec<&Recorded> =
                desk.log.iter().filter(|told| told.event.type_name() == "round_sent").collect();
            let wanted = rounds[round % rounds.len()];
            let (position, stream) = (wanted.position, wanted.stream);
            let of = cases.iter().find(|of| StreamId::Case(**of) == stream).copied();
            if let Some(of) = of
                && !desk.state(of).corrected.contains_key(&position)
            {
                desk.correct(of, position, Becomes::Nothing);
            }
            None
        }
    };
    if let Some(action) = action {
        let _is_told = desk.try_account(paying, &on, action).is_ok();
    }
}

/// What is owed of each claimed fee, less what was asked back, and kept of it, by the position of its claim.
fn owed(desk: &Desk, cases: &[CaseId]) -> BTreeMap<(CaseId, u64), (Money, Money)> {
    let of_case = |of: &CaseId| {
        desk.judged(*of, |judge| {
            let fees = judge.fees().map(|fee| {
                let at = (*of, fee.fee.mark.at.position);
                (at, (fee.owed.above(fee.asked_back), fee.kept))
            });
            fees.collect::<Vec<_>>()
        })
    };
    cases.iter().flat_map(of_case).collect()
}

/// Keeps what is owed of each fee, and gives of how many.
fn keeps_in_one(is_couple: bool, months: usize, story: &[Told]) -> u32 {
    let (mut desk, cases, paying) = billed(is_couple, months);
    for told in story.iter().enumerate() {
        tell(&mut desk, (&cases, paying), told);
    }
    let (before, mut kept_of) = (owed(&desk, &cases), 0);
    for (&(of, at), &(most, kept)) in before.iter().filter(|(_, (most, _))| most.is_positive()) {
        let mut expected = owed(&desk, &cases);
        let keep = KeepFee {
            amount: None,
            counsel: text("Robin Ashdown"),
            document: None,
            fee: FeeNamed::Claimed(at),
            reason: personal("the work was done, and the paper was lost"),
        };
        let action = Dated { occurred_at: None, occurred_on: day("2026-09-20"), action: keep };
        desk.command(&Command::KeepFee { case: of, action }).unwrap();
        kept_of += 1;
        expected.insert((of, at), (usd(0), kept.plus(most).unwrap()));
        assert_eq!(
            owed(&desk, &cases),
            expected,
            "one decision settles its fee and moves no other"
        );
    }
    assert!(owed(&desk, &cases).values().all(|(left, _)| left.is_zero()), "nothing is left");
    kept_of
}

#[test]
fn what_is_owed_of_a_fee_is_kept_in_one_decision() {
    let config = ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(192) };
    let stories = (any::<bool>(), 1..4_usize, prop::collection::vec(told(), 3..12));
    let (kept, several) = (Cell::new(0), Cell::new(0));
    let run = TestRunner::new(config).run(&stories, |(is_couple, months, story)| {
        let here = keeps_in_one(is_couple, months, &story);
        kept.set(kept.get() + here);
        several.set(several.get() + u32::from(here > 1));
        Ok(())
    });
    run.unwrap_or_else(|failure| panic!("{failure}"));
    assert!(kept.get() > 100 && several.get() > 10, "{} {}", kept.get(), several.get());
}
