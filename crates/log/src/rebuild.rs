//! Rebuilding the read model beside the live one, then switching.

use std::sync::Arc;

use domain::ids::FirmId;

use crate::engine::Engine;
use crate::error::StoreError;
use crate::fold::Fault;
use crate::ports::Store;
use crate::projector::{Projector, Snapshots};

/// A finished rebuild.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RebuildReport {
    /// The generation that is active now.
    pub generation: i64,
    /// The position its rows stood at when it was switched to.
    pub position: u64,
}

/// Why a rebuild was given up. The live read model is as it was.
#[derive(Debug, thiserror::Error)]
pub enum RebuildError {
    /// A stored event cannot be read.
    #[error("the rebuild met a stored event that cannot be read")]
    Fault(#[source] Fault),
    /// Another rebuild or check of the firm began meanwhile, and dropped what this one had made.
    #[error("another rebuild or check of this firm began, and took over")]
    Superseded,
    /// The live rows moved on each time before they could be compared.
    #[error("the rows move on too fast to be compared")]
    Outrun,
    /// The store failed.
    #[error("the rebuild failed in the store")]
    Store(#[source] StoreError),
}

impl From<StoreError> for RebuildError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Corrupt { position, what } => Self::Fault(Fault::new(position, what)),
            // Nobody else writes to a generation, so it is gone.
            StoreError::Conflict { .. } => Self::Superseded,
            other @ (StoreError::Unavailable { .. }
            | StoreError::OutcomeUnknown { .. }
            | StoreError::Full { .. }
            | StoreError::Answer { .. }
            | StoreError::Internal { .. }) => Self::Store(other),
        }
    }
}

impl Engine {
    /// Fills a new generation from the first event on, catches up, makes it the active one and
    /// drops the old. Reads go on from the old rows meanwhile. `progress` is told the position
    /// reached and the head. Of several rebuilds and checks of a firm the last one begun goes on.
    pub async fn rebuild(
        &self,
        firm: FirmId,
        mut progress: impl FnMut(u64, u64) + Send,
    ) -> Result<RebuildReport, RebuildError> {
        let store = self.inner().store.as_ref();
        let generation = store.begin_rebuild(firm).await?;
        let result = self.fill_and_switch(firm, generation, &mut progress).await;
        if result.is_err() {
            // Best effort: rows of a generation nobody reads do no harm.
            let _ = store.drop_generation(firm, generation).await;
        }
        result
    }

    async fn fill_and_switch(
        &self,
        firm: FirmId,
        generation: i64,
        progress: &mut (impl FnMut(u64, u64) + Send),
    ) -> Result<RebuildReport, RebuildError> {
        let settings = &self.inner().settings;
        let store = self.inner().store.as_ref();
        let mut rebuilt = Projector::from_start(settings, generation);
        let limit = settings.rebuild_page;
        let target = store.head(firm).await?.position;
        fill(&mut rebuilt, store, firm, (target, limit), progress).await?;
        // The live projector rests from here on, so that the switch cannot go back in time.
        let shared = self.firm(firm);
        let mut live = shared.projection.live.lock().await;
        live.forget();
        let old = match live.checkpoint(store, firm).await {
            Ok(old) => Some(old.generation),
            // No generation is active, which this makes good; the log itself is looked at below.
            Err(StoreError::Corrupt { .. }) => None,
            Err(error) => return Err(error.into()),
        };
        let target = store.head(firm).await?.position;
        let position = fill(&mut rebuilt, store, firm, (target, limit), progress).await?;
        store.switch(firm, generation).await?;
        *live = rebuilt.into_live(settings, Arc::clone(&shared.projection.handed));
        drop(live);
        shared.projection.applied.send_replace(position);
        shared.projection.resume();
        if let Some(old) = old {
            store.drop_generation(firm, old).await?;
        }
        Ok(RebuildReport { generation, position })
    }
}

/// Projects until `target` is reached, and says how far that was.
async fn fill(
    projector: &mut Projector,
    store: &dyn Store,
    firm: FirmId,
    (target, limit): (u64, usize),
    progress: &mut (impl FnMut(u64, u64) + Send),
) -> Result<u64, RebuildError> {
    let mut position = projector.checkpoint(store, firm).await?.position;
    while position < target {
        let step = projector.step(store, firm, limit, Snapshots::Leave).await?;
        position = step.whole().map_err(RebuildError::Fault)?.position;
        progress(position, target);
    }
    Ok(position)
}
