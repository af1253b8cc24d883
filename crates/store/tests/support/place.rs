//! Where a test's store is, on either engine, and the way in beside the program.

use std::sync::Arc;

use counterfoil_store::Store;
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, PgConnection, SqliteConnection};
use tempfile::TempDir;

use super::database::Database;

/// Where a store is.
pub(crate) enum Place<'d> {
    /// A file in a folder of its own.
    File(TempDir),
    /// A database of its own.
    Server(&'d Database),
}

/// Runs a test on SQLite.
pub(crate) async fn on_file(test: impl AsyncFnOnce(&Place<'_>)) {
    test(&Place::File(tempfile::tempdir().unwrap())).await;
}

/// Runs a test on PostgreSQL.
pub(crate) async fn on_server(test: impl AsyncFnOnce(&Place<'_>)) {
    Database::lent(async |database| test(&Place::Server(database)).await).await;
}

/// Makes two tests of each body: one for each engine.
#[allow(unused_macros, reason = "not each test file has such bodies")]
macro_rules! on_both_engines {
    ($($test:ident),+ $(,)?) => {
        mod sqlite {$(
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $test() {
                crate::support::on_file(super::$test).await;
            }
        )+}
        mod postgres {$(
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $test() {
                crate::support::on_server(super::$test).await;
            }
        )+}
    };
}
#[allow(unused_imports, reason = "as above")]
pub(crate) use on_both_engines;

impl Place<'_> {
    /// How the program is told where it is.
    pub(crate) fn url(&self) -> String {
        match self {
            Self::File(folder) => format!("sqlite:{}", folder.path().join("firm.db").display()),
            Self::Server(database) => database.url(),
        }
    }

    /// Opens the store, as another process would: each call is one.
    pub(crate) async fn open(&self) -> Arc<Store> {
        Arc::new(Store::connect(&self.url()).await.unwrap())
    }

    /// A connection beside the program's, which may do anything.
    pub(crate) async fn raw(&self) -> Raw {
        match self {
            Self::File(_) => {
                let url = self.url().replacen("sqlite:", "sqlite://", 1);
                Raw::Sqlite(SqliteConnection::connect(&url).await.unwrap())
            }
            Self::Server(database) => Raw::Postgres(database.connection().await),
        }
    }

    /// The text for the engine.
    pub(crate) fn either<'t>(&self, sqlite: &'t str, postgres: &'t str) -> &'t str {
        match self {
            Self::File(_) => sqlite,
            Self::Server(_) => postgres,
        }
    }
}

/// A connection beside the program's.
pub(crate) enum Raw {
    /// To the file.
    Sqlite(SqliteConnection),
    /// To the server.
    Postgres(PgConnection),
}

/// Does the same on either connection.
macro_rules! either {
    ($raw:expr, $connection:ident => $done:expr) => {
        match $raw {
            Raw::Sqlite($connection) => $done,
            Raw::Postgres($connection) => $done,
        }
    };
}

impl Raw {
    /// Runs statements.
    pub(crate) async fn run(&mut self, text: &str) -> Result<(), sqlx::Error> {
        let text = AssertSqlSafe(text.to_owned());
        either!(self, connection => connection.execute(sqlx::raw_sql(text)).await.map(|_| ()))
    }

    /// Runs statements past every trigger, all or none, and leaves each trigger as it was.
    pub(crate) async fn unguarded(&mut self, text: &str) -> Result<(), sqlx::Error> {
        let (open, close) = match self {
            Self::Sqlite(_) => {
                let of = "FROM sqlite_schema WHERE type = 'trigger'";
                let drops = self.texts(&format!("SELECT 'DROP TRIGGER ' || name {of}")).await;
                let makes = self.texts(&format!("SELECT sql {of}")).await;
                (drops.join("; "), makes.join("; "))
            }
            Self::Postgres(_) => {
                ("SET LOCAL session_replication_role = replica".into(), String::new())
            }
        };
        let done = self.run(&format!("BEGIN; {open}; {text}; {close}; COMMIT")).await;
        if done.is_err() {
            self.run("ROLLBACK").await?;
        }
        done
    }

    /// The one number of a query.
    pub(crate) async fn number(&mut self, text: &str) -> i64 {
        let text = AssertSqlSafe(text.to_owned());
        either!(self, connection => {
            sqlx::query_scalar(text).fetch_one(connection).await.unwrap()
        })
    }

    /// The texts of a query.
    pub(crate) async fn texts(&mut self, text: &str) -> Vec<String> {
        let text = AssertSqlSafe(text.to_owned());
        either!(self, connection => {
            sqlx::query_scalar(text).fetch_all(connection).await.unwrap()
        })
    }
}
