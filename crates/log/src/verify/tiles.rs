//! The tiles kept beside the log, held against its leaves.

use domain::ids::FirmId;
use proof::Hash;

use super::{VerifyError, finding};
use crate::ports::{Beside, Store};
use crate::tile::first_position;
use crate::tiler::Tiler;

/// The tiles kept beside the log, held against its leaves. Those that are not made yet are no fault.
#[derive(Default)]
pub(super) struct TileCheck {
    kept: u64,
    tiler: Tiler,
    /// Leaves of the next tile.
    leaves: Vec<Hash>,
}

impl TileCheck {
    /// Of so many that are kept.
    pub(super) fn of(kept: u64) -> Self {
        Self { kept, ..Self::default() }
    }

    pub(super) async fn take(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        beside: &[Beside],
    ) -> Result<(), VerifyError> {
        self.leaves.extend(beside.iter().map(|beside| beside.leaf));
        let mut made = Vec::new();
        let (full, rest) = self.leaves.as_chunks::<256>();
        for leaves in full {
            if self.tiler.made() < self.kept {
                made.extend(self.tiler.push(Box::new(*leaves)));
            }
        }
        self.leaves = rest.to_vec();
        let kept = made.iter().map(|tile| store.tile(firm, tile.level, tile.index));
        for (tile, kept) in made.iter().zip(futures::future::try_join_all(kept).await?) {
            if kept.as_ref() != Some(tile) {
                let position = first_position(tile.level, tile.index);
                return Err(finding(position, "the tile kept of it is not that of the events"));
            }
        }
        Ok(())
    }
}
