//! What SQLite alone does with the same rows, in the same mode, without anything around it.

use std::path::Path;
use std::time::{Duration, Instant};

use futures::executor::block_on;
use rusqlite::{Connection, params, params_from_iter, types::Value};

use crate::bare::Jobs;

/// The log's table without its meaning: the same columns' bytes, the same keys.
pub(crate) const TABLE: &str = "CREATE TABLE event (
    firm BLOB NOT NULL, position INTEGER NOT NULL, stream TEXT NOT NULL, stream_version INTEGER NOT NULL,
    event_id BLOB NOT NULL, type TEXT NOT NULL, request_id BLOB NOT NULL, leaf BLOB NOT NULL, body TEXT NOT NULL,
    PRIMARY KEY (firm, position), UNIQUE (firm, stream, stream_version)) STRICT, WITHOUT ROWID;
    CREATE TABLE head (firm BLOB PRIMARY KEY, position INTEGER NOT NULL, root BLOB NOT NULL) STRICT";

/// A fresh database in the mode that the log uses.
pub(crate) fn fresh(path: &Path) -> Connection {
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{ending}", path.display()));
    }
    let connection = Connection::open(path).unwrap();
    connection.pragma_update(None, "journal_mode", "wal").unwrap();
    connection.pragma_update(None, "synchronous", "full").unwrap();
    connection.execute_batch(TABLE).unwrap();
    connection
}

/// Most rows of one statement: SQLite takes 32,766 parameters.
const STATEMENT_ROWS_MAX: usize = 250;

/// Rows a second of a loop that inserts `rows` a transaction, multi-row, each durable.
pub(crate) fn inserts(path: &Path, rows: usize, bytes: usize, span: Duration) -> f64 {
    let mut connection = fresh(path);
    let body = "x".repeat(bytes);
    let firm = vec![1_u8; 16];
    let (mut position, mut streams) = (0_i64, 0_i64);
    let started = Instant::now();
    while started.elapsed() < span {
        let transaction = connection.transaction().unwrap();
        let mut left = rows;
        while left > 0 {
            let count = left.min(STATEMENT_ROWS_MAX);
            left -= count;
            let one = "(?,?,?,?,?,?,?,?,?)";
            let sql = format!("INSERT INTO event VALUES {}", vec![one; count].join(","));
            let mut values = Vec::with_capacity(count * 9);
            for _ in 0..count {
                position += 1;
                streams = (streams + 7_919) % 2_000;
                values.extend([
                    Value::Blob(firm.clone()),
                    Value::Integer(position),
                    Value::Text(format!("case/00000000-0000-0000-0000-{streams:012}")),
                    Value::Integer(position),
                    Value::Blob(position.to_be_bytes().repeat(2)),
                    Value::Text("message_logged".into()),
                    Value::Blob(position.to_be_bytes().repeat(2)),
                    Value::Blob(vec![2; 32]),
                    Value::Text(body.clone()),
                ]);
            }
            transaction.prepare_cached(&sql).unwrap().execute(params_from_iter(values)).unwrap();
        }
        transaction.commit().unwrap();
    }
    position as f64 / started.elapsed().as_secs_f64()
}

/// The bare service's writer: whatever waits in one transaction, with the head.
pub(crate) fn write(path: &Path, mut jobs: Jobs) {
    let mut connection = fresh(path);
    let firm = [1_u8; 16];
    connection.execute("INSERT INTO head VALUES (?1, 0, x'')", params![firm]).unwrap();
    loop {
        let rows = block_on(jobs.next());
        if rows.is_empty() {
            return;
        }
        let transaction = connection.transaction().unwrap();
        let sql = "INSERT INTO event VALUES (?,?,?,?,?,?,?,?,?)";
        let mut insert = transaction.prepare_cached(sql).unwrap();
        for row in rows {
            let id = row.position.to_be_bytes().repeat(2);
            let leaf = row.leaf.as_bytes();
            let (at, stream, body) = (row.position, row.stream, row.body);
            insert
                .execute(params![firm, at, stream, at, id, "message_logged", id, leaf, body])
                .unwrap();
        }
        drop(insert);
        let sql = "UPDATE head SET position = ?2, root = ?3 WHERE firm = ?1";
        let root = jobs.frontier.root();
        let mut update = transaction.prepare_cached(sql).unwrap();
        update.execute(params![firm, jobs.position, root.as_bytes()]).unwrap();
        drop(update);
        transaction.commit().unwrap();
        jobs.answer();
    }
}
