//! What goes wrong around a service on PostgreSQL: what its callers are told, and that nothing is lost.
//! The outcome of each is a row of the table in `ops/failures.md`.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::{self, Scope};
use counterfoil_tests::aftermath::{Acknowledged, check_answers, check_log, whole_log};
use counterfoil_tests::child::{self, authorized};
use counterfoil_tests::{bulk, history};
use domain::event::UtcMicros;
use ledger::{Ledger, ServerConfig};
use log::{Clock, SteppedClock};
use tempfile::TempDir;
use testbed::{Cluster, Stop};
use tonic::transport::Channel;
use tonic::{Code, Status};
use tonic_types::StatusExt as _;

const CLIENTS: u32 = 20;
/// How long a caller goes on asking.
const PATIENCE: Duration = Duration::from_mins(1);
const HOUR: i64 = 3_600_000_000;

/// A service on a database, and a caller that keeps what it was told.
struct Desk {
    database: String,
    ledger: Ledger,
    clock: Arc<SteppedClock>,
    channel: Channel,
    token: String,
    acknowledged: Vec<Acknowledged>,
    _outbox: TempDir,
}

impl Desk {
    async fn open(database: &str) -> Self {
        let outbox = tempfile::tempdir().unwrap();
        let scopes = [Scope::Record, Scope::Read];
        let filled = child::prepare(database, outbox.path(), &scopes, async |engine| {
            bulk::enrol(engine, CLIENTS).await;
        });
        let token = filled.await;
        let (engine, store, clock) = child::open(database).await.unwrap();
        let ledger = child::ledger(engine, store, clock.clone(), outbox.path());
        let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
        let address = format!("http://{}", listening.local_addr);
        let channel = Channel::from_shared(address).unwrap().connect().await.unwrap();
        let (database, acknowledged) = (database.to_owned(), Vec::new());
        Self { database, ledger, clock, channel, token, acknowledged, _outbox: outbox }
    }

    async fn try_record(&mut self, request: &v1::RecordRequest) -> Result<(), Status> {
        let mut client = CaseLedgerClient::new(self.channel.clone());
        let response = client.record(authorized(&self.token, request.clone())).await?;
        self.acknowledged.push((request.clone(), response.into_inner()));
        Ok(())
    }

    /// Records something that has to work at once.
    async fn record(&mut self) {
        self.try_record(&message()).await.unwrap();
    }

