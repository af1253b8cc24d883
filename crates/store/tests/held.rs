//! A head that does not agree with its log, rows that nobody may read and guards that are gone are found
//! by whoever asks first, and nothing is recorded on top of them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::sync::Arc;

use domain::terms::Seat;
use log::{StoreError, SubmitError, VerifyError};

use crate::support::*;

on_both_engines!(
    a_head_that_does_not_agree_stops_whoever_asks,
    a_time_of_the_head_is_not_carried_into_events,
    rows_of_which_none_are_active_are_mended_by_a_rebuild,
    a_guard_that_is_missing_is_named,
    answers_that_no_event_tells_of_are_counted,
);

/// What is wrong, to whoever asks for the end, verifies, and writes.
async fn told(bench: &Bench, id: u128) -> (String, String, Result<(), SubmitError>) {
    let server = over(Arc::clone(&bench.store), 0);
    let asked = match bench.store.head(FIRM).await {
        Err(StoreError::Corrupt { what, .. }) => what,
        other => panic!("{other:?}"),
    };
    let verified = match server.engine.verify(FIRM, |_, _| {}).await {
        Err(VerifyError::Finding { what, .. }) => what,
        other => panic!("{other:?}"),
    };
    let wrote = server.submit(id, on_case(1, "2026-01-05", vec![enrol(1, Seat::Individual)])).await;
    (asked, verified, wrote.map(|_| ()))
}

async fn a_head_that_does_not_agree_stops_whoever_asks(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(7, Seat::Individual).await;
    let end = bench.caught_up().await;
    bench.engine.shutdown(PATIENCE).await;
    let mut raw = Unguarded::enter(place, &["log_head", "event"]).await;
    let later = place.either("recorded_at + 1000000000000000", "recorded_at + interval '32 years'");
    let zeroes = place.either("zeroblob(32)", "decode(repeat('00', 32), 'hex')");
    let id = place.either("randomblob(16)", "gen_random_uuid()");
    let one_more = format!(
        "INSERT INTO event (firm, position, previous, type, occurred_on, leaf, body) \
         SELECT firm, position + 1, position, type, occurred_on, leaf, body FROM event \
         WHERE position = {end}"
    );
    let changes = [
        (format!("UPDATE log_head SET recorded_at = {later}"), "another time"),
        (format!("UPDATE log_head SET root = {zeroes}"), "root is not that of its tree"),
        ("DELETE FROM log_head".to_owned(), "the log has no head"),
        (format!("UPDATE log_head SET firm = {id}"), "the log has no head"),
        (format!("DELETE FROM event WHERE position = {end}"), "it is missing"),
        (one_more, "stands behind the head"),
    ];
    for (at, (change, what)) in (0..).zip(changes) {
        raw.run(&change).await;
        let (asked, verified, wrote) = told(&bench, 90_000 + at).await;
        assert!(asked.contains(what) && verified.contains(what), "{change}: {asked}; {verified}");
        assert!(matches!(wrote, Err(SubmitError::Corrupt { .. })), "{change}: {wrote:?}");
        assert!(bench.store.firms().await.unwrap().contains(&FIRM), "{change}");
        raw.take_back().await;
    }
    let server = over(Arc::clone(&bench.store), 1_000_000);
    server.engine.verify(FIRM, |_, _| {}).await.unwrap();
    server.case(99_000, 1, "2026-02-04", vec![enrol(1, Seat::Individual)]).await;
}

/// The time is changed, something is tried, and the time is set right: no event says the other time.
async fn a_time_of_the_head_is_not_carried_into_events(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.engine.shutdown(PATIENCE).await;
    let mut raw = Unguarded::enter(place, &["log_head"]).await;
    let before = bench.store.head(FIRM).await.unwrap();
    raw.run(place.either(
        "UPDATE log_head SET recorded_at = 2777137552331833",
        "UPDATE log_head SET recorded_at = '2058-01-01T00:00:00Z'",
    ))
    .await;
    let server = over(Arc::clone(&bench.store), 1_000);
    let enrol = || on_case(1, "2026-01-05", vec![enrol(1, Seat::Individual)]);
    let wrote = server.submit(50, enrol()).await;
    assert!(matches!(wrote, Err(SubmitError::Corrupt { .. })), "{wrote:?}");
    raw.take_back().await;
    assert_eq!(bench.store.head(FIRM).await.unwrap(), before);
    server.submit(51, enrol()).await.unwrap();
    let after = bench.store.head(FIRM).await.unwrap();
    assert!(after.recorded_at.0 < before.recorded_at.0 + 86_400_000_000, "{after:?}");
}

