//! A cluster of a test's own.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::{printed, psql, try_psql};

/// Who owns a cluster when tests run as root, whom the server refuses to serve.
const UNPRIVILEGED: &str = "postgres";
/// How long a server may take to answer after it was started, recovery included.
const START_MAX: Duration = Duration::from_mins(1);
/// How long it may take for an answer to become the wanted one.
const ANSWER_MAX: Duration = Duration::from_mins(2);
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How a server is stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// Everybody is disconnected, everything is written.
    Fast,
    /// As a power cut: the next start recovers from the write-ahead log.
    Immediate,
}

impl Stop {
    /// The signal, <https://www.postgresql.org/docs/current/server-shutdown.html>.
    const fn signal(self) -> &'static str {
        match self {
            Self::Fast => "-INT",
            Self::Immediate => "-QUIT",
        }
    }
}

/// A PostgreSQL server of its own, on a unix socket in a temporary folder, gone with this value.
#[derive(Debug)]
pub struct Cluster {
    folder: TempDir,
    data: PathBuf,
    settings: Vec<String>,
    server: Option<Child>,
}

impl Cluster {
    /// Makes a cluster and starts it with further settings (`name=value`).
    pub fn start(settings: &[&str]) -> Self {
        Self::start_made(&[], settings)
    }

    /// The same, made with further arguments of `initdb`.
    pub fn start_made(init: &[&str], settings: &[&str]) -> Self {
        let folder = folder();
        let data = folder.path().join("data");
        Self::start_in(folder, data, init, settings)
    }

    /// The same with its data in a folder that is there and empty, such as a small disk.
    pub fn start_at(data: &Path, settings: &[&str]) -> Self {
        give(data);
        Self::start_in(folder(), data.to_owned(), &[], settings)
    }

    fn start_in(folder: TempDir, data: PathBuf, more: &[&str], settings: &[&str]) -> Self {
        let mut init = as_server("initdb");
        init.args(["--username", "counterfoil", "--auth", "trust", "--encoding", "UTF8"]);
        // It sorts text as a dictionary does unless told otherwise, so that a forgotten collation
        // is found.
        init.args(["--locale", "C.UTF-8", "--locale-provider", "icu", "--icu-locale", "en-US"]);
        init.args(more).arg("--pgdata").arg(&data);
        printed(init);
        Self::over(folder, data, settings)
    }

    /// A cluster over data that another tool makes first: a base backup, to be restored or to follow
    /// its primary. The tool gets the folder to write into, and runs as [`Cluster::tool`] runs it.
    pub fn start_from(settings: &[&str], make: impl FnOnce(&Path)) -> Self {
        let folder = folder();
        let data = folder.path().join("data");
        make(&data);
        Self::over(folder, data, settings)
    }

    fn over(folder: TempDir, data: PathBuf, settings: &[&str]) -> Self {
        let settings = settings.iter().map(|&setting| setting.to_owned()).collect();
        let mut cluster = Self { folder, data, settings, server: None };
        cluster.start_again();
        cluster
    }

    /// Starts the server that was stopped, and waits until it answers.
    pub fn start_again(&mut self) {
        self.launch();
        let deadline = Instant::now() + START_MAX;
        while !self.answers() {
            let ended = self.server.as_mut().expect("it was launched").try_wait();
            let ended = ended.expect("its state can be asked");
            assert!(ended.is_none() && Instant::now() < deadline, "{}", self.log());
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Starts the server that was stopped, without waiting for it.
    pub fn launch(&mut self) {
        assert!(self.server.is_none(), "it is running");
        let log = File::options().create(true).append(true).open(self.log_file());
        let log = log.expect("its log can be written");
        let mut server = as_server("postgres");
        server.arg("-D").arg(&self.data).arg("-k").arg(self.folder.path());
        server.args(["-c", "listen_addresses=", "-c", "max_connections=100"]);
        for setting in &self.settings {
            server.args(["-c", setting]);
        }
        let errors = log.try_clone().expect("its log can be written");
        server.stdin(Stdio::null()).stdout(log).stderr(errors);
        self.server = Some(server.spawn().expect("the server starts"));
    }

    /// Whether it takes connections.
    pub fn answers(&self) -> bool {
        let mut ask = Command::new("pg_isready");
        ask.arg("--quiet").arg("--host").arg(self.folder.path());
        ask.status().expect("pg_isready runs").success()
    }

    /// Stops the server and waits until it is gone.
    pub fn stop(&mut self, how: Stop) {
        let Some(mut server) = self.server.take() else { return };
        let signalled =
            Command::new("kill").args([how.signal(), &server.id().to_string()]).status();
        assert!(signalled.expect("kill runs").success());
        server.wait().expect("it ends");
    }

    /// The URL of one of its databases, for a user who may do anything. `postgres` is always there.
    pub fn url(&self, database: &str) -> String {
        format!("postgres://counterfoil@localhost/{database}?host={}", self.folder.path().display())
    }

    /// Where its socket is: the host, for the server's own tools.
    pub fn host(&self) -> &Path {
        self.folder.path()
    }

    /// Its data.
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// Runs a statement and gives what it printed.
    pub fn psql(&self, database: &str, statement: &str) -> String {
        psql(&self.url(database), statement)
    }

    /// The same; nothing if it fails, as where the server takes no connection.
    pub fn try_psql(&self, database: &str, statement: &str) -> Option<String> {
        try_psql(&self.url(database), statement)
    }

    /// Waits until a query answers this, and as long as it fails.
    pub fn until(&self, database: &str, query: &str, wanted: &str) {
        let deadline = Instant::now() + ANSWER_MAX;
        while self.try_psql(database, query).as_deref() != Some(wanted) {
            assert!(Instant::now() < deadline, "{query} is not {wanted}: {}", self.log());
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// One of the server's own programs, as the user who owns the data. Whatever it writes must be in
    /// a folder that was given to this user.
    pub fn tool(program: &str) -> Command {
        as_server(program)
    }

    /// Gives a folder to the user who owns the data.
    pub fn give(folder: &Path) {
        give(folder);
    }

    /// What the server wrote to its log.
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.log_file()).unwrap_or_default()
    }

    fn log_file(&self) -> PathBuf {
        self.folder.path().join("server.log")
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        self.stop(Stop::Immediate);
    }
}

/// A folder for the server's socket and data, which everybody may go through.
fn folder() -> TempDir {
    let folder = tempfile::Builder::new().prefix("counterfoil-cluster-").tempdir();
    let folder = folder.expect("a temporary folder can be made");
    give(folder.path());
    folder
}

fn is_root() -> bool {
    let mut id = Command::new("id");
    id.arg("-u");
    printed(id) == "0"
}

fn give(folder: &Path) {
    let mut mode = Command::new("chmod");
    mode.arg("711").arg(folder);
    printed(mode);
    if is_root() {
        let mut owner = Command::new("chown");
        owner.arg(UNPRIVILEGED).arg(folder);
        printed(owner);
    }
}

/// A program of the server's, run as somebody whom it serves, in a folder that this user may enter.
fn as_server(program: &str) -> Command {
    let mut command = if is_root() {
        let mut command = Command::new("setpriv");
        command.args(["--reuid", UNPRIVILEGED, "--regid", UNPRIVILEGED, "--clear-groups", "--"]);
        command.arg(program);
        command
    } else {
        Command::new(program)
    };
    command.current_dir("/");
    command
}
