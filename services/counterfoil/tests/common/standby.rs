//! PostgreSQL servers of a test's own: a primary and standbys that follow it.

use testbed::{Cluster, Stop};

/// What is lost with the machine is of no interest here.
const SETTINGS: &[&str] = &["fsync=off"];

/// A server, taken down with the test.
pub struct Server(Cluster);

impl Server {
    /// An empty one.
    pub fn primary() -> Self {
        Self(Cluster::start(SETTINGS))
    }

    /// A standby that follows this one.
    pub fn standby(&self) -> Self {
        let primary = self.url("postgres");
        Self(Cluster::start_from(SETTINGS, |data| {
            let mut backup = Cluster::tool("pg_basebackup");
            backup.args(["--dbname", &primary, "--write-recovery-conf", "--wal-method", "stream"]);
            backup.args(["--checkpoint", "fast", "--no-sync"]).arg("--pgdata").arg(data);
            assert!(backup.status().unwrap().success());
        }))
    }

    /// Starts it again, and waits until it lets readers in.
    pub fn start(&mut self) {
        self.0.start_again();
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        self.0.stop(Stop::Immediate);
    }

    /// Makes it a server that follows nobody.
    pub fn promote(&self) {
        self.until("SELECT pg_promote()", "t");
        self.until("SELECT pg_is_in_recovery()", "f");
    }

    /// What is replayed stays as it is, although more arrives.
    pub fn pause_replay(&self) {
        self.value("SELECT pg_wal_replay_pause()", "postgres");
        self.until("SELECT pg_get_wal_replay_pause_state()", "paused");
    }

    pub fn resume_replay(&self) {
        self.value("SELECT pg_wal_replay_resume()", "postgres");
    }

    fn until(&self, query: &str, wanted: &str) {
        self.0.until("postgres", query, wanted);
    }

    /// The one value of a query; nothing if it fails.
    pub fn value(&self, query: &str, database: &str) -> Option<String> {
        self.0.try_psql(database, query)
    }

    /// How the program is told of a database on it.
    pub fn url(&self, database: &str) -> String {
        self.0.url(database)
    }
}
