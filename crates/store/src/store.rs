//! The store as services hold it. Which engine is behind it is its own affair.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::named::{MovementName, NameFound};
use log::{
    Beside, Checkpoint, Comparison, Head, KeptSnapshot, Landing, LoadedStream, LogStore,
    PeopleStore, Person, Plan, ProjectionStep, ProjectionStore, Remembered, Rewrapped, StoreError,
    Stored, StreamEnd, Wanted,
};
use proof::Hash;
use uuid::Uuid;

use crate::postgres::Postgres;
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
    /// A copy of the database cannot be written.
    #[error("{} cannot be written", .path.display())]
    Copy {
        /// The path of the copy.
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
    /// The name of a database is of no engine there is.
    #[error("a database is named sqlite:PATH or postgres://USER@HOST/DATABASE")]
    Scheme,
    /// The URL of a PostgreSQL database does not read.
    #[error("the URL of the database does not read")]
    Url {
        /// What is wrong with it.
        #[source]
        source: log::Cause,
    },
    /// The PostgreSQL server does not answer, or lets this program not in.
    #[error("{place} cannot be opened")]
    Server {
        /// Which database, without a password.
        place: String,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// Its tables cannot be brought to what this program knows: whoever logs in may not, or a newer
    /// program has been here.
    #[error(
        "{place} cannot be brought up to date by this login; let the one that owns the tables do it: \
         counterfoil migrate"
    )]
    MigrationOf {
        /// Which database, without a password.
        place: String,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// A login is not fit to serve.
    #[error("{what}: {place} is not to be served by it")]
    UnfitLogin {
        /// Which database, without a password.
        place: String,
        /// What the login is or may do.
        what: String,
    },
    /// A database that is only read is not one of this program's, or of another version of it.
    #[error(
        "{place} does not have the tables that this program knows; if it is of an earlier version, let \
         this one bring it up to date first: counterfoil migrate --database …"
    )]
    OtherTables {
        /// Which database, without a password.
        place: String,
    },
    /// A file has no replica.
    #[error("a read replica is a standby of a PostgreSQL server: postgres://USER@HOST/DATABASE")]
    NoReplica,
    /// Only a database in a file can be copied into another.
    #[error("{place} is no file to copy; the server's own tools make its backups")]
    NoFile {
        /// Which database, without a password.
        place: String,
    },
}

/// How a database on SQLite is named, before its path.
pub(crate) const SQLITE_SCHEME: &str = "sqlite:";
/// How a database on PostgreSQL is named.
pub(crate) const POSTGRES_SCHEMES: [&str; 2] = ["postgres://", "postgresql://"];

/// The engine behind a store.
#[derive(Debug)]
pub(crate) enum Behind {
    /// A file.
    Sqlite(Sqlite),
    /// A database of a server.
    Postgres(Postgres),
}

/// Does the same on either engine.
macro_rules! either {
    ($store:expr, $engine:ident => $done:expr) => {
        match &$store.engine {
            Behind::Sqlite($engine) => $done,
            Behind::Postgres($engine) => $done,
        }
    };
}

/// The log and the read model of any number of firms, in one SQLite file or PostgreSQL database.
///
/// Give it to the engine in an `Arc`; keep another for the queries. Reads of the log and queries run
/// beside each other and beside the one writer.
#[derive(Debug)]
pub struct Store {
    pub(crate) engine: Behind,
    rows_read: AtomicU64,
}

impl Store {
    pub(crate) fn over(engine: Behind) -> Self {
        Self { engine, rows_read: AtomicU64::default() }
    }

    /// Rows of the read models and events of the log that were read so far, whoever asked.
    pub fn rows_read(&self) -> u64 {
        self.rows_read.load(Ordering::Relaxed)
    }

