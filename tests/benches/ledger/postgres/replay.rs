//! Reading the log back: replay, verification, rebuild, beside what plain SQL makes of the same rows.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use counterfoil_tests::bulk::Bulk;
use counterfoil_tests::history::firm_id;
use domain::event::Recorded;
use log::Engine;
use serde::de::{Error as _, IgnoredAny};
use serde::{Deserialize, Deserializer};
use sqlx::Row as _;
use sqlx::postgres::PgRow;
use uuid::Uuid;

use super::fresh;
use super::plain::Plain;
use crate::report::{Goal, Table, figure};
use crate::{ROUNDS, ours};

/// Clients with a finished first month each.
const CLIENTS: u32 = 4_000;
/// Events read at a time.
const PAGE: i32 = 1_000;

const BARE: &str = "bare replay, not decoded";
const BARE_HEADERS: &str = "bare replay, envelope decoded, payload skipped";
const BARE_DECODED: &str = "bare replay, envelope and payload decoded";
const READ: &str = "Counterfoil replay, not decoded";
const DECODED: &str = "Counterfoil replay, decoded and lifted";
const VERIFIED: &str = "Counterfoil verify, whole log";
const BARE_REBUILD: &str = "bare page-upsert rebuild of one table";
const REBUILD: &str = "Counterfoil rebuild, every read model";

pub(crate) async fn everything() {
    let database = fresh("bench_replay").await;
    let (engine, _, _) = ours::engine(&database).await;
    let started = Instant::now();
    let bulk = Bulk { engine: &engine, firm: firm_id() };
    bulk.set_up().await;
    bulk.enrol(0..CLIENTS).await;
    bulk.first_month(0..CLIENTS).await;
    let events = engine.head(firm_id()).await.unwrap().position;
    let recorded = started.elapsed().as_secs_f64();
    engine.wait_applied(firm_id(), events, Duration::from_mins(5)).await.unwrap();
    let applied = started.elapsed().as_secs_f64();
    println!(
        "\n{CLIENTS} clients with a finished month: {events} events recorded in {recorded:.1} s in \
         process, in the read models after {applied:.1} s"
    );
    let mut plain = Plain::connect(&database).await;
    plain.copy_log().await;
    let mut table = Table::new("Replay on PostgreSQL, events/s");
    for _ in 0..ROUNDS {
        let rate = |started: Instant| events as f64 / started.elapsed().as_secs_f64();
        let started = Instant::now();
        assert_eq!(replay(&mut plain, <[u8]>::len).await, events);
        table.add(BARE, rate(started));
        let started = Instant::now();
        assert_eq!(replay(&mut plain, decode::<IgnoredAny>).await, events);
        table.add(BARE_HEADERS, rate(started));
        let started = Instant::now();
        assert_eq!(replay(&mut plain, decode::<serde_json::Value>).await, events);
        table.add(BARE_DECODED, rate(started));
        let started = Instant::now();
        assert_eq!(read(&engine, <[u8]>::len).await, events);
        table.add(READ, rate(started));
        let started = Instant::now();
        assert_eq!(read(&engine, decode_ours).await, events);
        table.add(DECODED, rate(started));
        let started = Instant::now();
        assert_eq!(engine.verify(firm_id(), |_, _| {}).await.unwrap().events, events);
        table.add(VERIFIED, rate(started));
        let started = Instant::now();
        bare_rebuild(&mut plain).await;
        table.add(BARE_REBUILD, rate(started));
        let started = Instant::now();
        assert_eq!(engine.rebuild(firm_id(), |_, _| {}).await.unwrap().position, events);
        table.add(REBUILD, rate(started));
    }
    table.print();
    table.compare(&[
        Goal::at_least(60.0, figure(DECODED), figure(BARE_DECODED)),
        Goal::at_least(50.0, figure(VERIFIED), figure(BARE)),
        Goal::at_least(60.0, figure(REBUILD), figure(BARE_REBUILD)),
    ]);
}

/// An envelope, read by a library into owned values.
#[derive(Deserialize)]
#[expect(dead_code, reason = "what a program would go on with")]
struct Envelope<P> {
    actor: String,
    event: String,
    #[serde(deserialize_with = "uuid")]
    event_id: Uuid,
    event_version: u32,
    #[serde(deserialize_with = "uuid")]
    firm: Uuid,
    occurred_on: String,
    payload: P,
    position: u64,
    recorded_at: i64,
    #[serde(deserialize_with = "uuid")]
    request_id: Uuid,
    stream: String,
    stream_version: u64,
}

fn uuid<'d, D: Deserializer<'d>>(input: D) -> Result<Uuid, D::Error> {
    <&str>::deserialize(input)?.parse().map_err(D::Error::custom)
}

