//! The store as services hold it. Which engine is behind it is its own affair.

use std::ops::Deref;
use std::path::Path;
use std::sync::Arc;

use domain::ids::FirmId;
use log::StoreError;

use crate::engine::{Engine, rows_of};
use crate::error::OpenError;
use crate::pools::{EngineKind, Pool};
use crate::row::{RowsAt, Selected};
use crate::statement::Statement;
use crate::value::{Malformed, Value};

/// The log and the read model of any number of firms, in one SQLite file or PostgreSQL database.
///
/// The log's ports are those of the engine behind it, and [`Store::ports`] is what a [`log::Engine`] takes. Reads
/// of the log and queries run beside each other and beside the one writer.
#[derive(Debug)]
pub struct Store {
    pub(crate) engine: Arc<dyn Engine>,
}

impl Deref for Store {
    type Target = dyn log::Store;

    fn deref(&self) -> &Self::Target {
        &*self.engine
    }
}

impl Store {
    pub(crate) fn over(engine: impl Engine) -> Self {
        Self { engine: Arc::new(engine) }
    }

    /// The ports of the log.
    pub fn ports(&self) -> Arc<dyn log::Store> {
        Arc::<dyn Engine>::clone(&self.engine)
    }

    /// The engine behind it.
    pub fn kind(&self) -> EngineKind {
        self.engine.kind()
    }

    /// The pools of connections as they are now. What an SQLite file is written by, two connections
    /// that take turns, is none.
    pub fn pools(&self) -> Vec<Pool> {
        self.engine.pools()
    }

    /// Rows of the read models and events of the log that were read so far, whoever asked.
    pub fn rows_read(&self) -> u64 {
        self.engine.rows_read().get()
    }

    /// What the login that this process came in by could do beyond serving: change the log, above all.
    /// Nothing if it is fit to serve, as whoever may open a file is.
    pub async fn beyond_serving(&self) -> Result<Option<String>, StoreError> {
        self.engine.beyond_serving().await
    }

    /// The file, of a database in one.
    pub fn path(&self) -> Option<&Path> {
        self.engine.path()
    }

    /// Writes everything that is committed into a new file: one moment's state, though others go on
    /// writing. It refuses a file that is there, and may leave half a file if it fails. A database on
    /// PostgreSQL is refused.
    pub async fn copy_to(&self, path: impl AsRef<Path>) -> Result<(), OpenError> {
        self.engine.copy_to(path.as_ref()).await
    }

    /// Closes every connection, and folds an SQLite write-ahead log into its file. Dropping the store
    /// is as safe; the next one to open it then does the folding.
    pub async fn close(&self) {
        self.engine.close().await;
    }

    /// The rows of a query.
    pub(crate) async fn fetch<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<Vec<T>, StoreError> {
        let rows = rows_of(&*self.engine, statement, arguments).await?.map_err(unread)?;
        self.engine.rows_read().add(rows.len());
        Ok(rows)
    }

    /// The rows of a query that ends with [`crate::statement::POSITION`].
    pub(crate) async fn fetch_at<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<RowsAt<T>, StoreError> {
        let found: Vec<(T, u64)> = self.fetch(statement, arguments).await?;
        let position = found.first().map(|(_, position)| *position);
        Ok(RowsAt { rows: found.into_iter().map(|(row, _)| row).collect(), position })
    }

    /// The only row of a query.
    pub(crate) async fn fetch_one<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<Option<T>, StoreError> {
        Ok(self.fetch(statement, arguments).await?.into_iter().next())
    }

    /// Runs statements about a firm in one transaction, and tells how many rows each changed.
    pub(crate) async fn change(
        &self,
        firm: FirmId,
        statements: Vec<(&'static Statement, Vec<Value>)>,
    ) -> Result<Vec<u64>, StoreError> {
        self.engine.change(firm, statements).await
    }
}

fn unread(error: Malformed) -> StoreError {
    let what = "a row of the read model is not what this program writes; rebuild it".to_owned();
    StoreError::Internal { what, source: Some(Box::new(error)) }
}
