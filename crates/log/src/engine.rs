//! The handle that services use.

use std::collections::HashMap;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::Duration;

use domain::command::Command;
use domain::event::{Author, StreamId, UtcMicros};
use domain::ids::{FirmId, RequestId};
use domain::named::NameFound;
use domain::refusal::Refusal;
use domain::world::State;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use vault::FirmKeys;

use crate::clock::{Clock, Ids};
use crate::error::StoreError;
use crate::head::Head;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::{Store, Stored};
use crate::projector::{self, Projection};
use crate::reading;
use crate::sealing::unwrapped;
use crate::settings::Settings;
use crate::stats::EngineStats;
use crate::tiles::TileMemory;
use crate::writer::{Waiting, Writer};

/// One request to record something.
#[derive(Clone, Debug)]
pub struct Submission {
    /// The caller's id for it: the same id is the same request, for ever.
    pub request_id: RequestId,
    /// A hash of everything that makes the request what it is, by the caller of the engine.
    pub fingerprint: [u8; 32],
    /// Who asks.
    pub author: Author,
    /// What is asked.
    pub command: Command,
}

/// A request that was carried out, now or before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The position of its first event, or the one it would have had.
    pub first_position: u64,
    /// How many events it recorded.
    pub count: u64,
    /// The position to wait for before reading what it changed.
    pub position: u64,
    /// Every stream it wrote to and the version that stream reached.
    pub streams: Vec<(StreamId, u64)>,
    /// Whether this is the first answer, given again.
    pub replayed: bool,
}

impl Answer {
    pub(crate) fn first_time(accepted: &Accepted) -> Self {
        Self {
            first_position: accepted.first,
            count: accepted.count,
            position: accepted.last(),
            streams: accepted.streams.clone(),
            replayed: false,
        }
    }

    pub(crate) fn replayed(outcome: &Outcome) -> Result<Self, SubmitError> {
        match &outcome.result {
            OutcomeResult::Accepted(accepted) => {
                Ok(Self { replayed: true, ..Self::first_time(accepted) })
            }
            OutcomeResult::Refused(refusal) => Err(SubmitError::RefusedBefore {
                refusal: refusal.clone(),
                at: outcome.recorded_at,
            }),
        }
    }
}

/// Why a request was not carried out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SubmitError {
    /// A rule stood in the way. The same request gets the same refusal again.
    #[error("refused: {0}")]
    Refused(Box<Refusal>),
    /// A rule stood in the way when the same request was first asked. What is on record may be another
    /// since; a new request would be judged by it.
    #[error("refused earlier: {refusal}")]
    RefusedBefore {
        /// The first answer.
        refusal: Box<Refusal>,
        /// When it was given.
        at: UtcMicros,
    },
    /// The request id was used for something else.
    #[error("the request id was used before for another request")]
    RequestReused {
        /// When that was decided.
        first_seen: UtcMicros,
    },
    /// Too many requests wait already; nothing was recorded.
    #[error("too many requests are waiting")]
    Overloaded,
    /// The store cannot be written to; nothing was recorded.
    #[error("the log cannot be written to at the moment")]
    Unavailable,
    /// It may or may not have been recorded: ask again with the same request id.
    #[error("the outcome is unknown; ask again with the same request id")]
    OutcomeUnknown,
    /// A stored event that the decision needs cannot be read; nothing was recorded.
    #[error("the log is corrupt at position {position}")]
    Corrupt {
        /// Where.
        position: u64,
    },
    /// A fault of the service; nothing was recorded.
    #[error("internal: {0}")]
    Internal(String),
    /// The name that it records a movement under was recorded under meanwhile, by whom it is not known; nothing was recorded.
    #[error("the processor's name has to be looked up again")]
    Unnamed,
    /// The service takes no more requests; nothing was recorded.
    #[error("the service is shutting down")]
    ShuttingDown,
}

impl SubmitError {
    /// What stood in the way, now or when the request was first asked; nothing if it was no rule.
    pub fn refusal(&self) -> Option<&Refusal> {
        match self {
            Self::Refused(refusal) | Self::RefusedBefore { refusal, .. } => Some(refusal),
            Self::RequestReused { .. }
            | Self::Overloaded
            | Self::Unavailable
            | Self::OutcomeUnknown
            | Self::Corrupt { .. }
            | Self::Internal(_)
            | Self::Unnamed
            | Self::ShuttingDown => None,
        }
    }
}

/// The answer to come to an enqueued request. An error of the receiver itself means
/// [`SubmitError::OutcomeUnknown`].
pub type Pending = oneshot::Receiver<Result<Answer, SubmitError>>;

/// The engine: cheap to clone, one per process and store.
#[derive(Clone)]
pub struct Engine {
    inner: Arc<Inner>,
}

pub(crate) struct Inner {
    pub(crate) store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    ids: Arc<dyn Ids>,
    pub(crate) firm_keys: Arc<FirmKeys>,
    pub(crate) settings: Settings,
    pub(crate) stats: Arc<EngineStats>,
    pub(crate) tiles: TileMemory,
    firms: RwLock<HashMap<FirmId, Arc<Firm>>>,
    /// Set once, when no further request is taken.
    closing: watch::Sender<bool>,
    /// Set once the writers have drained.
    pub(crate) stopping: watch::Sender<bool>,
}

