//! What needs no callers: billing, folding, rebuilding, memory.

use std::collections::HashMap;
use std::path::Path;
use std::time::Instant;

use api::v1;
use api::v1::billing_client::BillingClient;
use counterfoil_tests::bulk;
use counterfoil_tests::child;
use counterfoil_tests::history::firm_id;
use domain::State;
use domain::event::{Recorded, StreamId};
use log::Engine;
use rusqlite::params_from_iter;
use rusqlite::types::Value;
use serde::Deserialize;

use super::ceiling;
use crate::load::Server;
use crate::report::{Goal, Table, figure};
use crate::{ROUNDS, ours};

/// Everything over one firm of so many clients with a finished first month each.
pub(crate) async fn everything(clients: u32) {
    let folder = tempfile::tempdir().unwrap();
    let (engine, store, clock) = ours::engine(&place(&folder.path().join("firm.db"))).await;
    bulk::set_up(&engine).await;
    let started = Instant::now();
    bulk::enrol(&engine, clients).await;
    bulk::first_month(&engine, clients).await;
    let events = engine.head(firm_id()).await.unwrap().position;
    let seconds = started.elapsed().as_secs_f64();
    println!(
        "\n{clients} clients with a finished month: {events} events in {seconds:.1} s, in process"
    );
    let ledger = child::ledger(engine.clone(), store, clock, &folder.path().join("outbox"));
    billing(&ledger, clients).await;
    memory(&folder.path().join("firm.db"), clients).await;
    let mut table = Table::new("Replay, events/s");
    let log = read(&engine).await;
    for _ in 0..ROUNDS {
        table.add("decode and fold, one thread", fold(&log));
        table.add("bare page-upsert rebuild", bare_rebuild(&folder.path().join("bare.db"), &log));
        table.add(
            "the same rows copied by SQLite alone, no log read",
            log.len() as f64 / copy_rows(&folder.path().join("firm.db")),
        );
        let started = Instant::now();
        let report = engine.rebuild(firm_id(), |_, _| {}).await.unwrap();
        table.add(
            "Counterfoil rebuild, every read model",
            report.position as f64 / started.elapsed().as_secs_f64(),
        );
        let started = Instant::now();
        let verified = engine.verify(firm_id(), |_, _| {}).await.unwrap();
        table.add(
            "Counterfoil verify, whole log",
            verified.events as f64 / started.elapsed().as_secs_f64(),
        );
    }
    table.print();
    let rebuild = || figure("Counterfoil rebuild, every read model");
    table.compare(&[
        Goal::at_least(60.0, rebuild(), figure("bare page-upsert rebuild")),
        Goal::at_least(
            60.0,
            rebuild(),
            figure("the same rows copied by SQLite alone, no log read"),
        ),
    ]);
    ledger.shutdown().await;
}

/// A file as the store is told of it.
fn place(path: &Path) -> String {
    format!("sqlite:{}", path.display())
}

/// What a process of its own holds once it has recorded in every case and projected that.
async fn memory(database: &Path, clients: u32) {
    let server = Server::start(&["serve-again", &place(database)]).await;
    server.touch_every_case(clients).await;
    let megabytes = server.memory_mb();
    let verdict = if megabytes < 200 { "met" } else { "MISSED" };
    println!(
        "memory of a server that has recorded in {clients} cases: {megabytes} MB; target under 200 MB: {verdict}"
    );
}

async fn billing(ledger: &ledger::Ledger, clients: u32) {
    ours::caught_up(ledger).await;
    let mut client = BillingClient::new(ledger.connect_in_process().await.unwrap());
    let request = v1::RunBillingRequest {
        parent: format!("firms/{}", firm_id()),
        request_id: uuid::Uuid::now_v7().to_string(),
        as_of: Some(bulk::today()),
    };
    let started = Instant::now();
    let mut request = tonic::Request::new(request);
    request.set_timeout(std::time::Duration::from_mins(2));
    let response = client.run_billing(request).await.unwrap().into_inner();
    let seconds = started.elapsed().as_secs_f64();
    assert_eq!(u32::try_from(response.invoices_issued).unwrap(), clients, "every client is billed");
    let rate = f64::from(response.invoices_issued) / seconds;
    let verdict = if rate >= 5_000.0 { "met" } else { "MISSED" };
    println!(
        "billing run: {} invoices in {seconds:.2} s, {rate:.0}/s; target 5000/s: {verdict}",
        response.invoices_issued
    );
}

async fn read(engine: &Engine) -> Vec<Vec<u8>> {
    let mut log = Vec::new();
    loop {
        let page = engine.read(firm_id(), u64::try_from(log.len()).unwrap(), 1_000).await.unwrap();
        if page.is_empty() {
            return log;
        }
        log.extend(page.into_iter().map(|stored| stored.bytes));
    }
}

