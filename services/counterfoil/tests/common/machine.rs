//! Where a runbook is carried out: its scripts, and folders for what they keep.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;
use testbed::Cluster;

/// Folders where the server's user may do everything.
pub struct Machine {
    folder: TempDir,
}

impl Machine {
    pub fn new() -> Self {
        let folder = tempfile::Builder::new().prefix("counterfoil-restore-").tempdir().unwrap();
        Cluster::give(folder.path());
        let machine = Self { folder };
        // The server's user may not be able to read where the sources are.
        let ops = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../ops");
        for script in ["archive-wal", "backup-postgres", "restore-postgres"] {
            std::fs::copy(ops.join(script), machine.path(script)).unwrap();
            std::fs::set_permissions(machine.path(script), PermissionsExt::from_mode(0o755))
                .unwrap();
        }
        for folder in ["wal", "stream", "base"] {
            machine.done("mkdir", &[machine.path(folder).to_str().unwrap()]);
        }
        machine
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A program as the server's user, from a folder that user can be in.
    pub fn command(&self, program: &str, arguments: &[&str]) -> Command {
        let mut command = Cluster::tool(program);
        command.args(arguments).current_dir(self.folder.path());
        command
    }

    /// Runs a program that must succeed, and gives what it wrote.
    pub fn done(&self, program: &str, arguments: &[&str]) -> String {
        let Output { status, stdout, stderr } = self.command(program, arguments).output().unwrap();
        let err = String::from_utf8_lossy(&stderr);
        assert!(status.success(), "{program} {arguments:?}: {err}");
        String::from_utf8(stdout).unwrap()
    }

    /// A cluster restored by the script, given what comes before and after the data folder in its
    /// arguments; it has replayed its log and takes part in work.
    pub fn restored(&self, before: &[&str], after: &[&str]) -> Cluster {
        let script = self.path("restore-postgres");
        let cluster = Cluster::start_from(&[], |data| {
            let data = [data.to_str().unwrap()];
            let script = [script.to_str().unwrap()];
            self.done("sh", &[&script, before, &data, after].concat());
        });
        cluster.until("postgres", "SELECT pg_is_in_recovery()", "f");
        cluster
    }
}

/// How the backup tools connect.
pub fn connection(cluster: &Cluster) -> String {
    format!("host={} user=counterfoil dbname=postgres", cluster.host().display())
}
