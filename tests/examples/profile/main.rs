//! What recording writes: bytes and pages of each table and index an event, on either engine.
//!
//!     profile sqlite|postgres [CLIENTS]
//!
//! Counts, which another load on the machine does not change. A firm of so many clients lives three
//! months, recorded client beside client, and then logs messages, a client after the other. Requests have
//! random ids, as callers make them. `./ops/bench profile` runs it, with a sampler if there is one.

#![allow(
    clippy::unwrap_used,
    clippy::float_arithmetic,
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "a measurement that cannot go on stops, and prints ratios"
)]

mod postgres;
mod sqlite;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use chrono::NaiveDate;
use counterfoil_tests::bulk::{self, submission};
use counterfoil_tests::history::{firm_id, zone};
use counterfoil_tests::{child, lives};
use domain::command::Command;
use domain::event::UtcMicros;
use domain::ids::RequestId;
use futures::StreamExt as _;
use log::{Engine, Submission};
use uuid::Uuid;

/// Clients, unless another number is named.
const CLIENTS: u32 = 1_000;
/// Months of each, and the messages that are logged in one.
const MONTHS: u32 = 3;
const MESSAGES: usize = 4;
/// Messages of each client afterwards.
const LATER_MESSAGES: u32 = 20;
/// Requests in flight.
const IN_FLIGHT: usize = 256;

/// What was written of one table or index.
#[derive(Clone, Copy, Debug, Default)]
struct Written {
    /// Pages, or records of the write-ahead log.
    pieces: u64,
    /// Bytes of the write-ahead log.
    bytes: u64,
}

/// What was written, by table and index.
type ByName = BTreeMap<String, Written>;

/// An engine's counters.
trait Counter {
    /// What has been written since it was asked last.
    async fn written(&mut self) -> ByName;
    /// Rows, and bytes at rest, of every table and index.
    async fn at_rest(&mut self) -> BTreeMap<String, (Option<u64>, u64)>;
    /// What [`Written::pieces`] are.
    const PIECES: &'static str;
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let clients = arguments.get(1).map_or(CLIENTS, |number| number.parse().unwrap());
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        match arguments.first().map(String::as_str) {
            Some("sqlite") => {
                let folder = tempfile::tempdir().unwrap();
                let path = folder.path().join("profile.db");
                let database = format!("sqlite:{}", path.display());
                measure(&database, clients, async || sqlite::Wal::hold(&path)).await;
            }
            Some("postgres") => {
                let database = postgres::fresh().await;
                measure(&database, clients, async || postgres::Wal::from_here(&database).await)
                    .await;
            }
            _ => panic!("see the head of this file"),
        }
    });
}

async fn measure<C: Counter>(database: &str, clients: u32, counter: impl AsyncFnOnce() -> C) {
    let (engine, store, clock) = child::open(database).await.unwrap();
    engine.start().await.unwrap();
    bulk::set_up(&engine).await;
    let today = NaiveDate::from_ymd_opt(2021, 7, 1).unwrap();
    clock.set(UtcMicros(zone().start_of_day(today) + 12 * 3_600_000_000));
    caught_up(&engine).await;
    let mut counter = counter().await;
    let begins = end(&engine).await;
    let begun = Instant::now();
    let client = async |number| {
        for (_, command) in lives::long_life(number, MONTHS, MESSAGES) {
            engine.submit(firm_id(), asked(command)).await.unwrap();
        }
    };
    futures::stream::iter(0..clients).map(client).buffer_unordered(IN_FLIGHT).collect::<()>().await;
    caught_up(&engine).await;
    let (took, lived) = (begun.elapsed(), end(&engine).await);
    let title = format!("{MONTHS} months of {clients} clients");
    tell::<C>(&title, lived - begins, took, &counter.written().await);
    clock.set(bulk::now());
    let begun = Instant::now();
    let message = async |at| {
        engine.submit(firm_id(), asked(bulk::message(at % clients))).await.unwrap();
    };
    futures::stream::iter(0..clients * LATER_MESSAGES)
        .map(message)
        .buffer_unordered(IN_FLIGHT)
        .collect::<()>()
        .await;
    caught_up(&engine).await;
    let (took, ends) = (begun.elapsed(), end(&engine).await);
    let title = format!("{LATER_MESSAGES} messages of each, one after the other");
    tell::<C>(&title, ends - lived, took, &counter.written().await);
    engine.shutdown(Duration::from_secs(20)).await;
    store.close().await;
    println!("\nAt rest, of {ends} events");
    println!("  {:<34} {:>12} {:>12} {:>10}", "", "rows", "bytes", "an event");
    let at_rest = counter.at_rest().await;
    let all: u64 = at_rest.values().map(|(_, bytes)| bytes).sum();
    let mut at_rest: Vec<_> = at_rest.into_iter().collect();
    at_rest.sort_by_key(|(_, (_, bytes))| std::cmp::Reverse(*bytes));
    for (name, (rows, bytes)) in at_rest {
        let rows = rows.map(|rows| rows.to_string()).unwrap_or_default();
        println!("  {name:<34} {rows:>12} {bytes:>12} {:>10.1}", bytes as f64 / ends as f64);
    }
    println!("  {:<34} {:>12} {all:>12} {:>10.1}", "all", "", all as f64 / ends as f64);
}

/// A request whose id is drawn, as most callers draw it.
fn asked(command: Command) -> Submission {
    Submission { request_id: RequestId(Uuid::from_u128(rand::random())), ..submission(command) }
}

async fn end(engine: &Engine) -> u64 {
    engine.head(firm_id()).await.unwrap().position
}

async fn caught_up(engine: &Engine) {
    let end = engine.head(firm_id()).await.unwrap().position;
    engine.wait_applied(firm_id(), end, Duration::from_mins(10)).await.unwrap();
}

fn tell<C: Counter>(title: &str, events: u64, took: Duration, written: &ByName) {
    let events = events as f64;
    println!("\n{title}: {events} events in {:.1} s", took.as_secs_f64());
    println!("  {:<34} {:>12} {:>14}", "written an event", C::PIECES, "bytes");
    let mut sorted: Vec<_> = written.iter().collect();
    sorted.sort_by_key(|(_, written)| std::cmp::Reverse(written.bytes));
    let mut all = Written::default();
    for (name, Written { pieces, bytes }) in sorted {
        all.pieces += pieces;
        all.bytes += bytes;
        let (pieces, bytes) = (*pieces as f64 / events, *bytes as f64 / events);
        println!("  {name:<34} {pieces:>12.3} {bytes:>14.1}");
    }
    let (pieces, bytes) = (all.pieces as f64 / events, all.bytes as f64 / events);
    println!("  {:<34} {pieces:>12.3} {bytes:>14.1}", "all");
}
