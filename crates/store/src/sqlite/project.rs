//! Writing the read model.

use async_trait::async_trait;
use domain::ids::FirmId;
use domain::named::{MovementName, NameFound};
use log::{Checkpoint, Comparison, ProjectionStep, ProjectionStore, Snapshot, StoreError};
use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, Connection as _, Row as _, SqliteConnection};

use super::error::failed;
use super::snapshot::deflate;
use super::statements::{
    ACTIVATE, ADVANCE, CHECKPOINT, DEACTIVATE, DROP_STREAMS, FIRST_GENERATION, FORGET_GENERATION,
    FORGET_OLDER, NEW_GENERATION, POSITION, ROWS_MAX, SET_SNAPSHOT, TableStatements, UNFINISHED,
};
use super::write::End;
use super::{Sqlite, Writer, add, signed, unsigned};
use crate::read::{TABLES, changes, found_by_name, none_active};
use crate::row::{Changes, Table};
use crate::value::Value;

/// The generation of a firm whose log nobody projected yet.
const FIRST: i64 = 1;

#[async_trait]
impl ProjectionStore for Sqlite {
    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError> {
        found_by_name(self, firm, name).await
    }

    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let query = sqlx::query(CHECKPOINT).bind(firm.0.as_bytes().to_vec());
        match query.fetch_optional(&mut *reader).await.map_err(failed)? {
            None => Ok(Checkpoint { generation: FIRST, position: 0 }),
            Some(row) => active_of(&row)?.ok_or_else(none_active),
        }
    }

    /// Rows, checkpoint and snapshots in one transaction.
    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        // Made before the lock is taken: it is the larger part of the work.
        let changes = changes(&step)?;
        let mut transaction = self.turn(Writer::Projection).await?;
        let result = apply(&mut transaction.connection, &step, changes).await;
        self.end(transaction, result).await
    }

    /// A new generation. One that an earlier rebuild left unfinished is dropped: there is one
    /// rebuild of a firm at a time, and the last one asked for goes on. One that became the active
    /// one meanwhile is finished, and stays.
    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        let mut transaction = self.begin(Writer::Projection).await?;
        let result = new_generation(&mut transaction.connection, firm).await;
        let (generation, unfinished) = self.end(transaction, result).await?;
        for old in unfinished {
            self.drop_unless_active(firm, old).await?;
        }
        Ok(generation)
    }

    /// In one read transaction, which sees both at one moment and keeps nobody waiting.
    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let mut transaction = reader.begin().await.map_err(failed)?;
        let firm = firm.0.as_bytes().to_vec();
        let made = stands(&mut transaction, &firm, generation).await?;
        if made != Some(position) {
            return Err(StoreError::Conflict { actual: made.unwrap_or(0) });
        }
        let query = sqlx::query(CHECKPOINT).bind(firm.clone());
        let row = query.fetch_one(&mut *transaction).await.map_err(failed)?;
        let Checkpoint { generation: active, position: at } =
            active_of(&row)?.ok_or_else(none_active)?;
        if at != position {
            return Ok(Comparison::Elsewhere);
        }
        let mut tables = Vec::with_capacity(TABLES.len());
        for table in TABLES {
            let query = sqlx::query_scalar(&*TableStatements::of(table).compare)
                .bind(firm.clone())
                .bind(active)
                .bind(generation);
            let rows: i64 = query.fetch_one(&mut *transaction).await.map_err(failed)?;
            tables.push((table.name, unsigned(rows)?));
        }
        Ok(Comparison::At(tables))
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        let mut transaction = self.begin(Writer::Projection).await?;
        let result = activate(&mut transaction.connection, firm, generation).await;
        self.end(transaction, result).await
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        if self.drop_unless_active(firm, generation).await? {
            return Ok(());
        }
        Err(StoreError::internal(format!("generation {generation} is the active one")))
    }

    /// Every process on a file may: they are few.
    async fn leads(&self, _: FirmId) -> Result<bool, StoreError> {
        Ok(true)
    }
}

