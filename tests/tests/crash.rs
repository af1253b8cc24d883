//! A server under load is killed with SIGKILL a hundred times at random (`COUNTERFOIL_KILLS`). After each: the log verifies,
//! every acknowledged request is there once, a repeated request id gives the first answer, and what was
//! in the air is either there whole or not at all. So it goes with closing months: each is closed once.
//!
//! The server is this very test program, started again as a process of its own.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use api::v1::billing_client::BillingClient;
use api::v1::books_client::BooksClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::{self, Scope};
use counterfoil_tests::aftermath::{Acknowledged, check_answers, check_log, whole_log};
use counterfoil_tests::bulk;
use counterfoil_tests::campaign::from_environment;
use counterfoil_tests::child::{self, Server, authorized, kill};
use counterfoil_tests::history::firm_id;
use domain::event::{Event, FirmEvent};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

/// How often the server is killed unless told otherwise.
const KILLS: u32 = 100;
/// Callers at once.
const CALLERS: usize = 12;
/// Clients with a finished month, for the billing runs.
const CLIENTS: u32 = 60;

/// Not a test of its own: the server, when this program is started as one.
#[tokio::test(flavor = "multi_thread")]
async fn serve_as_child() {
    child::serve().await;
}

/// A server and who calls it.
struct Desk {
    server: Server,
    token: String,
}

impl Desk {
    async fn record(
        &self,
        request: v1::RecordRequest,
    ) -> Result<v1::RecordResponse, tonic::Status> {
        let mut client = CaseLedgerClient::new(self.server.channel());
        Ok(client.record(authorized(&self.token, request)).await?.into_inner())
    }

    async fn bill(
        &self,
        request: v1::RunBillingRequest,
    ) -> Result<v1::RunBillingResponse, tonic::Status> {
        let mut client = BillingClient::new(self.server.channel());
        Ok(client.run_billing(authorized(&self.token, request)).await?.into_inner())
    }
}

/// One to three messages in a random case.
fn request(rng: &mut StdRng) -> v1::RecordRequest {
    bulk::messages_request(firm_id(), rng.random_range(0..CLIENTS), rng.random_range(1..=3))
}

/// What callers know: what was acknowledged, and what was in the air.
#[derive(Default)]
struct Known {
    acknowledged: Vec<Acknowledged>,
    in_the_air: Vec<v1::RecordRequest>,
}

async fn call(server: Arc<Desk>, seed: u64, stop: Arc<AtomicBool>) -> Known {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut known = Known::default();
    while !stop.load(Ordering::Relaxed) {
        let request = request(&mut rng);
        if let Ok(response) = server.record(request.clone()).await {
            known.acknowledged.push((request, response));
        } else {
            known.in_the_air.push(request);
            break;
        }
    }
    known
}