fn fold(log: &[Vec<u8>]) -> f64 {
    let started = Instant::now();
    let mut states: HashMap<StreamId, State> = HashMap::new();
    for bytes in log {
        let recorded = Recorded::from_bytes(bytes).unwrap();
        states
            .entry(recorded.stream)
            .or_insert_with(|| State::empty(recorded.stream))
            .apply(&recorded);
    }
    log.len() as f64 / started.elapsed().as_secs_f64()
}

/// Seconds in which SQLite copies every row of the read model into tables with the same keys and
/// indexes, statement by statement inside the engine: what no rebuild of these tables can go below.
fn copy_rows(database: &Path) -> f64 {
    let source = rusqlite::Connection::open(database).unwrap();
    let sql = "SELECT name FROM pragma_table_list WHERE type = 'table' AND wr = 1 \
               AND EXISTS (SELECT 1 FROM pragma_table_info(pragma_table_list.name) c WHERE c.name = 'generation')";
    let tables: Vec<String> = source
        .prepare(sql)
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert!(tables.len() > 10, "the tables of the read model: {tables:?}");
    let path = database.with_extension("copy");
    let target = ceiling::fresh(&path);
    target.pragma_update(None, "synchronous", "normal").unwrap();
    let schema =
        "SELECT sql FROM sqlite_schema WHERE tbl_name = ?1 AND sql IS NOT NULL ORDER BY type DESC";
    for table in &tables {
        let mut statement = source.prepare_cached(schema).unwrap();
        for sql in statement.query_map([table], |row| row.get::<_, String>(0)).unwrap() {
            target.execute_batch(&sql.unwrap()).unwrap();
        }
    }
    target.execute("ATTACH ?1 AS source", [database.to_str().unwrap()]).unwrap();
    let started = Instant::now();
    for table in &tables {
        let copy = format!("INSERT INTO main.{table} SELECT * FROM source.{table}");
        target.execute(&copy, []).unwrap();
    }
    started.elapsed().as_secs_f64()
}

#[derive(Deserialize)]
struct Header<'a> {
    stream: &'a str,
    occurred_on: &'a str,
    position: i64,
}

const PAGE: usize = 1_000;

/// The cheapest rebuild there is: pages of the log from SQLite, parsed to three members, one row a
/// stream upserted once a page, the checkpoint in the same transaction.
fn bare_rebuild(path: &Path, log: &[Vec<u8>]) -> f64 {
    let mut connection = ceiling::fresh(path);
    connection.pragma_update(None, "synchronous", "normal").unwrap();
    connection.execute_batch("CREATE TABLE row (stream TEXT PRIMARY KEY, events INTEGER, latest TEXT, position INTEGER) STRICT;
        CREATE TABLE checkpoint (position INTEGER) STRICT; INSERT INTO checkpoint VALUES (0)").unwrap();
    let fill = connection.transaction().unwrap();
    for (at, bytes) in log.iter().enumerate() {
        let body = std::str::from_utf8(bytes).unwrap();
        let at = i64::try_from(at).unwrap();
        fill.prepare_cached("INSERT INTO event VALUES (x'01', ?1, ?2, ?1, x'', '', x'', x'', ?3)")
            .unwrap()
            .execute(rusqlite::params![at + 1, format!("s{at}"), body])
            .unwrap();
    }
    fill.commit().unwrap();
    let started = Instant::now();
    let mut after = 0_i64;
    let mut counts: HashMap<String, i64> = HashMap::new();
    loop {
        let page: Vec<String> = connection
            .prepare_cached("SELECT body FROM event WHERE firm = x'01' AND position > ?1 ORDER BY position LIMIT ?2").unwrap()
            .query_map(rusqlite::params![after, i64::try_from(PAGE).unwrap()], |row| row.get(0)).unwrap()
            .map(Result::unwrap).collect();
        if page.is_empty() {
            return log.len() as f64 / started.elapsed().as_secs_f64();
        }
        let mut rows: HashMap<String, (i64, String, i64)> = HashMap::new();
        for body in &page {
            let header: Header<'_> = serde_json::from_str(body).unwrap();
            let count = counts.entry(header.stream.to_owned()).or_default();
            *count += 1;
            rows.insert(
                header.stream.to_owned(),
                (*count, header.occurred_on.to_owned(), header.position),
            );
            after += 1;
        }
        let transaction = connection.transaction().unwrap();
        let values = rows.into_iter().flat_map(|(stream, (events, latest, position))| {
            [
                Value::Text(stream),
                Value::Integer(events),
                Value::Text(latest),
                Value::Integer(position),
            ]
        });
        let values: Vec<Value> = values.collect();
        let sql = format!(
            "INSERT INTO row VALUES {} ON CONFLICT (stream) DO UPDATE SET events = excluded.events, latest = excluded.latest, position = excluded.position",
            vec!["(?,?,?,?)"; values.len() / 4].join(",")
        );
        transaction.prepare_cached(&sql).unwrap().execute(params_from_iter(values)).unwrap();
        transaction.execute("UPDATE checkpoint SET position = ?1", [after]).unwrap();
        transaction.commit().unwrap();
    }
}
