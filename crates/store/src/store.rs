//! The store as services hold it. Which engine is behind it is its own affair.

use std::path::{Path, PathBuf};

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use log::{
    Checkpoint, Head, LoadedStream, LogStore, Plan, ProjectionStep, ProjectionStore, StoreError,
    Stored,
};
use proof::Hash;

use crate::row::Selected;
use crate::sqlite::Sqlite;
use crate::statement::Statement;
use crate::value::{Malformed, Value};

/// Why a store could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The folder of the file is not there; it is never made by guess.
    #[error("the folder {} does not exist", .folder.display())]
    NoFolder {
        /// The folder.
        folder: PathBuf,
    },
    /// The path is a folder.
    #[error("{} is a folder, not a database file", .path.display())]
    IsFolder {
        /// The path.
        path: PathBuf,
    },
    /// The file cannot be made, read or written.
    #[error("{} cannot be opened", .path.display())]
    Unreadable {
        /// The path.
        path: PathBuf,
        /// What the system met.
        #[source]
        source: std::io::Error,
    },
    /// The file is another program's, is damaged, or stays locked.
    #[error("{} is no database that can be opened", .path.display())]
    Database {
        /// The path.
        path: PathBuf,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// The tables cannot be brought to what this program knows; a newer program may have been here.
    #[error("{} cannot be brought up to date", .path.display())]
    Migration {
        /// The path.
        path: PathBuf,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
}

/// The log and the read model of any number of firms, in one SQLite file.
///
/// Give it to the engine in an `Arc`; keep another for the queries. Reads of the log and queries run
/// beside each other and beside the one writer.
#[derive(Debug)]
pub struct Store {
    sqlite: Sqlite,
}

impl Store {
    /// Opens a file, making it and its tables if they are not there. The folder must be.
    pub async fn open(path: impl AsRef<Path>) -> Result<Self, OpenError> {
        Ok(Self { sqlite: Sqlite::open(path.as_ref()).await? })
    }

    /// Opens an empty store in a folder of its own that is deleted with it.
    pub async fn open_temporary() -> Result<Self, OpenError> {
        Ok(Self { sqlite: Sqlite::open_temporary().await? })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        self.sqlite.path()
    }

    /// Writes everything that is committed into a new file: one moment's state, though others go on
    /// writing. It refuses a file that is there, and may leave half a file if it fails.
    pub async fn copy_to(&self, path: impl AsRef<Path>) -> Result<(), OpenError> {
        self.sqlite.copy_to(path.as_ref()).await
    }

    /// Closes every connection and folds the write-ahead log into the file. Dropping the store is
    /// as safe; the next one to open it then does the folding.
    pub async fn close(&self) {
        self.sqlite.close().await;
    }

    /// The rows of a query.
    pub(crate) async fn fetch<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<Vec<T>, StoreError> {
        let mut kinds = Vec::new();
        T::kinds(&mut kinds);
        let rows = self.sqlite.select(statement, arguments, &kinds).await?;
        let read = |row: Vec<Value>| T::take(&mut row.into_iter()).map_err(malformed);
        rows.into_iter().map(read).collect()
    }

    /// The only row of a query.
    pub(crate) async fn fetch_one<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<Option<T>, StoreError> {
        Ok(self.fetch(statement, arguments).await?.into_iter().next())
    }
}

fn malformed(error: Malformed) -> StoreError {
    let what = "a row of the read model is not what this program writes; rebuild it".to_owned();
    StoreError::Internal { what, source: Some(Box::new(error)) }
}

#[async_trait]
impl LogStore for Store {
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        self.sqlite.transact(firm, known_position, requests, plan).await
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        self.sqlite.head(firm).await
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        self.sqlite.read(firm, after, limit).await
    }

    async fn leaves(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        self.sqlite.leaves(firm, after, limit).await
    }

    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        self.sqlite.load(firm, streams, up_to).await
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        self.sqlite.firms().await
    }
}

#[async_trait]
impl ProjectionStore for Store {
    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        self.sqlite.checkpoint(firm).await
    }

    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        self.sqlite.begin_rebuild(firm).await
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.sqlite.switch(firm, generation).await
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.sqlite.drop_generation(firm, generation).await
    }

    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        self.sqlite.project(step).await
    }
}
