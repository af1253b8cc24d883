//! What the service costs against what this machine can do, in one run.
//!
//! `./ops/bench` runs it. Every figure stands beside its ceiling or peer measured in the same run,
//! interleaved, and is the median of the rounds. Servers are processes of their own: this program
//! starts itself again under another name.

#![allow(
    clippy::unwrap_used,
    clippy::float_arithmetic,
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "a bench that cannot go on stops, and prints ratios"
)]

mod bare;
mod ceiling;
mod load;
mod local;
mod ours;
mod report;

use std::time::Duration;

use load::Server;
use report::Table;

/// Rounds of every measurement; the median is printed.
const ROUNDS: usize = 3;
/// How long one measurement lasts.
const SPAN: Duration = Duration::from_secs(3);
/// Requests in flight of the unary measurements.
const IN_FLIGHT: [usize; 3] = [1, 32, 128];
/// Requests in flight of the stream measurement.
const WINDOW: usize = 1_000;
/// Clients of the billing run, and of the memory figure.
const CLIENTS: u32 = 10_000;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    match arguments.get(1).map(String::as_str) {
        Some("serve-ours") => runtime.block_on(ours::serve_fresh(&arguments[2])),
        Some("serve-again") => runtime.block_on(ours::serve_again(&arguments[2])),
        Some("serve-bare") => runtime.block_on(bare::serve(&arguments[2])),
        Some("recording") => runtime.block_on(measure(true, false)),
        Some("replay") => runtime.block_on(measure(false, true)),
        _ => runtime.block_on(measure(true, true)),
    }
}

async fn measure(record: bool, replay: bool) {
    report::machine();
    if record {
        recording().await;
    }
    if replay {
        local::everything(CLIENTS).await;
    }
}

/// Recording over gRPC, ours and the bare service in turn, and bare inserts beside them.
async fn recording() {
    let mut table = Table::new("Recording, durable events/s (one event a request)");
    let folder = tempfile::tempdir().unwrap();
    let ours = Server::start("serve-ours", &folder.path().join("ours.db"), ours::CASES).await;
    let bare = Server::start("serve-bare", &folder.path().join("bare.db"), ours::CASES).await;
    for _ in 0..ROUNDS {
        for rows in [1, 32, WINDOW] {
            let rate =
                ceiling::inserts(&folder.path().join("inserts.db"), rows, ours.event_bytes, SPAN);
            table.add(&format!("bare multi-row inserts, {rows} a transaction"), rate, None);
        }
        for in_flight in IN_FLIGHT {
            let peer = bare.unary(in_flight, SPAN).await;
            table.add_latency(&format!("bare service, unary, {in_flight} in flight"), &peer);
            let own = ours.unary(in_flight, SPAN).await;
            table.add_latency(&format!("Counterfoil, unary, {in_flight} in flight"), &own);
        }
        let peer = bare.stream(WINDOW, SPAN).await;
        table.add(&format!("bare service, stream, {WINDOW} in flight"), peer, None);
        let own = ours.stream(WINDOW, SPAN).await;
        table.add(&format!("Counterfoil, RecordStream, {WINDOW} in flight"), own, None);
    }
    table.print();
    let ratio = |table: &Table, own: &str, of: &str, target: f64| {
        table.ratio(own, of, target);
    };
    let inserts = format!("bare multi-row inserts, {WINDOW} a transaction");
    let stream = format!("Counterfoil, RecordStream, {WINDOW} in flight");
    ratio(&table, &stream, &inserts, 0.5);
    ratio(&table, "Counterfoil, unary, 32 in flight", "bare service, unary, 32 in flight", 0.6);
    ratio(&table, "Counterfoil, unary, 128 in flight", "bare service, unary, 128 in flight", 0.6);
    ratio(&table, &stream, &format!("bare service, stream, {WINDOW} in flight"), 0.5);
    println!("server memory after recording: {} MB", ours.memory_mb());
}