async fn rows_of_which_none_are_active_are_mended_by_a_rebuild(place: &Place<'_>) {
    let bench = bench(place).await;
    let end = bench.caught_up().await;
    bench.engine.shutdown(PATIENCE).await;
    let mut raw = place.raw().await;
    raw.run(
        place.either("UPDATE projection SET active = 0", "UPDATE projection SET active = FALSE"),
    )
    .await
    .unwrap();
    let server = over(Arc::clone(&bench.store), 0);
    let what = |found: Result<(), StoreError>| match found {
        Err(StoreError::Corrupt { what, .. }) => what,
        other => panic!("{other:?}"),
    };
    assert!(what(server.engine.check_end(FIRM).await).contains("the active one"));
    let verified = server.engine.verify(FIRM, |_, _| {}).await.unwrap_err();
    assert!(verified.to_string().contains("the active one"), "{verified}");
    server.engine.rebuild(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(bench.store.checkpoint(FIRM).await.unwrap().position, end);
    server.engine.verify(FIRM, |_, _| {}).await.unwrap();
    raw.run("UPDATE projection SET position = position + 1").await.unwrap();
    assert!(what(server.engine.check_end(FIRM).await).contains("behind the end of the log"));
}

async fn a_guard_that_is_missing_is_named(place: &Place<'_>) {
    let bench = bench(place).await;
    assert_eq!(bench.store.guards_missing().await.unwrap(), Vec::<String>::new());
    let mut raw = place.raw().await;
    let (names, drops, makes) = match place {
        Place::File(_) => {
            let of = "FROM sqlite_schema WHERE type = 'trigger' ORDER BY tbl_name || '.' || name";
            (
                raw.texts(&format!("SELECT tbl_name || '.' || name {of}")).await,
                raw.texts(&format!("SELECT 'DROP TRIGGER ' || name {of}")).await,
                raw.texts(&format!("SELECT sql {of}")).await,
            )
        }
        Place::Server(_) => {
            let of = "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid \
                      WHERE c.relnamespace = 'counterfoil'::regnamespace AND NOT t.tgisinternal \
                      AND t.tgparentid = 0 ORDER BY t.oid";
            let change = |how: &str| {
                format!(
                    "SELECT format('ALTER TABLE %I {how} TRIGGER %I', c.relname, t.tgname) {of}"
                )
            };
            (
                raw.texts(&format!("SELECT format('%s.%s', c.relname, t.tgname) {of}")).await,
                raw.texts(&change("DISABLE")).await,
                raw.texts(&change("ENABLE")).await,
            )
        }
    };
    assert!(names.len() >= 17, "{names:?}");
    for ((name, drop), make) in names.iter().zip(&drops).zip(&makes) {
        raw.run(drop).await.unwrap();
        let missing = bench.store.guards_missing().await.unwrap();
        assert!(missing.contains(name), "{name}: {missing:?}");
        let found = bench.engine.verify(FIRM, |_, _| {}).await.unwrap_err().to_string();
        assert!(found.contains("refuses changes"), "{name}: {found}");
        raw.run(make).await.unwrap();
    }
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn answers_that_no_event_tells_of_are_counted(place: &Place<'_>) {
    let bench = bench(place).await;
    let alone = async || bench.engine.verify(FIRM, |_, _| {}).await.unwrap().answers_alone;
    assert_eq!(alone().await, 0);
    let unknown = on_case(9, "2026-01-05", papers());
    bench.submit(70, unknown).await.unwrap_err();
    assert_eq!(alone().await, 1);
}

/// A way in beside the program, past every trigger of some tables, whose rows it keeps to take all back.
struct Unguarded {
    raw: Raw,
    tables: Vec<String>,
}

impl Unguarded {
    async fn enter(place: &Place<'_>, tables: &[&str]) -> Self {
        let mut raw = place.raw().await;
        let tables: Vec<String> = tables.iter().map(|table| (*table).to_owned()).collect();
        for table in &tables {
            raw.run(&format!("CREATE TABLE kept_{table} AS SELECT * FROM {table}")).await.unwrap();
        }
        Self { raw, tables }
    }

    async fn run(&mut self, statement: &str) {
        self.raw.unguarded(statement).await.unwrap();
    }

    async fn take_back(&mut self) {
        let back = |table: &String| {
            format!("DELETE FROM {table}; INSERT INTO {table} SELECT * FROM kept_{table}")
        };
        let all: Vec<String> = self.tables.iter().map(back).collect();
        self.run(&all.join("; ")).await;
    }
}
