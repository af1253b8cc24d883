//! One firm's projector: every event into the read model exactly once.
//!
//! Rows and checkpoint change in one transaction that is fenced by the checkpoint before, so a
//! second projector, or this one after a crash, costs a retry and never counts twice.

use std::panic::AssertUnwindSafe;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, Weak};
use std::time::Duration;

use domain::event::StreamId;
use domain::ids::FirmId;
use futures::FutureExt as _;
use tokio::sync::{Notify, watch};

use crate::engine::{Engine, Firm, Inner, lock};
use crate::error::StoreError;
use crate::fold::Fault;
use crate::folded::Folded;
use crate::page::{Page, read_page};
use crate::ports::{Checkpoint, ProjectionStep, Store};
use crate::settings::Settings;
use crate::stats::add;
use crate::tiles::{TILE_LEAVES, TILES_FILLED_MAX, Tile, Tiler};
use crate::writer::as_dyn;

/// A stored event that stopped a firm's projection. Nothing is skipped: reads stay behind until the
/// cause is gone.
pub type ProjectionFault = Fault;

/// The read model did not get as far as was asked in the time given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the read model is at position {applied}, not yet at {wanted}")]
pub struct ReadBehind {
    /// The position asked for.
    pub wanted: u64,
    /// The position reached.
    pub applied: u64,
}

/// A firm's live projection, shared between its task, readers and a rebuild.
pub(crate) struct Projection {
    pub(crate) applied: watch::Sender<u64>,
    pub(crate) live: tokio::sync::Mutex<Projector>,
    /// Readers who wait for a position now.
    waiting: AtomicUsize,
    hurry: Notify,
    /// Whether this process projects, as of the last step.
    pub(crate) leads: AtomicBool,
    pub(crate) fault: Mutex<Option<ProjectionFault>>,
    resumed: Notify,
}

impl Projection {
    pub(crate) fn new(settings: &Settings) -> Self {
        Self {
            applied: watch::Sender::new(0),
            live: tokio::sync::Mutex::new(Projector::new(settings)),
            waiting: AtomicUsize::new(0),
            hurry: Notify::new(),
            leads: AtomicBool::new(false),
            fault: Mutex::default(),
            resumed: Notify::new(),
        }
    }

    /// Somebody waits, for as long as the guard is there: a position that never comes hurries nobody
    /// once its reader is gone.
    fn hurried(&self) -> Hurried<'_> {
        self.waiting.fetch_add(1, Ordering::Relaxed);
        self.hurry.notify_one();
        Hurried(&self.waiting)
    }

    fn is_anyone_waiting(&self) -> bool {
        self.waiting.load(Ordering::Relaxed) > 0
    }

    /// Tells whoever waits how far the rows are.
    fn reach(&self, position: u64) {
        self.applied.send_if_modified(|applied| std::mem::replace(applied, position) != position);
    }

    /// Lets a stopped projection go on.
    pub(crate) fn resume(&self) {
        *lock(&self.fault) = None;
        self.resumed.notify_one();
    }

    fn stop_at(&self, firm: FirmId, fault: ProjectionFault) {
        tracing::error!(%firm, position = fault.position, what = fault.what, "the projection stopped");
        *lock(&self.fault) = Some(fault);
        // Whoever waits for a position is told now.
        self.applied.send_modify(|_| {});
    }
}

/// A reader who waits.
struct Hurried<'a>(&'a AtomicUsize);

impl Drop for Hurried<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
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

/// The task. It ends with the engine, or when it is told to stop.
pub(crate) async fn run(engine: Weak<Inner>, firm: Arc<Firm>) {
    let mut heads = firm.head.subscribe();
    let Some((mut stopping, settings)) =
        engine.upgrade().map(|inner| (inner.stopping.subscribe(), inner.settings.clone()))
    else {
        return;
    };
    while let Some(inner) = engine.upgrade() {
        if *stopping.borrow() {
            return;
        }
        heads.mark_unchanged();
        let pause = step_live(&inner, &firm).await;
        drop(inner);
        match pause {
            Pause::None => tokio::task::yield_now().await,
            Pause::Gather => tokio::select! {
                () = firm.projection.hurry.notified() => {}
                _ = stopping.changed() => {}
                () = tokio::time::sleep(settings.project_pause) => {}
            },
            Pause::Head => tokio::select! {
                _ = heads.changed() => {}
                // Somebody waits for what another process projects.
                () = firm.projection.hurry.notified() => {}
                _ = stopping.changed() => {}
                () = tokio::time::sleep(settings.poll_interval) => {}
            },
            Pause::Retry => tokio::time::sleep(settings.retry_delay).await,
            Pause::Resumed => tokio::select! {
                () = firm.projection.resumed.notified() => {}
                _ = stopping.changed() => {}
            },
        }
    }
}

