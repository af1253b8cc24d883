//! The store on SQLite.
//!
//! Two connections write, one after the other. The log's has `synchronous=FULL`: a commit is on disk
//! before anybody is answered. The projection's has `synchronous=NORMAL`: its commits need no
//! flush of their own, since both go through one write-ahead log in order and the next commit of the
//! log flushes everything before it. A power cut may lose the tail of the projection's commits;
//! rows and checkpoint are lost together, so those events are projected again.
//!
//! A lock in this process lets the two take turns without running into SQLITE_BUSY. Other processes
//! may hold the file as well: every writing transaction begins with BEGIN IMMEDIATE and waits for
//! the busy timeout. A transaction that reads first and writes later could not wait: SQLite fails it
//! at once.

mod adding;
mod append;
mod before;
mod connect;
mod copy;
mod error;
mod guards;
mod load;
mod people;
mod project;
mod snapshot;
mod statements;
mod streams;
#[cfg(test)]
mod tests;
mod tiles;
mod write;

use std::future::pending;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use async_trait::async_trait;
use domain::event::UtcMicros;
use domain::ids::FirmId;
use futures::TryStreamExt;
use log::StoreError;
use sqlx::sqlite::{SqliteArguments, SqliteRow};
use sqlx::{Arguments, Row as _, SqliteConnection, SqlitePool};
use tokio::sync::Mutex;

use crate::engine::{Engine, Hint, Hinting, Leading, RowsRead, Standing, Work};
use crate::error::OpenError;
use crate::pools::{EngineKind, Pool};
use crate::statement::Statement;
use crate::value::{Kind, Value, malformed, signed, unsigned};
use error::failed;
use streams::json_list;

/// One file.
#[derive(Debug)]
pub(crate) struct Sqlite {
    path: PathBuf,
    /// Whether even the connections that write may not.
    only_read: bool,
    readers: SqlitePool,
    rows_read: RowsRead,
    writers: Mutex<Writers>,
    /// Folds the write-ahead log into the file; held by the task that does so.
    folder: Arc<Mutex<Option<SqliteConnection>>>,
    _temporary: Option<tempfile::TempDir>,
}

/// The two connections that write. One is missing while a transaction has it, so that a transaction
/// that is dropped half-way takes its connection along, which undoes it.
#[derive(Debug, Default)]
struct Writers {
    log: Option<SqliteConnection>,
    projection: Option<SqliteConnection>,
}

/// Which writer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Writer {
    Log,
    Projection,
}

impl Sqlite {
    pub(crate) async fn open(path: &Path) -> Result<Self, OpenError> {
        connect::open(path, None).await
    }

    pub(crate) async fn open_to_read(path: &Path) -> Result<Self, OpenError> {
        connect::open_to_read(path).await
    }

    pub(crate) async fn open_temporary() -> Result<Self, OpenError> {
        let temporary = tempfile::Builder::new().prefix("counterfoil-").tempdir();
        let folder = temporary
            .map_err(|source| OpenError::Unreadable { path: std::env::temp_dir(), source })?;
        let path = folder.path().join("counterfoil.db");
        connect::open(&path, Some(folder)).await
    }
}

#[async_trait]
impl Engine for Sqlite {
    fn kind(&self) -> EngineKind {
        EngineKind::Sqlite
    }

    fn path(&self) -> Option<&Path> {
        Some(&self.path)
    }

    fn is_only_read(&self) -> bool {
        self.only_read
    }

    fn pools(&self) -> Vec<Pool> {
        vec![Pool::of("readers", &self.readers)]
    }

    fn rows_read(&self) -> &RowsRead {
        &self.rows_read
    }

    async fn select(
        &self,
        statement: &'static str,
        arguments: Vec<Value>,
        kinds: &[Kind],
    ) -> Result<Vec<Vec<Value>>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let query = sqlx::query_with(statement, bind(arguments)?);
        let mut stream = query.fetch(&mut *reader);
        let mut rows = Vec::new();
        while let Some(row) = stream.try_next().await.map_err(failed)? {
            let values = kinds.iter().enumerate().map(|(at, kind)| column(&row, at, *kind));
            rows.push(values.collect::<Result<_, _>>()?);
        }
        Ok(rows)
    }

    async fn change(
        &self,
        _: FirmId,
        statements: Vec<(&'static Statement, Vec<Value>)>,
    ) -> Result<Vec<u64>, StoreError> {
        let mut transaction = self.begin(Writer::Log).await?;
        let result = run(&mut transaction.connection, statements).await;
        self.end(transaction, result).await
    }

    async fn copy_to(&self, path: &Path) -> Result<(), OpenError> {
        copy::copy_to(self, path).await
    }

    async fn beyond_serving(&self) -> Result<Option<String>, StoreError> {
        Ok(None)
    }

    async fn standing(&self, _: FirmId) -> Result<Standing, StoreError> {
        Err(StoreError::internal("a file has no replica"))
    }

    fn leases(&self) -> Box<dyn Leading> {
        Box::new(Alone)
    }

    async fn hints(&self) -> Result<Box<dyn Hinting>, StoreError> {
        Ok(Box::new(Alone))
    }

    async fn close(&self) {
        connect::close(self).await;
    }
}

