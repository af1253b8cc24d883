//! A PostgreSQL cluster of a test's own, to be destroyed and restored as a runbook says.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// Set where the server's programs are on the path.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";
/// The user that servers run as if this is root, which they refuse.
const USER: &str = "postgres";
/// How long a server may take to start, to recover or to stop.
const PATIENCE: Duration = Duration::from_mins(2);

/// A place for clusters and their backups, where the server's user may do everything.
pub struct Machine {
    folder: TempDir,
    as_server: Vec<String>,
}

impl Machine {
    pub fn new() -> Self {
        assert!(
            std::env::var_os(CLUSTER).is_some(),
            "{CLUSTER} is not set: run the tests through ./ops/with-postgres cargo test"
        );
        let folder = tempfile::Builder::new().prefix("counterfoil-restore-").tempdir().unwrap();
        let id = |arguments: &[&str]| {
            let done = Command::new("id").args(arguments).output().unwrap();
            String::from_utf8(done.stdout).unwrap().trim().to_owned()
        };
        let mut as_server = Vec::new();
        if id(&["-u"]) == "0" {
            let (user, group) = (id(&["-u", USER]), id(&["-g", USER]));
            let chown = Command::new("chown").arg(&user).arg(folder.path()).status().unwrap();
            assert!(chown.success());
            let words = ["setpriv", "--reuid", &user, "--regid", &group, "--clear-groups", "--"];
            as_server = words.map(str::to_owned).to_vec();
        }
        // Clients of any user reach the socket.
        std::fs::set_permissions(folder.path(), PermissionsExt::from_mode(0o711)).unwrap();
        let machine = Self { folder, as_server };
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
        let mut words = self.as_server.iter().map(String::as_str).chain([program]);
        let mut command = Command::new(words.next().unwrap());
        command.args(words).args(arguments).current_dir(self.folder.path());
        command
    }

    /// Runs a program that must succeed, and gives what it wrote.
    pub fn done(&self, program: &str, arguments: &[&str]) -> String {
        let Output { status, stdout, stderr } = self.command(program, arguments).output().unwrap();
        let err = String::from_utf8_lossy(&stderr);
        assert!(status.success(), "{program} {arguments:?}: {err}");
        String::from_utf8(stdout).unwrap()
    }

    /// Makes an empty cluster with small pieces of write-ahead log, so that some are finished soon.
    pub fn make_cluster(&self, name: &str) {
        let data = self.path(name);
        let data = data.to_str().unwrap();
        let words = ["--username", "counterfoil", "--auth", "trust", "--encoding", "UTF8"];
        let pieces = ["--locale", "C.UTF-8", "--wal-segsize", "1", "--pgdata", data];
        self.done("initdb", &[words, pieces].concat());
    }

    /// Starts a cluster, and waits until it takes part in work.
    pub fn start(&self, name: &str, settings: &[String]) -> Cluster<'_> {
        let data = self.path(name);
        let socket = self.folder.path().to_str().unwrap();
        let fixed = ["listen_addresses=".to_owned(), "fsync=on".to_owned()];
        let mut arguments = vec!["-D", data.to_str().unwrap(), "-k", socket];
        for setting in fixed.iter().chain(settings) {
            arguments.extend(["-c", setting]);
        }
        let log = std::fs::File::create(self.path(&format!("{name}.log"))).unwrap();
        let mut command = self.command("postgres", &arguments);
        let server = command.stdout(Stdio::null()).stderr(log).spawn().unwrap();
        let mut cluster = Cluster { machine: self, name: name.to_owned(), server };
        let begun = Instant::now();
        while !cluster.is_working() {
            let running = cluster.server.try_wait().unwrap().is_none();
            assert!(running && begun.elapsed() < PATIENCE, "{}", cluster.log());
            std::thread::sleep(Duration::from_millis(50));
        }
        cluster
    }

    fn socket(&self) -> &str {
        self.folder.path().to_str().unwrap()
    }

    /// How the backup tools connect.
    pub fn connection(&self) -> String {
        format!("host={} user=counterfoil dbname=postgres", self.socket())
    }
}

/// A cluster that runs; it is stopped with the test.
pub struct Cluster<'a> {
    machine: &'a Machine,
    name: String,
    server: Child,
}

impl Cluster<'_> {
    /// The database's name, as the command line takes it.
    pub fn url(&self) -> String {
        format!("postgres://counterfoil@localhost/postgres?host={}", self.machine.socket())
    }

    fn is_working(&self) -> bool {
        let arguments = self.query("SELECT pg_is_in_recovery()");
        let asked = Command::new("psql").args(arguments).stderr(Stdio::null()).output().unwrap();
        asked.status.success() && asked.stdout.starts_with(b"f")
    }

    fn query(&self, statement: &str) -> Vec<String> {
        let connection = self.machine.connection();
        let words = ["-qAtX", "--dbname", &connection, "--command", statement];
        words.map(str::to_owned).to_vec()
    }

    /// Runs a statement, and gives its answer.
    pub fn sql(&self, statement: &str) -> String {
        let done = Command::new("psql").args(self.query(statement)).output().unwrap();
        assert!(done.status.success(), "{statement}: {done:?}");
        String::from_utf8(done.stdout).unwrap().trim().to_owned()
    }

    /// Waits until a statement answers `t`.
    pub fn until(&self, statement: &str) {
        let begun = Instant::now();
        while self.sql(statement) != "t" {
            assert!(begun.elapsed() < PATIENCE, "{statement}: {}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.machine.path(&format!("{}.log", self.name))).unwrap()
    }

    /// Stops it as a power cut would, and takes its data away.
    pub fn destroy(mut self) {
        self.stop("-QUIT");
        let data = self.machine.path(&self.name);
        self.machine.done("rm", &["-rf", data.to_str().unwrap()]);
    }

    fn stop(&mut self, signal: &str) {
        if self.server.try_wait().unwrap().is_none() {
            let id = self.server.id().to_string();
            Command::new("kill").args([signal, &id]).status().unwrap();
            self.server.wait().unwrap();
        }
    }
}

impl Drop for Cluster<'_> {
    fn drop(&mut self) {
        self.stop("-QUIT");
    }
}
