//! One firm's writer: the only task that decides for it in this process.
//!
//! Requests only enqueue and wait, so a caller that goes away never touches a transaction.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use domain::ids::{FirmId, RequestId};
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tracing::field::Empty;
use tracing::{Instrument, Span};
use vault::FirmKeys;

use crate::cache::Cache;
use crate::clock::{Clock, Ids};
use crate::error::{StoreError, as_dyn};
use crate::handed::Handed;
use crate::head::Head;
use crate::plan::{BatchPlan, Decided, Verdict, answers};
use crate::ports::{Landing, Store};
use crate::settings::{BELIEF_LASTS, RETRIES_MAX, RETRY_PATIENCE, Settings};
use crate::stats::{EngineStats, add, raise};
use crate::submission::{SubmitError, Waiting};

pub(crate) struct Writer {
    firm: FirmId,
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    ids: Arc<dyn Ids>,
    firm_keys: Arc<FirmKeys>,
    stats: Arc<EngineStats>,
    settings: Settings,
    head: watch::Sender<u64>,
    /// Where its events go besides.
    handed: Arc<Handed>,
    cache: Cache,
    /// When the last batch landed.
    landed: Instant,
}

/// Why a batch was not committed.
enum Failure {
    /// Nothing can be done for now.
    All(SubmitError),
    /// One of the commands may be to blame, so that its neighbours deserve a try of their own.
    One(SubmitError),
}

impl Writer {
    pub(crate) fn new(
        firm: FirmId,
        store: Arc<dyn Store>,
        (clock, ids, firm_keys): (Arc<dyn Clock>, Arc<dyn Ids>, Arc<FirmKeys>),
        stats: Arc<EngineStats>,
        settings: Settings,
        (head, handed): (watch::Sender<u64>, Arc<Handed>),
    ) -> Self {
        let cache = Cache::new(firm, settings.streams_cached_max);
        let landed = Instant::now();
        Self { firm, store, clock, ids, firm_keys, stats, settings, head, handed, cache, landed }
    }

    /// Works until the queue is closed and empty.
    pub(crate) async fn run(mut self, mut queue: mpsc::Receiver<Waiting>) {
        let most = self.settings.batch_commands_max;
        let mut batch = Vec::with_capacity(most);
        while queue.recv_many(&mut batch, most).await > 0 {
            self.settle(&mut batch).await;
            // Whoever was answered and has more to say says it before the next batch begins: without
            // that, callers fall into two halves that wait for each other's transactions.
            tokio::task::yield_now().await;
        }
    }

    /// Answers every command of a batch.
    async fn settle(&mut self, batch: &mut Vec<Waiting>) {
        match self.commit(batch).await {
            Ok(()) => {}
            Err(Failure::One(error)) if batch.len() > 1 => {
                tracing::error!(firm = %self.firm, %error, "the store rejected a batch; trying its commands one by one");
                for waiting in batch.drain(..) {
                    let mut single = vec![waiting];
                    if let Err(Failure::One(error) | Failure::All(error)) =
                        self.commit(&mut single).await
                    {
                        answer_all(&mut single, &error);
                    }
                }
            }
            Err(Failure::One(error) | Failure::All(error)) => answer_all(batch, &error),
        }
    }

    /// Commits from the front until nothing is left, or says why the rest was not.
    async fn commit(&mut self, batch: &mut Vec<Waiting>) -> Result<(), Failure> {
        let mut failures = 0;
        let mut in_doubt = false;
        let mut begun = Instant::now();
        while !batch.is_empty() {
            let error = match self.attempt(batch).await {
                Ok(verdicts) => {
                    self.answer_front(batch, verdicts);
                    (failures, in_doubt, begun) = (0, false, Instant::now());
                    continue;
                }
                Err(error) => error,
            };
            // What was decided may not have landed, so the world may be ahead of the log.
            self.cache.clear();
            if matches!(error, StoreError::OutcomeUnknown { .. }) {
                in_doubt = true;
                add(&self.stats.outcomes_unknown, 1);
            }
            tracing::warn!(firm = %self.firm, error = as_dyn(&error), "a batch was not committed");
            let tried_enough = failures == RETRIES_MAX || begun.elapsed() > RETRY_PATIENCE;
            if tried_enough || !may_pass(&error) {
                return Err(if in_doubt {
                    Failure::All(SubmitError::OutcomeUnknown)
                } else {
                    failure(error)
                });
            }
            tokio::time::sleep(self.settings.retry_delay * 2u32.pow(failures)).await;
            failures += 1;
            add(&self.stats.retries, 1);
        }
        Ok(())
    }

    /// One transaction. A batch whose earlier commit is in doubt goes through here again too: its
    /// requests that landed are found by their ids, and only the others are decided.
    async fn attempt(&mut self, batch: &[Waiting]) -> Result<Vec<Verdict>, StoreError> {
        let begun = Instant::now();
        let span = self.commit_span(batch);
        let decided = self.decide(batch).instrument(span.clone()).await;
        let Decided { verdicts, events } = decided.inspect_err(|_| {
            span.record("otel.status_code", "ERROR");
        })?;
        self.landed = Instant::now();
        self.handed.put(events, self.cache.world());
        self.stats.commit_time.add_time(begun.elapsed());
        link(&span, &batch[..verdicts.len()]);
        Ok(verdicts)
    }

