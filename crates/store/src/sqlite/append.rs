//! The log's one writing operation.

use std::collections::HashMap;

use domain::event::{StreamId, UtcMicros};
use domain::ids::{FirmId, RequestId};
use futures::TryStreamExt;
use log::{
    AnswerRow, Batch, Gap, Head, LastEvent, Meanwhile, Opening, Plan, Remembered, Step, StoreError,
    Stored, StoredHead,
};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row as _, SqliteConnection};
use uuid::Uuid;

use super::adding::{Adding, execute};
use super::error::failed;
use super::people::{erase, keep_people};
use super::statements::{LOG, MOVED, OPENING, ROWS_MAX, SET_HEAD, SINCE};
use super::streams::{json_list, load};
use super::write::End;
use super::{Sqlite, Writer, malformed, signed, unsigned};

/// See [`log::LogStore::transact`].
pub(super) async fn transact(
    sqlite: &Sqlite,
    firm: FirmId,
    known_position: u64,
    requests: &[RequestId],
    plan: &mut dyn Plan,
) -> Result<(), StoreError> {
    let mut transaction = sqlite.turn(Writer::Log).await?;
    let connection = &mut transaction.connection;
    let result = run(connection, firm, known_position, requests, plan).await;
    if sqlite.end(transaction, result).await? == Erased::Someone {
        sqlite.empty_wal().await;
    }
    Ok(())
}

/// Whether a transaction destroyed somebody's key.
#[derive(PartialEq, Eq)]
enum Erased {
    Nobody,
    Someone,
}

/// The plan, from the locked head to what it writes.
async fn run(
    connection: &mut SqliteConnection,
    firm: FirmId,
    known_position: u64,
    requests: &[RequestId],
    plan: &mut dyn Plan,
) -> Result<End<Erased>, StoreError> {
    let opening = opening(connection, firm, known_position, requests).await?;
    let position = opening.head.position;
    let mut step = plan.open(opening);
    loop {
        match step {
            Step::Nothing => return Ok(End::Undo(Erased::Nobody)),
            Step::Load(streams) => {
                let loaded = load(connection, firm, &streams, position).await?;
                step = plan.loaded(loaded);
            }
            Step::Write(batch) => {
                let erased =
                    if batch.erased().is_empty() { Erased::Nobody } else { Erased::Someone };
                write(connection, firm, position, batch).await?;
                return Ok(End::Commit(erased));
            }
        }
    }
}

async fn opening(
    connection: &mut SqliteConnection,
    firm: FirmId,
    known_position: u64,
    requests: &[RequestId],
) -> Result<Opening, StoreError> {
    let ids = json_list(requests.iter().map(|request| format!("\"{}\"", request.0.simple())));
    let query = sqlx::query(OPENING).bind(firm.0.as_bytes().to_vec()).bind(ids);
    let mut head = None;
    let mut known = Vec::new();
    let mut rows = query.fetch(&mut *connection);
    while let Some(row) = rows.try_next().await.map_err(failed)? {
        if head.is_none() {
            head = Some(head_of(&row)?);
        }
        if row.try_get::<Option<&[u8]>, _>(7).map_err(failed)?.is_some() {
            known.push(remembered_of(&row, 7)?);
        }
    }
    drop(rows);
    let mut outcomes = HashMap::with_capacity(known.len());
    for (request, remembered) in known {
        let events = match remembered.stretch() {
            None => Vec::new(),
            Some(stretch) => since(connection, firm, stretch.first - 1, stretch.last()).await?,
        };
        let events = events.iter().map(Stored::placed);
        outcomes.insert(request, remembered.outcome(request, events)?);
    }
    let head = head.unwrap_or_default();
    let meanwhile = match Gap::between(known_position, head.position) {
        Gap::None => Meanwhile::Nothing,
        Gap::Few => {
            Meanwhile::Events(since(connection, firm, known_position, head.position).await?)
        }
        Gap::Many => Meanwhile::Streams(moved(connection, firm, known_position).await?),
    };
    Ok(Opening { head, meanwhile, outcomes })
}

