//! The runbook of ops/backup.md, carried out: what was acknowledged is there after the database is
//! gone and restored, and what was noted before proves it.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::collections::BTreeMap;
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use api::v1;
use common::Desk;
use common::machine::{Machine, connection};
use common::served::{Caller, Served, message};
use domain::ids::FirmId;
use proof::{Hash, tree};
use store::Store;
use testbed::Cluster;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};

const CASES: [&str; 2] =
    ["00000000-0000-7000-8000-0000000000c1", "00000000-0000-7000-8000-0000000000c2"];
/// Callers at once.
const CALLERS: usize = 6;
/// The exit code of a log that is not what was written.
const UNSOUND: i32 = 4;
/// How long a load may take to record so many requests.
const PATIENCE: Duration = Duration::from_mins(3);

/// What was acknowledged: each request once, with its position.
type Acknowledged = BTreeMap<i64, String>;

/// Callers that record until they are stopped or meet the first failure.
struct Load {
    stop: Arc<AtomicBool>,
    callers: Vec<JoinHandle<Acknowledged>>,
    watcher: JoinHandle<Option<v1::GetHeadResponse>>,
}

impl Load {
    fn start(caller: &Caller) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let callers = (0..CALLERS).map(|number| {
            let (caller, stop) = (caller.clone(), Arc::clone(&stop));
            tokio::spawn(record(caller, CASES[number % CASES.len()], stop))
        });
        let callers = callers.collect();
        let watcher = tokio::spawn(watch(caller.clone(), Arc::clone(&stop)));
        Self { stop, callers, watcher }
    }

    /// Lets everybody finish, and gives what they know and the last end of the log that was noted.
    async fn end(self) -> (Acknowledged, v1::GetHeadResponse) {
        self.stop.store(true, Ordering::Relaxed);
        let mut all = Acknowledged::new();
        for caller in self.callers {
            all.extend(caller.await.unwrap());
        }
        (all, self.watcher.await.unwrap().expect("the end of the log was noted"))
    }
}

async fn record(caller: Caller, case: &str, stop: Arc<AtomicBool>) -> Acknowledged {
    let mut known = Acknowledged::new();
    while !stop.load(Ordering::Relaxed) {
        let request = message(&caller.firm, case);
        let Ok(answer) = caller.record(&request).await else { break };
        known.insert(answer.position, request.request_id);
    }
    known
}

async fn watch(caller: Caller, stop: Arc<AtomicBool>) -> Option<v1::GetHeadResponse> {
    let mut last = None;
    while !stop.load(Ordering::Relaxed) {
        let Ok(noted) = caller.noted().await else { break };
        last = Some(noted);
        sleep(Duration::from_millis(5)).await;
    }
    last
}

/// Waits until the log has grown by so many events.
async fn grow(caller: &Caller, events: i64) {
    let (begun, from) = (Instant::now(), caller.head().await);
    while caller.head().await < from + events {
        assert!(begun.elapsed() < PATIENCE, "the load records too slowly");
        sleep(Duration::from_millis(20)).await;
    }
}

fn checkpoint(noted: &v1::GetHeadResponse) -> String {
    format!("{}:{}", noted.position, noted.root)
}

/// The log is sound and still begins with what was noted.
fn holds(desk: &Desk, noted: &v1::GetHeadResponse) {
    let ran = desk.run(&["verify", "--checkpoint", &checkpoint(noted)]);
    assert_eq!(ran.code, 0, "{ran:?}");
}

/// Every acknowledged request stands where its answer said.
fn check(desk: &Desk, acknowledged: &Acknowledged) {
    assert!(acknowledged.len() > 50, "{} requests prove little", acknowledged.len());
    let recorded = desk.request_ids();
    for (position, request) in acknowledged {
        let at = usize::try_from(*position - 1).unwrap();
        assert_eq!(recorded.get(at), Some(request), "position {position}");
        assert_eq!(recorded.iter().filter(|id| *id == request).count(), 1);
    }
}

/// The leaf hashes of the whole log.
async fn leaves(database: &str, firm: &str) -> Vec<Hash> {
    let store = Store::connect(database).await.unwrap();
    let firm = FirmId::parse(firm.strip_prefix("firms/").unwrap()).unwrap();
    let mut all = Vec::new();
    loop {
        let after = u64::try_from(all.len()).unwrap();
        let page = store.leaves(firm, after, 1_000).await.unwrap();
        if page.is_empty() {
            break;
        }
        all.extend(page);
    }
    store.close().await;
    all
}

