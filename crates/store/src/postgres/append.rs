//! The log's one writing operation.

use std::collections::HashMap;

use calendar::CivilDate;
use domain::event::{StreamId, UtcMicros};
use domain::ids::{FirmId, RequestId};
use log::{
    AnswerRow, Batch, Gap, Head, Landing, LastEvent, LogStore as _, Meanwhile, Opening, Plan,
    Remembered, Step, StoreError, Stored, StoredHead,
};
use sqlx::postgres::{PgArguments, PgRow};
use sqlx::types::chrono::{DateTime, Utc};
use sqlx::{AssertSqlSafe, Column as _, PgConnection, Row as _};
use uuid::Uuid;

use super::column::{add, time};
use super::error::{alone_failed, failed, is_cut, is_taken};
use super::people::{add_people, erase};
use super::statements::{APPEND, MAKE_HEAD, MOVED, READ, locked, opening};
use super::streams::load;
use super::write::{End, Transaction};
use super::{Postgres, malformed, signed, unsigned};

/// See [`log::LogStore::transact`].
pub(super) async fn transact(
    postgres: &Postgres,
    firm: FirmId,
    known_position: u64,
    requests: &[RequestId],
    plan: &mut dyn Plan,
) -> Result<(), StoreError> {
    let (mut transaction, found) = postgres.open_log(firm, requests).await?;
    let connection = transaction.connection();
    let result = run(connection, firm, known_position, (requests, found), plan).await;
    if transaction.end(result).await? > 0 {
        postgres.grown.add(firm);
    }
    Ok(())
}

/// The plan on a head that is believed to be the end, and what it writes in one statement, which
/// finds out whether it is.
pub(super) async fn transact_at(
    postgres: &Postgres,
    firm: FirmId,
    believed: &Head,
    plan: &mut dyn Plan,
) -> Result<Landing, StoreError> {
    let head = believed.clone();
    let opening = Opening { head, meanwhile: Meanwhile::Nothing, outcomes: HashMap::new() };
    let mut step = plan.open(opening);
    let batch = loop {
        match step {
            Step::Nothing => return Ok(Landing::Landed),
            Step::Load(streams) => {
                step = plan.loaded(postgres.load(firm, &streams, believed.position).await?);
            }
            Step::Write(batch) => break batch,
        }
    };
    batch.check(believed.position)?;
    if !batch.erased().is_empty() {
        // Keys are destroyed by statements of their own, in the same transaction.
        return Ok(Landing::Lost);
    }
    let mut transaction = Transaction::turn(&postgres.log).await?;
    let written = append(transaction.connection(), firm, believed, &batch).await?;
    transaction.release(&written);
    match written {
        Ok(true) => {
            if !batch.rows.is_empty() {
                postgres.grown.add(firm);
            }
            Ok(Landing::Landed)
        }
        Ok(false) => Ok(Landing::Lost),
        Err(error) if is_taken(&error) => Ok(Landing::Lost),
        Err(error) => Err(alone_failed(error)),
    }
}

