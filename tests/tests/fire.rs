//! Three servers on one PostgreSQL database, thirty callers, a minute of mixed load, while servers are
//! killed and the database itself is stopped as by a power cut. Afterwards the log is dense, whole and
//! re-hashes to its root; every acknowledged request is in it once; no fee is earned twice; invoices
//! are gapless; and no reader ever saw a position go back.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use api::v1::billing_client::BillingClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::{self, Scope, follow_response};
use counterfoil_tests::aftermath::{Acknowledged, check_answers, check_log, whole_log};
use counterfoil_tests::bulk;
use counterfoil_tests::child::{self, Server, authorized, bearing, kill};
use counterfoil_tests::history::{case_id, firm_id};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use testbed::{Cluster, Stop};
use tonic::transport::Channel;
use tonic::{Code, Status};

/// How long the load lasts.
const LASTS: Duration = Duration::from_mins(1);
/// When the database is stopped, from the beginning.
const POWER_CUTS: [Duration; 2] = [Duration::from_secs(20), Duration::from_secs(40)];
/// How long the database is away each time.
const DARK: Duration = Duration::from_secs(2);
/// A server is killed this often.
const KILL_EVERY: Duration = Duration::from_secs(4);
const SERVERS: usize = 3;
/// Callers who record; with the others thirty.
const RECORDERS: u64 = 20;
const READERS: u64 = 5;
const FOLLOWERS: u64 = 3;
const BILLERS: u64 = 2;
/// Clients who are enrolled beforehand; their months are recorded under the load.
const CLIENTS: u32 = 2_000;
/// How long a caller waits before it asks another server.
const PAUSE: Duration = Duration::from_millis(50);
/// How long one request may take in all, over every server and power cut.
const PATIENCE: Duration = Duration::from_mins(1);

/// Not a test of its own: a server, when this program is started as one.
#[tokio::test(flavor = "multi_thread")]
async fn serve_as_child() {
    child::serve().await;
}

/// The servers, as callers reach them.
struct Fleet {
    seats: [Mutex<Channel>; SERVERS],
    token: String,
    ending: AtomicBool,
    months: AtomicU32,
    /// How often an answer was that it should be tried again.
    turned_away: AtomicU32,
}

impl Fleet {
    fn channel(&self, rng: &mut StdRng) -> Channel {
        self.seats[rng.random_range(0..SERVERS)].lock().unwrap().clone()
    }

    fn is_ending(&self) -> bool {
        self.ending.load(Ordering::Relaxed)
    }

    /// Asks until there is an answer, of whichever server. What may be asked again is asked under the
    /// same request id; any other failure is a fault.
    async fn ask<M: Clone, R>(
        &self,
        rng: &mut StdRng,
        message: M,
        call: impl AsyncFn(Channel, tonic::Request<M>) -> Result<R, Status>,
    ) -> R {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let request = authorized(&self.token, message.clone());
            let status = match call(self.channel(rng), request).await {
                Ok(answer) => return answer,
                Err(status) => status,
            };
            assert!(may_ask_again(&status), "{status:?}");
            assert!(Instant::now() < deadline, "nobody answers: {status:?}");
            self.turned_away.fetch_add(1, Ordering::Relaxed);
            tokio::time::sleep(PAUSE).await;
        }
    }
}

/// What a server says when it or its database is away, and what the connection says when it is dead.
fn may_ask_again(status: &Status) -> bool {
    let of_transport = std::error::Error::source(status).is_some();
    matches!(status.code(), Code::Unavailable | Code::DeadlineExceeded) || of_transport
}