impl Sqlite {
    /// Takes the generation off the list first, so that nobody writes to it any more, then its rows,
    /// some streams at a time, so that the log never waits for long.
    async fn drop_unless_active(&self, firm: FirmId, generation: i64) -> Result<bool, StoreError> {
        let mut transaction = self.begin(Writer::Projection).await?;
        let result = forget(&mut transaction.connection, firm, generation).await;
        if !self.end(transaction, result).await? {
            return Ok(false);
        }
        for table in TABLES {
            while self.drop_some(firm, generation, table).await? > 0 {}
        }
        Ok(true)
    }

    async fn drop_some(
        &self,
        firm: FirmId,
        generation: i64,
        table: &Table,
    ) -> Result<u64, StoreError> {
        let mut transaction = self.begin(Writer::Projection).await?;
        let query = sqlx::query(&*TableStatements::of(table).drop)
            .bind(firm.0.as_bytes().to_vec())
            .bind(generation)
            .bind(DROP_STREAMS - 1);
        let dropped = query.execute(&mut transaction.connection).await.map_err(failed);
        self.end(transaction, dropped.map(|done| End::Commit(done.rows_affected()))).await
    }
}

async fn apply(
    connection: &mut SqliteConnection,
    step: &ProjectionStep<'_>,
    mut changes: Changes,
) -> Result<End<()>, StoreError> {
    advance(connection, step).await?;
    for table in TABLES {
        let Some(changed) = changes.remove(table) else { continue };
        delete(connection, step, table, changed.deletes).await?;
        upsert(connection, step, table, changed.upserts).await?;
    }
    for (snapshot, position) in step.snapshots {
        keep(connection, step.firm, snapshot, *position).await?;
    }
    super::tiles::keep(connection, step.firm, step.tiles).await?;
    Ok(End::Commit(()))
}

/// Begins, and moves the checkpoint if it stands where the step begins. Two projectors then cost a
/// retry and never count an event twice.
async fn advance(
    connection: &mut SqliteConnection,
    step: &ProjectionStep<'_>,
) -> Result<(), StoreError> {
    let firm = step.firm.0.as_bytes().to_vec();
    let query = sqlx::query(ADVANCE)
        .bind(firm.clone())
        .bind(step.generation)
        .bind(signed(step.from)?)
        .bind(signed(step.to)?);
    if query.fetch_optional(&mut *connection).await.map_err(failed)?.is_some() {
        return Ok(());
    }
    if step.generation == FIRST && step.from == 0 {
        let query = sqlx::query(FIRST_GENERATION).bind(firm.clone()).bind(FIRST);
        let query = query.bind(signed(step.to)?);
        if query.execute(&mut *connection).await.map_err(failed)?.rows_affected() == 1 {
            return Ok(());
        }
    }
    let actual = stands(connection, &firm, step.generation).await?.unwrap_or(0);
    Err(StoreError::Conflict { actual })
}

/// Where a generation stands; nothing if it is gone.
async fn stands(
    connection: &mut SqliteConnection,
    firm: &[u8],
    generation: i64,
) -> Result<Option<u64>, StoreError> {
    let query = sqlx::query_scalar(POSITION).bind(firm.to_vec()).bind(generation);
    query.fetch_optional(connection).await.map_err(failed)?.map(unsigned).transpose()
}

/// Firm and generation, with which every row begins.
fn begin_row(arguments: &mut SqliteArguments, step: &ProjectionStep<'_>) -> Result<(), StoreError> {
    add(arguments, Value::Id(step.firm.0))?;
    add(arguments, Value::Integer(step.generation))
}

async fn upsert(
    connection: &mut SqliteConnection,
    step: &ProjectionStep<'_>,
    table: &Table,
    values: Vec<Value>,
) -> Result<(), StoreError> {
    let width = table.keys.len() + table.values.len();
    let mut rows = values.len() / width;
    let mut values = values.into_iter();
    while rows > 0 {
        let now = rows.min(ROWS_MAX);
        let (statement, room) = TableStatements::of(table).upsert.with_room_for(now);
        let mut arguments = SqliteArguments::default();
        arguments.reserve(room * (2 + width), 0);
        for _ in 0..now {
            begin_row(&mut arguments, step)?;
            for value in values.by_ref().take(width) {
                add(&mut arguments, value)?;
            }
        }
        // Parameters left unbound are NULL.
        sqlx::query_with(statement, arguments).execute(&mut *connection).await.map_err(failed)?;
        rows -= now;
    }
    Ok(())
}

