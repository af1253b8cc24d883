//! The store on PostgreSQL, 15 or later.
//!
//! Any number of processes share one database. A firm's head row is locked from before a batch is
//! decided until it has committed, or a batch moves it only from where it was decided, so that a firm's
//! decisions are serial whoever takes them, and positions become visible in the order they were given.
//!
//! Three pools keep three kinds of work from waiting for each other: the log's writers, the read
//! models' writers, and the readers. A pool connects again by itself when the server comes back.
//!
//! Whoever takes a connection names the firm first, and the server shows that firm's rows alone: a
//! second fence beside the firm that every statement asks for.

mod append;
mod before;
mod column;
mod connect;
mod error;
mod guards;
mod load;
mod logins;
mod people;
mod project;
mod reading;
mod statements;
mod streams;
#[cfg(test)]
mod tests;
mod tiles;
mod together;
mod write;

use std::path::Path;

use async_trait::async_trait;
use domain::ids::FirmId;
use futures::TryStreamExt;
use log::StoreError;
use sqlx::pool::PoolConnection;
use sqlx::{PgConnection, PgPool};
use tokio::sync::Mutex;

use crate::engine::{Engine, Hinting, Leading, RowsRead, Standing};
use crate::error::OpenError;
use crate::pools::{EngineKind, Pool};
use crate::statement::Statement;
use crate::value::{Kind, Value, malformed, signed, unsigned};
use column::{bind, column};
use error::failed;
pub(crate) use logins::migrate;
use statements::name_firm;
use together::{Grown, Hints, Leases};
use write::{End, Transaction, lend};

/// One database.
#[derive(Debug)]
pub(crate) struct Postgres {
    /// Where it is, for people.
    place: String,
    /// Whether the pools that write work as a role that may not.
    only_read: bool,
    readers: PgPool,
    rows_read: RowsRead,
    log: PgPool,
    projection: PgPool,
    /// What waits or holds rather than works: listeners, leases, and who tells hints.
    aside: PgPool,
    grown: Grown,
    /// What this process leads.
    leading: Mutex<Leases>,
}

impl Postgres {
    pub(crate) async fn connect(url: &str) -> Result<Self, OpenError> {
        connect::connect(url).await
    }

    pub(crate) fn place(&self) -> &str {
        &self.place
    }

    /// A connection that reads one firm's rows.
    async fn reader(&self, firm: FirmId) -> Result<PoolConnection<sqlx::Postgres>, StoreError> {
        lend(&self.readers, &name_firm(firm)).await
    }
}

#[async_trait]
impl Engine for Postgres {
    fn kind(&self) -> EngineKind {
        EngineKind::Postgres
    }

    fn path(&self) -> Option<&Path> {
        None
    }

    fn is_only_read(&self) -> bool {
        self.only_read
    }

    fn pools(&self) -> Vec<Pool> {
        vec![
            Pool::of("log", &self.log),
            Pool::of("projection", &self.projection),
            Pool::of("readers", &self.readers),
            Pool::of("aside", &self.aside),
        ]
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
        let Some(Value::Id(firm)) = arguments.first() else {
            return Err(StoreError::internal("a query begins with the firm"));
        };
        let mut reader = self.reader(FirmId(*firm)).await?;
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
        firm: FirmId,
        statements: Vec<(&'static Statement, Vec<Value>)>,
    ) -> Result<Vec<u64>, StoreError> {
        let mut transaction = Transaction::begin(&self.log, firm).await?;
        let result = run(transaction.connection(), statements).await;
        transaction.end(result).await
    }

    async fn copy_to(&self, _: &Path) -> Result<(), OpenError> {
        Err(OpenError::NoFile { place: self.place.clone() })
    }

    async fn beyond_serving(&self) -> Result<Option<String>, StoreError> {
        logins::beyond_serving(self).await
    }

    async fn standing(&self, firm: FirmId) -> Result<Standing, StoreError> {
        reading::standing(self, firm).await
    }

    fn leases(&self) -> Box<dyn Leading> {
        Box::new(Leases::over(self.aside.clone()))
    }

    async fn hints(&self) -> Result<Box<dyn Hinting>, StoreError> {
        Ok(Box::new(Hints::over(&self.aside).await?))
    }

    async fn close(&self) {
        connect::close(self).await;
    }
}

async fn run(
    connection: &mut PgConnection,
    statements: Vec<(&'static Statement, Vec<Value>)>,
) -> Result<End<Vec<u64>>, StoreError> {
    let mut changed = Vec::with_capacity(statements.len());
    for (statement, values) in statements {
        let query = sqlx::query_with(statement.as_str(), bind(values)?);
        let done = query.execute(&mut *connection).await.map_err(failed)?;
        changed.push(done.rows_affected());
    }
    Ok(End::Commit(changed))
}