/// A process that asks nobody: those of one file are few, each may do the work, and whoever waits looks again by
/// itself.
#[derive(Debug)]
struct Alone;

#[async_trait]
impl Leading for Alone {
    async fn ask(&mut self, _: FirmId, _: Work) -> Result<bool, StoreError> {
        Ok(true)
    }
}

#[async_trait]
impl Hinting for Alone {
    async fn next(&mut self) -> Result<Hint, StoreError> {
        pending().await
    }
}

async fn run(
    connection: &mut SqliteConnection,
    statements: Vec<(&'static Statement, Vec<Value>)>,
) -> Result<write::End<Vec<u64>>, StoreError> {
    let mut changed = Vec::with_capacity(statements.len());
    for (statement, values) in statements {
        let query = sqlx::query_with(statement.as_str(), bind(values)?);
        let done = query.execute(&mut *connection).await.map_err(failed)?;
        changed.push(done.rows_affected());
    }
    Ok(write::End::Commit(changed))
}

/// Values as this engine takes them.
fn bind(values: impl IntoIterator<Item = Value>) -> Result<SqliteArguments, StoreError> {
    let mut arguments = SqliteArguments::default();
    for value in values {
        add(&mut arguments, value)?;
    }
    Ok(arguments)
}

fn add(arguments: &mut SqliteArguments, value: Value) -> Result<(), StoreError> {
    let added = match value {
        Value::Null => arguments.add(None::<i64>),
        Value::Bool(value) => arguments.add(i64::from(value)),
        Value::Integer(value) => arguments.add(value),
        Value::Text(value) => arguments.add(value),
        Value::Id(value) => arguments.add(value.as_bytes().to_vec()),
        Value::Hash(value) => arguments.add(value.to_vec()),
        Value::Date(value) => arguments.add(value.to_string()),
        Value::Bytes(value) => arguments.add(value),
        Value::Time(value) => arguments.add(value.0),
        Value::Ids(ids) => {
            arguments.add(json_list(ids.iter().map(|id| format!("\"{}\"", id.simple()))))
        }
        Value::Hashes(hashes) => arguments.add(json_list(
            hashes.into_iter().map(|hash| format!("\"{}\"", proof::Hash::from(hash).hex())),
        )),
    };
    added.map_err(|source| StoreError::Internal {
        what: "a value to bind".into(),
        source: Some(source),
    })
}

fn column(row: &SqliteRow, at: usize, kind: Kind) -> Result<Value, StoreError> {
    let value = match kind {
        Kind::Bool => integer(row, at)?.map(|number| Value::Bool(number != 0)),
        Kind::Integer => integer(row, at)?.map(Value::Integer),
        Kind::Text => text(row, at)?.map(Value::Text),
        Kind::Id => blob::<16>(row, at)?.map(|bytes| Value::Id(uuid::Uuid::from_bytes(bytes))),
        Kind::Hash => blob::<32>(row, at)?.map(Value::Hash),
        Kind::Bytes => {
            row.try_get(at).map(|bytes: Option<Vec<u8>>| bytes.map(Value::Bytes)).map_err(failed)?
        }
        Kind::Time => integer(row, at)?.map(|micros| Value::Time(UtcMicros(micros))),
        Kind::Date => match text(row, at)? {
            None => None,
            Some(date) => Some(Value::Date(date.parse().map_err(|_| malformed("a date"))?)),
        },
    };
    Ok(value.unwrap_or(Value::Null))
}

fn integer(row: &SqliteRow, at: usize) -> Result<Option<i64>, StoreError> {
    row.try_get(at).map_err(failed)
}

fn text(row: &SqliteRow, at: usize) -> Result<Option<String>, StoreError> {
    row.try_get(at).map_err(failed)
}

fn blob<const N: usize>(row: &SqliteRow, at: usize) -> Result<Option<[u8; N]>, StoreError> {
    let bytes: Option<&[u8]> = row.try_get(at).map_err(failed)?;
    bytes.map(|bytes| bytes.try_into().map_err(|_| malformed("a value of its length"))).transpose()
}