/// What the engine runs for one firm.
pub(crate) struct Firm {
    pub(crate) id: FirmId,
    pub(crate) head: watch::Sender<u64>,
    pub(crate) projection: Projection,
    writer: Mutex<Option<Queue>>,
    projector: Mutex<Option<JoinHandle<()>>>,
}

impl Firm {
    /// Requests that wait for the writer.
    pub(crate) fn queued(&self) -> usize {
        let waiting = |queue: &Queue| queue.sender.max_capacity() - queue.sender.capacity();
        lock(&self.writer).as_ref().map_or(0, waiting)
    }
}

/// A writer's queue and its task.
struct Queue {
    sender: mpsc::Sender<Waiting>,
    task: JoinHandle<()>,
}

impl Engine {
    /// An engine over a store, which seals under firm keys. It starts a firm's tasks when the firm is first asked for, so it has
    /// to be used inside a tokio runtime.
    pub fn new(
        store: Arc<dyn Store>,
        clock: Arc<dyn Clock>,
        ids: Arc<dyn Ids>,
        firm_keys: FirmKeys,
        settings: Settings,
    ) -> Self {
        let inner = Inner {
            store,
            clock,
            ids,
            firm_keys: Arc::new(firm_keys),
            settings,
            stats: Arc::default(),
            tiles: TileMemory::default(),
            firms: RwLock::default(),
            closing: watch::Sender::new(false),
            stopping: watch::Sender::new(false),
        };
        Self { inner: Arc::new(inner) }
    }

    /// Starts the projection of every firm there is, and says how many. Refuses to if the firm keys
    /// given do not open what the firms have sealed.
    pub async fn start(&self) -> Result<usize, StoreError> {
        let firms = self.inner.store.firms().await?;
        for firm in &firms {
            for own in self.inner.store.people(*firm, &[firm.0]).await? {
                unwrapped(&self.inner.firm_keys, *firm, &own)?;
            }
            self.firm(*firm);
        }
        Ok(firms.len())
    }

    /// Records something, or says why not. Never waits for room: a full queue is
    /// [`SubmitError::Overloaded`].
    pub async fn submit(
        &self,
        firm: FirmId,
        submission: Submission,
    ) -> Result<Answer, SubmitError> {
        if submission.command.movement_name().is_some() {
            return self.submit_named(firm, submission).await;
        }
        self.submit_once(firm, submission, None).await
    }

    /// The same with what was found of the name that the command records a movement under.
    pub(crate) async fn submit_once(
        &self,
        firm: FirmId,
        submission: Submission,
        found: Option<NameFound>,
    ) -> Result<Answer, SubmitError> {
        let sender = self.queue(firm)?;
        let (answer, pending) = oneshot::channel();
        sender.try_send(Waiting::new(submission, found, answer)).map_err(|error| match error {
            mpsc::error::TrySendError::Full(_) => {
                self.inner.stats.overloaded.fetch_add(1, Ordering::Relaxed);
                SubmitError::Overloaded
            }
            mpsc::error::TrySendError::Closed(_) => SubmitError::Unavailable,
        })?;
        pending.await.unwrap_or(Err(SubmitError::OutcomeUnknown))
    }

    /// Puts a request in the queue, waiting for room, and returns its answer to come: requests of
    /// one stream keep their order without waiting for each other.
    pub async fn enqueue(
        &self,
        firm: FirmId,
        submission: Submission,
    ) -> Result<Pending, SubmitError> {
        let found = self.found_for(firm, &submission.command).await?;
        let sender = self.queue(firm)?;
        let mut closing = self.inner.closing.subscribe();
        let room = tokio::select! {
            room = sender.reserve() => room.map_err(|_| SubmitError::Unavailable)?,
            _ = closing.wait_for(|closing| *closing) => return Err(SubmitError::ShuttingDown),
        };
        let (answer, pending) = oneshot::channel();
        room.send(Waiting::new(submission, found, answer));
        Ok(pending)
    }

    /// Streams folded up to the end of the log, in the order asked for, and that position.
    pub async fn states(
        &self,
        firm: FirmId,
        streams: &[StreamId],
    ) -> Result<(u64, Vec<State>), StoreError> {
        let position = self.inner.store.head(firm).await?.position;
        Ok((position, self.states_at(firm, streams, position).await?))
    }

    /// Streams folded up to a position, in the order asked for.
    pub async fn states_at(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        position: u64,
    ) -> Result<Vec<State>, StoreError> {
        reading::states_at(self.inner.store.as_ref(), firm, streams, position).await
    }

