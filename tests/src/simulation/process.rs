//! One server process of a simulation, and the clients that wait on it.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use log::memory::{MemoryStore, Process};
use log::{Engine, SequentialIds, Settings, SteppedClock, Submission, SubmitError};
use testbed::firm_keys;
use tokio::task::JoinHandle;

use super::book::{Attempt, Book};
use crate::history::firm_id;

/// Commands that may wait for a writer.
pub(super) const QUEUE_DEPTH_MAX: usize = 6;
/// Commands a writer holds in its hand.
pub(super) const BATCH_COMMANDS_MAX: usize = 4;

/// Limits small enough that a short run meets every one of them.
fn settings() -> Settings {
    Settings {
        queue_depth_max: QUEUE_DEPTH_MAX,
        batch_commands_max: BATCH_COMMANDS_MAX,
        streams_cached_max: 6,
        snapshot_every: 8,
        snapshot_at_rest: 2,
        project_page: 24,
        rebuild_page: 64,
        ..Settings::default()
    }
}

/// A process that runs.
pub(super) struct Running {
    pub(super) engine: Engine,
    process: Arc<Process>,
    /// Callers inside `submit` now.
    inside: Arc<AtomicUsize>,
    waiters: Vec<Waiter>,
}

struct Waiter {
    attempts: Vec<Attempt>,
    task: JoinHandle<()>,
}

/// What all processes of a run share.
#[derive(Clone)]
pub(super) struct Shared {
    pub(super) store: Arc<MemoryStore>,
    pub(super) clock: Arc<SteppedClock>,
    pub(super) ids: Arc<SequentialIds>,
    pub(super) book: Arc<Mutex<Book>>,
}

impl Shared {
    pub(super) fn book(&self) -> MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Counts a caller in for as long as it lives, however it ends.
struct Inside(Arc<AtomicUsize>);

impl Inside {
    fn new(count: &Arc<AtomicUsize>) -> Self {
        count.fetch_add(1, Ordering::SeqCst);
        Self(Arc::clone(count))
    }
}

impl Drop for Inside {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

impl Running {
    pub(super) fn start(shared: &Shared) -> Self {
        let process = Arc::new(Process::new(shared.store.clone()));
        let store: Arc<Process> = Arc::clone(&process);
        let clock: Arc<SteppedClock> = Arc::clone(&shared.clock);
        let ids: Arc<SequentialIds> = Arc::clone(&shared.ids);
        let engine = Engine::new(store, clock, ids, firm_keys(), settings());
        // The projector of a firm starts with the first question about it.
        drop(engine.applied(firm_id()));
        Self { engine, process, inside: Arc::default(), waiters: Vec::new() }
    }

    /// A client that asks, and goes away after a while if it is not patient.
    pub(super) fn ask(
        &mut self,
        shared: &Shared,
        attempt: Attempt,
        submission: Submission,
        patience: Option<Duration>,
    ) {
        let (engine, shared) = (self.engine.clone(), shared.clone());
        let inside = Arc::clone(&self.inside);
        let task = tokio::spawn(async move {
            let asking = async {
                let _inside = Inside::new(&inside);
                engine.submit(firm_id(), submission.clone()).await
            };
            let answer = match patience {
                None => Some(asking.await),
                Some(patience) => tokio::time::timeout(patience, asking).await.ok(),
            };
            match answer {
                Some(answer) => shared.book().answered(attempt, &submission, &answer),
                None => shared.book().give_up(attempt, "dropped"),
            }
        });
        self.waiters.push(Waiter { attempts: vec![attempt], task });
    }

    /// A client that sends several in order before it waits for any.
    pub(super) fn ask_in_order(&mut self, shared: &Shared, asked: Vec<(Attempt, Submission)>) {
        let attempts = asked.iter().map(|(attempt, _)| *attempt).collect();
        let (engine, shared) = (self.engine.clone(), shared.clone());
        let task = tokio::spawn(async move {
            let mut pending = Vec::new();
            for (attempt, submission) in asked {
                match engine.enqueue(firm_id(), submission.clone()).await {
                    Ok(answer) => pending.push((attempt, submission, answer)),
                    Err(error) => shared.book().answered(attempt, &submission, &Err(error)),
                }
            }
            for (attempt, submission, answer) in pending {
                let answer = answer.await.unwrap_or(Err(SubmitError::OutcomeUnknown));
                shared.book().answered(attempt, &submission, &answer);
            }
        });
        self.waiters.push(Waiter { attempts, task });
    }

    /// One of the waiting clients goes away.
    pub(super) fn drop_one(&mut self, shared: &Shared, pick: usize) {
        self.waiters.retain(|waiter| !waiter.task.is_finished());
        if !self.waiters.is_empty() {
            let waiter = self.waiters.swap_remove(pick % self.waiters.len());
            leave(shared, &waiter, "dropped");
        }
    }

    /// The process dies where it is; its clients hear nothing.
    pub(super) fn kill(self, shared: &Shared) {
        self.process.kill();
        for waiter in &self.waiters {
            leave(shared, waiter, "cut off");
        }
    }

    /// How many callers are inside, which the queue and one batch must be able to hold.
    pub(super) fn inside(&self) -> usize {
        self.inside.load(Ordering::SeqCst)
    }
}

fn leave(shared: &Shared, waiter: &Waiter, what: &'static str) {
    waiter.task.abort();
    for attempt in &waiter.attempts {
        shared.book().give_up(*attempt, what);
    }
}
