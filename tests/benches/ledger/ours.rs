//! The real service on a fresh database, with clients to write to.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use api::v1::Scope;
use counterfoil_tests::bulk;
use counterfoil_tests::history::firm_id;
use ledger::gateway::FileOutbox;
use ledger::{Ledger, Limits, ServerConfig};
use log::{Clock, Engine, Settings, SteppedClock, UuidV7Ids};
use store::Store;
use tokio::io::AsyncReadExt;

/// Cases that the recording is spread over.
pub(crate) const CASES: u32 = 2_000;

/// An engine on a database, its clock standing where the bulk history ends.
pub(crate) async fn engine(path: &Path) -> (Engine, Arc<Store>, Arc<dyn Clock>) {
    let store = Arc::new(Store::open(path).await.unwrap());
    let clock: Arc<dyn Clock> = Arc::new(SteppedClock::at(bulk::now()));
    let engine =
        Engine::new(store.clone(), clock.clone(), Arc::new(UuidV7Ids::new()), Settings::default());
    engine.start().await.unwrap();
    (engine, store, clock)
}

/// The service over an engine.
pub(crate) fn ledger(
    engine: Engine,
    store: Arc<Store>,
    clock: Arc<dyn Clock>,
    outbox: &Path,
) -> Ledger {
    Ledger::new(engine, store, clock, Arc::new(FileOutbox::new(outbox)), Limits::default())
}

/// Fills a fresh database and serves it.
pub(crate) async fn serve_fresh(path: &str) {
    let (engine, store, clock) = engine(Path::new(path)).await;
    bulk::set_up(&engine).await;
    bulk::enrol(&engine, CASES).await;
    serve(Path::new(path), engine, store, clock).await;
}

/// Serves a database that another process filled.
pub(crate) async fn serve_again(path: &str) {
    let (engine, store, clock) = engine(Path::new(path)).await;
    serve(Path::new(path), engine, store, clock).await;
}

/// Serves until the parent closes this process's standard input. Prints the address, the firm, a
/// token and the size of one event.
async fn serve(path: &Path, engine: Engine, store: Arc<Store>, clock: Arc<dyn Clock>) {
    let bytes = bulk::message_bytes(&engine).await;
    let ledger = ledger(engine, store, clock, &path.with_extension("outbox"));
    let scopes = [Scope::Record, Scope::Read, Scope::Bill, Scope::Administer];
    let token = bulk::token(&ledger, "bench", &scopes).await;
    let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
    println!("{} {} {token} {bytes}", listening.local_addr, firm_id());
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
