//! The auditor: reads what is kept, remembers every byte it saw, and judges the log, the read model
//! and the books from the events alone.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use anyhow::{Context as _, ensure};
use domain::State;
use domain::account::{Account, CHARGE_TRIES_MAX};
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId, UtcMicros};
use domain::ids::{CaseId, RequestId};
use log::memory::MemoryStore;
use log::{LogStore as _, OutcomeResult};
use proof::{Frontier, Hash, leaf_hash, tree};

use crate::given_back::gave_back_too_much;
use crate::history::firm_id;

/// What has been seen of one firm's log, and what it must mean.
pub(super) struct Audit {
    store: Arc<MemoryStore>,
    bytes: Vec<Vec<u8>>,
    leaves: Vec<Hash>,
    frontier: Frontier,
    events: BTreeMap<u64, Recorded>,
    versions: HashMap<StreamId, u64>,
    /// What the last event says it was recorded at.
    recorded_at: UtcMicros,
    /// First and last position of every request's events.
    requests: HashMap<RequestId, (u64, u64)>,
    /// The position nobody can read, once there is one.
    poison: Option<u64>,
    /// The rows as they must be at `folded_to` of `generation`.
    folded: HashMap<StreamId, State>,
    folded_to: u64,
    generation: i64,
    fees: BTreeSet<(CaseId, u32, i64)>,
    periods: BTreeSet<(CaseId, u32)>,
    lines: BTreeSet<(CaseId, u32, i64)>,
    invoices: u64,
}

fn index(position: u64) -> usize {
    usize::try_from(position).expect("a short log")
}

fn length(count: usize) -> u64 {
    u64::try_from(count).expect("a short log")
}

impl Audit {
    pub(super) fn new(store: Arc<MemoryStore>) -> Self {
        Self {
            store,
            bytes: Vec::new(),
            leaves: Vec::new(),
            frontier: Frontier::new(),
            events: BTreeMap::new(),
            versions: HashMap::new(),
            recorded_at: UtcMicros::default(),
            requests: HashMap::new(),
            poison: None,
            folded: HashMap::new(),
            folded_to: 0,
            generation: 0,
            fees: BTreeSet::new(),
            periods: BTreeSet::new(),
            lines: BTreeSet::new(),
            invoices: 0,
        }
    }

    pub(super) fn poisoned(&mut self, position: u64) {
        self.poison = Some(position);
    }

    pub(super) fn is_poisoned(&self) -> bool {
        self.poison.is_some()
    }

    pub(super) fn events(&self) -> u64 {
        length(self.bytes.len())
    }

    pub(super) fn fees(&self) -> u64 {
        length(self.fees.len())
    }

    pub(super) fn invoices(&self) -> u64 {
        self.invoices
    }

    pub(super) fn recorded_by(&self, request: RequestId) -> Option<(u64, u64)> {
        self.requests.get(&request).copied()
    }

    /// The last position a projection can reach.
    pub(super) fn readable_to(&self) -> u64 {
        self.poison.map_or(self.events(), |position| position - 1)
    }

    /// Takes in what was appended since, and gives it.
    pub(super) fn take(&mut self) -> anyhow::Result<Vec<Recorded>> {
        let mut new = Vec::new();
        for stored in self.store.kept(firm_id(), self.events()) {
            let position = self.events() + 1;
            ensure!(stored.position == position, "position {position} is missing");
            let leaf = leaf_hash(&stored.bytes);
            self.frontier.push(leaf);
            self.leaves.push(leaf);
            if self.poison != Some(position) {
                let recorded = Recorded::from_bytes(&stored.bytes)
                    .with_context(|| format!("position {position} does not read"))?;
                self.enter(position, &recorded)?;
                new.push(recorded.clone());
                self.events.insert(position, recorded);
            }
            self.bytes.push(stored.bytes);
        }
        self.requests_are_remembered(&new)?;
        ensure!(self.lines == self.fees, "an invoice line and an earned fee are the same thing");
        Ok(new)
    }

    fn enter(&mut self, position: u64, recorded: &Recorded) -> anyhow::Result<()> {
        ensure!(recorded.position == position, "position {position} holds {}", recorded.position);
        ensure!(recorded.firm == firm_id(), "position {position} is of another firm");
        let stream = recorded.stream;
        let version = self.versions.entry(stream).or_default();
        *version += 1;
        ensure!(recorded.stream_version == *version, "{stream} lacks version {version}");
        let earlier = recorded.recorded_at < self.recorded_at;
        ensure!(!earlier, "position {position} was recorded before the one before it");
        self.recorded_at = recorded.recorded_at;
        let (_, last) = self.requests.entry(recorded.request_id).or_insert((position, position));
        ensure!(position - *last <= 1, "request {} recorded twice", recorded.request_id);
        *last = position;
        self.book_entry(recorded)
    }

