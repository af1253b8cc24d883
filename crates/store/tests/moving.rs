//! A firm's log moves between the engines, and with it every byte and every answer.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use std::sync::Arc;

use counterfoil_store::{OpenError, Store};
use domain::command::{CaseAction, Command, Dated, FirmAction};
use domain::event::{AccessRevoked, ProgressReportSent};
use domain::ids::{AccessId, RequestId};
use log::{MoveError, MoveReport, Remembered, Stored, move_log};
use proof::Hash;
use support::database::Database;
use support::everything::everything;
use support::*;
use uuid::Uuid;

/// The head, the events, their leaf hashes and the answers.
type Kept = (log::Head, Vec<Stored>, Vec<Hash>, Vec<(RequestId, Remembered)>);

async fn kept(store: &Store) -> Kept {
    let answers = store.remembered_from(FIRM, RequestId(Uuid::nil()), 10_000).await.unwrap();
    let log = store.read(FIRM, 0, 10_000).await.unwrap();
    let leaves = store.leaves(FIRM, 0, 10_000).await.unwrap();
    (store.head(FIRM).await.unwrap(), log, leaves, answers)
}

/// A command that is always refused: no such token was given out.
fn refused() -> Command {
    let access = AccessRevoked { access: AccessId(Uuid::from_u128(9)) };
    let action = FirmAction::RevokeAccess(access);
    Command::Firm { action: Dated { occurred_at: None, occurred_on: day("2026-01-05"), action } }
}

/// A history with something in each table, and with refusals.
async fn with_a_history(place: &Place<'_>) -> Bench {
    let bench = bench(place).await;
    bench.submit(0xfff0, refused()).await.unwrap_err();
    bench.two_months_of_three().await;
    for id in 0..5 {
        bench.submit(0xaa_0000 + id, refused()).await.unwrap_err();
    }
    let report = CaseAction::ProgressReportSent(ProgressReportSent {
        completes_before: None,
        document: None,
    });
    bench.submit(0xbb, on_case(99, "2026-01-05", vec![report])).await.unwrap_err();
    bench
}

async fn moved(from: &Place<'_>, to: &Place<'_>) -> (MoveReport, Arc<Store>) {
    let source = Store::connect_to_read(&from.url()).await.unwrap();
    let target = to.open().await;
    let report = move_log(&*source, &**target, FIRM, |_| {}).await.unwrap();
    source.close().await;
    (report, target)
}

