//! The service on SQLite.

pub(crate) mod ceiling;
mod closing;
mod replay;
mod revision;

use crate::load::{ONE_FIRM, Server, stream, unary};
use crate::report::{self, Goal, Table, figure};
use crate::{IN_FLIGHT, ROUNDS, SPAN, WINDOW, wants};

/// Clients of the billing run, and of the memory figure.
const CLIENTS: u32 = 10_000;
/// Clients of the month that is closed.
const CLOSING: u32 = 20_000;

pub(crate) async fn measure(parts: &[&str]) {
    report::machine("SQLite in WAL mode, synchronous=FULL");
    if wants(parts, "recording") {
        recording().await;
    }
    if wants(parts, "replay") {
        replay::everything(CLIENTS).await;
    }
    if wants(parts, "revision") {
        revision::everything().await;
    }
    if wants(parts, "reads") {
        let folder = tempfile::tempdir().unwrap();
        let place = format!("sqlite:{}", folder.path().join("reads.db").display());
        crate::reads::everything(&place).await;
    }
    if wants(parts, "closing") {
        closing::month(CLOSING).await;
    }
}

/// Recording over gRPC, ours and the bare service in turn, and bare inserts beside them.
async fn recording() {
    let mut table = Table::new("Recording, durable events/s (one event a request)");
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| format!("sqlite:{}", folder.path().join(name).display());
    let ours = Server::start(&["serve-ours", &place("ours.db")]).await;
    let bare = Server::start(&["serve-bare", &place("bare.db")]).await;
    for _ in 0..ROUNDS {
        for rows in [1, 32, WINDOW] {
            let rate =
                ceiling::inserts(&folder.path().join("inserts.db"), rows, ours.event_bytes, SPAN);
            table.add(&format!("bare multi-row inserts, {rows} a transaction"), rate);
        }
        for in_flight in IN_FLIGHT {
            let peer = unary(&[&bare], in_flight, ONE_FIRM).await;
            table.add_latency(&format!("bare service, unary, {in_flight} in flight"), &peer);
            let own = unary(&[&ours], in_flight, ONE_FIRM).await;
            table.add_latency(&format!("Counterfoil, unary, {in_flight} in flight"), &own);
        }
        let peer = stream(&bare, WINDOW).await;
        table.add(&format!("bare service, stream, {WINDOW} in flight"), peer);
        let own = stream(&ours, WINDOW).await;
        table.add(&format!("Counterfoil, RecordStream, {WINDOW} in flight"), own);
    }
    table.print();
    let inserts = format!("bare multi-row inserts, {WINDOW} a transaction");
    let stream = format!("Counterfoil, RecordStream, {WINDOW} in flight");
    let of_bare = |percent, how: &str| {
        let own = figure(&format!("Counterfoil, {how}"));
        Goal::at_least(percent, own, figure(&format!("bare service, {how}")))
    };
    table.compare(&[
        Goal::at_least(50.0, figure(&stream), figure(&inserts)),
        of_bare(60.0, "unary, 32 in flight"),
        of_bare(60.0, "unary, 128 in flight"),
        Goal::at_least(
            50.0,
            figure(&stream),
            figure(&format!("bare service, stream, {WINDOW} in flight")),
        ),
    ]);
    println!("\nserver memory after recording: {} MB", ours.memory_mb());
}