    /// No fee twice, invoice numbers without a gap, totals that are the sum of their lines.
    fn book_entry(&mut self, recorded: &Recorded) -> anyhow::Result<()> {
        match (&recorded.event, recorded.stream) {
            (Event::Case(CaseEvent::FeeEarned(fee)), StreamId::Case(case)) => {
                let first = self.periods.insert((case, fee.period));
                ensure!(first, "a second fee for {case} period {}", fee.period);
                self.fees.insert((case, fee.period, fee.amount.minor()));
            }
            (Event::Account(AccountEvent::InvoiceIssued(invoice)), _) => {
                self.invoices += 1;
                ensure!(invoice.number == self.invoices, "invoice {} is missing", self.invoices);
                let sum: i64 = invoice.lines.iter().map(|line| line.amount.minor()).sum();
                ensure!(sum == invoice.total.minor(), "invoice {} does not add up", invoice.number);
                for line in &invoice.lines {
                    let first = self.lines.insert((line.case, line.period, line.amount.minor()));
                    ensure!(first, "{} period {} is invoiced twice", line.case, line.period);
                }
            }
            (Event::Account(AccountEvent::PaymentSettled(payment)), _) => {
                let applied: i64 = payment.applied.iter().map(|a| a.amount.minor()).sum();
                let whole = applied + payment.unearned.minor();
                ensure!(whole == payment.amount.minor(), "{} is not all placed", payment.payment);
            }
            (
                Event::Case(_)
                | Event::Account(_)
                | Event::Deposit(_)
                | Event::Firm(_)
                | Event::Look(_),
                _,
            ) => {}
        }
        Ok(())
    }

    /// Every event is covered by its request's outcome, whole.
    fn requests_are_remembered(&self, new: &[Recorded]) -> anyhow::Result<()> {
        let requests: BTreeSet<RequestId> =
            new.iter().map(|recorded| recorded.request_id).collect();
        for request in requests {
            let outcome = self.store.outcome(firm_id(), request);
            let outcome = outcome.with_context(|| format!("{request} recorded, unremembered"))?;
            let OutcomeResult::Accepted(accepted) = outcome.result else {
                anyhow::bail!("{request} recorded and is remembered as refused")
            };
            let there = self.requests.get(&request).copied();
            ensure!(there == Some((accepted.first, accepted.last())), "{request} is split");
        }
        Ok(())
    }

    /// Everything that must hold at any moment. [`Audit::take`] comes before it.
    pub(super) async fn check(&mut self) -> anyhow::Result<()> {
        let kept = self.store.kept(firm_id(), 0);
        let same = kept.iter().map(|stored| &stored.bytes).eq(&self.bytes);
        ensure!(same, "an event that was there is gone or is another one");
        let head = self.store.head(firm_id()).await?;
        ensure!(head.position == self.events(), "the head is not at the last event");
        ensure!(head.invoices == self.invoices, "the head counts other invoices");
        ensure!(head.root() == self.frontier.root(), "the head has another root");
        ensure!(head.recorded_at == self.recorded_at, "the head has another time");
        self.rows_are_the_fold()?;
        self.books_balance()
    }

    fn rows_are_the_fold(&mut self) -> anyhow::Result<()> {
        let (checkpoint, rows) = self.store.projected(firm_id());
        ensure!(checkpoint.position <= self.events(), "the checkpoint is ahead of the log");
        if checkpoint.generation != self.generation {
            self.generation = checkpoint.generation;
            (self.folded, self.folded_to) = (HashMap::new(), 0);
        }
        ensure!(checkpoint.position >= self.folded_to, "the checkpoint went back");
        for position in self.folded_to + 1..=checkpoint.position {
            let event = self.events.get(&position).context("an unreadable event was projected")?;
            let stream = event.stream;
            self.folded.entry(stream).or_insert_with(|| State::empty(stream)).apply(event);
        }
        self.folded_to = checkpoint.position;
        ensure!(rows == self.folded, "the rows are not the fold up to {}", checkpoint.position);
        Ok(())
    }

    fn books_balance(&self) -> anyhow::Result<()> {
        for state in self.folded.values() {
            if let State::Account(account) = state {
                account_balances(account)?;
            }
        }
        Ok(())
    }

    /// The root made anew from the bytes, and the whole verifier of the engine.
    pub(super) async fn check_from_scratch(&self, engine: &log::Engine) -> anyhow::Result<Hash> {
        let root = tree::root_of(&self.leaves);
        let head = self.store.head(firm_id()).await?;
        ensure!(head.root() == root, "the head has another root than the tree");
        let kept = self.store.leaves(firm_id(), 0, index(self.events())).await?;
        ensure!(kept == self.leaves, "the leaves kept beside the events are others");
        match (engine.verify(firm_id(), |_, _| {}).await, self.poison) {
            (Ok(report), None) => ensure!(report.root == root, "a verification finds another root"),
            (Err(log::VerifyError::Finding { position, .. }), Some(poison)) => {
                ensure!(position == poison, "a verification stops at {position}, not {poison}");
            }
            (other, poison) => anyhow::bail!("a verification says {other:?}, poison {poison:?}"),
        }
        Ok(root)
    }
}

fn account_balances(account: &Account) -> anyhow::Result<()> {
    for (number, invoice) in account.invoices.iter() {
        let parts = [invoice.paid, invoice.credited, invoice.written_off, invoice.charged_back];
        let whole = parts.iter().all(|part| part.minor() >= 0) && invoice.open().minor() >= 0;
        ensure!(whole, "invoice {number} is overpaid or below zero");
        ensure!(invoice.tries <= CHARGE_TRIES_MAX, "invoice {number} was tried too often");
    }
    let too_much = gave_back_too_much(account);
    ensure!(too_much.is_none(), "{too_much:?} gave back more than it was, and that is no loss");
    Ok(())
}