/// What the task waits for before its next step.
enum Pause {
    None,
    /// For more events, so that one transaction takes in many: what a step costs, it costs
    /// recording. A reader who waits ends it.
    Gather,
    Head,
    Retry,
    Resumed,
}

async fn step_live(inner: &Inner, firm: &Firm) -> Pause {
    let projection = &firm.projection;
    let mut live = projection.live.lock().await;
    match follow_leader(inner, firm, &mut live).await {
        Ok(None) => {}
        Ok(Some(pause)) => return pause,
        Err(error) => {
            projection.leads.store(false, Ordering::Relaxed);
            tracing::warn!(firm = %firm.id, error = as_dyn(&error), "who projects is not known");
            return Pause::Retry;
        }
    }
    let limit = inner.settings.project_page;
    let next = *projection.applied.borrow() + 1;
    let step = live.step_live(inner.store.as_ref(), firm.id, limit);
    match caught(step, next).await {
        Ok(progress) => {
            // Counted before anybody is told.
            add(&inner.stats.projected, progress.events);
            projection.reach(progress.position);
            match progress.fault {
                Some(fault) => {
                    projection.stop_at(firm.id, fault);
                    Pause::Resumed
                }
                // Of a log that grew before tiles were kept there are more to make.
                None if progress.tiles_behind => Pause::None,
                None if progress.events == 0 => Pause::Head,
                None if progress.events == limit || projection.is_anyone_waiting() => Pause::None,
                None => Pause::Gather,
            }
        }
        Err(error) => {
            live.forget();
            add(&inner.stats.projection_failures, 1);
            match error {
                StoreError::Corrupt { position, what } => {
                    projection.stop_at(firm.id, Fault::new(position, what));
                    Pause::Resumed
                }
                error @ (StoreError::Unavailable { .. }
                | StoreError::OutcomeUnknown { .. }
                | StoreError::Conflict { .. }
                | StoreError::Full { .. }
                | StoreError::Answer { .. }
                | StoreError::Internal { .. }) => {
                    tracing::warn!(firm = %firm.id, error = as_dyn(&error), "a projection step failed");
                    Pause::Retry
                }
            }
        }
    }
}

/// Where another process projects the firm: how far it is, and what to wait for meanwhile.
async fn follow_leader(
    inner: &Inner,
    firm: &Firm,
    live: &mut Projector,
) -> Result<Option<Pause>, StoreError> {
    let projection = &firm.projection;
    let leads = inner.store.leads(firm.id).await?;
    projection.leads.store(leads, Ordering::Relaxed);
    if leads {
        return Ok(None);
    }
    live.forget();
    projection.reach(inner.store.checkpoint(firm.id).await?.position);
    Ok(Some(if projection.is_anyone_waiting() { Pause::Retry } else { Pause::Head }))
}

/// What a step came to. A panic in it stops the projection like an event that cannot be read, visibly
/// and at the position where the step began, instead of ending the task unseen.
async fn caught(
    step: impl Future<Output = Result<Progress, StoreError>>,
    next: u64,
) -> Result<Progress, StoreError> {
    let panicked = |_| {
        let what = "this event or one after it made the projection panic".into();
        Err(StoreError::Corrupt { position: next, what })
    };
    AssertUnwindSafe(step).catch_unwind().await.unwrap_or_else(panicked)
}

/// Whether a step keeps snapshots of streams that grew.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Snapshots {
    Keep,
    /// A rebuild passes old positions; the live snapshots are newer.
    Leave,
}

/// How a step ended.
#[derive(Default)]
pub(crate) struct Progress {
    /// The checkpoint now.
    pub(crate) position: u64,
    /// How many events went in.
    pub(crate) events: usize,
    /// The event right after them that cannot be read, if there is one.
    pub(crate) fault: Option<Fault>,
    /// Whether tiles are missing behind the checkpoint.
    pub(crate) tiles_behind: bool,
    /// Streams whose first event went in.
    pub(crate) begun: Vec<StreamId>,
}

impl Progress {
    /// The same for a run that goes on to a position it knows of: nothing may keep it from that.
    pub(crate) fn whole(self) -> Result<Self, Fault> {
        match self {
            Self { fault: Some(fault), .. } => Err(fault),
            Self { events: 0, position, .. } => {
                Err(Fault::new(position + 1, "the position is missing"))
            }
            whole => Ok(whole),
        }
    }
}

/// One run over the log into one generation of rows.
pub(crate) struct Projector {
    checkpoint: Option<Checkpoint>,
    folded: Folded,
    /// The page after the checkpoint, when it was read already.
    ahead: Option<Page>,
    /// The right edge of the tiles that are kept, once it was read. A rebuild makes none.
    tiler: Option<Tiler>,
}

impl Projector {
    pub(crate) fn new(settings: &Settings) -> Self {
        Self { checkpoint: None, folded: Folded::live(settings), ahead: None, tiler: None }
    }

