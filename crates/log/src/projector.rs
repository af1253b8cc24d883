//! One firm's projector: every event into the read model exactly once.
//!
//! Rows and checkpoint change in one transaction that is fenced by the checkpoint before, so a
//! second projector, or this one after a crash, costs a retry and never counts twice.

use std::sync::Arc;

use domain::event::StreamId;
use domain::ids::FirmId;

use crate::error::StoreError;
use crate::fold::Fault;
use crate::folded::Folded;
use crate::handed::{Handed, Taken};
use crate::page::{Page, read_page};
use crate::ports::{Checkpoint, ProjectionStep, Store};
use crate::settings::Settings;
use crate::tile::{TILE_LEAVES, Tile};
use crate::tiler::{TILES_FILLED_MAX, Tiler};

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
    /// What the writer here has just written. A rebuild reads the log.
    handed: Option<Arc<Handed>>,
}

impl Projector {
    pub(crate) fn new(settings: &Settings, handed: Option<Arc<Handed>>) -> Self {
        Self { checkpoint: None, folded: Folded::live(settings), ahead: None, tiler: None, handed }
    }

    /// One that fills a new generation from the first event on.
    pub(crate) fn from_start(settings: &Settings, generation: i64) -> Self {
        let checkpoint = Some(Checkpoint { generation, position: 0 });
        Self { checkpoint, folded: Folded::for_rebuild(settings), ..Self::new(settings, None) }
    }

    /// The same run as the live one, with its smaller memory.
    pub(crate) fn into_live(self, settings: &Settings, handed: Arc<Handed>) -> Self {
        Self { folded: Folded::live(settings), handed: Some(handed), ..self }
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
    pub(crate) async fn step_live(
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

    /// The events after a position: those that were handed over, or as the log has them.
    async fn page(
        &self,
        store: &dyn Store,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Page, StoreError> {
        let taken = self.handed.as_ref().map(|handed| handed.take_after(after, limit));
        match taken.filter(|taken| !taken.events.is_empty()) {
            Some(Taken { events, states }) => Ok(Page { after, events, states, fault: None }),
            None => read_page(store, firm, after, limit).await,
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
        let Page { events, states, fault, .. } = match self.ahead.take() {
            Some(page) if page.after == from && page.events.len() <= limit => page,
            Some(_) | None => self.page(store, firm, from, limit).await?,
        };
        let Some(last) = events.last() else {
            return Ok(Progress { position: from, events: 0, fault, ..Progress::default() });
        };
        let to = last.position;
        self.folded.load_missing(store, firm, from, &events).await?;
        let (touched, versions) = self.folded.fold(&events, states)?;
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
        if events.len() == limit && !self.handed.as_ref().is_some_and(|h| h.has_after(to)) {
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