/// An outsider who kept only an earlier position and root is convinced by a proof of consistency, RFC
/// 9162 section 2.1.4, that the log was only added to.
fn is_prefix(noted: &v1::GetHeadResponse, leaves: &[Hash]) {
    let old = usize::try_from(noted.position).unwrap();
    let proof = tree::consistency_proof(leaves, old).expect("the log is no shorter than noted");
    let (old_size, new_size) = (u64::try_from(old).unwrap(), u64::try_from(leaves.len()).unwrap());
    let (old_root, new_root) = (Hash::from_hex(&noted.root).unwrap(), tree::root_of(leaves));
    let verified = tree::verify_consistency(old_size, &old_root, new_size, &new_root, &proof);
    assert_eq!(verified, Ok(()));
    assert_eq!(
        tree::verify_consistency(
            old_size,
            &proof::leaf_hash(b"another"),
            new_size,
            &new_root,
            &proof
        )
        .is_err(),
        old > 0,
        "the proof proves this root and no other"
    );
}

/// Sends every commit's log to another folder before it is acknowledged, as the runbook says.
struct Receiver(Child);

impl Receiver {
    fn start(machine: &Machine, cluster: &Cluster) -> Self {
        let connection = format!("{} application_name=counterfoil_wal", connection(cluster));
        let stream = machine.path("stream");
        let slot = ["--dbname", &connection, "--slot", "counterfoil_wal"];
        machine.done("pg_receivewal", &[&slot[..], &["--create-slot"]].concat());
        let folder = ["--directory", stream.to_str().unwrap(), "--synchronous", "--no-loop"];
        let mut receive = machine.command("pg_receivewal", &[&slot[..], &folder[..]].concat());
        let receiver = Self(receive.stderr(Stdio::null()).spawn().unwrap());
        let receiving = "SELECT COUNT(*) FROM pg_stat_replication";
        cluster.until("postgres", receiving, "1");
        cluster.psql("postgres", "ALTER SYSTEM SET synchronous_standby_names = 'counterfoil_wal'");
        cluster.psql("postgres", "SELECT pg_reload_conf()");
        let waited_for = format!("{receiving} WHERE sync_state = 'sync'");
        cluster.until("postgres", &waited_for, "1");
        receiver
    }