/// Bytes of what is read, so that nothing of it is left out by the compiler.
fn decode<P: for<'d> Deserialize<'d>>(body: &[u8]) -> usize {
    let envelope: Envelope<P> = serde_json::from_slice(body).unwrap();
    std::hint::black_box(&envelope);
    size_of_val(&envelope.payload) + envelope.stream.len()
}

fn decode_ours(body: &[u8]) -> usize {
    let recorded = Recorded::from_bytes(body).unwrap();
    std::hint::black_box(&recorded);
    size_of_val(&recorded)
}

async fn page(plain: &mut Plain, after: i64) -> Vec<PgRow> {
    let sql = "SELECT position, body FROM event WHERE firm = $1 AND position > $2 \
               ORDER BY position LIMIT $3";
    let query = sqlx::query(sql).bind(firm_id().0).bind(after).bind(PAGE);
    query.fetch_all(&mut plain.connection).await.unwrap()
}

/// Reads the plain table in pages, and gives the number of events.
async fn replay(plain: &mut Plain, take: impl Fn(&[u8]) -> usize) -> u64 {
    let (mut events, mut after, mut bytes) = (0, 0, 0);
    loop {
        let rows = page(plain, after).await;
        let Some(last) = rows.last() else { break };
        after = last.get(0);
        events += rows.len() as u64;
        bytes += rows.iter().map(|row| take(row.get(1))).sum::<usize>();
    }
    assert!(bytes > 0, "events say something");
    events
}

/// Reads our log in pages, and gives the number of events.
async fn read(engine: &Engine, take: impl Fn(&[u8]) -> usize) -> u64 {
    let (mut after, mut bytes) = (0, 0);
    loop {
        let page = engine.read(firm_id(), after, PAGE.unsigned_abs() as usize).await.unwrap();
        let Some(last) = page.last() else { break };
        after = last.position;
        bytes += page.iter().map(|stored| take(&stored.bytes)).sum::<usize>();
    }
    assert!(bytes > 0, "events say something");
    after
}

#[derive(Deserialize)]
struct Header<'b> {
    stream: &'b str,
    occurred_on: &'b str,
    position: i64,
}

/// The cheapest rebuild there is: pages of the log, parsed to three members, one row a stream upserted
/// once a page, the checkpoint in the same transaction.
async fn bare_rebuild(plain: &mut Plain) {
    plain
        .run(
            "DROP TABLE IF EXISTS stream_row, checkpoint; \
             CREATE TABLE stream_row (stream text COLLATE \"C\" PRIMARY KEY, events bigint NOT NULL, \
             latest text NOT NULL, position bigint NOT NULL); \
             CREATE TABLE checkpoint (position bigint NOT NULL); INSERT INTO checkpoint VALUES (0)",
        )
        .await;
    let mut after = 0;
    loop {
        let rows = page(plain, after).await;
        let Some(last) = rows.last() else { break };
        after = last.get(0);
        let mut folded: HashMap<&str, (i64, &str, i64)> = HashMap::new();
        for row in &rows {
            let header: Header<'_> = serde_json::from_slice(row.get(1)).unwrap();
            let entry = folded.entry(header.stream).or_default();
            *entry = (entry.0 + 1, header.occurred_on, header.position);
        }
        upsert(plain, &folded, after).await;
    }
    let streams = plain.number("SELECT COUNT(*) FROM stream_row").await;
    assert!(streams > i64::from(CLIENTS), "a row of each stream");
}

async fn upsert(plain: &mut Plain, folded: &HashMap<&str, (i64, &str, i64)>, after: i64) {
    let streams: Vec<&str> = folded.keys().copied().collect();
    let events: Vec<i64> = folded.values().map(|row| row.0).collect();
    let latest: Vec<&str> = folded.values().map(|row| row.1).collect();
    let positions: Vec<i64> = folded.values().map(|row| row.2).collect();
    plain.run("BEGIN").await;
    sqlx::query(
        "INSERT INTO stream_row SELECT * FROM UNNEST($1::text[], $2::bigint[], $3::text[], \
         $4::bigint[]) ON CONFLICT (stream) DO UPDATE SET \
         events = stream_row.events + excluded.events, latest = excluded.latest, \
         position = excluded.position",
    )
    .bind(streams)
    .bind(events)
    .bind(latest)
    .bind(positions)
    .execute(&mut plain.connection)
    .await
    .unwrap();
    let query = sqlx::query("UPDATE checkpoint SET position = $1").bind(after);
    query.execute(&mut plain.connection).await.unwrap();
    plain.run("COMMIT").await;
}
