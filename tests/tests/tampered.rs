//! What another tool changes in the database file behind the service's back is found by verifying the log.
//!
//! Hundreds of changes at random: a byte or a whole row of the events, their hashes, the columns they are
//! found by, the head and the tiles of the tree, on a copy of the file for each. What is derived for queries is not among them: it can be
//! made anew from the log, and is no proof of anything.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::path::Path;

use counterfoil_tests::bulk::Bulk;
use counterfoil_tests::child;
use counterfoil_tests::history::firm_id;
use log::{COLUMNS, Engine, VerifyError};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rusqlite::{Connection, params};

/// Changes, each on a copy of its own.
const CHANGES: u32 = 300;
/// Clients: enough events for several full tiles.
const CLIENTS: u32 = 40;
const SEED: u64 = 20_261_126;

/// A file with a firm's log, closed.
async fn original(path: &Path) -> u64 {
    let (engine, store, _) = child::open(&name(path)).await.unwrap();
    let bulk = Bulk { engine: &engine, firm: firm_id() };
    bulk.set_up().await;
    bulk.enrol(0..CLIENTS).await;
    bulk.first_month(0..CLIENTS).await;
    bulk.bill(0..CLIENTS).await;
    let head = engine.head(firm_id()).await.unwrap().position;
    let patience = std::time::Duration::from_mins(1);
    engine.wait_applied(firm_id(), head, patience).await.unwrap();
    engine.verify(firm_id(), |_, _| {}).await.unwrap();
    close(&engine).await;
    store.close().await;
    head
}

fn name(path: &Path) -> String {
    format!("sqlite:{}", path.display())
}

async fn close(engine: &Engine) {
    assert!(engine.shutdown(std::time::Duration::from_secs(10)).await);
}

/// Changes one thing, and says what. The triggers that keep the service from it are dropped first.
fn change(file: &Connection, rng: &mut StdRng, head: u64) -> String {
    let triggers = "SELECT name FROM sqlite_schema WHERE type = 'trigger'";
    let mut triggers = file.prepare(triggers).unwrap();
    let names: Vec<String> =
        triggers.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    for name in names {
        file.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    let position = i64::try_from(rng.random_range(1..=head)).unwrap();
    let (what, changed) = match rng.random_range(0..11) {
        0..=2 => ("a byte of an event", byte(file, rng, ("event", "body", "position", position))),
        3 => ("a byte of a leaf", byte(file, rng, ("event", "leaf", "position", position))),
        4 => {
            let row = "DELETE FROM event WHERE position = ?1";
            ("an event is gone", file.execute(row, params![position]).unwrap())
        }
        5 => ("two events changed places", swap(file, rng, head, position)),
        6 => {
            let column = ["frontier", "position", "invoices"][rng.random_range(0..3)];
            let done = match column {
                "frontier" => byte(file, rng, ("log_head", column, "invoices", -1)),
                number => {
                    let by = if rng.random() { 1 } else { -1 };
                    let set = format!("UPDATE log_head SET {number} = {number} + ?1");
                    file.execute(&set, params![by]).unwrap()
                }
            };
            ("the head", done)
        }
        7..=9 => {
            let column = COLUMNS[rng.random_range(0..COLUMNS.len())];
            let other = match column {
                "recorded_at" | "stream_version" => Some(format!("{column} + 1000")),
                // One letter of it could make it another stream, whose versions are taken.
                "stream" => Some("stream || '0'".to_owned()),
                _ => None,
            };
            let done = match other {
                Some(other) => {
                    let set = format!("UPDATE event SET {column} = {other} WHERE position = ?1");
                    file.execute(&set, params![position]).unwrap()
                }
                None => byte(file, rng, ("event", column, "position", position)),
            };
            (column, done)
        }
        _ => {
            let tiles: i64 =
                file.query_row("SELECT COUNT(*) FROM tile", [], |row| row.get(0)).unwrap();
            let index = rng.random_range(0..tiles);
            ("a byte of a tile", byte(file, rng, ("tile", "hashes", "tile_index", index)))
        }
    };
    assert!(changed > 0, "{what} at {position} was not changed");
    format!("{what}, position {position}")
}

/// Flips a bit of a value: of the row with a key, or of the only one.
fn byte(
    file: &Connection,
    rng: &mut StdRng,
    (table, column, key, of): (&str, &str, &str, i64),
) -> usize {
    let which = if of < 0 { String::new() } else { format!(" WHERE {key} = {of}") };
    let read = format!("SELECT CAST({column} AS BLOB) FROM {table}{which} LIMIT 1");
    let mut bytes: Vec<u8> = file.query_row(&read, [], |row| row.get(0)).unwrap();
    let at = rng.random_range(0..bytes.len());
    // Of text only the lowest bit but one, so that a letter becomes another and text stays text.
    bytes[at] ^= 2;
    let is_text = ["body", "type", "occurred_on"].contains(&column);
    let kind = if is_text { "TEXT" } else { "BLOB" };
    let set = format!("UPDATE {table} SET {column} = CAST(?1 AS {kind}){which}");
    file.execute(&set, params![bytes]).unwrap()
}

/// Two events' bytes and hashes, each in the other's place.
fn swap(file: &Connection, rng: &mut StdRng, head: u64, one: i64) -> usize {
    let head = i64::try_from(head).unwrap();
    let other = (one + rng.random_range(1..head) - 1) % head + 1;
    let read = "SELECT body, leaf FROM event WHERE position = ?1";
    let of = |position: i64| -> (String, Vec<u8>) {
        file.query_row(read, params![position], |row| Ok((row.get(0)?, row.get(1)?))).unwrap()
    };
    let (first, second) = (of(one), of(other));
    let set = "UPDATE event SET body = ?1, leaf = ?2 WHERE position = ?3";
    let done = file.execute(set, params![second.0, second.1, one]).unwrap();
    done + file.execute(set, params![first.0, first.1, other]).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_change_of_the_file_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("firm.db");
    let head = original(&path).await;
    assert!(head > 600, "{head} events fill no two tiles");
    let mut rng = StdRng::seed_from_u64(SEED);
    let mut missed = Vec::new();
    for number in 0..CHANGES {
        let copy = folder.path().join(format!("{number}.db"));
        std::fs::copy(&path, &copy).unwrap();
        let changed = {
            let file = Connection::open(&copy).unwrap();
            change(&file, &mut rng, head)
        };
        let (engine, store, _) = child::open(&name(&copy)).await.unwrap();
        match engine.verify(firm_id(), |_, _| {}).await {
            Ok(_) => missed.push(changed),
            Err(VerifyError::Finding { .. }) => {}
            Err(VerifyError::Store(error)) => panic!("{changed}: {error}"),
        }
        close(&engine).await;
        store.close().await;
        for file in ["db", "db-wal", "db-shm"] {
            let _ = std::fs::remove_file(folder.path().join(format!("{number}.{file}")));
        }
    }
    assert_eq!(missed, Vec::<String>::new());
}
