//! What another tool changes in the database behind the service's back is found.
//!
//! Hundreds of changes at random on either engine, each taken back before the next: a value, a byte of
//! one, or a whole row that is gone, too many, or in another's place. Of the log, its hashes, head, tiles
//! and answers, verifying it finds them; of read models, snapshots and keys, holding those against the
//! log does. Not among them are changes without any effect: a snapshot that no code folds by, what is
//! remembered of a request that was refused.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use crate::support;

use std::collections::BTreeMap;

use domain::terms::Seat;
use log::{DerivedFault, RebuildError, StoreError, VerifyError};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use support::*;

/// Changes of each engine, of the log and of what is derived from it.
const CHANGES: usize = 120;
/// Cases beside those of the usual two months: enough events for several full tiles.
const CASES: std::ops::Range<u128> = 10..50;
const SEED: u64 = 20_261_129;

on_both_engines!(every_change_is_found);

/// What can be changed, and who finds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Log,
    Derived,
}

#[derive(Clone, Debug)]
struct Column {
    name: String,
    kind: String,
}

#[derive(Clone, Debug)]
struct Table {
    name: String,
    columns: Vec<Column>,
    /// What names a row.
    key: Vec<String>,
}

/// A way in beside the program, past every trigger and fence.
struct Intruder<'p> {
    place: &'p Place<'p>,
    raw: Raw,
    rng: StdRng,
    tables: Vec<Table>,
}

async fn every_change_is_found(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.two_months_of_three().await;
    for case in CASES {
        bench.first_month(case, Seat::Individual).await;
    }
    let position = bench.caught_up().await;
    assert!(position > 520, "{position} events fill no two tiles");
    bench.engine.shutdown(PATIENCE).await;
    let mut intruder = Intruder::enter(place).await;
    for (what, count) in
        [("snapshot", 10), ("tile", 3), ("person", 40), ("person_word", 80), ("journal_line", 4)]
    {
        let rows = intruder.raw.number(&format!("SELECT COUNT(*) FROM {what}")).await;
        assert!(rows >= count, "{rows} of {what}");
    }
    assert_eq!(found(&bench, Part::Log).await, None);
    assert_eq!(found(&bench, Part::Derived).await, None);
    let (mut missed, mut made) = (Vec::new(), BTreeMap::new());
    for part in [Part::Log, Part::Derived] {
        for _ in 0..CHANGES {
            let (table, change) = intruder.change(part).await;
            // A server of its own, which remembers nothing.
            let server = over(std::sync::Arc::clone(&bench.store), 0);
            if found(&server, part).await.is_none() {
                missed.push(change);
            }
            intruder.take_back(&table).await;
            *made.entry(table).or_insert(0) += 1;
        }
    }
    println!("changes by table: {made:?}");
    assert_eq!(missed, Vec::<String>::new());
    assert_eq!(found(&bench, Part::Log).await, None, "all is as it was");
    assert_eq!(found(&bench, Part::Derived).await, None, "all is as it was");
}

/// What is found wrong.
async fn found(bench: &Bench, part: Part) -> Option<String> {
    match part {
        Part::Log => match bench.engine.verify(FIRM, |_, _| {}).await {
            Ok(_) => None,
            Err(VerifyError::Finding { what, .. }) => Some(what),
            Err(VerifyError::Store(error)) => panic!("{error}"),
        },
        Part::Derived => match bench.engine.check_derived(FIRM, |_, _| {}).await {
            Ok(report) => report.faults.first().map(DerivedFault::to_string),
            Err(RebuildError::Fault(fault)) => Some(fault.to_string()),
            // Nothing is active, or a column does not hold what it should.
            Err(RebuildError::Store(StoreError::Internal { what, .. })) => Some(what),
            Err(
                error @ (RebuildError::Store(_) | RebuildError::Superseded | RebuildError::Outrun),
            ) => panic!("{error}"),
        },
    }
}

impl<'p> Intruder<'p> {
    async fn enter(place: &'p Place<'p>) -> Self {
        let mut raw = place.raw().await;
        let names = place.either(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name",
            "SELECT c.relname::text FROM pg_class c WHERE c.relnamespace = 'counterfoil'::regnamespace \
             AND c.relkind IN ('r', 'p') AND NOT c.relispartition ORDER BY c.relname",
        );
        let mut tables = Vec::new();
        for name in raw.texts(names).await {
            tables.push(table(place, &mut raw, name).await);
        }
        for Table { name, .. } in &tables {
            raw.run(&format!("CREATE TABLE kept_{name} AS SELECT * FROM {name}")).await.unwrap();
        }
        Self { place, raw, rng: StdRng::seed_from_u64(SEED), tables }
    }

