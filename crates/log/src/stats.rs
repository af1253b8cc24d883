//! Counters of the engine, read by whoever exports metrics.

use std::sync::atomic::{AtomicU64, Ordering};

use domain::refusal::Reason;

use crate::histogram::{COUNTS, Histogram, MICROS};

/// Plain counters since the start of the process, over all firms.
#[derive(Debug)]
pub struct EngineStats {
    /// Transactions that committed something.
    pub batches: AtomicU64,
    /// Commands answered from a commit, refusals included.
    pub commands: AtomicU64,
    /// Events committed.
    pub events: AtomicU64,
    /// Microseconds from the submission of a command to its answer from a commit, refusals and
    /// repetitions included.
    pub append_time: Histogram,
    /// Microseconds of a transaction that committed, with the decisions inside it.
    pub commit_time: Histogram,
    /// Commands of each transaction.
    pub batch_commands: Histogram,
    /// Events of each transaction; none where every command was refused or repeated.
    pub batch_events: Histogram,
    /// Commands of the largest batch.
    pub batch_commands_max: AtomicU64,
    /// Requests answered from their first outcome.
    pub replays: AtomicU64,
    /// Requests whose id was used before for something else.
    pub reused: AtomicU64,
    /// Submissions turned away because the queue was full.
    pub overloaded: AtomicU64,
    /// Transactions tried again after a failure.
    pub retries: AtomicU64,
    /// Commits whose outcome had to be looked up.
    pub outcomes_unknown: AtomicU64,
    /// Transactions that were decided without the lock and landed.
    pub unlocked: AtomicU64,
    /// Decisions without the lock that were void, since others had written or a request was known.
    pub unlocked_lost: AtomicU64,
    /// Events taken into the live read model.
    pub projected: AtomicU64,
    /// Failed projection steps.
    pub projection_failures: AtomicU64,
    refused: Vec<AtomicU64>,
}

impl Default for EngineStats {
    fn default() -> Self {
        Self {
            batches: AtomicU64::default(),
            commands: AtomicU64::default(),
            events: AtomicU64::default(),
            append_time: Histogram::new(MICROS),
            commit_time: Histogram::new(MICROS),
            batch_commands: Histogram::new(COUNTS),
            batch_events: Histogram::new(COUNTS),
            batch_commands_max: AtomicU64::default(),
            replays: AtomicU64::default(),
            reused: AtomicU64::default(),
            overloaded: AtomicU64::default(),
            retries: AtomicU64::default(),
            outcomes_unknown: AtomicU64::default(),
            unlocked: AtomicU64::default(),
            unlocked_lost: AtomicU64::default(),
            projected: AtomicU64::default(),
            projection_failures: AtomicU64::default(),
            refused: Reason::ALL.iter().map(|_| AtomicU64::default()).collect(),
        }
    }
}

impl EngineStats {
    /// New refusals by reason, every reason once, in the order of its declaration.
    pub fn refused(&self) -> impl Iterator<Item = (Reason, u64)> {
        Reason::ALL.iter().zip(&self.refused).map(|(reason, count)| (*reason, read(count)))
    }

    pub(crate) fn count_refusal(&self, reason: Reason) {
        if let Some(at) = Reason::ALL.iter().position(|known| *known == reason) {
            add(&self.refused[at], 1);
        }
    }
}

/// Adds to a counter.
pub(crate) fn add(counter: &AtomicU64, count: usize) {
    counter.fetch_add(u64::try_from(count).unwrap_or(u64::MAX), Ordering::Relaxed);
}

/// Raises a high-water mark.
pub(crate) fn raise(counter: &AtomicU64, value: usize) {
    counter.fetch_max(u64::try_from(value).unwrap_or(u64::MAX), Ordering::Relaxed);
}

fn read(counter: &AtomicU64) -> u64 {
    counter.load(Ordering::Relaxed)
}
