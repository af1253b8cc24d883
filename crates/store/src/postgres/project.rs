//! Writing the read model.

use async_trait::async_trait;
use domain::ids::FirmId;
use domain::named::{MovementName, NameFound};
use log::{Checkpoint, Comparison, ProjectionStep, ProjectionStore, Snapshot, StoreError};
use sqlx::postgres::PgArguments;
use sqlx::{PgConnection, Row as _};

use super::column::{add, add_rows};
use super::error::failed;
use super::statements::{
    ACTIVATE, ADVANCE, CHECKPOINT, DEACTIVATE, DROP_ROWS, FIRST_GENERATION, FORGET_GENERATION,
    FORGET_OLDER, LOCK_GENERATIONS, NEW_GENERATION, POSITION, SET_SNAPSHOTS, TableStatements,
    UNFINISHED, begin_comparing, name_firm,
};
use super::write::{End, Transaction, lend};
use super::{Postgres, signed, unsigned};
use crate::engine::{Leading as _, Work};
use crate::read::{TABLES, changes, found_by_name, none_active};
use crate::row::{Changes, Table};
use crate::value::Value;

/// The generation of a firm whose log nobody projected yet.
const FIRST: i64 = 1;

#[async_trait]
impl ProjectionStore for Postgres {
    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError> {
        found_by_name(self, firm, name).await
    }

    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        let mut reader = self.reader(firm).await?;
        let query = sqlx::query(CHECKPOINT).bind(firm.0);
        match query.fetch_optional(&mut *reader).await.map_err(failed)? {
            None => Ok(Checkpoint { generation: FIRST, position: 0 }),
            Some(row) => active_of(&row)?.ok_or_else(none_active),
        }
    }

    /// Rows, checkpoint and snapshots in one transaction.
    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        // Made before the transaction begins: it is the larger part of the work.
        let changes = changes(&step)?;
        let mut transaction = Transaction::begin(&self.projection, step.firm).await?;
        let result = apply(transaction.connection(), &step, changes).await;
        transaction.end(result).await
    }

    /// A new generation. One that an earlier rebuild left unfinished is dropped: there is one
    /// rebuild of a firm at a time, and the last one asked for goes on. One that became the active
    /// one meanwhile is finished, and stays.
    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        let mut transaction = Transaction::begin(&self.projection, firm).await?;
        let result = new_generation(transaction.connection(), firm).await;
        let (generation, unfinished) = transaction.end(result).await?;
        for old in unfinished {
            self.drop_unless_active(firm, old).await?;
        }
        Ok(generation)
    }

    /// In one transaction, which sees both at one moment. It may take longer than a statement of the
    /// service otherwise may.
    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError> {
        let mut transaction =
            Transaction::begin_with(&self.readers, &begin_comparing(firm)).await?;
        let result = compared(transaction.connection(), firm, generation, position).await;
        transaction.end(result.map(End::Undo)).await
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        let mut transaction = Transaction::begin(&self.projection, firm).await?;
        let result = activate(transaction.connection(), firm, generation).await;
        transaction.end(result).await
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        if self.drop_unless_active(firm, generation).await? {
            return Ok(());
        }
        Err(StoreError::internal(format!("generation {generation} is the active one")))
    }

    async fn leads(&self, firm: FirmId) -> Result<bool, StoreError> {
        self.leading.lock().await.ask(firm, Work::Projection).await
    }
}