    /// Decides without the lock while nobody else seems to write, and with it otherwise. After a rest
    /// the lock is taken too: that finds a connection that was cut meanwhile before anything is
    /// decided, so that no caller is told of an unknown outcome for that.
    async fn decide(&mut self, batch: &[Waiting]) -> Result<Decided, StoreError> {
        let believed = self.cache.believed().filter(|_| self.landed.elapsed() < BELIEF_LASTS);
        if let Some(head) = believed.cloned()
            && let Some(decided) = self.decide_at(head, batch).await?
        {
            return Ok(decided);
        }
        let requests: Vec<RequestId> = batch.iter().map(|w| w.submission.request_id).collect();
        let known_position = self.cache.known_position();
        let sources = (self.clock.as_ref(), self.ids.as_ref());
        let mut plan = BatchPlan::new(&mut self.cache, batch, sources, &self.firm_keys);
        self.store.transact(self.firm, known_position, &requests, &mut plan).await?;
        Ok(plan.into_decided()?)
    }

    /// Nothing, and nothing decided, if the log does not end there or has answered a request before.
    async fn decide_at(
        &mut self,
        head: Head,
        batch: &[Waiting],
    ) -> Result<Option<Decided>, StoreError> {
        let sources = (self.clock.as_ref(), self.ids.as_ref());
        let mut plan = BatchPlan::new(&mut self.cache, batch, sources, &self.firm_keys);
        match self.store.transact_at(self.firm, &head, &mut plan).await? {
            Landing::Landed => {
                let decided = plan.into_decided()?;
                add(&self.stats.unlocked, 1);
                Ok(Some(decided))
            }
            Landing::NotTried => Ok(None),
            Landing::Lost => {
                drop(plan);
                self.cache.undo(head);
                add(&self.stats.unlocked_lost, 1);
                Ok(None)
            }
        }
    }

    /// The span of one transaction, inside that of the first request it serves.
    fn commit_span(&self, batch: &[Waiting]) -> Span {
        let first = batch.first().map_or_else(Span::none, |waiting| waiting.span.clone());
        tracing::debug_span!(
            parent: &first,
            "log.commit",
            firm = %self.firm,
            waiting = batch.len(),
            otel.status_code = Empty,
        )
    }

    /// Tells everyone what the batch that has just landed made of their command.
    fn answer_front(&mut self, batch: &mut Vec<Waiting>, verdicts: Vec<Verdict>) {
        assert!(!verdicts.is_empty(), "a committed transaction settles at least one command");
        let position = self.cache.world().position();
        self.head.send_if_modified(|head| {
            let moved = position > *head;
            *head = position.max(*head);
            moved
        });
        self.count(&verdicts);
        let decided = verdicts.len();
        for (waiting, answer) in batch.drain(..decided).zip(answers(verdicts)) {
            self.stats.append_time.add_time(waiting.since.elapsed());
            waiting.answer(answer);
        }
        self.cache.evict();
    }

    fn count(&self, verdicts: &[Verdict]) {
        let stats = &self.stats;
        add(&stats.batches, 1);
        add(&stats.commands, verdicts.len());
        raise(&stats.batch_commands_max, verdicts.len());
        stats.batch_commands.add(u64::try_from(verdicts.len()).unwrap_or(u64::MAX));
        let mut events = 0;
        for verdict in verdicts {
            match verdict {
                Verdict::Accepted(answer) => events += answer.count,
                Verdict::Refused(refusal) => stats.count_refusal(refusal.reason),
                Verdict::Replayed(_) | Verdict::SameAs(_) => add(&stats.replays, 1),
                Verdict::Reused { .. } => add(&stats.reused, 1),
                Verdict::Unnamed => {}
                Verdict::Failed(what) => {
                    tracing::error!(firm = %self.firm, what, "a command failed");
                }
            }
        }
        stats.events.fetch_add(events, Ordering::Relaxed);
        stats.batch_events.add(events);
    }
}

/// Ties a transaction and the requests it answered to each other. It can have one parent only, which
/// is the first of them; the others are linked both ways, so that each trace leads to the commit.
fn link(commit: &Span, answered: &[Waiting]) {
    if commit.is_disabled() {
        return;
    }
    for waiting in answered.iter().skip(1) {
        commit.follows_from(&waiting.span);
        waiting.span.follows_from(commit);
    }
}

fn answer_all(batch: &mut Vec<Waiting>, error: &SubmitError) {
    for waiting in batch.drain(..) {
        waiting.answer(Err(error.clone()));
    }
}

/// Whether trying again can help.
fn may_pass(error: &StoreError) -> bool {
    match error {
        StoreError::Unavailable { .. }
        | StoreError::OutcomeUnknown { .. }
        | StoreError::Conflict { .. } => true,
        StoreError::Corrupt { .. }
        | StoreError::Answer { .. }
        | StoreError::Full { .. }
        | StoreError::Internal { .. } => false,
    }
}

fn failure(error: StoreError) -> Failure {
    match error {
        StoreError::Unavailable { .. } | StoreError::Conflict { .. } | StoreError::Full { .. } => {
            Failure::All(SubmitError::Unavailable)
        }
        StoreError::OutcomeUnknown { .. } => Failure::All(SubmitError::OutcomeUnknown),
        StoreError::Corrupt { position, .. } => Failure::One(SubmitError::Corrupt { position }),
        error @ StoreError::Answer { .. } => Failure::One(SubmitError::Internal(error.to_string())),
        StoreError::Internal { what, .. } => Failure::One(SubmitError::Internal(what)),
    }
}