async fn delete(
    connection: &mut SqliteConnection,
    step: &ProjectionStep<'_>,
    table: &Table,
    keys: Vec<Value>,
) -> Result<(), StoreError> {
    let width = table.keys.len();
    let rows = keys.len().checked_div(width).unwrap_or(0);
    let mut keys = keys.into_iter();
    for _ in 0..rows {
        let mut arguments = SqliteArguments::default();
        begin_row(&mut arguments, step)?;
        for value in keys.by_ref().take(width) {
            add(&mut arguments, value)?;
        }
        let query = sqlx::query_with(&*TableStatements::of(table).delete, arguments);
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    Ok(())
}

async fn keep(
    connection: &mut SqliteConnection,
    firm: FirmId,
    snapshot: &Snapshot,
    position: u64,
) -> Result<(), StoreError> {
    let query = sqlx::query(SET_SNAPSHOT)
        .bind(firm.0.as_bytes().to_vec())
        .bind(snapshot.stream.to_string())
        .bind(signed(snapshot.version)?)
        .bind(signed(position)?)
        .bind(i64::from(snapshot.state_version))
        .bind(deflate(&snapshot.bytes)?);
    query.execute(connection).await.map_err(failed).map(|_| ())
}

async fn new_generation(
    connection: &mut SqliteConnection,
    firm: FirmId,
) -> Result<End<(i64, Vec<i64>)>, StoreError> {
    let firm = firm.0.as_bytes().to_vec();
    let query = sqlx::query(FIRST_GENERATION).bind(firm.clone()).bind(FIRST).bind(0);
    query.execute(&mut *connection).await.map_err(failed)?;
    let query = sqlx::query(NEW_GENERATION).bind(firm.clone());
    let row = query.fetch_one(&mut *connection).await.map_err(failed)?;
    let generation: i64 = row.try_get(0).map_err(failed)?;
    let query = sqlx::query(UNFINISHED).bind(firm).bind(generation);
    let rows = query.fetch_all(connection).await.map_err(failed)?;
    let unfinished: Result<Vec<i64>, _> = rows.iter().map(|row| row.try_get(0)).collect();
    Ok(End::Commit((generation, unfinished.map_err(failed)?)))
}

async fn activate(
    connection: &mut SqliteConnection,
    firm: FirmId,
    generation: i64,
) -> Result<End<()>, StoreError> {
    let firm = firm.0.as_bytes().to_vec();
    let query = sqlx::query(DEACTIVATE).bind(firm.clone());
    query.execute(&mut *connection).await.map_err(failed)?;
    let query = sqlx::query(ACTIVATE).bind(firm).bind(generation);
    if query.execute(connection).await.map_err(failed)?.rows_affected() != 1 {
        return Err(StoreError::Conflict { actual: 0 });
    }
    Ok(End::Commit(()))
}

/// Takes a generation off the list, unless it is the active one.
async fn forget(
    connection: &mut SqliteConnection,
    firm: FirmId,
    generation: i64,
) -> Result<End<bool>, StoreError> {
    let firm = firm.0.as_bytes().to_vec();
    for statement in [FORGET_GENERATION, FORGET_OLDER] {
        let query = sqlx::query(statement).bind(firm.clone()).bind(generation);
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    let query = sqlx::query(CHECKPOINT).bind(firm);
    let active = query.fetch_optional(connection).await.map_err(failed)?;
    let active = active.as_ref().map(active_of).transpose()?.flatten();
    Ok(End::Commit(active.is_none_or(|active| active.generation != generation)))
}

/// The generation of a row, if it is the active one.
fn active_of(row: &sqlx::sqlite::SqliteRow) -> Result<Option<Checkpoint>, StoreError> {
    let is_active: bool = row.try_get::<i64, _>(2).map_err(failed)? == 1;
    if !is_active {
        return Ok(None);
    }
    let position = unsigned(row.try_get(1).map_err(failed)?)?;
    Ok(Some(Checkpoint { generation: row.try_get(0).map_err(failed)?, position }))
}