    fn count_read(&self, rows: usize) {
        self.rows_read.fetch_add(u64::try_from(rows).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    /// Opens a file, making it and its tables if they are not there. The folder must be.
    pub async fn open(path: impl AsRef<Path>) -> Result<Self, OpenError> {
        Ok(Self::over(Behind::Sqlite(Sqlite::open(path.as_ref()).await?)))
    }

    /// Opens a file that is there, to read it and nothing else; see [`Store::connect_to_read`].
    pub async fn open_to_read(path: impl AsRef<Path>) -> Result<Self, OpenError> {
        Ok(Self::over(Behind::Sqlite(Sqlite::open_to_read(path.as_ref()).await?)))
    }

    /// Opens an empty store in a folder of its own that is deleted with it.
    pub async fn open_temporary() -> Result<Self, OpenError> {
        Ok(Self::over(Behind::Sqlite(Sqlite::open_temporary().await?)))
    }

    /// Opens a database by its name: `sqlite:PATH` as [`Store::open`] does, or
    /// `postgres://USER@HOST/DATABASE`, whose tables are made if they are not there and whoever logs
    /// in may make them.
    pub async fn connect(url: &str) -> Result<Self, OpenError> {
        if let Some(path) = url.strip_prefix(SQLITE_SCHEME).filter(|path| !path.is_empty()) {
            return Self::open(path).await;
        }
        if !POSTGRES_SCHEMES.iter().any(|scheme| url.starts_with(scheme)) {
            return Err(OpenError::Scheme);
        }
        Ok(Self::over(Behind::Postgres(Postgres::connect(url).await?)))
    }

    /// Opens a database that is there, by its name, to read it and nothing else: it is not brought up
    /// to date, no file is made, and whatever would write fails.
    pub async fn connect_to_read(url: &str) -> Result<Self, OpenError> {
        if let Some(path) = url.strip_prefix(SQLITE_SCHEME).filter(|path| !path.is_empty()) {
            return Self::open_to_read(path).await;
        }
        if !POSTGRES_SCHEMES.iter().any(|scheme| url.starts_with(scheme)) {
            return Err(OpenError::Scheme);
        }
        Ok(Self::over(Behind::Postgres(Postgres::connect_to_read(url).await?)))
    }

    /// Brings a database to what this program knows, made if it is not there, as whoever owns its tables;
    /// and lets another login of the server serve it, if one is named.
    pub async fn migrate(url: &str, serving: Option<&str>) -> Result<(), OpenError> {
        if POSTGRES_SCHEMES.iter().any(|scheme| url.starts_with(scheme)) {
            return crate::postgres::migrate(url, serving).await;
        }
        Self::connect(url).await?.close().await;
        Ok(())
    }

    /// What the login that this process came in by could do beyond serving: change the log, above all.
    /// Nothing if it is fit to serve, as whoever may open a file is.
    pub async fn beyond_serving(&self) -> Result<Option<String>, StoreError> {
        match &self.engine {
            Behind::Sqlite(_) => Ok(None),
            Behind::Postgres(postgres) => postgres.beyond_serving().await,
        }
    }

    /// The file, of a database in one.
    pub fn path(&self) -> Option<&Path> {
        match &self.engine {
            Behind::Sqlite(sqlite) => Some(sqlite.path()),
            Behind::Postgres(_) => None,
        }
    }

    /// Writes everything that is committed into a new file: one moment's state, though others go on
    /// writing. It refuses a file that is there, and may leave half a file if it fails. A database on
    /// PostgreSQL is refused.
    pub async fn copy_to(&self, path: impl AsRef<Path>) -> Result<(), OpenError> {
        match &self.engine {
            Behind::Sqlite(sqlite) => sqlite.copy_to(path.as_ref()).await,
            Behind::Postgres(postgres) => {
                Err(OpenError::NoFile { place: postgres.place().to_owned() })
            }
        }
    }

    /// Closes every connection, and folds an SQLite write-ahead log into its file. Dropping the store
    /// is as safe; the next one to open it then does the folding.
    pub async fn close(&self) {
        either!(self, engine => engine.close().await);
    }

    /// The rows of a query.
    pub(crate) async fn fetch<T: Selected>(
        &self,
        statement: &'static Statement,
        arguments: Vec<Value>,
    ) -> Result<Vec<T>, StoreError> {
        let mut kinds = Vec::new();
        T::kinds(&mut kinds);
        let rows = either!(self, engine => engine.select(statement, arguments, &kinds).await)?;
        self.count_read(rows.len());
        let read = |row: Vec<Value>| T::take(&mut row.into_iter()).map_err(malformed);
        rows.into_iter().map(read).collect()
    }

    /// Runs statements about a firm in one transaction, and tells how many rows each changed.
    pub(crate) async fn change(
        &self,
        firm: FirmId,
        statements: Vec<(&'static Statement, Vec<Value>)>,
    ) -> Result<Vec<u64>, StoreError> {
        match &self.engine {
            Behind::Sqlite(sqlite) => sqlite.change(statements).await,
            Behind::Postgres(postgres) => postgres.change(firm, statements).await,
        }
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
impl PeopleStore for Store {
    async fn people(&self, firm: FirmId, ids: &[Uuid]) -> Result<Vec<Person>, StoreError> {
        either!(self, engine => engine.people(firm, ids).await)
    }

    async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        either!(self, engine => engine.people_after(firm, after, limit).await)
    }

    async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        either!(self, engine => engine.find(firm, wanted, limit).await)
    }

    async fn incomplete(&self, firm: FirmId, limit: usize) -> Result<Vec<Person>, StoreError> {
        either!(self, engine => engine.incomplete(firm, limit).await)
    }

    async fn misfiled(&self, firm: FirmId, limit: usize) -> Result<Vec<Uuid>, StoreError> {
        either!(self, engine => engine.misfiled(firm, limit).await)
    }

    async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        either!(self, engine => engine.complete(firm, people).await)
    }

    async fn keep_people(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        either!(self, engine => engine.keep_people(firm, people).await)
    }

    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        either!(self, engine => engine.rewrap(firm, keys).await)
    }
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
        either!(self, engine => engine.transact(firm, known_position, requests, plan).await)
    }