/// Reads a head and the last event, of which either may be missing.
pub(super) fn head_of(row: &SqliteRow) -> Result<Head, StoreError> {
    let stored = match row.try_get::<Option<i64>, _>(0).map_err(failed)? {
        None => None,
        Some(position) => Some(StoredHead {
            position: unsigned(position)?,
            invoices: unsigned(row.try_get(1).map_err(failed)?)?,
            recorded_at: UtcMicros(row.try_get(2).map_err(failed)?),
            frontier: row.try_get(3).map_err(failed)?,
            root: row.try_get(4).map_err(failed)?,
        }),
    };
    let last = match row.try_get::<Option<i64>, _>(5).map_err(failed)? {
        None => None,
        Some(position) => {
            Some(LastEvent::of(unsigned(position)?, row.try_get(6).map_err(failed)?)?)
        }
    };
    Head::from_stored(stored, last)
}

/// Reads a request's id and what is remembered of it, from a column on.
fn remembered_of(row: &SqliteRow, at: usize) -> Result<(RequestId, Remembered), StoreError> {
    let id = Uuid::from_slice(row.try_get(at).map_err(failed)?);
    let request = RequestId(id.map_err(|_| malformed("a request id"))?);
    let row = AnswerRow {
        fingerprint: row.try_get(at + 1).map_err(failed)?,
        checked: row.try_get(at + 2).map_err(failed)?,
        first: row.try_get(at + 3).map_err(failed)?,
        events: row.try_get(at + 4).map_err(failed)?,
        answer: row.try_get(at + 5).map_err(failed)?,
    };
    Ok((request, Remembered::from_row(request, row)?))
}

/// Every event between two positions, the second included.
async fn since(
    connection: &mut SqliteConnection,
    firm: FirmId,
    position: u64,
    to: u64,
) -> Result<Vec<Stored>, StoreError> {
    let query = sqlx::query(SINCE).bind(firm.0.as_bytes().to_vec());
    let query = query.bind(signed(position)?).bind(signed(to)?);
    let rows = query.fetch_all(connection).await.map_err(failed)?;
    let stored = |row: &SqliteRow| {
        let position = unsigned(row.try_get(0).map_err(failed)?)?;
        Ok(Stored { position, bytes: row.try_get(1).map_err(failed)? })
    };
    rows.iter().map(stored).collect()
}

async fn moved(
    connection: &mut SqliteConnection,
    firm: FirmId,
    known_position: u64,
) -> Result<Vec<StreamId>, StoreError> {
    let query = sqlx::query(MOVED).bind(firm.0.as_bytes().to_vec()).bind(signed(known_position)?);
    let rows = query.fetch_all(connection).await.map_err(failed)?;
    let stream = |row: &SqliteRow| {
        let key: &[u8] = row.try_get(0).map_err(failed)?;
        StreamId::from_key(key).ok_or_else(|| malformed("a stream"))
    };
    rows.iter().map(stream).collect()
}

async fn write(
    connection: &mut SqliteConnection,
    firm: FirmId,
    position: u64,
    batch: Batch,
) -> Result<(), StoreError> {
    batch.check(position)?;
    keep_people(connection, firm, &batch.people).await?;
    erase(connection, firm, &batch.erased()).await?;
    let Batch { rows, outcomes, head, .. } = &batch;
    let (previous, ends) = (batch.previous(), batch.ends());
    if rows.len() <= ROWS_MAX && outcomes.len() <= ROWS_MAX && !rows.is_empty() {
        let (statement, room, request_room) = LOG.whole(rows.len(), outcomes.len());
        let values = |add: &mut Adding| {
            add.events(firm, rows, &previous, room)?;
            add.requests(firm, outcomes, request_room)?;
            add.ends(firm, &ends, room)?;
            add.head(firm, head)
        };
        return execute(connection, statement, values).await;
    }
    for (rows, previous) in rows.chunks(ROWS_MAX).zip(previous.chunks(ROWS_MAX)) {
        let (statement, room) = LOG.events.with_room_for(rows.len());
        execute(connection, statement, |add| add.events(firm, rows, previous, room)).await?;
    }
    for outcomes in outcomes.chunks(ROWS_MAX) {
        let (statement, room) = LOG.requests.with_room_for(outcomes.len());
        execute(connection, statement, |add| add.requests(firm, outcomes, room)).await?;
    }
    if rows.is_empty() {
        return Ok(());
    }
    for ends in ends.chunks(ROWS_MAX) {
        let (statement, room) = LOG.ends.with_room_for(ends.len());
        execute(connection, statement, |add| add.ends(firm, ends, room)).await?;
    }
    execute(connection, SET_HEAD, |add| add.head(firm, head)).await
}
