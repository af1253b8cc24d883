//! A firm that grows client by client, as firms do.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use api::v1::Scope;
use counterfoil_tests::bulk::{self, Bulk, submission};
use counterfoil_tests::child;
use counterfoil_tests::history::firm_id;
use ledger::{Ledger, ServerConfig};
use log::Engine;
use tempfile::TempDir;
use tokio::sync::Mutex;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use super::Figures;
use crate::ours;

/// Clients that come at once.
const CHUNK_CLIENTS: u32 = 1_000;
/// Events that a client comes to, about.
const EVENTS_OF_CLIENT: u64 = 40;
/// Messages that each client writes.
const MESSAGES: u32 = 8;
/// One client in so many has a fee that nobody has claimed yet.
const UNBILLED: u32 = 20;
/// The rate of recording is taken over the last so many percent of a size.
const RATE_PERCENT: u64 = 20;
/// How long the read models may take to follow.
const FOLLOW_MAX: Duration = Duration::from_mins(10);

/// How long the append rate is measured.
const APPEND_SPAN: Duration = Duration::from_secs(5);
/// Callers of that.
const CALLERS: usize = 32;
/// Clients that "recent" means.
const RECENT: u32 = 2_000;

/// The firm.
pub(crate) struct Growing {
    pub(crate) engine: Engine,
    pub(crate) channel: Channel,
    pub(crate) token: MetadataValue<Ascii>,
    pub(crate) clients: u32,
    _ledger: Ledger,
    _outbox: TempDir,
}

impl Growing {
    /// Registers it, behind a server that answers its reads.
    pub(crate) async fn found(database: &str) -> Self {
        let (engine, store, clock) = ours::engine(database).await;
        let outbox = tempfile::tempdir().unwrap();
        Bulk { engine: &engine, firm: firm_id() }.set_up().await;
        let ledger = child::ledger(engine.clone(), store, clock, Path::new(outbox.path()));
        let scopes = [Scope::Record, Scope::Read, Scope::Bill];
        let token = bulk::token(&ledger, "growth", &scopes).await;
        let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
        let address = format!("http://{}", listening.local_addr);
        let channel = Channel::from_shared(address).unwrap().connect().await.unwrap();
        let token = format!("Bearer {token}").parse().unwrap();
        Self { engine, channel, token, clients: 0, _ledger: ledger, _outbox: outbox }
    }

    /// The size of its log.
    pub(crate) async fn events(&self) -> u64 {
        self.engine.head(firm_id()).await.unwrap().position
    }

    /// Lets clients come until the log has a size: each enrols, has a month's work done, writes, and
    /// is billed for the month.
    pub(crate) async fn fill(&mut self, size: u64, figures: &mut Figures) {
        let rate_from = size - size * RATE_PERCENT / 100;
        let (mut recording, mut following, mut counted) = (Duration::ZERO, Duration::ZERO, 0);
        loop {
            let before = self.events().await;
            if before >= size {
                break;
            }
            let started = Instant::now();
            self.chunk((size - before) / EVENTS_OF_CLIENT + 1).await;
            let recorded = started.elapsed();
            let after = self.events().await;
            self.engine.wait_applied(firm_id(), after, FOLLOW_MAX).await.unwrap();
            if after > rate_from {
                recording += recorded;
                following += started.elapsed();
                counted += after - before;
            }
        }
        let events = self.events().await;
        let rate = |time: Duration| counted as f64 / time.as_secs_f64();
        figures.add(events, "bulk append, 512 commands in flight", "events/s", rate(recording));
        figures.add(events, "bulk append, until read models have it", "events/s", rate(following));
    }

    async fn chunk(&mut self, wanted: u64) {
        let bulk = Bulk { engine: &self.engine, firm: firm_id() };
        let come = u32::try_from(wanted).unwrap_or(CHUNK_CLIENTS).min(CHUNK_CLIENTS);
        let clients = self.clients..self.clients + come;
        bulk.enrol(clients.clone()).await;
        bulk.first_month(clients.clone()).await;
        for _ in 0..MESSAGES {
            bulk.messages(clients.clone()).await;
        }
        bulk.bill(clients.clone().filter(|number| number % UNBILLED != 0)).await;
        self.clients = clients.end;
    }

    /// Messages a second of 32 callers: of clients whose cases are in memory, and of any client.
    pub(crate) async fn append(&self, events: u64, figures: &mut Figures) {
        for (who, among) in
            [("recent clients", RECENT.min(self.clients)), ("any client", self.clients)]
        {
            let rate = self.messages(self.clients - among, among).await;
            figures.add(events, &format!("append, 32 callers, {who}"), "events/s", rate);
        }
        let end = self.events().await;
        self.engine.wait_applied(firm_id(), end, FOLLOW_MAX).await.unwrap();
    }

    async fn messages(&self, from: u32, among: u32) -> f64 {
        let until = Instant::now() + APPEND_SPAN;
        let recorded = Arc::new(Mutex::new(0_u64));
        let callers: Vec<_> = (0..CALLERS)
            .map(|at| {
                let (engine, recorded) = (self.engine.clone(), Arc::clone(&recorded));
                let mut numbers = numbers(at as u64);
                tokio::spawn(async move {
                    let mut own = 0;
                    while Instant::now() < until {
                        let client = from + numbers.next().unwrap() % among;
                        let request = submission(bulk::message(client));
                        engine.submit(firm_id(), request).await.unwrap();
                        own += 1;
                    }
                    *recorded.lock().await += own;
                })
            })
            .collect();
        for caller in callers {
            caller.await.unwrap();
        }
        *recorded.lock().await as f64 / APPEND_SPAN.as_secs_f64()
    }
}

/// The same random numbers in every run.
pub(crate) fn numbers(seed: u64) -> impl Iterator<Item = u32> {
    use rand::{RngExt as _, SeedableRng as _};
    let mut random = rand::rngs::StdRng::seed_from_u64(seed);
    std::iter::repeat_with(move || random.random())
}