async fn record(fleet: Arc<Fleet>, seed: u64) -> Vec<Acknowledged> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut acknowledged = Vec::new();
    while !fleet.is_ending() {
        let month = if rng.random_ratio(1, 4) {
            fleet.months.fetch_add(1, Ordering::Relaxed)
        } else {
            CLIENTS
        };
        let request = if month < CLIENTS {
            bulk::month_request(month)
        } else {
            bulk::messages_request(firm_id(), rng.random_range(0..CLIENTS), rng.random_range(1..=3))
        };
        let response = fleet.ask(&mut rng, request.clone(), async |channel, request| {
            Ok(CaseLedgerClient::new(channel).record(request).await?.into_inner())
        });
        let response = response.await;
        acknowledged.push((request, response));
    }
    acknowledged
}

/// Reads one case after the other and says how many; each answer is at least as new as the last.
async fn read(fleet: Arc<Fleet>, seed: u64) -> usize {
    let mut rng = StdRng::seed_from_u64(seed);
    let (mut seen, mut reads) = (0, 0);
    while !fleet.is_ending() {
        let position = if rng.random_ratio(3, 4) {
            let name =
                format!("firms/{}/cases/{}", firm_id(), case_id(rng.random_range(0..CLIENTS)));
            let request =
                v1::GetCaseRequest { name, at_least_position: seen, ..Default::default() };
            let case = fleet.ask(&mut rng, request, async |channel, request| {
                Ok(CaseLedgerClient::new(channel).get_case(request).await?.into_inner())
            });
            case.await.position
        } else {
            let request = v1::ListClaimableRequest {
                parent: format!("firms/{}", firm_id()),
                at_least_position: seen,
                as_of: Some(bulk::today()),
                ..Default::default()
            };
            let list = fleet.ask(&mut rng, request, async |channel, request| {
                Ok(BillingClient::new(channel).list_claimable(request).await?.into_inner())
            });
            list.await.position
        };
        assert!(position >= seen, "a reader saw {seen} and then {position}");
        (seen, reads) = (position, reads + 1);
    }
    reads
}

/// Follows the log from its beginning, from whichever server is there, and says how far it came.
async fn follow(fleet: Arc<Fleet>, seed: u64) -> u64 {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut seen: i64 = 0;
    while !fleet.is_ending() {
        let parent = format!("firms/{}", firm_id());
        let request = v1::FollowRequest { parent, after_position: seen, ..Default::default() };
        let mut client = CaseLedgerClient::new(fleet.channel(&mut rng));
        let mut stream = match client.follow(bearing(&fleet.token, request)).await {
            Ok(stream) => stream.into_inner(),
            Err(status) => {
                assert!(may_ask_again(&status), "{status:?}");
                tokio::time::sleep(PAUSE).await;
                continue;
            }
        };
        // A while later it goes on from another server.
        let until = Instant::now() + Duration::from_millis(rng.random_range(500..5_000));
        loop {
            let next = tokio::time::timeout_at(until.into(), stream.message()).await;
            match next {
                Err(_) | Ok(Ok(None)) => break,
                Ok(Err(status)) => {
                    assert!(may_ask_again(&status), "{status:?}");
                    break;
                }
                Ok(Ok(Some(message))) => {
                    if let Some(follow_response::Message::Event(event)) = message.message {
                        assert_eq!(event.position, seen + 1, "dense, in order");
                        seen = event.position;
                    }
                }
            }
        }
    }
    u64::try_from(seen).unwrap()
}

