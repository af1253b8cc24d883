//! A processor's name is of one movement in the whole firm, whoever records it, at the same moment or not.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use domain::command::{AccountAction, Command, Dated, PaymentReceived};
use domain::ids::ProcessorRef;
use domain::refusal::Reason;
use domain::terms::Seat;
use log::SubmitError;
use support::*;

on_both_engines!(
    of_many_accounts_told_one_name_at_once_one_has_it,
    a_process_that_has_only_begun_knows_every_name,
);

/// Accounts, and rounds of a new name for each.
const ACCOUNTS: u128 = 6;
const ROUNDS: u128 = 8;

fn pays(account: u128, name: &str) -> Command {
    let payment = ProcessorRef::parse(name).unwrap();
    let paid = PaymentReceived { amount: usd(1_000), invoice: None, payment };
    let action = AccountAction::PaymentReceived(paid);
    let action = Dated { occurred_at: None, occurred_on: day("2026-01-05"), action };
    Command::Account { account: account_id(account), action }
}

async fn clients(bench: &Bench) {
    for case in 1..=ACCOUNTS {
        bench.case(100 + case, case, "2026-01-05", vec![enrol(case, Seat::Individual)]).await;
    }
}

async fn of_many_accounts_told_one_name_at_once_one_has_it(place: &Place<'_>) {
    let one = bench(place).await;
    clients(&one).await;
    let other = over(place.open().await, 1_000_000);
    for round in 0..ROUNDS {
        let name = format!("pay-{round}");
        let told = (1..=ACCOUNTS).map(|account| {
            let (bench, id) =
                (if account % 2 == 0 { &one } else { &other }, 10_000 + round * 100 + account);
            bench.submit(id, pays(account, &name))
        });
        let answers = futures::future::join_all(told).await;
        let recorded = answers.iter().filter(|answer| answer.is_ok()).count();
        assert_eq!(recorded, 1, "round {round}: {answers:?}");
        for answer in answers.iter().filter_map(|answer| answer.as_ref().err()) {
            let SubmitError::Refused(refusal) = answer else { panic!("{answer:?}") };
            assert_eq!(refusal.reason, Reason::AlreadyRecorded, "{refusal:?}");
        }
        // The same request is answered as it was.
        let place = answers.iter().position(Result::is_ok).unwrap();
        let account = u128::try_from(place).unwrap() + 1;
        let again = one.submit(10_000 + round * 100 + account, pays(account, &name)).await;
        assert!(again.unwrap().replayed);
    }
}

async fn a_process_that_has_only_begun_knows_every_name(place: &Place<'_>) {
    let one = bench(place).await;
    clients(&one).await;
    one.submit(1, pays(1, "pay-1")).await.unwrap();
    let later = over(place.open().await, 1_000_000);
    let refused = later.submit(2, pays(2, "pay-1")).await.unwrap_err();
    let refusal = refused.refusal().unwrap().to_string();
    assert!(refusal.contains(&account_id(1).to_string()), "{refusal}");
    later.submit(3, pays(2, "pay-2")).await.unwrap();
}
