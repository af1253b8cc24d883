//! A database of a test's own.

use std::sync::atomic::{AtomicU32, Ordering};

use crate::{beside, psql, try_psql};

/// Names the cluster that tests share.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";

/// The URL of the cluster that tests share; its user may do anything.
pub fn shared_cluster() -> String {
    std::env::var(CLUSTER).unwrap_or_else(|_| {
        panic!("{CLUSTER} is not set: run the tests through ./ops/with-postgres cargo test")
    })
}

/// A database that is there for one test, and dropped with this value.
#[derive(Debug)]
pub struct Database {
    cluster: String,
    name: String,
}

impl Database {
    /// Makes an empty one on the shared cluster. The prefix tells whose it is, in the server's log.
    pub fn make(prefix: &str) -> Self {
        Self::make_on(shared_cluster(), prefix)
    }

    /// Makes an empty one on a cluster.
    pub fn make_on(cluster: String, prefix: &str) -> Self {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let number = MADE.fetch_add(1, Ordering::Relaxed);
        let name = format!("{prefix}_{}_{number}", std::process::id());
        // Nobody is ever connected to template0, so that tests can make theirs at the same time.
        psql(&cluster, &format!("CREATE DATABASE {name} TEMPLATE template0"));
        Self { cluster, name }
    }

    /// Its URL.
    pub fn url(&self) -> String {
        beside(&self.cluster, &self.name)
    }

    /// Runs a statement as a user who may do anything, and gives what it printed.
    pub fn psql(&self, statement: &str) -> String {
        psql(&self.url(), statement)
    }

    /// The same; nothing if it fails, as where the tables are not there yet.
    pub fn try_psql(&self, statement: &str) -> Option<String> {
        try_psql(&self.url(), statement)
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        let drop = format!("DROP DATABASE {} WITH (FORCE)", self.name);
        if std::thread::panicking() {
            // The cluster goes soon after; a second panic would hide the first.
            let _ = std::panic::catch_unwind(|| psql(&self.cluster, &drop));
        } else {
            psql(&self.cluster, &drop);
        }
    }
}
