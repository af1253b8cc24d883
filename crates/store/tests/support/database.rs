//! A PostgreSQL database of a test's own.

use sqlx::{Connection as _, Executor as _, PgConnection};

/// A database that is there for one test.
#[derive(Debug)]
pub(crate) struct Database(testbed::Database);

impl Database {
    /// Runs a test on a database of its own, and drops the database whatever became of it.
    pub(crate) async fn lent(test: impl AsyncFnOnce(&Self)) {
        test(&Self(testbed::Database::make("test"))).await;
    }

    /// Its URL.
    pub(crate) fn url(&self) -> String {
        self.0.url()
    }

    /// A connection that may do anything, to the tables of the program.
    #[allow(dead_code, reason = "not each user of this module looks beside the program")]
    pub(crate) async fn connection(&self) -> PgConnection {
        let mut connection = PgConnection::connect(&self.url()).await.unwrap();
        connection.execute("SET search_path TO counterfoil").await.unwrap();
        connection
    }
}