    /// Events after a position, dense and in order; none only at the end of the log.
    pub async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        self.inner.store.read(firm, after, limit).await
    }

    /// The end of a firm's log.
    pub async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        self.inner.store.head(firm).await
    }

    /// Whether the log ends where its head says, and the read model does not go further: the one place
    /// where everything that waits for a position finds out that it may never come.
    pub async fn check_end(&self, firm: FirmId) -> Result<(), StoreError> {
        check_end(self.inner.store.as_ref(), firm).await
    }

    /// Wakes whoever waits for a log to grow: something says that another process wrote to it. A firm
    /// that nobody here has asked for yet is let be; without a firm, every one is woken.
    pub fn nudge(&self, firm: Option<FirmId>) {
        let firms = read(&self.inner.firms);
        let woken = match &firm {
            Some(firm) => firms.get(firm).into_iter().collect(),
            None => firms.values().collect::<Vec<_>>(),
        };
        for firm in woken {
            firm.head.send_modify(|_| {});
        }
    }

    /// The keys that it seals under.
    pub fn firm_keys(&self) -> &FirmKeys {
        &self.inner.firm_keys
    }

    /// Most requests that wait for one firm's writer.
    pub fn queue_depth_max(&self) -> usize {
        self.inner.settings.queue_depth_max
    }

    /// Counters.
    pub fn stats(&self) -> Arc<EngineStats> {
        Arc::clone(&self.inner.stats)
    }

    /// Takes no more requests, lets every writer answer what it holds, then stops projectors and
    /// followers. Whether all of it ended before the deadline.
    pub async fn shutdown(&self, deadline: Duration) -> bool {
        self.inner.closing.send_replace(true);
        let drained = tokio::time::timeout(deadline, self.drain()).await.is_ok();
        self.inner.stopping.send_replace(true);
        drained
    }

    /// Every firm that something runs for.
    pub(crate) fn all_firms(&self) -> Vec<Arc<Firm>> {
        read(&self.inner.firms).values().cloned().collect()
    }

    async fn drain(&self) {
        let firms = self.all_firms();
        for firm in &firms {
            let queue = lock(&firm.writer).take();
            if let Some(Queue { sender, task }) = queue {
                drop(sender);
                // A writer that panicked has answered nobody; its callers know.
                let _ = task.await;
            }
        }
        self.inner.stopping.send_replace(true);
        for firm in &firms {
            let projector = lock(&firm.projector).take();
            if let Some(task) = projector {
                let _ = task.await;
            }
        }
    }

    /// The firm's queue, with a writer behind it.
    ///
    /// The queue of a writer that died is handed out once more, so that its caller hears
    /// `Unavailable`, and is gone for the next.
    fn queue(&self, id: FirmId) -> Result<mpsc::Sender<Waiting>, SubmitError> {
        let firm = self.firm(id);
        let mut writer = lock(&firm.writer);
        // Checked under the lock: shutdown takes the queue out under it.
        if *self.inner.closing.borrow() {
            return Err(SubmitError::ShuttingDown);
        }
        let queue = writer.get_or_insert_with(|| self.inner.start_writer(&firm));
        let sender = queue.sender.clone();
        if sender.is_closed() {
            tracing::error!(firm = %id, "the writer died; the next request starts a new one");
            *writer = None;
        }
        Ok(sender)
    }

    /// The firm, with its projector running.
    pub(crate) fn firm(&self, id: FirmId) -> Arc<Firm> {
        if let Some(firm) = read(&self.inner.firms).get(&id) {
            return Arc::clone(firm);
        }
        let mut firms = self.inner.firms.write().unwrap_or_else(PoisonError::into_inner);
        let firm = firms.entry(id).or_insert_with(|| {
            let firm = Arc::new(Firm {
                id,
                head: watch::Sender::new(0),
                projection: Projection::new(&self.inner.settings),
                writer: Mutex::default(),
                projector: Mutex::default(),
            });
            let task = projector::run(Arc::downgrade(&self.inner), Arc::clone(&firm));
            *lock(&firm.projector) = Some(tokio::spawn(task));
            firm
        });
        Arc::clone(firm)
    }

    pub(crate) const fn inner(&self) -> &Arc<Inner> {
        &self.inner
    }
}

impl Inner {
    fn start_writer(&self, firm: &Firm) -> Queue {
        let (sender, queue) = mpsc::channel(self.settings.queue_depth_max);
        let writer = Writer::new(
            firm.id,
            Arc::clone(&self.store),
            (Arc::clone(&self.clock), Arc::clone(&self.ids), Arc::clone(&self.firm_keys)),
            Arc::clone(&self.stats),
            self.settings.clone(),
            firm.head.clone(),
        );
        Queue { sender, task: tokio::spawn(writer.run(queue)) }
    }
}

/// See [`Engine::check_end`].
pub(crate) async fn check_end(store: &dyn Store, firm: FirmId) -> Result<(), StoreError> {
    // Rows first: the log has at least what they show, however it grows meanwhile.
    let rows = store.checkpoint(firm).await?.position;
    let head = store.head(firm).await?.position;
    if rows > head {
        let what = format!("the read model stands at {rows}, behind the end of the log");
        return Err(StoreError::Corrupt { position: head, what });
    }
    Ok(())
}

/// A lock whose data every holder leaves whole, so that a panic elsewhere does not poison it.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn read<T>(lock: &RwLock<T>) -> std::sync::RwLockReadGuard<'_, T> {
    lock.read().unwrap_or_else(PoisonError::into_inner)
}