    /// One that fills a new generation from the first event on.
    pub(crate) fn from_start(settings: &Settings, generation: i64) -> Self {
        let checkpoint = Some(Checkpoint { generation, position: 0 });
        Self { checkpoint, folded: Folded::for_rebuild(settings), ..Self::new(settings) }
    }

    /// The same run as the live one, with its smaller memory.
    pub(crate) fn into_live(mut self, settings: &Settings) -> Self {
        self.folded = Folded::live(settings);
        self
    }

    /// Forgets what it believes, after a failure: rows may be ahead of it.
    pub(crate) fn forget(&mut self) {
        self.checkpoint = None;
        self.ahead = None;
        self.tiler = None;
        self.folded.forget();
    }

    pub(crate) async fn checkpoint(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
    ) -> Result<Checkpoint, StoreError> {
        if let Some(checkpoint) = self.checkpoint {
            return Ok(checkpoint);
        }
        let checkpoint = store.checkpoint(firm).await?;
        self.checkpoint = Some(checkpoint);
        Ok(checkpoint)
    }

    /// Takes in at most `limit` events, then makes some of the tiles that are missing behind them.
    async fn step_live(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        limit: usize,
    ) -> Result<Progress, StoreError> {
        if self.tiler.is_none() {
            self.tiler = Some(Tiler::resume(store, firm).await?);
        }
        let mut progress = self.step(store, firm, limit, Snapshots::Keep).await?;
        let Some(tiler) = &mut self.tiler else { return Ok(progress) };
        let tiles = tiler.up_to(store, firm, progress.position, TILES_FILLED_MAX).await?;
        if !tiles.is_empty() {
            store.keep_tiles(firm, &tiles).await?;
            progress.tiles_behind = tiler.made() < progress.position / TILE_LEAVES;
        }
        Ok(progress)
    }

    /// The tiles that a step fills; none while some are missing before it.
    async fn filled_tiles(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        (from, to): (u64, u64),
    ) -> Result<Vec<Tile>, StoreError> {
        match &mut self.tiler {
            Some(tiler) if tiler.made() == from / TILE_LEAVES => {
                tiler.up_to(store, firm, to, u64::MAX).await
            }
            Some(_) | None => Ok(Vec::new()),
        }
    }

    /// Takes in at most `limit` events.
    pub(crate) async fn step(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        limit: usize,
        snapshots: Snapshots,
    ) -> Result<Progress, StoreError> {
        let Checkpoint { generation, position: from } = self.checkpoint(store, firm).await?;
        let Page { events, fault, .. } = match self.ahead.take() {
            Some(page) if page.after == from && page.events.len() <= limit => page,
            Some(_) | None => read_page(store, firm, from, limit).await?,
        };
        let Some(last) = events.last() else {
            return Ok(Progress { position: from, events: 0, fault, ..Progress::default() });
        };
        let to = last.position;
        self.folded.load_missing(store, firm, from, &events).await?;
        let (touched, versions) = self.folded.fold(&events)?;
        let snapshots = match snapshots {
            Snapshots::Keep => self.folded.due_snapshots(&touched, &versions),
            Snapshots::Leave => Vec::new(),
        };
        let tiles = self.filled_tiles(store, firm, (from, to)).await?;
        let step = ProjectionStep {
            firm,
            generation,
            from,
            to,
            touched: &touched,
            firm_state: self.folded.firm_after(&touched),
            events: &events,
            snapshots: &snapshots,
            tiles: &tiles,
        };
        if events.len() == limit {
            // Reading goes on while the rows are written.
            let (ahead, projected) =
                futures::join!(read_page(store, firm, to, limit), store.project(step));
            projected?;
            // That there was nothing yet says nothing of the next step: the log grows meanwhile.
            self.ahead = ahead.ok().filter(|page| !page.events.is_empty());
        } else {
            store.project(step).await?;
        }
        self.folded.keep(touched, versions, &snapshots);
        self.checkpoint = Some(Checkpoint { generation, position: to });
        let begun = events.iter().filter(|event| event.stream_version == 1);
        let begun = begun.map(|event| event.stream).collect();
        Ok(Progress { position: to, events: events.len(), fault, tiles_behind: false, begun })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_hurries_the_projection_while_it_waits_and_no_longer() {
        let projection = Projection::new(&Settings::default());
        assert!(!projection.is_anyone_waiting());
        let (one, other) = (projection.hurried(), projection.hurried());
        drop(one);
        assert!(projection.is_anyone_waiting());
        drop(other);
        assert!(!projection.is_anyone_waiting());
    }

    #[tokio::test]
    async fn a_panic_in_a_step_is_a_fault_at_its_first_position() {
        let found = caught(async { panic!("on purpose") }, 7).await;
        assert!(matches!(found, Err(StoreError::Corrupt { position: 7, .. })));
        let fine =
            caught(async { Ok(Progress { position: 9, events: 3, ..Progress::default() }) }, 7)
                .await;
        assert_eq!(fine.unwrap().position, 9);
    }
}
