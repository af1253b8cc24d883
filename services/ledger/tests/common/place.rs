//! Where a test's store lives: in a file, or on the cluster that tests run on.

use std::path::{Path, PathBuf};
use std::process::Command;

use uuid::Uuid;

/// Names the cluster.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";
/// Says which engine the services of these tests run on: `sqlite` if it is not set, or `postgres`.
const ENGINE: &str = "COUNTERFOIL_TEST_ENGINE";

/// A database of a test's own and a folder for what else it writes, gone with it.
pub struct Place {
    /// The database's name, as the command line takes it.
    pub database: String,
    folder: tempfile::TempDir,
    on_server: Option<String>,
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
                let name = format!("ledger_{}", Uuid::now_v7().simple());
                psql(&format!("CREATE DATABASE {name} TEMPLATE template0"));
                let cluster = cluster();
                let (place, options) = cluster.split_once('?').unwrap();
                let (server, _) = place.rsplit_once('/').unwrap();
                let database = format!("{server}/{name}?{options}");
                Self { database, folder, on_server: Some(name) }
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
}

impl Drop for Place {
    fn drop(&mut self) {
        if let Some(name) = &self.on_server {
            psql(&format!("DROP DATABASE {name} WITH (FORCE)"));
        }
    }
}

fn cluster() -> String {
    std::env::var(CLUSTER).unwrap_or_else(|_| {
        panic!("{CLUSTER} is not set: run the tests through ./ops/with-postgres cargo test")
    })
}

fn psql(statement: &str) {
    let mut psql = Command::new("psql");
    psql.args(["--quiet", "--no-psqlrc", "--dbname", &cluster(), "--command", statement]);
    assert!(psql.status().unwrap().success(), "{statement}");
}