/// Bills again and again; each run is asked for until it is answered.
async fn bill(fleet: Arc<Fleet>, seed: u64) -> i32 {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut invoices = 0;
    while !fleet.is_ending() {
        let request = v1::RunBillingRequest {
            parent: format!("firms/{}", firm_id()),
            request_id: uuid::Uuid::now_v7().to_string(),
            as_of: Some(bulk::today()),
        };
        let run = fleet.ask(&mut rng, request, async |channel, request| {
            Ok(BillingClient::new(channel).run_billing(request).await?.into_inner())
        });
        invoices += run.await.invoices_issued;
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    invoices
}

/// Kills a server every few seconds, and starts the next in its place.
async fn kill_servers(
    fleet: Arc<Fleet>,
    database: String,
    outbox: &Path,
    mut servers: Vec<Server>,
) -> (u32, Vec<Server>) {
    let mut rng = StdRng::seed_from_u64(1);
    let mut kills = 0;
    while !fleet.is_ending() {
        tokio::time::sleep(KILL_EVERY).await;
        let seat = rng.random_range(0..SERVERS);
        kill(servers[seat].process());
        servers[seat] = Server::start_surely(&database, outbox).await;
        *fleet.seats[seat].lock().unwrap() = servers[seat].channel();
        kills += 1;
    }
    (kills, servers)
}

#[tokio::test(flavor = "multi_thread")]
async fn three_servers_under_fire_lose_nothing_and_double_nothing() {
    if child::is_child() {
        return;
    }
    let mut cluster = Cluster::start(&[]);
    cluster.psql("postgres", "CREATE DATABASE fire");
    let database = cluster.url("fire");
    let folder = tempfile::tempdir().unwrap();
    let outbox = folder.path().to_owned();
    let scopes = [Scope::Record, Scope::Bill, Scope::Read];
    let filled = child::prepare(&database, &outbox, &scopes, async |engine| {
        bulk::enrol(engine, CLIENTS).await;
    });
    let token = filled.await;
    let mut servers = Vec::new();
    for _ in 0..SERVERS {
        servers.push(Server::start_surely(&database, &outbox).await);
    }
    let fleet = Arc::new(Fleet {
        seats: std::array::from_fn(|at| Mutex::new(servers[at].channel())),
        token,
        ending: AtomicBool::new(false),
        months: AtomicU32::new(0),
        turned_away: AtomicU32::new(0),
    });

    let recorders: Vec<_> =
        (0..RECORDERS).map(|at| tokio::spawn(record(fleet.clone(), at))).collect();
    let readers: Vec<_> =
        (0..READERS).map(|at| tokio::spawn(read(fleet.clone(), 100 + at))).collect();
    let followers: Vec<_> =
        (0..FOLLOWERS).map(|at| tokio::spawn(follow(fleet.clone(), 200 + at))).collect();
    let billers: Vec<_> =
        (0..BILLERS).map(|at| tokio::spawn(bill(fleet.clone(), 300 + at))).collect();
    let killer = {
        let (fleet, database) = (fleet.clone(), database.clone());
        tokio::spawn(async move { kill_servers(fleet, database, &outbox, servers).await })
    };
    let begun = Instant::now();
    for cut in POWER_CUTS {
        tokio::time::sleep_until((begun + cut).into()).await;
        cluster.stop(Stop::Immediate);
        tokio::time::sleep(DARK).await;
        cluster.start_again();
    }
    tokio::time::sleep_until((begun + LASTS).into()).await;
    fleet.ending.store(true, Ordering::Relaxed);

    let mut acknowledged = Vec::new();
    for recorder in recorders {
        acknowledged.extend(recorder.await.unwrap());
    }
    let (mut reads, mut followed, mut billed) = (0, 0, 0);
    for reader in readers {
        reads += reader.await.unwrap();
    }
    for follower in followers {
        followed = followed.max(follower.await.unwrap());
    }
    for biller in billers {
        billed += biller.await.unwrap();
    }
    let (kills, servers) = killer.await.unwrap();
    for server in &servers {
        kill(server.process());
    }

    let log = whole_log(&database).await;
    assert!(check_log(&log) > 0, "nothing was billed");
    check_answers(&log, &acknowledged);
    println!(
        "{kills} servers killed, {} power cuts: {} events, {} requests acknowledged, {} answers to try \
         again, {reads} reads, followed to {followed}, {billed} invoices",
        POWER_CUTS.len(),
        log.len(),
        acknowledged.len(),
        fleet.turned_away.load(Ordering::Relaxed),
    );
    assert!(acknowledged.len() > 300, "{} requests prove little", acknowledged.len());
    assert!(kills >= 5 && reads > 100 && followed > 0 && billed > 0);
}
