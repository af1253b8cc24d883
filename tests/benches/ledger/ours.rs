//! The real service on a fresh database, with clients to write to.

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use api::v1::Scope;
use counterfoil_tests::history::firm_id;
use counterfoil_tests::{bulk, child};
use domain::ids::FirmId;
use ledger::ServerConfig;
use log::{Clock, Engine};
use store::Store;
use tokio::io::AsyncReadExt;
use uuid::Uuid;

/// Cases of the firm that most of the recording goes to, and of all further firms together.
pub(crate) const CASES: u32 = 2_000;

/// An engine on a database, its clock standing where the bulk history ends.
pub(crate) async fn engine(database: &str) -> (Engine, Arc<Store>, Arc<dyn Clock>) {
    let (engine, store, clock) = child::open(database).await.unwrap();
    engine.start().await.unwrap();
    (engine, store, clock)
}

/// The first is the firm of the bulk history, the others are like it.
fn firm(number: u32) -> FirmId {
    FirmId(Uuid::from_u128(firm_id().0.as_u128() + u128::from(number)))
}

/// Waits until the read models show everything.
pub(crate) async fn caught_up(ledger: &ledger::Ledger) {
    let engine = ledger.engine();
    let position = engine.head(firm_id()).await.unwrap().position;
    engine.wait_applied(firm_id(), position, Duration::from_mins(5)).await.unwrap();
}

/// Fills a fresh database with so many firms and serves it.
pub(crate) async fn serve_fresh(database: &str, firms: u32) {
    let (engine, store, clock) = engine(database).await;
    let mut served = Vec::new();
    for number in 0..firms {
        let cases = if number == 0 { CASES } else { CASES / (firms - 1) };
        let bulk = bulk::Bulk { engine: &engine, firm: firm(number) };
        bulk.set_up().await;
        bulk.enrol(0..cases).await;
        served.push((firm(number), cases));
    }
    serve(engine, store, clock, &served).await;
}

/// Serves a database that another process filled.
pub(crate) async fn serve_again(database: &str) {
    let (engine, store, clock) = engine(database).await;
    serve(engine, store, clock, &[(firm_id(), CASES)]).await;
}

/// Serves until the parent closes this process's standard input. Prints the address and the size of
/// one event, and of each firm its name, cases and a token.
async fn serve(engine: Engine, store: Arc<Store>, clock: Arc<dyn Clock>, firms: &[(FirmId, u32)]) {
    let bytes = bulk::message_bytes(&engine).await;
    let outbox = tempfile::tempdir().unwrap();
    let ledger = child::ledger(engine, store, clock, outbox.path());
    let scopes = [Scope::Record, Scope::Read, Scope::Bill, Scope::Administer];
    let mut served = String::new();
    for (firm, cases) in firms {
        let token = bulk::token_of(&ledger, *firm, "bench", &scopes).await;
        write!(served, " {firm} {cases} {token}").unwrap();
    }
    let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
    println!("{} {bytes}{served}", listening.local_addr);
    parent_is_gone().await;
    ledger.shutdown().await;
}

/// Waits until standard input ends: the parent is gone or done.
pub(crate) async fn parent_is_gone() {
    let mut input = tokio::io::stdin();
    let mut buffer = [0; 64];
    while input.read(&mut buffer).await.is_ok_and(|read| read > 0) {}
    tokio::time::sleep(Duration::ZERO).await;
}