    async fn transact_at(
        &self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        match &self.engine {
            // A lock in this process costs no journey.
            Behind::Sqlite(_) => Ok(Landing::NotTried),
            Behind::Postgres(engine) => engine.transact_at(firm, believed, plan).await,
        }
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        either!(self, engine => engine.head(firm).await)
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        let events = either!(self, engine => engine.read(firm, after, limit).await)?;
        self.count_read(events.len());
        Ok(events)
    }

    async fn leaves(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        either!(self, engine => engine.leaves(firm, after, limit).await)
    }

    async fn beside(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Beside>, StoreError> {
        either!(self, engine => engine.beside(firm, after, limit).await)
    }

    async fn remembered(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Remembered>, StoreError> {
        either!(self, engine => engine.remembered(firm, requests).await)
    }

    async fn remembered_from(
        &self,
        firm: FirmId,
        from: RequestId,
        limit: usize,
    ) -> Result<Vec<(RequestId, Remembered)>, StoreError> {
        either!(self, engine => engine.remembered_from(firm, from, limit).await)
    }

    async fn ends_after(
        &self,
        firm: FirmId,
        after: Option<StreamId>,
        limit: usize,
    ) -> Result<Vec<StreamEnd>, StoreError> {
        either!(self, engine => engine.ends_after(firm, after, limit).await)
    }

    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        let loaded = either!(self, engine => engine.load(firm, streams, up_to).await)?;
        self.count_read(loaded.iter().map(|loaded| loaded.events.len()).sum());
        Ok(loaded)
    }

    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        either!(self, engine => engine.load_from_first(firm, streams, up_to).await)
    }

    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError> {
        either!(self, engine => engine.snapshots_after(firm, after, limit).await)
    }

    async fn guards_missing(&self) -> Result<Vec<String>, StoreError> {
        either!(self, engine => engine.guards_missing().await)
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        either!(self, engine => engine.firms().await)
    }
}

#[async_trait]
impl ProjectionStore for Store {
    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        either!(self, engine => engine.checkpoint(firm).await)
    }

    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError> {
        self.found_by_name(firm, name).await
    }

    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        either!(self, engine => engine.begin_rebuild(firm).await)
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        either!(self, engine => engine.switch(firm, generation).await)
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        either!(self, engine => engine.drop_generation(firm, generation).await)
    }

    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError> {
        either!(self, engine => engine.compare(firm, generation, position).await)
    }

    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        either!(self, engine => engine.project(step).await)
    }

    /// Every process on an SQLite file may: they are few.
    async fn leads(&self, firm: FirmId) -> Result<bool, StoreError> {
        match &self.engine {
            Behind::Sqlite(_) => Ok(true),
            Behind::Postgres(postgres) => postgres.leads(firm).await,
        }
    }
}
