//! Opening, migrating, closing, and folding the write-ahead log into the file.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, SqlitePool};
use tokio::sync::Mutex;

use super::{Sqlite, Writer, Writers, before};
use crate::engine::RowsRead;
use crate::error::OpenError;

pub(super) static MIGRATOR: Migrator = sqlx::migrate!("../../migrations/sqlite");

/// How long a statement waits for another process's write lock.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
/// Connections that read.
const READERS_MAX: u32 = 8;
/// Statements kept prepared per connection: every one there is.
const STATEMENTS_CACHED_MAX: usize = 512;
/// Rows that wait between the database thread and the task that reads them.
const ROWS_BUFFERED_MAX: usize = 1_024;
/// Memory for pages of each writing connection, in KiB. Cases are keyed at random, so that every page
/// of a table is as likely to be written next; SQLite's own 2,000 KiB spill half-way through a batch.
const WRITER_CACHE: &str = "-16384";
/// Bytes of write-ahead log after which it is folded into the file, beside the writers.
const FOLD_BYTES: u64 = 32 << 20;
/// Pages after which a commit folds it itself: 64 MiB, reached only if the other way cannot keep up.
const FOLD_PAGES_MAX: &str = "16384";
/// Tries to open a file that another process is making or migrating at this moment.
const OPEN_TRIES_MAX: u32 = 20;
const OPEN_RETRY_DELAY: Duration = Duration::from_millis(50);

fn options(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(BUSY_TIMEOUT)
        .statement_cache_capacity(STATEMENTS_CACHED_MAX)
        .row_buffer_size(ROWS_BUFFERED_MAX)
        .pragma("wal_autocheckpoint", FOLD_PAGES_MAX)
        .disable_statement_logging()
}

fn reading(path: &Path) -> SqliteConnectOptions {
    options(path).pragma("query_only", "ON")
}

/// The journal's mode is the file's own: setting it would write.
fn only_reading(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .read_only(true)
        .busy_timeout(BUSY_TIMEOUT)
        .statement_cache_capacity(STATEMENTS_CACHED_MAX)
        .row_buffer_size(ROWS_BUFFERED_MAX)
        .pragma("query_only", "ON")
        .disable_statement_logging()
}

fn writing(path: &Path, writer: Writer) -> SqliteConnectOptions {
    let options = options(path).pragma("cache_size", WRITER_CACHE);
    match writer {
        // What it deletes is keys.
        Writer::Log => options.pragma("secure_delete", "ON"),
        Writer::Projection => options.synchronous(SqliteSynchronous::Normal),
    }
}

pub(super) async fn open(
    path: &Path,
    temporary: Option<tempfile::TempDir>,
) -> Result<Sqlite, OpenError> {
    make_file(path)?;
    let mut tries = 1;
    while let Err(error) = migrate(path).await {
        if tries == OPEN_TRIES_MAX || matches!(error, OpenError::Migration { .. } if tries > 3) {
            return Err(error);
        }
        tries += 1;
        tokio::time::sleep(OPEN_RETRY_DELAY).await;
    }
    let pool =
        SqlitePoolOptions::new().max_connections(READERS_MAX).connect_with(reading(path)).await;
    let readers = pool.map_err(|source| database(path, source))?;
    Ok(over(path, readers, temporary))
}

fn over(path: &Path, readers: SqlitePool, temporary: Option<tempfile::TempDir>) -> Sqlite {
    Sqlite {
        path: path.to_owned(),
        only_read: false,
        readers,
        rows_read: RowsRead::default(),
        writers: Mutex::new(Writers::default()),
        folder: Arc::new(Mutex::new(None)),
        _temporary: temporary,
    }
}

/// Opens a file that is there as it is: nothing is migrated, and not a byte of it changes. Another
/// process may be writing to it.
pub(super) async fn open_to_read(path: &Path) -> Result<Sqlite, OpenError> {
    if path.is_dir() {
        return Err(OpenError::IsFolder { path: path.to_owned() });
    }
    if let Err(source) = std::fs::File::open(path) {
        return Err(OpenError::Unreadable { path: path.to_owned(), source });
    }
    let pool = SqlitePoolOptions::new().max_connections(READERS_MAX);
    let readers = pool.connect_with(only_reading(path)).await;
    let readers = readers.map_err(|source| database(path, source))?;
    let ready = is_up_to_date(&readers).await.map_err(|source| database(path, source))?;
    if !ready {
        return Err(OpenError::OtherTables { place: path.display().to_string() });
    }
    Ok(Sqlite { only_read: true, ..over(path, readers, None) })
}