impl Postgres {
    /// A transaction that holds the head, if there is one. A connection that the server cut
    /// meanwhile shows here, where nothing has been done yet, and then the next one is taken.
    async fn open_log(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<(Transaction, Found), StoreError> {
        let mut cut = 0;
        loop {
            let mut transaction = Transaction::turn(&self.log).await?;
            match find(transaction.connection(), opening(firm, requests)).await {
                Ok(found) => return Ok((transaction, found?)),
                Err(error) if !is_cut(&error) => return transaction.end(Err(failed(error))).await,
                Err(error) if cut == self.log.options().get_max_connections() => {
                    return Err(failed(error));
                }
                Err(_) => cut += 1,
            }
        }
    }
}

/// The plan, from the locked head to what it writes: so many events.
async fn run(
    connection: &mut PgConnection,
    firm: FirmId,
    known_position: u64,
    found: (&[RequestId], Found),
    plan: &mut dyn Plan,
) -> Result<End<usize>, StoreError> {
    let opening = open(connection, firm, known_position, found).await?;
    let head = opening.head.clone();
    let mut step = plan.open(opening);
    loop {
        match step {
            Step::Nothing => return Ok(End::Undo(0)),
            Step::Load(streams) => {
                let loaded = load(connection, firm, &streams, head.position).await?;
                step = plan.loaded(loaded);
            }
            Step::Write(batch) => {
                batch.check(head.position)?;
                if !append(connection, firm, &head, &batch).await?.map_err(failed)? {
                    return Err(StoreError::internal("the head moved although its row was locked"));
                }
                erase(connection, firm, &batch.erased()).await?;
                return Ok(End::Commit(batch.rows.len()));
            }
        }
    }
}

/// What the opening statements found: the head, if the firm has a row, the last event, and what is known of
/// requests.
#[derive(Default)]
struct Found {
    head: Option<StoredHead>,
    last: Option<LastEvent>,
    known: Vec<(RequestId, Remembered)>,
}

async fn open(
    connection: &mut PgConnection,
    firm: FirmId,
    known_position: u64,
    (requests, mut found): (&[RequestId], Found),
) -> Result<Opening, StoreError> {
    if found.head.is_none() && found.last.is_none() {
        // A firm nobody wrote to has no row to lock. Whoever makes it first is waited for.
        make_head(connection, firm).await?;
        found = find(connection, locked(firm, requests)).await.map_err(failed)??;
        if found.head.is_none() {
            return Err(StoreError::internal("the head's row is not there"));
        }
    }
    let head = Head::from_stored(found.head, found.last)?;
    let meanwhile = match Gap::between(known_position, head.position) {
        Gap::None => Meanwhile::Nothing,
        Gap::Few => {
            Meanwhile::Events(since(connection, firm, known_position, head.position).await?)
        }
        Gap::Many => Meanwhile::Streams(moved(connection, firm, known_position).await?),
    };
    let mut outcomes = HashMap::with_capacity(found.known.len());
    for (request, remembered) in found.known {
        let events = match remembered.stretch() {
            None => Vec::new(),
            Some(stretch) => since(connection, firm, stretch.first - 1, stretch.last()).await?,
        };
        let events = events.iter().map(Stored::placed);
        outcomes.insert(request, remembered.outcome(request, events)?);
    }
    Ok(Opening { head, meanwhile, outcomes })
}

/// Runs the opening statements and tells their rows apart by what they select.
async fn find(
    connection: &mut PgConnection,
    text: String,
) -> Result<Result<Found, StoreError>, sqlx::Error> {
    let rows = sqlx::raw_sql(AssertSqlSafe(text)).fetch_all(connection).await?;
    Ok(found_in(&rows))
}

fn found_in(rows: &[PgRow]) -> Result<Found, StoreError> {
    let mut found = Found::default();
    for row in rows {
        match row.column(0).name() {
            "position" => found.head = Some(stored_head(row)?),
            "last_position" => found.last = Some(last_event(row, 0)?),
            _ => found.known.push(remembered_of(row)?),
        }
    }
    Ok(found)
}

/// Reads a request's id and what is remembered of it.
fn remembered_of(row: &PgRow) -> Result<(RequestId, Remembered), StoreError> {
    let request = RequestId(row.try_get(0).map_err(failed)?);
    let row = AnswerRow {
        fingerprint: row.try_get(1).map_err(failed)?,
        checked: row.try_get(2).map_err(failed)?,
        first: row.try_get(3).map_err(failed)?,
        events: row.try_get(4).map_err(failed)?,
        answer: row.try_get(5).map_err(failed)?,
    };
    Ok((request, Remembered::from_row(request, row)?))
}

/// Reads position, invoices, time, frontier and root.
pub(super) fn stored_head(row: &PgRow) -> Result<StoredHead, StoreError> {
    let recorded_at: DateTime<Utc> = row.try_get(2).map_err(failed)?;
    Ok(StoredHead {
        position: unsigned(row.try_get(0).map_err(failed)?)?,
        invoices: unsigned(row.try_get(1).map_err(failed)?)?,
        recorded_at: UtcMicros(recorded_at.timestamp_micros()),
        frontier: row.try_get(3).map_err(failed)?,
        root: row.try_get(4).map_err(failed)?,
    })
}

/// Reads the last event, from the column of its position on.
pub(super) fn last_event(row: &PgRow, at: usize) -> Result<LastEvent, StoreError> {
    let position = unsigned(row.try_get(at).map_err(failed)?)?;
    let bytes: Vec<u8> = row.try_get(at + 1).map_err(failed)?;
    LastEvent::of(position, &bytes)
}

async fn make_head(connection: &mut PgConnection, firm: FirmId) -> Result<(), StoreError> {
    let empty = Head::default();
    let query = sqlx::query(MAKE_HEAD)
        .bind(firm.0)
        .bind(empty.frontier.to_bytes())
        .bind(empty.frontier.root().as_bytes().to_vec());
    query.execute(connection).await.map_err(failed).map(|_| ())
}

/// Every event between two positions, the second included.
async fn since(
    connection: &mut PgConnection,
    firm: FirmId,
    position: u64,
    to: u64,
) -> Result<Vec<Stored>, StoreError> {
    let query = sqlx::query(READ).bind(firm.0);
    let query = query.bind(signed(position)?).bind(signed(to)?);
    let rows = query.fetch_all(connection).await.map_err(failed)?;
    let stored = |row: &PgRow| {
        let position = unsigned(row.try_get(0).map_err(failed)?)?;
        Ok(Stored { position, bytes: row.try_get(1).map_err(failed)? })
    };
    rows.iter().map(stored).collect()
}

async fn moved(
    connection: &mut PgConnection,
    firm: FirmId,
    known_position: u64,
) -> Result<Vec<StreamId>, StoreError> {
    let query = sqlx::query(MOVED).bind(firm.0).bind(signed(known_position)?);
    let rows = query.fetch_all(connection).await.map_err(failed)?;
    let stream = |row: &PgRow| {
        let key: &[u8] = row.try_get(0).map_err(failed)?;
        StreamId::from_key(key).ok_or_else(|| malformed("a stream"))
    };
    rows.iter().map(stream).collect()
}

/// Moves the head from where the batch was decided and writes the batch. Whether the head was there.
async fn append(
    connection: &mut PgConnection,
    firm: FirmId,
    decided_on: &Head,
    batch: &Batch,
) -> Result<Result<bool, sqlx::Error>, StoreError> {
    let mut arguments = PgArguments::default();
    add(&mut arguments, firm.0)?;
    Events::of(batch)?.add_to(&mut arguments)?;
    add_answers(&mut arguments, batch)?;
    add_ends(&mut arguments, batch)?;
    let head = &batch.head;
    add(&mut arguments, signed(head.position)?)?;
    add(&mut arguments, signed(head.invoices)?)?;
    add(&mut arguments, head.frontier.to_bytes())?;
    add(&mut arguments, head.root().as_bytes().as_slice())?;
    add(&mut arguments, signed(decided_on.position)?)?;
    add(&mut arguments, decided_on.root().as_bytes().as_slice())?;
    add_people(&mut arguments, &batch.people)?;
    add(&mut arguments, time(head.recorded_at)?)?;
    let query = sqlx::query_scalar_with(APPEND, arguments);
    Ok(query.fetch_one(connection).await.map(|moved: i64| moved == 1))
}

/// The events of a batch, column by column.
#[derive(Default)]
struct Events<'b> {
    positions: Vec<i64>,
    previous: Vec<Option<i64>>,
    streams: Vec<Vec<u8>>,
    types: Vec<&'static str>,
    occurred: Vec<CivilDate>,
    leaves: Vec<&'b [u8]>,
    bodies: Vec<&'b [u8]>,
}

