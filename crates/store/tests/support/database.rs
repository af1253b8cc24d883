//! A PostgreSQL database of a test's own.

use std::panic::AssertUnwindSafe;

use futures::FutureExt as _;
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, PgConnection};

/// Names the cluster that tests run on.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";

/// A database that is there for one test.
#[derive(Debug)]
pub(crate) struct Database {
    cluster: String,
    name: String,
}

impl Database {
    /// Runs a test on a database of its own, and drops the database whatever became of it.
    pub(crate) async fn lent(test: impl AsyncFnOnce(&Self)) {
        let database = Self::make().await;
        let ended = AssertUnwindSafe(test(&database)).catch_unwind().await;
        let drop = format!("DROP DATABASE {} WITH (FORCE)", database.name);
        database.on_cluster(&drop).await;
        if let Err(panic) = ended {
            std::panic::resume_unwind(panic);
        }
    }

    async fn make() -> Self {
        let cluster = std::env::var(CLUSTER).unwrap_or_else(|_| {
            panic!("{CLUSTER} is not set: run the tests through ./ops/with-postgres cargo test")
        });
        let name = format!("test_{}", uuid::Uuid::now_v7().simple());
        let database = Self { cluster, name };
        // Nobody is ever connected to template0, so that tests can make theirs at the same time.
        database.on_cluster(&format!("CREATE DATABASE {} TEMPLATE template0", database.name)).await;
        database
    }

    async fn on_cluster(&self, statement: &str) {
        let mut connection = PgConnection::connect(&self.cluster).await.unwrap();
        connection.execute(AssertSqlSafe(statement.to_owned())).await.unwrap();
        connection.close().await.unwrap();
    }

    /// Its URL.
    pub(crate) fn url(&self) -> String {
        let (place, options) = self.cluster.split_once('?').unwrap_or((&self.cluster, ""));
        let (server, _) = place.rsplit_once('/').unwrap();
        format!("{server}/{}?{options}", self.name)
    }

    /// A connection that may do anything, to the tables of the program.
    #[allow(dead_code, reason = "not each user of this module looks beside the program")]
    pub(crate) async fn connection(&self) -> PgConnection {
        let mut connection = PgConnection::connect(&self.url()).await.unwrap();
        connection.execute("SET search_path TO counterfoil").await.unwrap();
        connection
    }
}
