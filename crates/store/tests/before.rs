//! A database that the version before wrote is brought up to date: the same log to the byte, and it goes on. In
//! `before` lie two, as the engines' own tools wrote them down. They hold 83 events of two clients and a refusal.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use std::sync::Arc;

use counterfoil_store::{OpenError, Store};
use domain::command::{Command, Dated, FirmAction};
use domain::event::BureauRegistered;
use domain::ids::{BureauCode, FirmId, RequestId};
use support::database::Database;
use support::*;
use uuid::Uuid;

const EVENTS: u64 = 83;
const REQUESTS: usize = 30;
const ROOTS: [&str; 2] = [
    "48bdd3e8341f35946b476605db8fa029bf21ac7334302221b3f90cdedc0e9577",
    "86b763bb42cd09ac3de7c838499ea8dd0f4d149db21b2399e2bbe04866855251",
];

on_both_engines!(
    a_database_of_before_has_the_same_log_and_goes_on,
    copying_that_was_cut_short_goes_on,
);

/// Fills an empty place with the database of before.
async fn put(place: &Place<'_>) {
    let dump = place.either(include_str!("before/sqlite.sql"), include_str!("before/postgres.sql"));
    if let Place::Server(_) = place {
        // The roles belong to the server, and a first database of it makes them.
        Database::lent(async |other| {
            Store::connect(&other.url()).await.unwrap().close().await;
        })
        .await;
    }
    if let Place::File(folder) = place {
        std::fs::File::create(folder.path().join("firm.db")).unwrap();
    }
    place.raw().await.run(dump).await.unwrap();
}

async fn firm_of(store: &Store) -> FirmId {
    let firms = store.firms().await.unwrap();
    assert_eq!(firms.len(), 1, "{firms:?}");
    firms[0]
}

/// Everything is as it was: bytes, root and answers, and nothing is found.
async fn is_whole(store: &Arc<Store>, place: &Place<'_>) {
    let firm = firm_of(store).await;
    let head = store.head(firm).await.unwrap();
    let root = place.either(ROOTS[0], ROOTS[1]);
    assert_eq!((head.position, head.root().hex().as_str()), (EVENTS, root));
    let answers = store.remembered_from(firm, RequestId(Uuid::nil()), 1_000).await.unwrap();
    assert_eq!(answers.len(), REQUESTS);
    let alone = answers.iter().filter(|(_, kept)| kept.stretch().is_none()).count();
    assert_eq!(alone, 1, "the refusal");
    let ids: Vec<RequestId> = answers.iter().map(|(id, _)| *id).collect();
    assert_eq!(store.answers(firm, &ids).await.unwrap().len(), REQUESTS);
    let bench = over(Arc::clone(store), 0);
    let report = bench.engine.verify(firm, |_, _| {}).await.unwrap();
    assert_eq!((report.root.hex().as_str(), report.answers_alone), (root, 1));
}

async fn a_database_of_before_has_the_same_log_and_goes_on(place: &Place<'_>) {
    put(place).await;
    let before = Store::connect_to_read(&place.url()).await.unwrap_err();
    assert!(matches!(before, OpenError::OtherTables { .. }), "{before}");
    let store = place.open().await;
    is_whole(&store, place).await;
    let mut raw = place.raw().await;
    let left = place.either(
        "SELECT COUNT(*) FROM sqlite_schema WHERE name LIKE '%before%'",
        "SELECT COUNT(*) FROM pg_class WHERE relname LIKE '%before%'",
    );
    assert_eq!(raw.number(left).await, 0);
    assert_eq!(store.guards_missing().await.unwrap(), Vec::<String>::new());
    // Streams go on where they ended, by whoever loads them.
    let bench = over(store, 1_000);
    let firm = firm_of(&bench.store).await;
    let ends = bench.store.ends_after(firm, None, 1_000).await.unwrap();
    assert!(ends.len() > 4, "{ends:?}");
    for end in ends {
        let loaded = bench.store.load_from_first(firm, &[end.stream], EVENTS).await.unwrap();
        let events = &loaded[0].events;
        assert_eq!(u64::try_from(events.len()).unwrap(), end.version, "{}", end.stream);
        assert_eq!(events.last().unwrap().position, end.last, "{}", end.stream);
    }
    let bureau = BureauRegistered {
        address: text("1 Example Street"),
        bureau: BureauCode::parse("another").unwrap(),
        name: text("Another Bureau"),
    };
    let action = FirmAction::RegisterBureau(bureau);
    let occurred_on = day("2026-01-05");
    let command = Command::Firm { action: Dated { occurred_at: None, occurred_on, action } };
    let asked = async || bench.engine.submit(firm, submission(0xabc, command.clone())).await;
    assert_eq!(asked().await.unwrap().position, EVENTS + 1);
    assert!(asked().await.unwrap().replayed);
    bench.engine.verify(firm, |_, _| {}).await.unwrap();
    bench.engine.rebuild(firm, |_, _| {}).await.unwrap();
}

/// As a process leaves it that ends between two transactions of the copying.
async fn copying_that_was_cut_short_goes_on(place: &Place<'_>) {
    put(place).await;
    let mut raw = place.raw().await;
    let save = "CREATE TABLE saved_event AS SELECT * FROM event; \
                CREATE TABLE saved_request AS SELECT * FROM request";
    raw.run(save).await.unwrap();
    place.open().await.close().await;
    for (events, requests) in [(0, 0), (40, 0), (83, 0), (83, 20)] {
        let cut = format!(
            "DELETE FROM event WHERE position > {events}; DELETE FROM stream; \
             DELETE FROM request WHERE request_id NOT IN \
             (SELECT request_id FROM saved_request ORDER BY request_id LIMIT {requests}); \
             CREATE TABLE event_before AS SELECT * FROM saved_event; \
             CREATE TABLE request_before AS SELECT * FROM saved_request"
        );
        raw.unguarded(&cut).await.unwrap();
        if let Place::Server(_) = place {
            let owned = "ALTER TABLE event_before OWNER TO counterfoil_owner; \
                         ALTER TABLE request_before OWNER TO counterfoil_owner";
            raw.run(owned).await.unwrap();
        }
        let half = Store::connect_to_read(&place.url()).await.unwrap_err();
        assert!(matches!(half, OpenError::OtherTables { .. }), "{half}");
        let store = place.open().await;
        is_whole(&store, place).await;
        store.close().await;
    }
}
