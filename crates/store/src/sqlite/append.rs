//! The log's one writing operation.

use std::collections::HashMap;

use domain::event::{StreamId, UtcMicros};
use domain::ids::{FirmId, RequestId};
use futures::TryStreamExt;
use log::{
    AppendRow, Batch, Gap, Head, LastEvent, Meanwhile, Opening, Outcome, Plan, Step, StoreError,
    Stored, StoredHead,
};
use sqlx::sqlite::{SqliteArguments, SqliteRow};
use sqlx::{Arguments, Row as _, SqliteConnection};
use uuid::Uuid;

use super::error::failed;
use super::load::{json_list, load};
use super::people::{erase, keep_people};
use super::statements::{EVENT_COLUMNS, LOG, MOVED, OPENING, REQUEST_COLUMNS, ROWS_MAX, SINCE};
use super::write::End;
use super::{Sqlite, Writer, malformed, signed, unsigned};

impl Sqlite {
    pub(crate) async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        let mut transaction = self.turn(Writer::Log).await?;
        let connection = &mut transaction.connection;
        let result = run(connection, firm, known_position, requests, plan).await;
        if self.end(transaction, result).await? == Erased::Someone {
            self.empty_wal().await;
        }
        Ok(())
    }
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
    let mut outcomes = HashMap::new();
    let mut rows = query.fetch(&mut *connection);
    while let Some(row) = rows.try_next().await.map_err(failed)? {
        if head.is_none() {
            head = Some(head_of(&row)?);
        }
        if let Some(id) = row.try_get::<Option<&[u8]>, _>(7).map_err(failed)? {
            let (request, outcome) = outcome_of(id, row.try_get(8).map_err(failed)?)?;
            outcomes.insert(request, outcome);
        }
    }
    drop(rows);
    let head = head.unwrap_or_default();
    let meanwhile = match Gap::between(known_position, head.position) {
        Gap::None => Meanwhile::Nothing,
        Gap::Few => Meanwhile::Events(since(connection, firm, known_position, &head).await?),
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
        Some(position) => Some(LastEvent {
            position: unsigned(position)?,
            recorded_at: UtcMicros(row.try_get(6).map_err(failed)?),
        }),
    };
    Head::from_stored(stored, last)
}

/// Reads a request's id and its outcome.
pub(super) fn outcome_of(id: &[u8], outcome: &[u8]) -> Result<(RequestId, Outcome), StoreError> {
    let id = Uuid::from_slice(id).map_err(|_| malformed("a request id"))?;
    let request = RequestId(id);
    let outcome = Outcome::from_bytes(outcome);
    let outcome = outcome.map_err(|source| StoreError::Answer { request, source })?;
    Ok((request, outcome))
}

/// Every event between a position and the head.
async fn since(
    connection: &mut SqliteConnection,
    firm: FirmId,
    position: u64,
    head: &Head,
) -> Result<Vec<Stored>, StoreError> {
    let query = sqlx::query(SINCE).bind(firm.0.as_bytes().to_vec());
    let query = query.bind(signed(position)?).bind(signed(head.position)?);
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
        let name: &str = row.try_get(0).map_err(failed)?;
        StreamId::parse(name).ok_or_else(|| malformed("a stream"))
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
    let (mut events, mut requests) = (&*batch.rows, &*batch.outcomes);
    while events.len() > ROWS_MAX {
        let (now, later) = events.split_at(ROWS_MAX);
        events = later;
        let (statement, room) = LOG.events.with_room_for(now.len());
        execute(connection, statement, |add| add.events(firm, now, room)).await?;
    }
    while requests.len() > ROWS_MAX || (events.is_empty() && !requests.is_empty()) {
        let (now, later) = requests.split_at(requests.len().min(ROWS_MAX));
        requests = later;
        let (statement, room) = LOG.requests.with_room_for(now.len());
        execute(connection, statement, |add| add.requests(firm, now, room)).await?;
    }
    if events.is_empty() {
        return Ok(());
    }
    let (statement, event_room, request_room) = LOG.last(events.len(), requests.len());
    let values = |add: &mut Adding| {
        add.events(firm, events, event_room)?;
        add.requests(firm, requests, request_room)?;
        add.head(firm, &batch.head)
    };
    execute(connection, statement, values).await
}

pub(super) async fn execute(
    connection: &mut SqliteConnection,
    statement: &'static str,
    values: impl FnOnce(&mut Adding) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let mut adding = Adding::default();
    values(&mut adding)?;
    let query = sqlx::query_with(statement, adding.0);
    query.execute(connection).await.map_err(failed).map(|_| ())
}

/// The values of a statement, as they are gathered.
#[derive(Default)]
pub(super) struct Adding(SqliteArguments);

impl Adding {
    pub(super) fn value<'t, T>(&mut self, value: T) -> Result<(), StoreError>
    where
        T: sqlx::Encode<'t, sqlx::Sqlite> + sqlx::Type<sqlx::Sqlite>,
    {
        let added = self.0.add(value);
        added.map_err(|source| StoreError::Internal {
            what: "a value to bind".into(),
            source: Some(source),
        })
    }

    /// The room that no row fills.
    pub(super) fn nothing(&mut self, values: usize) -> Result<(), StoreError> {
        (0..values).try_for_each(|_| self.value(None::<i64>))
    }

    fn events(&mut self, firm: FirmId, rows: &[AppendRow], room: usize) -> Result<(), StoreError> {
        self.0.reserve(room * EVENT_COLUMNS, 0);
        for row in rows {
            let recorded = &row.recorded;
            let body = std::str::from_utf8(&row.bytes)
                .map_err(|_| StoreError::internal("canonical bytes are UTF-8 and these are not"))?;
            self.value(firm.0.as_bytes().to_vec())?;
            self.value(signed(recorded.position)?)?;
            self.value(recorded.stream.to_string())?;
            self.value(signed(recorded.stream_version)?)?;
            self.value(recorded.event_id.0.as_bytes().to_vec())?;
            self.value(recorded.event.type_name())?;
            self.value(recorded.recorded_at.0)?;
            self.value(recorded.occurred_on.to_string())?;
            self.value(recorded.request_id.0.as_bytes().to_vec())?;
            self.value(row.leaf.as_bytes().to_vec())?;
            self.value(body)?;
        }
        self.nothing((room - rows.len()) * EVENT_COLUMNS)
    }

    fn requests(
        &mut self,
        firm: FirmId,
        rows: &[(RequestId, Outcome)],
        room: usize,
    ) -> Result<(), StoreError> {
        self.0.reserve(room * REQUEST_COLUMNS, 0);
        for (request, outcome) in rows {
            self.value(firm.0.as_bytes().to_vec())?;
            self.value(request.0.as_bytes().to_vec())?;
            self.value(outcome.fingerprint.to_vec())?;
            self.value(outcome.to_bytes())?;
            self.value(outcome.recorded_at.0)?;
        }
        self.nothing((room - rows.len()) * REQUEST_COLUMNS)
    }

    fn head(&mut self, firm: FirmId, head: &Head) -> Result<(), StoreError> {
        self.value(firm.0.as_bytes().to_vec())?;
        self.value(signed(head.position)?)?;
        self.value(signed(head.invoices)?)?;
        self.value(head.recorded_at.0)?;
        self.value(head.frontier.to_bytes())?;
        self.value(head.frontier.root().as_bytes().to_vec())
    }
}
