//! Proofs over a firm's log, made from its tiles.

use std::time::Duration;

use domain::ids::FirmId;
use proof::Hash;
use proof::tile::{ProofPlan, TileId, Tiles};
use tokio::time::Instant;

use crate::engine::Engine;
use crate::error::StoreError;
use crate::projection::ReadBehind;
use crate::running::Inner;
use crate::stored::Stored;
use crate::tile::TILE_LEAVES;
use crate::tiler::fetch;

/// Pause between two looks for tiles that another process is making.
const TILES_LOOK: Duration = Duration::from_millis(20);

impl Engine {
    /// An event, if it is there, and the hashes of a proof about it: [`Engine::prove`].
    pub async fn prove_event(
        &self,
        firm: FirmId,
        position: u64,
        plan: &ProofPlan,
        timeout: Duration,
    ) -> Result<(Option<Stored>, Vec<Hash>), ProveError> {
        let Inner { store, tiles: memory, .. } = self.inner().as_ref();
        let wanted = plan.tiles();
        let unknown = wanted.iter().filter(|id| memory.get(firm, **id).is_none());
        let unknown: Vec<&TileId> = unknown.collect();
        if let [id] = unknown[..]
            && id.level() == 0
            && id.is_full()
        {
            let (event, tile) = store.event_and_tile(firm, position, id.index()).await?;
            if let Some(tile) = tile {
                let known = wanted.iter().filter_map(|id| Some((*id, memory.get(firm, *id)?)));
                let tiles: Tiles = known.chain([(*id, tile.hashes.to_vec())]).collect();
                // What was forgotten meanwhile is read below.
                if let Ok(hashes) = plan.make(&tiles) {
                    return Ok((event, hashes));
                }
            }
        }
        let event = async {
            let page = store.read(firm, position.saturating_sub(1), 1).await?;
            Ok(page.into_iter().find(|event| event.position == position))
        };
        futures::try_join!(event, self.prove(firm, plan, timeout))
    }

    /// The hashes of a proof over a firm's log, RFC 9162 section 2.1, made from O(log n) tiles. It waits
    /// for tiles that are still being made. Whoever hands it on checks it against a root that is
    /// known from elsewhere: nothing here says that the tiles are right.
    ///
    /// # Errors
    /// [`ProveError::Behind`] if the tiles are not made in time.
    pub async fn prove(
        &self,
        firm: FirmId,
        plan: &ProofPlan,
        timeout: Duration,
    ) -> Result<Vec<Hash>, ProveError> {
        let deadline = Instant::now() + timeout;
        let Inner { store, tiles: memory, .. } = self.inner().as_ref();
        let store = store.as_ref();
        loop {
            if let Some(tiles) = fetch((store, memory), firm, plan.tiles()).await? {
                return plan.make(&tiles).map_err(|error| {
                    ProveError::Store(StoreError::internal(format!("no proof: {error}")))
                });
            }
            let full = plan.size() / TILE_LEAVES * TILE_LEAVES;
            let left = deadline.saturating_duration_since(Instant::now());
            self.wait_applied(firm, full, left).await.map_err(ProveError::Behind)?;
            if left.is_zero() {
                let applied = store.tiles_kept(firm).await? * TILE_LEAVES;
                return Err(ProveError::Behind(ReadBehind { wanted: full, applied }));
            }
            tokio::time::sleep(TILES_LOOK.min(left)).await;
        }
    }
}

/// Why there is no proof.
#[derive(Debug, thiserror::Error)]
pub enum ProveError {
    /// The tiles are not made that far yet.
    #[error("the tiles of the log are not made that far yet")]
    Behind(#[source] ReadBehind),
    /// The store failed.
    #[error("the tiles of the log cannot be read")]
    Store(#[from] StoreError),
}
