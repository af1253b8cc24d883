//! What refuses changes in the database, held against what the migrations make.

use log::StoreError;

use super::Postgres;
use super::connect::MIGRATOR;
use super::error::failed;
use super::statements::{GUARDS, NAME_NOBODY};
use super::write::lend;

/// When a trigger fires, as `pg_trigger` has it: for each row, before, and for which statements.
const ROW: i64 = 1;
const BEFORE: i64 = 2;
const INSERT: i64 = 4;
const DELETE: i64 = 8;
const UPDATE: i64 = 16;
const TRUNCATE: i64 = 32;

/// Tables of which no row is ever changed or deleted.
const NEVER_CHANGED: [&str; 6] =
    ["event", "request", "tile", "checkpoint", "witness_key", "cosignature"];
/// Tables in parts, each of which has the triggers too.
const PARTED: [&str; 2] = ["event", "request"];
const PARTS: u32 = 8;

/// A trigger: its table and name, its function, and when it fires.
type Guard = (String, &'static str, i64);

/// Every trigger that there has to be.
fn guards() -> Vec<Guard> {
    let refuse = "refuse_change";
    let mut guards: Vec<Guard> = Vec::new();
    let mut add = |table: &str, name: &str, function, when| {
        guards.push((format!("{table}.{name}"), function, when));
    };
    for table in NEVER_CHANGED {
        add(table, "is_never_changed", refuse, ROW | BEFORE | UPDATE | DELETE);
    }
    for table in NEVER_CHANGED.into_iter().chain(["signing_key", "evidence", "log_head", "stream"])
    {
        add(table, "is_never_emptied", refuse, BEFORE | TRUNCATE);
    }
    for table in PARTED {
        for part in 0..PARTS {
            let part = format!("{table}_{part}");
            add(&part, "is_never_changed", refuse, ROW | BEFORE | UPDATE | DELETE);
            add(&part, "is_never_emptied", refuse, BEFORE | TRUNCATE);
        }
    }
    add("signing_key", "only_ends", "refuse_other_key", ROW | BEFORE | UPDATE);
    add("signing_key", "is_never_deleted", refuse, ROW | BEFORE | DELETE);
    add("evidence", "is_never_changed", refuse, ROW | BEFORE | UPDATE);
    let while_kept = "refuse_while_client_is_kept";
    add("evidence", "goes_with_its_client", while_kept, ROW | BEFORE | DELETE);
    add("log_head", "is_never_deleted", refuse, ROW | BEFORE | DELETE);
    add("stream", "is_never_deleted", refuse, ROW | BEFORE | DELETE);
    add("person", "words_come_and_go", "keep_words", ROW | INSERT | DELETE);
    add("person", "words_change", "keep_words", ROW | UPDATE);
    guards
}

/// Triggers that are missing, switched off, or do otherwise than the migrations say.
pub(super) async fn guards_missing(postgres: &Postgres) -> Result<Vec<String>, StoreError> {
    let mut reader = lend(&postgres.readers, NAME_NOBODY).await?;
    let found: Vec<(String, String, i64, String)> =
        sqlx::query_as(GUARDS).fetch_all(&mut *reader).await.map_err(failed)?;
    let is_there = |(name, function, when): &Guard| {
        found.iter().any(|(found, calls, fires, text)| {
            (found, &**calls, fires) == (name, *function, when)
                && MIGRATOR.iter().any(|migration| migration.sql.as_str().contains(&**text))
        })
    };
    let missing = guards().into_iter().filter(|guard| !is_there(guard));
    Ok(missing.map(|(name, _, _)| name).collect())
}
