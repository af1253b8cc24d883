//! Finding clients by keyed hashes of what they are called and how they are reached, on either engine.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use domain::command::{AccountAction, CaseAction};
use domain::event::ContactChanged;
use domain::ids::CaseId;
use domain::terms::Seat;
use domain::value::Personal;
use log::{DerivedFault, Sought};
use support::*;

on_both_engines!(
    clients_are_found_by_whole_words_of_the_name_they_have_now,
    rows_of_an_earlier_version_are_filled_in_and_what_was_written_since_stays,
);

fn named(number: u128, name: &str) -> CaseAction {
    let mut action = enrol(number, Seat::Individual);
    if let CaseAction::Enrol(enrol) = &mut action {
        enrol.contact.name = personal(name);
    }
    action
}

async fn three(place: &Place<'_>) -> Bench {
    let bench = bench(place).await;
    for (number, name) in [(1, "Ana Smith"), (2, "Bob Smith-Vále"), (3, "Cyd Smithson")] {
        bench.case(100 + number, number, "2026-01-05", vec![named(number, name)]).await;
    }
    bench
}

async fn found(bench: &Bench, name: &str) -> Vec<CaseId> {
    let sought = Sought::Name(Personal::clear(name));
    bench.engine.find_clients(FIRM, &sought, 10).await.unwrap().cases
}

fn cases<const N: usize>(numbers: [u128; N]) -> Vec<CaseId> {
    numbers.map(case_id).to_vec()
}

async fn clients_are_found_by_whole_words_of_the_name_they_have_now(place: &Place<'_>) {
    let bench = three(place).await;
    for (name, expected) in [
        ("smith", cases([1, 2]).as_slice()),
        ("VALE  smith", &cases([2])),
        ("smithson", &cases([3])),
        ("smit", &[]),
        ("ana vale", &[]),
        ("sm_th", &[]),
        ("smith.*", &cases([1, 2])),
        ("%", &[]),
        ("'; DROP TABLE person_word --", &[]),
    ] {
        assert_eq!(found(&bench, name).await, expected, "{name}");
    }
    let sought = Sought::Name(Personal::clear("smith"));
    assert_eq!(bench.engine.find_clients(FIRM, &sought, 1).await.unwrap().cases, cases([1]));
    let phone = |number: u128| Sought::Phone(Personal::clear(&format!("+121755501{number:02}")));
    let by_phone = bench.engine.find_clients(FIRM, &phone(3), 10).await.unwrap();
    assert_eq!((by_phone.cases, by_phone.incomplete), (cases([3]), false));

    let CaseAction::Enrol(mut enrol) = named(1, "Ana Lark") else { unreachable!() };
    enrol.contact.phone = Personal::clear("+12175550199");
    let changed = ContactChanged { contact: enrol.contact };
    bench.case(104, 1, "2026-01-06", vec![CaseAction::ContactChanged(Box::new(changed))]).await;
    assert_eq!(found(&bench, "smith").await, cases([2]));
    assert_eq!(found(&bench, "lark").await, cases([1]));
    let one = bench.engine.find_clients(FIRM, &phone(1), 10).await.unwrap();
    assert_eq!(one.cases, [], "the number before is nobody's");
    assert_eq!(place.raw().await.number("SELECT COUNT(*) FROM person_word").await, 7);
    assert_eq!(bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults, []);
}

async fn rows_of_an_earlier_version_are_filled_in_and_what_was_written_since_stays(
    place: &Place<'_>,
) {
    let bench = three(place).await;
    let mut raw = place.raw().await;
    let no = place.either("0", "FALSE");
    raw.run(&format!(
        "UPDATE person SET word_keys = NULL, card_key = NULL, complete = {no} \
         WHERE phone_key IS NOT NULL"
    ))
    .await
    .unwrap();
    assert_eq!(raw.number("SELECT COUNT(*) FROM person_word").await, 0);
    let sought = Sought::Name(Personal::clear("smith"));
    let before = bench.engine.find_clients(FIRM, &sought, 10).await.unwrap();
    assert_eq!((before.cases, before.incomplete), (vec![], true), "it does not say that nobody is");
    assert_eq!(bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults, []);
    // The next card of one of them is written by this version.
    bench.account(105, 2, "2026-01-06", AccountAction::ChangeCard(card("card-new"))).await;

    assert_eq!(bench.engine.index_people(FIRM, 1).await.unwrap(), 1);
    let some = bench.engine.find_clients(FIRM, &sought, 10).await.unwrap();
    assert_eq!((some.cases, some.incomplete), (cases([1]), true));
    assert_eq!(bench.engine.index_people(FIRM, 100).await.unwrap(), 2);
    assert_eq!(bench.engine.index_people(FIRM, 100).await.unwrap(), 0);
    let all = bench.engine.find_clients(FIRM, &sought, 10).await.unwrap();
    assert_eq!((all.cases, all.incomplete), (cases([1, 2]), false));
    assert_eq!(bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults, []);

    let from = place.either("zeroblob(32)", "decode(repeat('00', 32), 'hex')");
    raw.run(&format!("UPDATE person SET card_key = {from} WHERE card_key IS NOT NULL"))
        .await
        .unwrap();
    let faults = bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults;
    let wrong = |fault: &&DerivedFault| matches!(fault, DerivedFault::Person { .. });
    assert_eq!(faults.iter().filter(wrong).count(), 3, "{faults:?}");
}