    /// It ends by itself when its server is gone.
    fn ended(mut self) {
        self.0.wait().unwrap();
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_destroyed_cluster_is_restored_to_the_last_acknowledged_event_or_to_a_moment_before() {
    let machine = Machine::new();
    let path = |name: &str| machine.path(name).to_str().unwrap().to_owned();
    let archive = format!("archive_command={} %p %f {}", path("archive-wal"), path("wal"));
    // Small pieces of write-ahead log, so that some are finished soon.
    let cluster = Cluster::start_made(&["--wal-segsize", "1"], &["archive_mode=on", &archive]);
    let receiver = Receiver::start(&machine, &cluster);
    let mut desk = Desk::empty();
    desk.database = Some(cluster.url("postgres"));
    let mut desk = desk.founded();
    desk.done(&["import", common::data("cases.jsonl").to_str().unwrap()]);
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let first = desk.done(&["head", "--quiet"]);
    let served = Served::start(&desk);
    let caller = served.caller(&firm, &token).await;
    let first_noted = caller.noted().await.unwrap();
    assert_eq!(first.trim(), checkpoint(&first_noted), "head tells what is to be noted");

    // A base backup, taken in the middle of the work.
    let load = Load::start(&caller);
    grow(&caller, 100).await;
    let base =
        machine.done("sh", &[&path("backup-postgres"), &connection(&cluster), &path("base")]);
    let base = base.trim();
    grow(&caller, 100).await;
    let (mut acknowledged, _) = load.end().await;
    let before = caller.noted().await.unwrap();
    cluster.psql("postgres", "SELECT pg_create_restore_point('before_the_mistake')");
    let moment = cluster.psql("postgres", "SELECT clock_timestamp()");

    // More work, and the cluster is gone in the middle of it.
    let load = Load::start(&caller);
    grow(&caller, 100).await;
    cluster.until("postgres", "SELECT archived_count > 0 FROM pg_stat_archiver", "t");
    // It ends as by a power cut, and its data goes with it.
    drop(cluster);
    receiver.ended();
    let (more, last) = load.end().await;
    acknowledged.extend(more);
    assert!(last.position > before.position + 99, "{last:?} after {before:?}");
    drop(served);

    // All of it back: base, archive, and the log that was still being received.
    let (wal, stream) = (path("wal"), path("stream"));
    let cluster = machine.restored(&[base], &[&wal, &stream]);
    desk.database = Some(cluster.url("postgres"));
    for noted in [&first_noted, &before, &last] {
        holds(&desk, noted);
    }
    check(&desk, &acknowledged);
    let leaves_now = leaves(&cluster.url("postgres"), &firm).await;
    for noted in [&first_noted, &before, &last] {
        is_prefix(noted, &leaves_now);
    }
    // And it goes on from there.
    let served = Served::start(&desk);
    let caller = served.caller(&firm, &token).await;
    let head = caller.noted().await.unwrap();
    assert!(head.position >= last.position);
    let answer = caller.record(&message(&firm, CASES[0])).await.unwrap();
    assert_eq!(answer.position, head.position + 1);
    assert_eq!(served.end(), Some(0));
    holds(&desk, &head);
    drop(cluster);

    // Back to a moment before: exactly what the log was then, and a prefix of what it became.
    for [until, when] in [["--until-name", "before_the_mistake"], ["--until-time", &moment]] {
        let cluster = machine.restored(&[until, when, base], &[&wal, &stream]);
        desk.database = Some(cluster.url("postgres"));
        let (position, root) = desk.log();
        assert_eq!((position, root), (before.position.to_string(), before.root.clone()));
        let leaves_then = leaves(&cluster.url("postgres"), &firm).await;
        assert!(leaves_now.starts_with(&leaves_then));
        is_prefix(&before, &leaves_now);
        holds(&desk, &first_noted);
        // What was recorded since is missed, and said to be.
        let missed = desk.run(&["verify", "--checkpoint", &checkpoint(&last)]);
        assert_eq!(missed.code, UNSOUND, "{missed:?}");
        assert!(missed.out.contains("ends before position"), "{missed:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_file_is_copied_while_it_is_written_and_the_copy_serves() {
    let desk = Desk::with_cases();
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let served = Served::start(&desk);
    let caller = served.caller(&firm, &token).await;
    let load = Load::start(&caller);
    grow(&caller, 60).await;
    let before = caller.noted().await.unwrap();
    let copy = desk.folder.path().join("copy.db").to_str().unwrap().to_owned();
    desk.done(&["backup", &copy]);
    let after = caller.noted().await.unwrap();
    grow(&caller, 60).await;
    let (acknowledged, last) = load.end().await;
    assert_eq!(served.end(), Some(0));
    check(&desk, &acknowledged);

    // A copy is never made over another file, nor of a file that is not there.
    assert_eq!(desk.run(&["backup", &copy]).code, 2);
    let nowhere = ["--database", "sqlite:none.db", "backup", "other.db"];
    assert_eq!(desk.run(&nowhere).code, 2);
    let names = desk.folder.path().read_dir().unwrap().map(|file| file.unwrap().file_name());
    assert!(names.into_iter().all(|name| !name.to_string_lossy().starts_with(".counterfoil")));

    let leaves_now =
        leaves(&format!("sqlite:{}", desk.folder.path().join("counterfoil.db").display()), &firm)
            .await;
    std::fs::remove_file(desk.folder.path().join("counterfoil.db")).unwrap();
    let mut restored = desk;
    restored.database = Some(format!("sqlite:{copy}"));
    holds(&restored, &before);
    let (position, root) = restored.log();
    let position: i64 = position.parse().unwrap();
    assert!((before.position..=after.position).contains(&position));
    is_prefix(&v1::GetHeadResponse { position, root, ..before }, &leaves_now);
    let missed = restored.run(&["verify", "--checkpoint", &checkpoint(&last)]);
    assert_eq!(missed.code, UNSOUND, "{missed:?}");
    let served = Served::start(&restored);
    let caller = served.caller(&firm, &token).await;
    let answer = caller.record(&message(&firm, CASES[0])).await.unwrap();
    assert_eq!(answer.position, position + 1);
    assert_eq!(served.end(), Some(0));
}

#[test]
fn a_backup_is_verified_as_it_lies_there_and_without_keys() {
    use std::os::unix::fs::PermissionsExt as _;
    let desk = Desk::with_cases();
    let copy = desk.folder.path().join("firm-2026-03-09.db");
    desk.done(&["backup", copy.to_str().unwrap()]);
    std::fs::set_permissions(&copy, std::fs::Permissions::from_mode(0o400)).unwrap();
    let before = std::fs::read(&copy).unwrap();
    let database = format!("sqlite:{}", copy.display());
    let mut verify = desk.command(&["--database", &database, "verify"]);
    verify.env_remove("COUNTERFOIL_KEYS");
    let ran = common::Ran::of(verify.output().unwrap());
    assert!(ran.code == 0 && ran.out.contains("The log is sound."), "{ran:?}");
    let derived = desk.done(&["--database", &database, "verify", "--with-derived"]);
    assert!(derived.contains("follow from the log"), "{derived}");
    assert!(std::fs::read(&copy).unwrap() == before, "verifying changed the backup");
    let beside: Vec<_> = std::fs::read_dir(desk.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| name.starts_with("firm-2026-03-09.db"))
        .collect();
    assert_eq!(beside, ["firm-2026-03-09.db"]);
}
