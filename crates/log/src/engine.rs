//! The handle that services use.

use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::Duration;

use domain::event::StreamId;
use domain::ids::FirmId;
use domain::named::NameFound;
use domain::world::State;
use tokio::sync::{mpsc, oneshot, watch};
use vault::FirmKeys;

use crate::clock::{Clock, Ids};
use crate::error::StoreError;
use crate::head::Head;
use crate::ports::Store;
use crate::projecting;
use crate::projection::{Projection, ProjectionFault, ReadBehind};
use crate::reading;
use crate::running::{Firm, Inner, Queue};
use crate::sealing::unwrapped;
use crate::settings::Settings;
use crate::stats::EngineStats;
use crate::stored::Stored;
use crate::submission::{Answer, Pending, Submission, SubmitError, Waiting};
use crate::sync::{lock, read};
use crate::tiler::TileMemory;

/// The engine: cheap to clone, one per process and store.
#[derive(Clone)]
pub struct Engine {
    inner: Arc<Inner>,
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
            let task = projecting::run(Arc::downgrade(&self.inner), Arc::clone(&firm));
            *lock(&firm.projector) = Some(tokio::spawn(task));
            firm
        });
        Arc::clone(firm)
    }

    pub(crate) const fn inner(&self) -> &Arc<Inner> {
        &self.inner
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

impl Engine {
    /// Waits until the read model has reached a position, and says how far it is by then.
    pub async fn wait_applied(
        &self,
        firm: FirmId,
        position: u64,
        timeout: Duration,
    ) -> Result<u64, ReadBehind> {
        let firm = self.firm(firm);
        let projection = &firm.projection;
        let mut applied = projection.applied.subscribe();
        let reached = |applied: &u64| *applied >= position || lock(&projection.fault).is_some();
        let ahead = !reached(&applied.borrow_and_update());
        let _hurried = ahead.then(|| projection.hurried());
        // The sender lives as long as the firm, so the only other way out is the timeout.
        let _ = tokio::time::timeout(timeout, applied.wait_for(reached)).await;
        let applied = *applied.borrow();
        if applied >= position {
            Ok(applied)
        } else {
            Err(ReadBehind { wanted: position, applied })
        }
    }

    /// How far the read model is, as it moves.
    pub fn applied(&self, firm: FirmId) -> watch::Receiver<u64> {
        self.firm(firm).projection.applied.subscribe()
    }

    /// What stopped a firm's projection, if something did.
    pub fn projection_fault(&self, firm: FirmId) -> Option<ProjectionFault> {
        lock(&self.firm(firm).projection.fault).clone()
    }
}