    /// Asks again under the same request id until it works.
    async fn record_at_last(&mut self, request: &v1::RecordRequest) {
        let deadline = Instant::now() + PATIENCE;
        while let Err(status) = self.try_record(request).await {
            says_try_again(&status);
            assert!(Instant::now() < deadline, "{status:?}");
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    }

    /// The log has everything that was acknowledged, once.
    async fn nothing_is_lost(self) {
        self.ledger.shutdown().await;
        let log = whole_log(&self.database).await;
        check_log(&log);
        check_answers(&log, &self.acknowledged);
    }
}

fn message() -> v1::RecordRequest {
    bulk::messages_request(history::firm_id(), 3, 1)
}

/// UNAVAILABLE, with a hint when to come back.
fn says_try_again(status: &Status) -> String {
    assert_eq!(status.code(), Code::Unavailable, "{status:?}");
    let retry = status.get_details_retry_info().expect("a hint").retry_delay.expect("a delay");
    assert!(!retry.is_zero());
    status.get_details_error_info().expect("a reason").reason
}

fn firm_database(cluster: &Cluster) -> String {
    cluster.psql("postgres", "CREATE DATABASE firm");
    cluster.url("firm")
}

/// A file system in memory, taken down with this value.
struct SmallDisk {
    folder: TempDir,
}

impl SmallDisk {
    /// Only root may mount one.
    fn of(megabytes: u32) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let size = format!("size={megabytes}m");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(folder.path());
        let mounted = mount.status().unwrap();
        assert!(mounted.success(), "a small disk is mounted for this test, as root");
        Self { folder }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Takes all the room that is left, until the file is removed.
    fn fill(&self) -> PathBuf {
        let ballast = self.path().join("ballast");
        let mut dd = Command::new("dd");
        dd.arg("if=/dev/zero").arg(format!("of={}", ballast.display())).arg("bs=64k");
        let filled = dd.output().unwrap();
        assert!(!filled.status.success(), "it ends when there is no room");
        ballast
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let unmounted = Command::new("umount").arg("--lazy").arg(self.path()).status();
        assert!(unmounted.is_ok_and(|status| status.success()) || std::thread::panicking());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk() {
    let disk = SmallDisk::of(160);
    let data = disk.path().join("data");
    std::fs::create_dir(&data).unwrap();
    let settings = ["max_wal_size=32MB", "min_wal_size=32MB", "shared_buffers=16MB"];
    let mut cluster = Cluster::start_at(&data, &settings);
    let mut desk = Desk::open(&firm_database(&cluster)).await;
    desk.record().await;
    let ballast = disk.fill();
    let deadline = Instant::now() + PATIENCE;
    let (mut request, mut told) = (message(), None);
    while told.is_none() {
        assert!(Instant::now() < deadline, "the disk does not fill");
        match desk.try_record(&request).await {
            Ok(()) => request = bulk::messages_request(history::firm_id(), 3, 100),
            Err(status) => told = Some(says_try_again(&status)),
        }
    }
    let told = told.unwrap();
    assert!(["STORE_UNAVAILABLE", "OUTCOME_UNKNOWN"].contains(&told.as_str()), "{told}");
    std::fs::remove_file(ballast).unwrap();
    // Where the server could not write its own log it has ended, and is started again.
    let has_ended = !cluster.answers();
    println!("a full disk: {told}; the server has ended: {has_ended}");
    if has_ended {
        cluster.stop(Stop::Immediate);
        cluster.start_again();
    }
    desk.record_at_last(&request).await;
    desk.record().await;
    desk.nothing_is_lost().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn too_many_connections() {
    // The server notices within a second that somebody who sleeps on it has gone.
    let settings = ["max_connections=30", "client_connection_check_interval=1s"];
    let cluster = Cluster::start(&settings);
    let mut desk = Desk::open(&firm_database(&cluster)).await;
    desk.record().await;
    // Others take what the service had and all the rest.
    let cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity \
               WHERE application_name = 'counterfoil'";
    // Connected beforehand: later there is no room to come in and cut.
    let mut inside = Command::new("psql");
    inside.args(["--no-psqlrc", "--quiet", "--dbname", &cluster.url("postgres")]);
    inside.env("PGAPPNAME", "inside").stdin(Stdio::piped()).stdout(Stdio::null());
    let mut inside = inside.spawn().unwrap();
    let is_inside = "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'inside'";
    cluster.until("postgres", is_inside, "1");
    let mut asked = inside.stdin.take().unwrap();
    let mut others = Vec::new();
    let deadline = Instant::now() + PATIENCE;
    let request = message();
    let told = loop {
        assert!(Instant::now() < deadline, "there is always room");
        writeln!(asked, "{cut};").unwrap();
        for _ in 0..40 {
            let mut other = Command::new("psql");
            other.args(["--no-psqlrc", "--quiet", "--dbname", &cluster.url("postgres")]);
            other.args(["--command", "SELECT pg_sleep(600)"]).stdout(Stdio::null());
            others.push(other.stderr(Stdio::null()).spawn().unwrap());
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
        if let Err(status) = desk.try_record(&request).await {
            break says_try_again(&status);
        }
    };
    assert_eq!(told, "STORE_UNAVAILABLE");
    cluster.try_psql("postgres", cut);
    assert!(cluster.log().contains("too many clients already"), "{}", cluster.log());
    drop(asked);
    others.push(inside);
    for other in &mut others {
        other.kill().unwrap();
        other.wait().unwrap();
    }
    desk.record_at_last(&request).await;
    let sleeping = "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep'";
    cluster.until("postgres", sleeping, "0");
    desk.nothing_is_lost().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lock_that_another_holds() {
    let cluster = Cluster::start(&[]);
    let mut desk = Desk::open(&firm_database(&cluster)).await;
    desk.record().await;
    let hold = format!(
        "BEGIN; SELECT 1 FROM counterfoil.log_head WHERE firm = '{}' FOR UPDATE; \
         SELECT pg_sleep(600)",
        history::firm_id()
    );
    let mut other = Command::new("psql");
    other.args(["--no-psqlrc", "--quiet", "--dbname", &cluster.url("firm"), "--command", &hold]);
    let mut other = other.stdout(Stdio::null()).spawn().unwrap();
    let holding = "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep'";
    cluster.until("firm", holding, "1");
    let request = message();
    let status = desk.try_record(&request).await.unwrap_err();
    assert_eq!(says_try_again(&status), "STORE_UNAVAILABLE");
    assert!(cluster.log().contains("canceling statement due to lock timeout"));
    let end = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE wait_event = 'PgSleep'";
    cluster.psql("firm", end);
    other.wait().unwrap();
    desk.record_at_last(&request).await;
    desk.nothing_is_lost().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_stepped_back_an_hour() {
    let cluster = Cluster::start(&[]);
    let mut desk = Desk::open(&firm_database(&cluster)).await;
    desk.record().await;
    let before = desk.clock.now();
    desk.clock.set(UtcMicros(before.0 - HOUR));
    desk.record().await;
    // From noon back to the day before: today is in the future now, and is refused, not guessed at.
    desk.clock.set(UtcMicros(before.0 - 13 * HOUR));
    let request = message();
    let status = desk.try_record(&request).await.unwrap_err();
    assert_eq!(status.code(), Code::InvalidArgument, "{status:?}");
    desk.clock.set(before);
    // The answer to a request id never changes; what was meant is asked under a new one.
    assert!(desk.try_record(&request).await.is_err());
    desk.record().await;
    let database = desk.database.clone();
    desk.nothing_is_lost().await;
    let log = whole_log(&database).await;
    let times: Vec<i64> = log.iter().rev().take(3).map(|r| before.0 - r.recorded_at.0).collect();
    assert_eq!(times, [0, 0, 0], "positions keep the order; no time runs back");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_standby_is_promoted() {
    let mut primary = Cluster::start(&["wal_level=replica", "max_wal_senders=4"]);
    let url = primary.url("postgres");
    let mut standby = Cluster::start_from(&["hot_standby=on"], |data| {
        let mut backup = Cluster::tool("pg_basebackup");
        backup.args(["--dbname", &url, "--write-recovery-conf", "--checkpoint", "fast"]);
        assert!(backup.arg("--pgdata").arg(data).status().unwrap().success());
    });
    // A commit is answered when the standby has it too: without this, what was not streamed yet would
    // be lost with the primary.
    primary.psql("postgres", "ALTER SYSTEM SET synchronous_standby_names = '*'");
    primary.psql("postgres", "SELECT pg_reload_conf()");
    // The service finds its server by a name that is moved from one to the other.
    let names = tempfile::tempdir().unwrap();
    let name = names.path().join("server");
    std::os::unix::fs::symlink(primary.host(), &name).unwrap();
    primary.psql("postgres", "CREATE DATABASE firm");
    let database = format!("postgres://counterfoil@localhost/firm?host={}", name.display());
    let mut desk = Desk::open(&database).await;
    for _ in 0..50 {
        desk.record().await;
    }
    primary.stop(Stop::Immediate);
    let request = message();
    let status = desk.try_record(&request).await.unwrap_err();
    says_try_again(&status);
    // Still a standby: it may be read, and refuses to be written to.
    std::fs::remove_file(&name).unwrap();
    std::os::unix::fs::symlink(standby.host(), &name).unwrap();
    let status = desk.try_record(&request).await.unwrap_err();
    says_try_again(&status);
    standby.psql("postgres", "SELECT pg_promote()");
    desk.record_at_last(&request).await;
    desk.record().await;
    desk.nothing_is_lost().await;
    standby.stop(Stop::Fast);
}
