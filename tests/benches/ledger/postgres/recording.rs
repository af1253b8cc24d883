//! Recording: ours over gRPC and in process, the bare service, plain SQL, and libraries beside it.

use std::time::Instant;

use counterfoil_tests::bulk::{self, Bulk, submission};
use counterfoil_tests::history::firm_id;
use log::Engine;

use super::ceiling::{self, Way};
use super::peers::Peers;
use super::plain::Plain;
use super::{bytes_of, fresh};
use crate::load::{ONE_FIRM, Server, batches, stream, unary};
use crate::ours::{self, CASES};
use crate::report::{Goal, Measured, Of, Table, figure};
use crate::{IN_FLIGHT, ROUNDS, SPAN, WARM_UP, WINDOW};

/// Callers of what is compared at one load.
const CALLERS: usize = 32;
/// Firms of the measurement that spreads its callers over many.
const FIRMS: usize = 32;
/// Server processes of the measurement that has several.
const SERVERS: usize = 3;
/// Messages of one request, and requests in flight, where requests hold many.
const BATCH: (usize, usize) = (100, 8);
/// Rows of one transaction: what our own batches hold under one caller, few, and many.
const ROWS: [usize; 5] = [1, 10, 32, 100, WINDOW];

/// What is measured again and again, each on a database of its own.
struct Stage {
    plain: String,
    peers: Vec<String>,
    ours: Server,
    bare: Server,
    echo: Server,
    ours_database: String,
    engine: Engine,
    libraries: Peers,
}

impl Stage {
    async fn set() -> Self {
        let ours_database = fresh("bench_ours").await;
        let mut peers = Vec::new();
        for number in 0..Peers::count() {
            peers.push(fresh(&format!("bench_peer_{number}")).await);
        }
        let (engine, _, _) = ours::engine(&fresh("bench_engine").await).await;
        let bulk = Bulk { engine: &engine, firm: firm_id() };
        bulk.set_up().await;
        bulk.enrol(0..CASES).await;
        Self {
            plain: fresh("bench_plain").await,
            ours: Server::start(&["serve-ours", &ours_database, &(FIRMS + 1).to_string()]).await,
            bare: Server::start(&["serve-bare", &fresh("bench_bare").await]).await,
            echo: Server::start(&["serve-echo"]).await,
            peers,
            ours_database,
            engine,
            libraries: Peers::built(),
        }
    }
}

pub(crate) async fn everything() {
    let stage = Stage::set().await;
    let mut table = Table::new("Recording on PostgreSQL, events/s unless said otherwise");
    for _ in 0..ROUNDS {
        plain(&stage, &mut table).await;
        over_grpc(&stage, &mut table).await;
        in_process(&stage, &mut table).await;
        stage.libraries.add_to(&mut table, &stage.peers, CALLERS).await;
        evidence(&stage, &mut table);
    }
    let Stage { ours, ours_database, .. } = stage;
    println!("\nserver memory after recording: {} MB", ours.memory_mb());
    drop(ours);
    log_bytes(&ours_database, &mut table).await;
    table.print();
    table.compare(&goals(&table));
}

/// Plain SQL on one table.
async fn plain(stage: &Stage, table: &mut Table) {
    let bytes = stage.ours.event_bytes;
    for rows in ROWS {
        for way in Way::BOTH {
            let rate = ceiling::batches(&stage.plain, way, rows, bytes).await;
            table.add(&plain_batches(way, rows), rate);
        }
    }
    for connections in [1, CALLERS] {
        let measured = ceiling::singles(&stage.plain, connections, bytes).await;
        table.add_latency(&singles(connections), &measured);
    }
    for evidence in [false, true] {
        let measured = ceiling::group(&stage.plain, CALLERS, bytes, evidence).await;
        table.add_latency(group(evidence), &measured);
    }
}

/// Our service and the bare one in turn.
async fn over_grpc(stage: &Stage, table: &mut Table) {
    let Stage { ours, bare, echo, ours_database, .. } = stage;
    table.add_latency(ECHO, &unary(&[echo], 1, ONE_FIRM).await);
    for in_flight in IN_FLIGHT {
        table.add_latency(
            &of_bare(&unary_of(in_flight)),
            &unary(&[bare], in_flight, ONE_FIRM).await,
        );
        table.add_latency(
            &of_ours(&unary_of(in_flight)),
            &unary(&[ours], in_flight, ONE_FIRM).await,
        );
    }
    table.add_latency(MANY_FIRMS, &unary(&[ours], CALLERS, 1..FIRMS + 1).await);
    let mut servers = Vec::new();
    for _ in 1..SERVERS {
        servers.push(Server::start(&["serve-again", ours_database]).await);
    }
    let several: Vec<&Server> = std::iter::once(ours).chain(&servers).collect();
    table.add_latency(SEVERAL, &unary(&several, CALLERS, ONE_FIRM).await);
    drop(servers);
    let (messages, in_flight) = BATCH;
    table.add(&of_bare(BATCHES), batches(bare, in_flight, messages).await);
    table.add(&of_ours(BATCHES), batches(ours, in_flight, messages).await);
    table.add(&of_bare(STREAM), stream(bare, WINDOW).await);
    table.add(&of_ours(STREAM), stream(ours, WINDOW).await);
}

/// Our engine without a network, with the read models going along.
async fn in_process(stage: &Stage, table: &mut Table) {
    for callers in [1, CALLERS] {
        table.add_latency(&engine_of(callers), &submit(&stage.engine, callers).await);
    }
}

