//! Where a test's store lives: in a file, or on the cluster that tests run on.

use std::path::{Path, PathBuf};

use testbed::Database;

/// Says which engine the services of these tests run on: `sqlite` if it is not set, or `postgres`.
const ENGINE: &str = "COUNTERFOIL_TEST_ENGINE";

/// A database of a test's own and a folder for what else it writes, gone with it.
pub struct Place {
    /// The database's name, as the command line takes it.
    pub database: String,
    folder: tempfile::TempDir,
    on_server: Option<Database>,
}

impl Place {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        match std::env::var(ENGINE).as_deref() {
            Err(_) | Ok("sqlite") => {
                let database = format!("sqlite:{}", folder.path().join("ledger.db").display());
                Self { database, folder, on_server: None }
            }
            Ok("postgres") => {
                let on_server = Database::make("ledger");
                Self { database: on_server.url(), folder, on_server: Some(on_server) }
            }
            Ok(other) => panic!("{ENGINE} is {other}, and there is sqlite and postgres"),
        }
    }

    pub fn outbox(&self) -> PathBuf {
        self.folder.path().join("outbox")
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Where everything lies that the database has written: of a server, its own folder and the
    /// write-ahead log, which all databases of the cluster share.
    pub fn written(&self) -> Vec<PathBuf> {
        let Some(database) = &self.on_server else { return vec![self.folder.path().to_owned()] };
        database.psql("CHECKPOINT");
        let own = "SELECT current_setting('data_directory') || '/base/' || oid FROM pg_database \
                   WHERE datname = current_database()";
        let log = "SELECT current_setting('data_directory') || '/pg_wal'";
        vec![PathBuf::from(database.psql(own)), PathBuf::from(database.psql(log))]
    }
}