/// Every column of every row of the log, as a file has them.
async fn rows(place: &Place<'_>) -> Vec<String> {
    let mut raw = place.raw().await;
    let mut rows = Vec::new();
    for query in [
        "SELECT quote(firm) || quote(position) || quote(previous) || quote(type) || \
         quote(occurred_on) || quote(leaf) || quote(body) FROM event ORDER BY position",
        "SELECT quote(firm) || quote(stream) || quote(last_position) || quote(version) FROM stream \
         ORDER BY stream",
        "SELECT quote(firm) || quote(request_id) || quote(fingerprint) || quote(checked) || \
         quote(first_position) || quote(events) || quote(answer) FROM request ORDER BY request_id",
        "SELECT quote(firm) || quote(position) || quote(invoices) || quote(recorded_at) || quote(frontier) || \
         quote(root) FROM log_head",
    ] {
        rows.extend(raw.texts(query).await);
    }
    rows
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn there_and_back_again_every_byte_row_and_answer_is_the_same() {
    Database::lent(async |database| {
        let file = Place::File(tempfile::tempdir().unwrap());
        let (server, back) = (Place::Server(database), Place::File(tempfile::tempdir().unwrap()));
        let bench = with_a_history(&file).await;
        let (log, read_model) = (kept(&bench.store).await, everything(&bench.store).await);
        for (from, to) in [(&file, &server), (&server, &back)] {
            let (report, target) = moved(from, to).await;
            assert_eq!(report.source_root, report.target_root);
            assert_eq!(report.source_root, log.0.root());
            assert_eq!(report.events, log.0.position);
            assert_eq!(report.requests, u64::try_from(log.3.len()).unwrap());
            assert_eq!(kept(&target).await, log);
            let there = over(target, 10_000);
            there.engine.verify(FIRM, |_, _| {}).await.unwrap();
            there.caught_up().await;
            assert_eq!(everything(&there.store).await, read_model);

            // The first answers again: what was recorded, and what was refused.
            let enrolment =
                on_case(3, "2026-01-05", vec![enrol(3, domain::terms::Seat::Individual)]);
            let again = there.submit(3_000, enrolment).await.unwrap();
            assert!(again.replayed, "{again:?}");
            for id in [0xfff0, 0xaa_0003] {
                let refusal = bench.submit(id, refused()).await.unwrap_err();
                assert!(refusal.refusal().is_some(), "{refusal}");
                assert_eq!(there.submit(id, refused()).await.unwrap_err(), refusal);
            }
            assert_eq!(kept(&there.store).await, log, "asking again records nothing");
            there.store.close().await;
        }
        bench.store.close().await;
        assert_eq!(rows(&back).await, rows(&file).await);
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_still_writing_is_copied_to_its_last_event() {
    Database::lent(async |database| {
        let (server, file) = (Place::Server(database), Place::File(tempfile::tempdir().unwrap()));
        let bench = with_a_history(&server).await;
        let before = bench.store.head(FIRM).await.unwrap().position;
        let source = Store::connect_to_read(&server.url()).await.unwrap();
        let (target, mut grew) = (file.open().await, Vec::new());
        let mut writes = 0;
        let progress = |moving| match moving {
            log::Moving::Proving { .. } if writes == 0 => {
                writes += 1;
                let seat = domain::terms::Seat::Individual;
                let enrolment = on_case(7, "2026-03-11", vec![enrol(7, seat)]);
                tokio::task::block_in_place(|| {
                    let runtime = tokio::runtime::Handle::current();
                    runtime.block_on(bench.submit(0x7777, enrolment)).unwrap();
                });
            }
            log::Moving::SourceGrew { from, to } => grew.push((from, to)),
            _ => {}
        };
        let report = move_log(&*source, &**target, FIRM, progress).await.unwrap();
        assert_eq!(grew, [(before, report.events)]);
        assert!(report.events > before);
        assert_eq!(kept(&target).await, kept(&bench.store).await);
    })
    .await;
}

/// Another tool changes one byte of one event.
async fn damage(place: &Place<'_>, position: u64) {
    let mut raw = place.raw().await;
    let (off, on) = (
        place.either(
            "DROP TRIGGER event_is_never_changed",
            "SET session_replication_role = replica",
        ),
        place.either("SELECT 1", "RESET session_replication_role"),
    );
    let change = place.either(
        "body = replace(body, '2026-', '2025-')",
        "body = convert_to(replace(convert_from(body, 'UTF8'), '2026-', '2025-'), 'UTF8')",
    );
    raw.run(off).await.unwrap();
    raw.run(&format!("UPDATE event SET {change} WHERE position = {position}")).await.unwrap();
    raw.run(on).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_damaged_source_is_refused_at_its_position_and_nothing_is_written() {
    Database::lent(async |database| {
        let places = [Place::Server(database), Place::File(tempfile::tempdir().unwrap())];
        for from in &places {
            with_a_history(from).await.store.close().await;
            damage(from, 17).await;
            let to = Place::File(tempfile::tempdir().unwrap());
            let source = Store::connect_to_read(&from.url()).await.unwrap();
            let target = to.open().await;
            let error = move_log(&*source, &**target, FIRM, |_| {}).await.unwrap_err();
            assert!(matches!(error, MoveError::Source { position: 17, .. }), "{error}");
            assert_eq!(target.head(FIRM).await.unwrap().position, 0);
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_firms_log_under_the_same_id_is_refused_where_it_differs() {
    Database::lent(async |database| {
        let (from, to) = (Place::File(tempfile::tempdir().unwrap()), Place::Server(database));
        let bench = with_a_history(&from).await;
        let other = support::bench(&to).await;
        // Both begin alike, with the same ids on the same day.
        let position = other.store.head(FIRM).await.unwrap().position + 1;
        other.submit(0xcc, an_enrolment()).await.unwrap();
        let before = kept(&other.store).await;
        let refused = move_log(&**bench.store, &**other.store, FIRM, |_| {}).await.unwrap_err();
        assert!(
            matches!(refused, MoveError::Foreign { position: found } if found == position),
            "{refused}"
        );
        assert_eq!(kept(&other.store).await, before);
    })
    .await;
}

/// Something that the other log does not have.
fn an_enrolment() -> Command {
    on_case(42, "2026-01-05", vec![enrol(42, domain::terms::Seat::Individual)])
}

#[tokio::test]
async fn what_is_opened_to_read_is_neither_made_nor_changed() {
    let folder = tempfile::tempdir().unwrap();
    let nothing = folder.path().join("nothing.db");
    let missing = Store::connect_to_read(&format!("sqlite:{}", nothing.display())).await;
    assert!(matches!(missing.unwrap_err(), OpenError::Unreadable { .. }));
    assert!(!nothing.exists());
    std::fs::write(&nothing, "").unwrap();
    let empty = Store::connect_to_read(&format!("sqlite:{}", nothing.display())).await.unwrap_err();
    assert!(matches!(empty, OpenError::OtherTables { .. }), "{empty}");

    let place = Place::File(folder);
    let bench = bench(&place).await;
    bench.store.close().await;
    let path = place.url().replacen("sqlite:", "", 1);
    let before = std::fs::read(&path).unwrap();
    let store = Arc::new(Store::connect_to_read(&place.url()).await.unwrap());
    let reading = over(Arc::clone(&store), 0);
    reading.engine.verify(FIRM, |_, _| {}).await.unwrap();
    reading.submit(0xdd, an_enrolment()).await.unwrap_err();
    store.close().await;
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[tokio::test]
async fn a_server_opened_to_read_refuses_to_be_written_to() {
    on_server(async |place| {
        let empty = Store::connect_to_read(&place.url()).await.unwrap_err();
        assert!(matches!(empty, OpenError::OtherTables { .. }), "{empty}");
        let bench = bench(place).await;
        let before = kept(&bench.store).await;
        let reading = over(Arc::new(Store::connect_to_read(&place.url()).await.unwrap()), 0);
        reading.engine.verify(FIRM, |_, _| {}).await.unwrap();
        reading.submit(0xdd, an_enrolment()).await.unwrap_err();
        assert_eq!(kept(&bench.store).await, before);
        let mut raw = place.raw().await;
        raw.run("SET ROLE counterfoil_reader").await.unwrap();
        raw.run(&format!("SET counterfoil.firm = '{}'", FIRM.0)).await.unwrap();
        assert!(raw.number("SELECT COUNT(*) FROM event").await > 0);
        for change in [
            "INSERT INTO request VALUES (named_firm(), gen_random_uuid(), 1, 1, 1, sha256(''))",
            "UPDATE log_head SET position = 0",
            "DELETE FROM projection",
        ] {
            let error = raw.run(change).await.unwrap_err();
            assert_eq!(error.as_database_error().unwrap().code().unwrap(), "42501", "{change}");
        }
        raw.run("SET counterfoil.firm = ''").await.unwrap();
        assert_eq!(raw.number("SELECT COUNT(*) FROM event").await, 0, "the fence between firms");
    })
    .await;
}