/// Messages a second of so many callers in this process.
async fn submit(engine: &Engine, callers: usize) -> Measured {
    let counted_from = Instant::now() + WARM_UP;
    let caller = |at: usize| {
        let engine = engine.clone();
        tokio::spawn(async move {
            let mut cases = (u32::try_from(at).unwrap()..CASES).step_by(callers).cycle();
            let mut micros = Vec::new();
            while counted_from.elapsed() < SPAN {
                let request = submission(bulk::message(cases.next().unwrap()));
                let sent = Instant::now();
                engine.submit(firm_id(), request).await.unwrap();
                if sent >= counted_from {
                    micros.push(u64::try_from(sent.elapsed().as_micros()).unwrap());
                }
            }
            micros
        })
    };
    let callers: Vec<_> = (0..callers).map(caller).collect();
    let mut micros = Vec::new();
    for caller in callers {
        micros.extend(caller.await.unwrap());
    }
    Measured::of(micros, SPAN.as_secs_f64())
}

/// What hashing takes of an event's time where events are fastest in process.
fn evidence(stage: &Stage, table: &mut Table) {
    table.add(HASHING, ceiling::hashing(stage.ours.event_bytes));
    table.add(EVENT_TIME, 1e6 / table.latest(&of_ours(STREAM)));
}

/// Bytes of our log, and of the same rows in a plain table, written in the same order.
async fn log_bytes(ours: &str, table: &mut Table) {
    let mut ours = Plain::connect(ours).await;
    ours.copy_log().await;
    let events = ours.number("SELECT COUNT(*) FROM counterfoil.event").await as f64;
    let log = ours.number(&bytes_of("counterfoil.event")).await as f64 / events;
    let answers = ours.number(&bytes_of("counterfoil.request")).await as f64 / events;
    let beside = ours.number(&bytes_of("plain.event")).await as f64 / events;
    table.add(LOG_BYTES, log);
    table.add(ANSWER_BYTES, log + answers);
    table.add(PLAIN_BYTES, beside);
}

const ECHO: &str = "echo service, unary, 1 in flight";
const MANY_FIRMS: &str = "Counterfoil, unary, 32 in flight over 32 firms";
const SEVERAL: &str = "Counterfoil, unary, 32 in flight over 3 servers, one firm";
const BATCHES: &str = "8 requests of 100 messages in flight";
const STREAM: &str = "stream, 1000 in flight";
const HASHING: &str = "leaf, frontier and root of 32, us an event";
const EVENT_TIME: &str = "Counterfoil, stream, us an event";
const LOG_BYTES: &str = "our log with indexes, bytes an event";
const ANSWER_BYTES: &str = "our log and its answers with indexes, bytes an event";
const PLAIN_BYTES: &str = "the same rows in the plain table, bytes an event";

fn plain_batches(way: Way, rows: usize) -> String {
    format!("plain {}, 1 connection, {rows} rows a transaction", way.name())
}

fn singles(connections: usize) -> String {
    format!("plain SQL, {connections} connections, 1 row a transaction")
}

const fn group(evidence: bool) -> &'static str {
    if evidence {
        "bare group commit with leaf, frontier and head, 32 callers"
    } else {
        "bare group commit, 32 callers"
    }
}

fn unary_of(in_flight: usize) -> String {
    format!("unary, {in_flight} in flight")
}

fn of_bare(how: &str) -> String {
    format!("bare service, {how}")
}

fn of_ours(how: &str) -> String {
    format!("Counterfoil, {how}")
}

fn engine_of(callers: usize) -> String {
    format!("Counterfoil engine in process, {callers} callers")
}

fn goals(table: &Table) -> Vec<Goal> {
    let ours = |how: &str| figure(&of_ours(how));
    let [unary1, unary32] = [unary_of(1), unary_of(CALLERS)];
    let ways: Vec<String> = Way::BOTH.iter().map(|way| plain_batches(*way, WINDOW)).collect();
    let ways: Vec<&str> = ways.iter().map(String::as_str).collect();
    let best = || figure(table.best(&ways));
    let mut goals = vec![
        Goal::at_least(80.0, figure(&engine_of(CALLERS)), figure(group(false))),
        Goal::at_least(50.0, ours(STREAM), best()).stretch(65.0),
        Goal::at_least(50.0, ours(BATCHES), best()).stretch(65.0),
        Goal::at_least(60.0, ours(&unary32), figure(&of_bare(&unary32))).stretch(80.0),
    ];
    for peer in Peers::names(CALLERS) {
        if table.has(&peer) {
            goals.push(Goal::at_least(250.0, ours(&unary32), figure(&peer)));
        }
    }
    let own = of_ours(&unary32);
    goals.extend([
        Goal::at_least(90.0, figure(&own), figure(MANY_FIRMS)),
        Goal::at_most(
            160.0,
            Of::P50(of_ours(&unary1)),
            &[Of::P50(ECHO.into()), Of::P50(singles(1))],
        ),
        Goal::at_most(300.0, Of::P99(own.clone()), &[Of::P50(own.clone())]),
        Goal::at_most(5.0, figure(HASHING), &[figure(EVENT_TIME)]),
        Goal::at_least(95.0, figure(group(true)), figure(group(false))),
        Goal::at_most(125.0, figure(LOG_BYTES), &[figure(PLAIN_BYTES)]),
        Goal::at_most(125.0, figure(ANSWER_BYTES), &[figure(PLAIN_BYTES)]),
        Goal::at_least(85.0, figure(SEVERAL), figure(&own)),
    ]);
    goals
}
