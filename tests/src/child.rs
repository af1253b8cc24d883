//! A server in a process of its own, which tests may kill.
//!
//! The process is the test program itself, started again: its file needs a test called
//! `serve_as_child` that does nothing but [`serve`].

use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;

use api::v1::Scope;
use ledger::gateway::FileOutbox;
use ledger::{Ledger, Limits, ServerConfig};
use log::{Clock, Engine, Settings, SteppedClock, UuidV7Ids};
use store::{OpenError, Store};
use testbed::firm_keys;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};
use tokio::process::{Child, Command};
use tonic::Request;
use tonic::transport::Channel;

use crate::bulk;

/// Tells the process which database to serve.
const DATABASE: &str = "COUNTERFOIL_CHILD_DATABASE";
/// Tells it where charges go.
const OUTBOX: &str = "COUNTERFOIL_CHILD_OUTBOX";
/// How long a caller waits for an answer.
const CALL_TIMEOUT: Duration = Duration::from_secs(20);

/// Whether this process is such a server, and not the test.
pub fn is_child() -> bool {
    std::env::var_os(DATABASE).is_some()
}

/// An engine over a database, at the noon of the bulk firm's last day.
pub async fn open(database: &str) -> Result<(Engine, Arc<Store>, Arc<SteppedClock>), OpenError> {
    let store = Arc::new(Store::connect(database).await?);
    let clock = Arc::new(SteppedClock::at(bulk::now()));
    let ids = Arc::new(UuidV7Ids::new());
    let engine = Engine::new(store.ports(), clock.clone(), ids, firm_keys(), Settings::default());
    Ok((engine, store, clock))
}

/// The service over an engine.
pub fn ledger(engine: Engine, store: Arc<Store>, clock: Arc<dyn Clock>, outbox: &Path) -> Ledger {
    Ledger::new(engine, store, clock, Arc::new(FileOutbox::new(outbox)), Limits::default())
}

async fn started(database: &str, outbox: &Path) -> anyhow::Result<Ledger> {
    let (engine, store, clock) = open(database).await?;
    engine.start().await?;
    Ok(ledger(engine, store, clock, outbox))
}

/// Fills an empty database, and gives a token with these scopes.
pub async fn prepare(
    database: &str,
    outbox: &Path,
    scopes: &[Scope],
    fill: impl AsyncFnOnce(&Engine),
) -> String {
    let ledger = started(database, outbox).await.expect("an empty database can be opened");
    bulk::set_up(ledger.engine()).await;
    fill(ledger.engine()).await;
    let token = bulk::token(&ledger, "test", scopes).await;
    ledger.engine().shutdown(CALL_TIMEOUT).await;
    ledger.store().close().await;
    token
}

/// Serves, if this process was started to, until it is killed or whoever started it is gone.
pub async fn serve() {
    let Ok(database) = std::env::var(DATABASE) else { return };
    let outbox = PathBuf::from(std::env::var_os(OUTBOX).expect("a child is told its outbox"));
    // What cannot serve ends, as the program itself does: whoever started it tries again.
    let Ok(ledger) = started(&database, &outbox).await else { return };
    let listening = ledger.serve(&ServerConfig::loopback(0)).await.expect("a port is free");
    println!("\nserving {}", listening.local_addr);
    let mut input = tokio::io::stdin();
    let mut byte = [0];
    while input.read(&mut byte).await.is_ok_and(|read| read > 0) {}
}

/// A server that runs.
pub struct Server {
    child: Child,
    channel: Channel,
}

impl Server {
    /// Starts one; nothing if it could not serve, as while its database is away.
    pub async fn start(database: &str, outbox: &Path) -> Option<Self> {
        let program = std::env::current_exe().expect("this program has a path");
        let mut child = Command::new(program)
            .args(["--exact", "serve_as_child", "--nocapture"])
            .env(DATABASE, database)
            .env(OUTBOX, outbox)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("this program starts again");
        let output = child.stdout.take().expect("its output is a pipe");
        let mut lines = BufReader::new(output).lines();
        while let Some(line) = lines.next_line().await.expect("its output reads") {
            if let Some(address) = line.strip_prefix("serving ") {
                let channel = Channel::from_shared(format!("http://{address}"));
                let channel = channel.expect("an address makes a URL").connect_lazy();
                return Some(Self { child, channel });
            }
        }
        child.wait().await.expect("it ends");
        None
    }

    /// Starts one, and again until it serves.
    pub async fn start_surely(database: &str, outbox: &Path) -> Self {
        loop {
            if let Some(server) = Self::start(database, outbox).await {
                return server;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// How to reach it.
    pub fn channel(&self) -> Channel {
        self.channel.clone()
    }

    /// Its process, for [`kill`].
    pub fn process(&self) -> u32 {
        self.child.id().expect("nobody waits for it while it runs")
    }
}

/// SIGKILL: the process gets no chance to finish anything.
pub fn kill(process: u32) {
    let mut kill = std::process::Command::new("kill");
    kill.args(["-9", &process.to_string()]);
    assert!(kill.status().expect("kill runs").success());
}

/// A request with a token.
pub fn bearing<T>(token: &str, message: T) -> Request<T> {
    let mut request = Request::new(message);
    let bearer = format!("Bearer {token}").parse().expect("a token is plain text");
    request.metadata_mut().insert("authorization", bearer);
    request
}

/// The same with a time limit.
pub fn authorized<T>(token: &str, message: T) -> Request<T> {
    let mut request = bearing(token, message);
    request.set_timeout(CALL_TIMEOUT);
    request
}