    /// Changes one thing of a part; gives the table and what was done.
    async fn change(&mut self, part: Part) -> (String, String) {
        loop {
            let table = self.draw(part);
            let rows = format!("SELECT COUNT(*) FROM {}", table.name);
            let rows = self.raw.number(&rows).await;
            if rows == 0 {
                continue;
            }
            let statements = match part {
                Part::Log => self.change_of_log(&table, rows).await,
                Part::Derived => self.change_of_rows(&table, rows).await,
            };
            let Some(statement) = statements else { continue };
            // What the database itself refuses is no change.
            if self.raw.unguarded(&statement).await.is_ok() {
                return (table.name, statement);
            }
        }
    }

    fn draw(&mut self, part: Part) -> Table {
        let has = |table: &&Table, column: &str| table.columns.iter().any(|c| c.name == column);
        let of_part = |table: &&Table| match part {
            Part::Log => ["event", "log_head", "tile", "request", "stream"].contains(&&*table.name),
            Part::Derived => {
                has(table, "generation")
                    || ["snapshot", "person", "person_word"].contains(&&*table.name)
            }
        };
        let tables: Vec<&Table> = self.tables.iter().filter(of_part).collect();
        let events = tables.iter().position(|table| table.name == "event");
        // Most of the log is its events.
        let at = match events {
            Some(events) if self.rng.random_bool(0.6) => events,
            _ => self.rng.random_range(0..tables.len()),
        };
        tables[at].clone()
    }

    async fn change_of_log(&mut self, table: &Table, rows: i64) -> Option<String> {
        let row = self.row(table, rows);
        match &*table.name {
            "event" => match self.rng.random_range(0..8) {
                0 => Some(format!("DELETE FROM event WHERE {row}")),
                1 => Some(self.swap(rows)),
                _ => self.value(table, &row, &[]).await,
            },
            // The answer to what recorded events.
            "request" => {
                let recorded = format!("{row} AND events > 0");
                if self.raw.number(&format!("SELECT COUNT(*) FROM request WHERE {recorded}")).await
                    == 0
                {
                    return None;
                }
                match self.rng.random_range(0..4) {
                    0 => Some(format!("DELETE FROM request WHERE {row}")),
                    _ => self.value(table, &row, &[]).await,
                }
            }
            // A tile that is not there is made when it is needed.
            "tile" => self.value(table, &row, &["firm", "level", "tile_index"]).await,
            _ => self.value(table, &row, &[]).await,
        }
    }

    /// Two events' bytes and hashes, each in the other's place.
    fn swap(&mut self, rows: i64) -> String {
        let one = self.rng.random_range(1..rows);
        let other = one + 1;
        format!(
            "UPDATE event SET \
             body = (SELECT k.body FROM kept_event k WHERE k.position = {one} + {other} - event.position), \
             leaf = (SELECT k.leaf FROM kept_event k WHERE k.position = {one} + {other} - event.position) \
             WHERE position IN ({one}, {other})"
        )
    }

    async fn change_of_rows(&mut self, table: &Table, rows: i64) -> Option<String> {
        let row = self.row(table, rows);
        // Without a checkpoint the rows begin anew; which generation is read is no secret of theirs.
        if table.name == "projection" {
            let by = [-1, 1][self.rng.random_range(0..2)];
            return Some(format!("UPDATE projection SET position = position + {by}"));
        }
        match self.rng.random_range(0..6) {
            // A snapshot that is gone comes again.
            0 if table.name != "snapshot" => {
                Some(format!("DELETE FROM {} WHERE {row}", table.name))
            }
            1 if table.name != "snapshot" => self.double(table, &row).await,
            // Nor is one missed that is another firm's.
            _ if table.name == "snapshot" => {
                self.value(table, &row, &["firm", "state_version"]).await
            }
            // The mark that something is missing of what a person is found by has it filled in again.
            _ => self.value(table, &row, &["generation", "complete"]).await,
        }
    }

    /// A condition that one row fulfils.
    fn row(&mut self, table: &Table, rows: i64) -> String {
        let (name, key) = (&table.name, table.key.join(", "));
        let at = self.rng.random_range(0..rows);
        format!("({key}) = (SELECT {key} FROM kept_{name} ORDER BY {key} LIMIT 1 OFFSET {at})")
    }

    /// One value of a row becomes another.
    async fn value(&mut self, table: &Table, row: &str, not: &[&str]) -> Option<String> {
        let columns: Vec<&Column> =
            table.columns.iter().filter(|column| !not.contains(&&*column.name)).collect();
        let column = columns[self.rng.random_range(0..columns.len())];
        let other = self.other(table, column, row).await?;
        let (name, column) = (&table.name, &column.name);
        Some(format!("UPDATE {name} SET {column} = {other} WHERE {row}"))
    }