impl Postgres {
    /// Takes the generation off the list first, so that nobody writes to it any more, then its rows.
    async fn drop_unless_active(&self, firm: FirmId, generation: i64) -> Result<bool, StoreError> {
        let mut transaction = Transaction::begin(&self.projection, firm).await?;
        let result = forget(transaction.connection(), firm, generation).await;
        if !transaction.end(result).await? {
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
        let mut writer = lend(&self.projection, &name_firm(firm)).await?;
        let query = sqlx::query(&*TableStatements::of(table).drop)
            .bind(firm.0)
            .bind(generation)
            .bind(DROP_ROWS);
        let dropped = query.execute(&mut *writer).await.map_err(failed)?;
        Ok(dropped.rows_affected())
    }
}

async fn compared(
    connection: &mut PgConnection,
    firm: FirmId,
    generation: i64,
    position: u64,
) -> Result<Comparison, StoreError> {
    let made = stands(connection, firm, generation).await?;
    if made != Some(position) {
        return Err(StoreError::Conflict { actual: made.unwrap_or(0) });
    }
    let query = sqlx::query(CHECKPOINT).bind(firm.0);
    let row = query.fetch_one(&mut *connection).await.map_err(failed)?;
    let Checkpoint { generation: active, position: at } =
        active_of(&row)?.ok_or_else(none_active)?;
    if at != position {
        return Ok(Comparison::Elsewhere);
    }
    let mut tables = Vec::with_capacity(TABLES.len());
    for table in TABLES {
        let query = sqlx::query_scalar(&*TableStatements::of(table).compare)
            .bind(firm.0)
            .bind(active)
            .bind(generation);
        let rows: i64 = query.fetch_one(&mut *connection).await.map_err(failed)?;
        tables.push((table.name, unsigned(rows)?));
    }
    Ok(Comparison::At(tables))
}

async fn apply(
    connection: &mut PgConnection,
    step: &ProjectionStep<'_>,
    mut changes: Changes,
) -> Result<End<()>, StoreError> {
    advance(connection, step).await?;
    for table in TABLES {
        let Some(changed) = changes.remove(table) else { continue };
        let statements = TableStatements::of(table);
        if let Some(delete) = &statements.delete {
            let kinds = &table.kinds[..table.keys.len()];
            write(connection, step, delete, (kinds, changed.deletes)).await?;
        }
        write(connection, step, &statements.upsert, (table.kinds, changed.upserts)).await?;
    }
    keep(connection, step).await?;
    super::tiles::keep(connection, step.firm, step.tiles).await?;
    Ok(End::Commit(()))
}

/// Moves the checkpoint if it stands where the step begins. Two projectors then cost a retry and
/// never count an event twice.
async fn advance(
    connection: &mut PgConnection,
    step: &ProjectionStep<'_>,
) -> Result<(), StoreError> {
    let firm = step.firm.0;
    let to = signed(step.to)?;
    let query =
        sqlx::query(ADVANCE).bind(firm).bind(step.generation).bind(signed(step.from)?).bind(to);
    if query.execute(&mut *connection).await.map_err(failed)?.rows_affected() == 1 {
        return Ok(());
    }
    if step.generation == FIRST && step.from == 0 {
        let query = sqlx::query(FIRST_GENERATION).bind(firm).bind(FIRST).bind(to);
        if query.execute(&mut *connection).await.map_err(failed)?.rows_affected() == 1 {
            return Ok(());
        }
    }
    let actual = stands(connection, step.firm, step.generation).await?.unwrap_or(0);
    Err(StoreError::Conflict { actual })
}

/// Where a generation stands; nothing if it is gone.
async fn stands(
    connection: &mut PgConnection,
    firm: FirmId,
    generation: i64,
) -> Result<Option<u64>, StoreError> {
    let query = sqlx::query_scalar(POSITION).bind(firm.0).bind(generation);
    query.fetch_optional(connection).await.map_err(failed)?.map(unsigned).transpose()
}

/// Writes or deletes any number of rows of a table in one statement.
async fn write(
    connection: &mut PgConnection,
    step: &ProjectionStep<'_>,
    statement: &'static str,
    (kinds, values): (&[crate::value::Kind], Vec<Value>),
) -> Result<(), StoreError> {
    if values.is_empty() {
        return Ok(());
    }
    let mut arguments = PgArguments::default();
    add(&mut arguments, step.firm.0)?;
    add(&mut arguments, step.generation)?;
    add_rows(&mut arguments, kinds, values)?;
    sqlx::query_with(statement, arguments).execute(connection).await.map_err(failed).map(|_| ())
}

/// Keeps the snapshots of a step.
async fn keep(connection: &mut PgConnection, step: &ProjectionStep<'_>) -> Result<(), StoreError> {
    if step.snapshots.is_empty() {
        return Ok(());
    }
    let of = |snapshot: &Snapshot| snapshot.stream.to_string();
    let (mut streams, mut versions, mut positions) = (Vec::new(), Vec::new(), Vec::new());
    let (mut state_versions, mut bodies) = (Vec::new(), Vec::new());
    for (snapshot, position) in step.snapshots {
        streams.push(of(snapshot));
        versions.push(signed(snapshot.version)?);
        positions.push(signed(*position)?);
        state_versions.push(i64::from(snapshot.state_version));
        bodies.push(snapshot.bytes.as_slice());
    }
    let query = sqlx::query(SET_SNAPSHOTS)
        .bind(step.firm.0)
        .bind(streams)
        .bind(versions)
        .bind(positions)
        .bind(state_versions)
        .bind(bodies);
    query.execute(connection).await.map_err(failed).map(|_| ())
}

async fn new_generation(
    connection: &mut PgConnection,
    firm: FirmId,
) -> Result<End<(i64, Vec<i64>)>, StoreError> {
    let firm = firm.0;
    let query = sqlx::query(FIRST_GENERATION).bind(firm).bind(FIRST).bind(0_i64);
    query.execute(&mut *connection).await.map_err(failed)?;
    sqlx::query(LOCK_GENERATIONS).bind(firm).execute(&mut *connection).await.map_err(failed)?;
    let query = sqlx::query_scalar(NEW_GENERATION).bind(firm);
    let generation: i64 = query.fetch_one(&mut *connection).await.map_err(failed)?;
    let query = sqlx::query_scalar(UNFINISHED).bind(firm).bind(generation);
    let unfinished: Vec<i64> = query.fetch_all(connection).await.map_err(failed)?;
    Ok(End::Commit((generation, unfinished)))
}

async fn activate(
    connection: &mut PgConnection,
    firm: FirmId,
    generation: i64,
) -> Result<End<()>, StoreError> {
    let firm = firm.0;
    sqlx::query(LOCK_GENERATIONS).bind(firm).execute(&mut *connection).await.map_err(failed)?;
    sqlx::query(DEACTIVATE).bind(firm).execute(&mut *connection).await.map_err(failed)?;
    let query = sqlx::query(ACTIVATE).bind(firm).bind(generation);
    if query.execute(connection).await.map_err(failed)?.rows_affected() != 1 {
        return Err(StoreError::Conflict { actual: 0 });
    }
    Ok(End::Commit(()))
}

/// Takes a generation off the list, unless it is the active one.
async fn forget(
    connection: &mut PgConnection,
    firm: FirmId,
    generation: i64,
) -> Result<End<bool>, StoreError> {
    let firm = firm.0;
    for statement in [FORGET_GENERATION, FORGET_OLDER] {
        let query = sqlx::query(statement).bind(firm).bind(generation);
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    let query = sqlx::query(CHECKPOINT).bind(firm);
    let active = query.fetch_optional(connection).await.map_err(failed)?;
    let active = active.as_ref().map(active_of).transpose()?.flatten();
    Ok(End::Commit(active.is_none_or(|active| active.generation != generation)))
}

/// The generation of a row, if it is the active one.
fn active_of(row: &sqlx::postgres::PgRow) -> Result<Option<Checkpoint>, StoreError> {
    let is_active: bool = row.try_get(2).map_err(failed)?;
    if !is_active {
        return Ok(None);
    }
    let position = unsigned(row.try_get(1).map_err(failed)?)?;
    Ok(Some(Checkpoint { generation: row.try_get(0).map_err(failed)?, position }))
}