/// Loads the server, kills it after a while, and gives what the callers know.
async fn load_and_kill(server: Desk, seed: u64, run: &v1::RunBillingRequest) -> Known {
    let mut rng = StdRng::seed_from_u64(seed);
    let stop = Arc::new(AtomicBool::new(false));
    let process = server.server.process();
    let server = Arc::new(server);
    let callers: Vec<_> = (0..CALLERS)
        .map(|at| {
            let seed = seed * 1_000 + u64::try_from(at).unwrap();
            tokio::spawn(call(server.clone(), seed, stop.clone()))
        })
        .collect();
    let billing = {
        let (server, run) = (server.clone(), run.clone());
        tokio::spawn(async move { server.bill(run).await })
    };
    tokio::time::sleep(Duration::from_millis(rng.random_range(5..150))).await;
    kill(process);
    stop.store(true, Ordering::Relaxed);
    let mut known = Known::default();
    for caller in callers {
        let one = caller.await.unwrap();
        known.acknowledged.extend(one.acknowledged);
        known.in_the_air.extend(one.in_the_air);
    }
    // Whether the run got through is seen below: run again under the same id, it must not bill twice.
    drop(billing.await.unwrap());
    known
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_acknowledged_is_lost_and_nothing_is_doubled_on_sqlite() {
    if child::is_child() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let database = format!("sqlite:{}", folder.path().join("firm.db").display());
    kill_again_and_again(&database, folder.path()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_acknowledged_is_lost_and_nothing_is_doubled_on_postgresql() {
    if child::is_child() {
        return;
    }
    let database = testbed::Database::make("crash");
    let folder = tempfile::tempdir().unwrap();
    kill_again_and_again(&database.url(), folder.path()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_month_is_closed_once_however_the_server_dies_on_sqlite() {
    if child::is_child() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let database = format!("sqlite:{}", folder.path().join("firm.db").display());
    close_and_kill(&database, folder.path()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_month_is_closed_once_however_the_server_dies_on_postgresql() {
    if child::is_child() {
        return;
    }
    let database = testbed::Database::make("close");
    let folder = tempfile::tempdir().unwrap();
    close_and_kill(&database.url(), folder.path()).await;
}

/// Months closed one after the other, each by four callers at once, two of whom send one request; the
/// server is killed in between. Asked again after that, the month has one close, and its request gets
/// the answer that it has or would have had.
async fn close_and_kill(database: &str, outbox: &Path) {
    let token = child::prepare(database, outbox, &[Scope::Bill], async |engine| {
        bulk::enrol(engine, 3).await;
        bulk::first_month(engine, 3).await;
    });
    let token = token.await;
    let mut rng = StdRng::seed_from_u64(7);
    let mut cut_short = 0;
    let months = (2023..2025).flat_map(|year| (1..=12).map(move |month| (year, month)));
    for (year, month) in months {
        let first = calendar::CivilDate::from_ymd_opt(year, month, 1).unwrap();
        let through = calendar::add_months_clamped(first, 1).pred_opt().unwrap();
        let close = |request_id: uuid::Uuid| v1::CloseMonthRequest {
            parent: format!("firms/{}", firm_id()),
            request_id: request_id.to_string(),
            through: Some(api::scalar::date_message(through)),
        };
        let one = close(uuid::Uuid::now_v7());
        let others = (0..2).map(|_| close(uuid::Uuid::now_v7()));
        let server = Server::start(database, outbox).await.expect("the database is there");
        let asked: Vec<_> = others.chain([one.clone(), one.clone()]).collect();
        let calls: Vec<_> = asked
            .iter()
            .cloned()
            .map(|close| {
                let (mut books, request) =
                    (BooksClient::new(server.channel()), authorized(&token, close));
                tokio::spawn(async move { books.close_month(request).await })
            })
            .collect();
        // Some die at once, some mostly after they answered.
        let most = if month % 2 == 0 { 20_000 } else { 600_000 };
        tokio::time::sleep(Duration::from_micros(rng.random_range(0..most))).await;
        kill(server.process());
        let mut heard = Vec::new();
        for (call, request) in calls.into_iter().zip(&asked) {
            if let Ok(answer) = call.await.unwrap() {
                heard.push((request.request_id.clone(), answer.into_inner().receipt.unwrap()));
            }
        }
        cut_short += u32::from(heard.is_empty());

        let server = Server::start(database, outbox).await.expect("the database is there");
        let mut closed = Vec::new();
        for request in &asked {
            let mut books = BooksClient::new(server.channel());
            match books.close_month(authorized(&token, request.clone())).await {
                Ok(answer) => closed.push((request, answer.into_inner().receipt.unwrap())),
                Err(refused) => {
                    assert_eq!(refused.code(), tonic::Code::AlreadyExists, "{refused:?}");
                }
            }
        }
        let (winner, receipt) = closed.first().expect("one of them closed it");
        assert!(closed.iter().all(|(request, again)| request.request_id == winner.request_id
            && again.position == receipt.position));
        for (request, first) in heard {
            assert_eq!((&request, first.position), (&winner.request_id, receipt.position));
        }
        kill(server.process());
    }
    let log = whole_log(database).await;
    check_log(&log);
    let mut locked: Vec<_> = log
        .iter()
        .filter_map(|recorded| match &recorded.event {
            Event::Firm(FirmEvent::PeriodLocked(lock)) => Some(lock.through),
            _ => None,
        })
        .collect();
    assert_eq!(locked.len(), 24, "each month has one close");
    locked.dedup();
    assert_eq!(locked.len(), 24, "{locked:?}");
    assert!(
        (2..=22).contains(&cut_short),
        "{cut_short} of 24 closes were cut short before any answer"
    );
}

async fn kill_again_and_again(database: &str, outbox: &Path) {
    let run = v1::RunBillingRequest {
        parent: format!("firms/{}", firm_id()),
        request_id: uuid::Uuid::now_v7().to_string(),
        as_of: Some(bulk::today()),
    };
    let mut acknowledged = Vec::new();
    let token = child::prepare(database, outbox, &[Scope::Record, Scope::Bill], async |engine| {
        bulk::enrol(engine, CLIENTS).await;
        bulk::first_month(engine, CLIENTS).await;
    });
    let token = token.await;
    let start = async || Desk {
        server: Server::start(database, outbox).await.expect("the database is there"),
        token: token.clone(),
    };
    let mut server = start().await;
    let kills = from_environment("COUNTERFOIL_KILLS").unwrap_or(KILLS);
    for round in 0..kills {
        let known = load_and_kill(server, u64::from(round), &run).await;
        let log = whole_log(database).await;
        check_answers(&log, &known.acknowledged);
        server = start().await;
        for (request, response) in known.acknowledged.iter().take(20) {
            let again = server.record(request.clone()).await.unwrap();
            assert!(again.replayed, "the first answer again");
            assert_eq!(v1::RecordResponse { replayed: response.replayed, ..again }, *response);
        }
        acknowledged.extend(known.acknowledged);
        for request in known.in_the_air {
            // It landed or it did not; asked again, it is recorded exactly once either way.
            let response = server.record(request.clone()).await.unwrap();
            acknowledged.push((request, response));
        }
    }
    let billed = server.bill(run.clone()).await.unwrap();
    assert_eq!(
        billed.invoices_issued,
        i32::try_from(CLIENTS).unwrap(),
        "a run cut short goes on under its id"
    );
    kill(server.server.process());
    let log = whole_log(database).await;
    check_answers(&log, &acknowledged);
    assert_eq!(check_log(&log), u64::from(CLIENTS), "no fee twice");
    assert!(
        acknowledged.len() > 1_000,
        "{} requests under {kills} kills prove little",
        acknowledged.len()
    );
    println!("{kills} kills, {} acknowledged requests, {} events", acknowledged.len(), log.len());
}