/// Whether every migration has run to its end, and no other.
async fn is_up_to_date(readers: &SqlitePool) -> Result<bool, sqlx::Error> {
    let there = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = '_sqlx_migrations')";
    if !sqlx::query_scalar(there).fetch_one(readers).await? {
        return Ok(false);
    }
    let applied = "SELECT version, checksum FROM _sqlx_migrations WHERE success ORDER BY version";
    let applied: Vec<(i64, Vec<u8>)> = sqlx::query_as(applied).fetch_all(readers).await?;
    let known = MIGRATOR.iter().map(|known| (known.version, known.checksum.as_ref()));
    let is_known = applied.iter().map(|(version, sum)| (*version, sum.as_slice())).eq(known);
    Ok(is_known && !before::is_left(readers).await?)
}

/// Makes the file readable by its owner alone; SQLite gives its side files the same permissions.
fn make_file(path: &Path) -> Result<(), OpenError> {
    if path.is_dir() {
        return Err(OpenError::IsFolder { path: path.to_owned() });
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
        return Err(OpenError::NoFolder { folder: folder.to_owned() });
    }
    let mut file = std::fs::OpenOptions::new();
    file.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut file, 0o600);
    match file.open(path) {
        Ok(_) => Ok(()),
        Err(source) => Err(OpenError::Unreadable { path: path.to_owned(), source }),
    }
}

async fn migrate(path: &Path) -> Result<(), OpenError> {
    let mut connection = options(path).connect().await.map_err(|source| database(path, source))?;
    let migrated = bring_up_to_date(&mut connection).await;
    let closed = connection.close().await;
    migrated.map_err(|source| OpenError::Migration { path: path.to_owned(), source })?;
    closed.map_err(|source| database(path, source))
}

async fn bring_up_to_date(connection: &mut sqlx::SqliteConnection) -> Result<(), log::Cause> {
    MIGRATOR.run(&mut *connection).await?;
    before::copy(connection).await
}

fn database(path: &Path, source: sqlx::Error) -> OpenError {
    OpenError::Database { path: path.to_owned(), source: Box::new(source) }
}

impl Sqlite {
    /// A connection for a writer whose own was lost or never made.
    pub(super) async fn connect(
        &self,
        writer: Writer,
    ) -> Result<sqlx::SqliteConnection, sqlx::Error> {
        let options =
            if self.only_read { only_reading(&self.path) } else { writing(&self.path, writer) };
        options.connect().await
    }

    /// A connection that copies: SQLite takes a copy for a change, which `query_only` would refuse.
    pub(super) async fn connect_to_copy(&self) -> Result<sqlx::SqliteConnection, sqlx::Error> {
        if !self.only_read {
            return self.connect(Writer::Log).await;
        }
        only_reading(&self.path).pragma("query_only", "OFF").connect().await
    }

    /// Folds the write-ahead log into the file once it is large. Automatic checkpoints run inside a
    /// commit and are the slowest commits there are; a passive one from another connection waits
    /// for nobody and keeps nobody waiting.
    pub(super) fn fold_if_large(&self) {
        let side_file = format!("{}-wal", self.path.display());
        let bytes = std::fs::metadata(side_file).map_or(0, |file| file.len());
        if bytes < FOLD_BYTES {
            return;
        }
        let Ok(mut folder) = Arc::clone(&self.folder).try_lock_owned() else { return };
        let options = options(&self.path);
        tokio::spawn(async move {
            let connection = match folder.take() {
                Some(connection) => Ok(connection),
                None => options.connect().await,
            };
            let Ok(mut connection) = connection else { return };
            // A failure leaves the file as it was; the next commit asks again.
            if sqlx::query("PRAGMA wal_checkpoint(PASSIVE)").execute(&mut connection).await.is_ok()
            {
                *folder = Some(connection);
            }
        });
    }
}

pub(super) async fn close(sqlite: &Sqlite) {
    sqlite.readers.close().await;
    let mut writers = sqlite.writers.lock().await;
    let mut folder = sqlite.folder.lock().await;
    let open = [folder.take(), writers.projection.take(), writers.log.take()];
    for connection in open.into_iter().flatten() {
        if let Err(error) = connection.close().await {
            // What is committed is committed; closing only tidies.
            tracing::warn!(%error, "a connection did not close cleanly");
        }
    }
}