impl<'b> Events<'b> {
    fn of(batch: &'b Batch) -> Result<Self, StoreError> {
        let mut events = Self::default();
        for (row, previous) in batch.rows.iter().zip(batch.previous()) {
            let recorded = &row.recorded;
            events.positions.push(signed(recorded.position)?);
            events.previous.push(previous.map(signed).transpose()?);
            events.streams.push(recorded.stream.key().to_vec());
            events.types.push(recorded.event.type_name());
            events.occurred.push(recorded.occurred_on);
            events.leaves.push(row.leaf.as_bytes());
            events.bodies.push(&row.bytes);
        }
        Ok(events)
    }

    fn add_to(self, arguments: &mut PgArguments) -> Result<(), StoreError> {
        add(arguments, self.positions)?;
        add(arguments, self.previous)?;
        add(arguments, self.streams)?;
        add(arguments, self.types)?;
        add(arguments, self.occurred)?;
        add(arguments, self.leaves)?;
        add(arguments, self.bodies)
    }
}

fn add_answers(arguments: &mut PgArguments, batch: &Batch) -> Result<(), StoreError> {
    let rows = batch.outcomes.iter();
    let rows = rows.map(|(request, o)| (request.0, Remembered::of(o).to_row(*request)));
    AnswerColumns::of(rows).add_to(arguments)
}

/// What is kept of answers, column by column.
#[derive(Default)]
pub(super) struct AnswerColumns {
    requests: Vec<Uuid>,
    prints: Vec<Vec<u8>>,
    checked: Vec<i64>,
    first: Vec<i64>,
    events: Vec<i64>,
    answers: Vec<Option<Vec<u8>>>,
}

impl AnswerColumns {
    pub(super) fn of(rows: impl Iterator<Item = (Uuid, AnswerRow)>) -> Self {
        let mut columns = Self::default();
        for (request, row) in rows {
            columns.requests.push(request);
            columns.prints.push(row.fingerprint);
            columns.checked.push(row.checked);
            columns.first.push(row.first);
            columns.events.push(row.events);
            columns.answers.push(row.answer);
        }
        columns
    }

    pub(super) fn add_to(self, arguments: &mut PgArguments) -> Result<(), StoreError> {
        add(arguments, self.requests)?;
        add(arguments, self.prints)?;
        add(arguments, self.checked)?;
        add(arguments, self.first)?;
        add(arguments, self.events)?;
        add(arguments, self.answers)
    }
}

fn add_ends(arguments: &mut PgArguments, batch: &Batch) -> Result<(), StoreError> {
    let (mut streams, mut last) = (Vec::new(), Vec::new());
    let (mut versions, mut counts) = (Vec::new(), Vec::new());
    for (end, events) in batch.ends() {
        streams.push(end.stream.key().to_vec());
        last.push(signed(end.last)?);
        versions.push(signed(end.version)?);
        counts.push(signed(events)?);
    }
    add(arguments, streams)?;
    add(arguments, last)?;
    add(arguments, versions)?;
    add(arguments, counts)
}