    /// A row once more, under another key.
    async fn double(&mut self, table: &Table, row: &str) -> Option<String> {
        let last = table.key.last()?;
        let key = table.columns.iter().find(|column| column.name == *last)?;
        if key.name == "generation" {
            return None;
        }
        let other = self.other(table, key, row).await?;
        let names: Vec<&str> = table.columns.iter().map(|column| &*column.name).collect();
        let values = names.iter().map(|name| if *name == key.name { &*other } else { *name });
        let values: Vec<&str> = values.collect();
        let (name, names, values) = (&table.name, names.join(", "), values.join(", "));
        Some(format!("INSERT INTO {name} ({names}) SELECT {values} FROM {name} WHERE {row}"))
    }

    /// Another value for a column of a row.
    async fn other(&mut self, table: &Table, column: &Column, row: &str) -> Option<String> {
        let (of, name) = (&table.name, &column.name);
        let is_bytes = ["BLOB", "bytea"].contains(&&*column.kind);
        let is_text = ["TEXT", "text"].contains(&&*column.kind);
        let null = format!("SELECT COUNT(*) FROM {of} WHERE {row} AND {name} IS NULL");
        if self.raw.number(&null).await > 0 {
            return Some(match &*column.kind {
                "INTEGER" | "bigint" => "7".into(),
                "TEXT" | "text" => "'x'".into(),
                "BLOB" => "X'07'".into(),
                "bytea" => "'\\x07'".into(),
                "boolean" => "true".into(),
                "uuid" => "gen_random_uuid()".into(),
                "date" => "DATE '2031-01-01'".into(),
                _ => "now()".into(),
            });
        }
        if !is_bytes && !is_text {
            return Some(match &*column.kind {
                "boolean" => format!("NOT {name}"),
                "uuid" => "gen_random_uuid()".into(),
                "timestamp with time zone" => format!("{name} + interval '1 second'"),
                _ => format!("{name} + {}", [-1, 1, 1_000][self.rng.random_range(0..3)]),
            });
        }
        let hex = match (self.place, is_text) {
            (Place::File(_), _) => format!("hex(CAST({name} AS BLOB))"),
            (Place::Server(_), true) => format!("encode(convert_to({name}, 'UTF8'), 'hex')"),
            (Place::Server(_), false) => format!("encode({name}, 'hex')"),
        };
        let hex = self.raw.texts(&format!("SELECT {hex} FROM {of} WHERE {row}")).await.pop()?;
        let mut digits = hex.into_bytes();
        if digits.is_empty() {
            return None;
        }
        // One bit of a byte, low enough that text stays text.
        let at = self.rng.random_range(0..digits.len() / 2) * 2 + 1;
        let digit = char::from(digits[at]).to_digit(16)? ^ 2;
        digits[at] = u8::try_from(char::from_digit(digit, 16)?).ok()?;
        let hex = String::from_utf8(digits).ok()?;
        Some(match (self.place, is_text) {
            (Place::File(_), true) => format!("CAST(X'{hex}' AS TEXT)"),
            (Place::File(_), false) => format!("X'{hex}'"),
            (Place::Server(_), true) => format!("convert_from(decode('{hex}', 'hex'), 'UTF8')"),
            (Place::Server(_), false) => format!("decode('{hex}', 'hex')"),
        })
    }

    async fn take_back(&mut self, table: &str) {
        let clear = format!("DELETE FROM {table}");
        let put = format!("INSERT INTO {table} SELECT * FROM kept_{table}");
        self.raw.unguarded(&format!("{clear}; {put}")).await.unwrap();
    }
}

async fn table(place: &Place<'_>, raw: &mut Raw, name: String) -> Table {
    let columns = match place {
        Place::File(_) => {
            format!("SELECT name || ' ' || type FROM pragma_table_info('{name}') ORDER BY cid")
        }
        Place::Server(_) => format!(
            "SELECT column_name || ' ' || data_type FROM information_schema.columns \
             WHERE table_schema = 'counterfoil' AND table_name = '{name}' ORDER BY ordinal_position"
        ),
    };
    let key = match place {
        Place::File(_) => {
            format!("SELECT name FROM pragma_table_info('{name}') WHERE pk > 0 ORDER BY pk")
        }
        Place::Server(_) => format!(
            "SELECT a.attname::text FROM pg_index i CROSS JOIN UNNEST(i.indkey) WITH ORDINALITY k (number, at) \
             JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.number \
             WHERE i.indrelid = '{name}'::regclass AND i.indisprimary ORDER BY k.at"
        ),
    };
    let columns = raw.texts(&columns).await;
    let columns = columns.iter().map(|column| {
        let (name, kind) = column.split_once(' ').unwrap();
        Column { name: name.to_owned(), kind: kind.to_owned() }
    });
    let columns: Vec<Column> = columns.collect();
    let key = raw.texts(&key).await;
    Table { name, columns, key }
}
