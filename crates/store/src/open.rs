//! Opening a database by its name, which says the engine.

use std::path::Path;

use crate::error::OpenError;
use crate::postgres::{self, Postgres};
use crate::sqlite::Sqlite;
use crate::store::Store;

/// How a database on SQLite is named, before its path.
const SQLITE_SCHEME: &str = "sqlite:";
/// How a database on PostgreSQL is named.
const POSTGRES_SCHEMES: [&str; 2] = ["postgres://", "postgresql://"];

/// A database by its name.
pub(crate) enum Named<'u> {
    /// A file.
    Sqlite(&'u str),
    /// A database of a server.
    Postgres(&'u str),
}

/// What a name says.
pub(crate) fn named(url: &str) -> Result<Named<'_>, OpenError> {
    match url.strip_prefix(SQLITE_SCHEME) {
        Some(path) if !path.is_empty() => Ok(Named::Sqlite(path)),
        _ if POSTGRES_SCHEMES.iter().any(|scheme| url.starts_with(scheme)) => {
            Ok(Named::Postgres(url))
        }
        _ => Err(OpenError::Scheme),
    }
}

impl Store {
    /// Opens a file, making it and its tables if they are not there. The folder must be.
    pub async fn open(path: impl AsRef<Path>) -> Result<Self, OpenError> {
        Ok(Self::over(Sqlite::open(path.as_ref()).await?))
    }

    /// Opens a file that is there, to read it and nothing else; see [`Store::connect_to_read`].
    pub async fn open_to_read(path: impl AsRef<Path>) -> Result<Self, OpenError> {
        Ok(Self::over(Sqlite::open_to_read(path.as_ref()).await?))
    }

    /// Opens an empty store in a folder of its own that is deleted with it.
    pub async fn open_temporary() -> Result<Self, OpenError> {
        Ok(Self::over(Sqlite::open_temporary().await?))
    }

    /// Opens a database by its name: `sqlite:PATH` as [`Store::open`] does, or
    /// `postgres://USER@HOST/DATABASE`, whose tables are made if they are not there and whoever logs
    /// in may make them.
    pub async fn connect(url: &str) -> Result<Self, OpenError> {
        match named(url)? {
            Named::Sqlite(path) => Self::open(path).await,
            Named::Postgres(url) => Ok(Self::over(Postgres::connect(url).await?)),
        }
    }

    /// Opens a database that is there, by its name, to read it and nothing else: it is not brought up
    /// to date, no file is made, and whatever would write fails.
    pub async fn connect_to_read(url: &str) -> Result<Self, OpenError> {
        match named(url)? {
            Named::Sqlite(path) => Self::open_to_read(path).await,
            Named::Postgres(url) => Ok(Self::over(Postgres::connect_to_read(url).await?)),
        }
    }

    /// Brings a database to what this program knows, made if it is not there, as whoever owns its tables;
    /// and lets another login of the server serve it, if one is named.
    pub async fn migrate(url: &str, serving: Option<&str>) -> Result<(), OpenError> {
        match named(url)? {
            Named::Sqlite(path) => Self::open(path).await?.close().await,
            Named::Postgres(url) => postgres::migrate(url, serving).await?,
        }
        Ok(())
    }
}
