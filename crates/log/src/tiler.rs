//! The tiles of a firm's log (C2SP tlog-tiles): kept once they are full, read to prove things.
//!
//! Only full tiles are kept. What a tree has beside them is read where it is anyway: the last hashes
//! of level 0 are the leaf hashes of the last events, and those of a level above are the roots of
//! the full tiles below. Tiles are derived from the log, and never change once they are full.

use std::collections::{BTreeSet, HashMap};
use std::sync::Mutex;

use domain::ids::FirmId;
use proof::Hash;
use proof::tile::{TILE_WIDTH, TileId, Tiles};

use crate::error::StoreError;
use crate::ports::LogStore;
use crate::sync::lock;
use crate::tile::{TILE_LEAVES, Tile, TileStore, first_position};

/// Tiles of level 0 that are made in one transaction where they are missing: those of a log that
/// grew before tiles were kept.
pub(crate) const TILES_FILLED_MAX: u64 = 64;
/// Levels that a log can have: its positions have 63 bits.
const LEVELS_MAX: u8 = 8;

/// Makes tiles of leaves as they come, and the tiles above as they fill.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tiler {
    levels: Vec<Edge>,
}

/// The right edge of one level.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Edge {
    /// How many tiles are full.
    full: u64,
    /// The roots of those that the last full tile above does not hold.
    roots: Vec<Hash>,
}

impl Tiler {
    /// How many tiles of level 0 have been made.
    pub fn made(&self) -> u64 {
        self.levels.first().map_or(0, |edge| edge.full)
    }

    /// The tiles that the next 256 leaves fill: one of level 0, and each above that it completes.
    ///
    /// # Panics
    /// Never: a level hands its roots on exactly when they fill a tile.
    pub fn push(&mut self, leaves: Box<[Hash; 256]>) -> Vec<Tile> {
        let (mut tiles, mut hashes) = (Vec::new(), leaves);
        for level in 0..LEVELS_MAX {
            let at = usize::from(level);
            if self.levels.len() == at {
                self.levels.push(Edge::default());
            }
            let edge = &mut self.levels[at];
            let tile = Tile::new(level, edge.full, hashes);
            edge.full += 1;
            edge.roots.push(tile.root);
            tiles.push(tile);
            if edge.roots.len() < usize::from(TILE_WIDTH) {
                break;
            }
            let roots = std::mem::take(&mut edge.roots);
            hashes = roots.try_into().expect("there are exactly as many as fill a tile");
        }
        tiles
    }

    /// As after the tiles that are kept.
    pub(crate) async fn resume<S: TileStore + ?Sized>(
        store: &S,
        firm: FirmId,
    ) -> Result<Self, StoreError> {
        let kept = store.tiles_kept(firm).await?;
        let mut tiler = Self::default();
        for level in 0..LEVELS_MAX {
            let full = proof::tile::hashes_of_level(level, kept);
            if full == 0 {
                break;
            }
            let limit = usize::try_from(full % TILE_LEAVES).unwrap_or_default();
            let from = full - full % TILE_LEAVES;
            let roots = match limit {
                0 => Vec::new(),
                limit => store.tile_roots(firm, level, from, limit).await?,
            };
            if roots.len() != limit {
                let position = first_position(level, from);
                let what = format!("tiles of level {level} are missing from {from} on");
                return Err(StoreError::Corrupt { position, what });
            }
            tiler.levels.push(Edge { full, roots });
        }
        Ok(tiler)
    }

    /// The tiles that are filled up to a position, at most so many of level 0, from the leaf hashes
    /// beside the events.
    pub(crate) async fn up_to<S: LogStore + ?Sized>(
        &mut self,
        store: &S,
        firm: FirmId,
        position: u64,
        most: u64,
    ) -> Result<Vec<Tile>, StoreError> {
        let missing = (position / TILE_LEAVES).saturating_sub(self.made()).min(most);
        if missing == 0 {
            return Ok(Vec::new());
        }
        let after = self.made() * TILE_LEAVES;
        let limit = usize::try_from(missing * TILE_LEAVES).unwrap_or(usize::MAX);
        let leaves = store.leaves(firm, after, limit).await?;
        let (full, _) = leaves.as_chunks::<256>();
        if full.is_empty() {
            let position = after + 1 + u64::try_from(leaves.len()).unwrap_or_default();
            return Err(StoreError::Corrupt { position, what: "the leaf hash is missing".into() });
        }
        Ok(full.iter().flat_map(|leaves| self.push(Box::new(*leaves))).collect())
    }
}

/// Most tiles that are remembered: 32 MB of them.
const REMEMBERED_MAX: usize = 4_096;

/// Tiles that were read, but for full ones of leaves: there are 256 times as many of those as of all
/// others, and each of the others lies on the way of many proofs. The tile of leaves that is not full is
/// on the way of every proof in a tree of that size. What a tile of some width holds never changes, so
/// nothing here is ever stale; what has grown too large is forgotten whole and read again.
#[derive(Default)]
pub(crate) struct TileMemory {
    tiles: Mutex<HashMap<(FirmId, TileId), Vec<Hash>>>,
}

impl TileMemory {
    pub(crate) fn get(&self, firm: FirmId, id: TileId) -> Option<Vec<Hash>> {
        lock(&self.tiles).get(&(firm, id)).cloned()
    }

    fn keep(&self, firm: FirmId, id: TileId, hashes: &[Hash]) {
        if id.level() == 0 && id.is_full() {
            return;
        }
        let mut tiles = lock(&self.tiles);
        if tiles.len() >= REMEMBERED_MAX {
            tiles.clear();
        }
        tiles.insert((firm, id), hashes.to_vec());
    }
}

/// Reads tiles, full or not; nothing if some of them are not made yet.
pub(crate) async fn fetch<S: LogStore + TileStore + ?Sized>(
    (store, memory): (&S, &TileMemory),
    firm: FirmId,
    wanted: BTreeSet<TileId>,
) -> Result<Option<Tiles>, StoreError> {
    let fetched = wanted.into_iter().map(|id| async move {
        if let Some(hashes) = memory.get(firm, id) {
            return Ok(Some((id, hashes)));
        }
        let width = usize::from(id.width());
        let hashes = match id.level().checked_sub(1) {
            _ if id.is_full() => {
                let tile = store.tile(firm, id.level(), id.index()).await?;
                tile.map_or_else(Vec::new, |tile| tile.hashes.to_vec())
            }
            None => store.leaves(firm, id.first_hash(), width).await?,
            Some(below) => store.tile_roots(firm, below, id.first_hash(), width).await?,
        };
        if hashes.len() != width {
            return Ok(None);
        }
        memory.keep(firm, id, &hashes);
        Ok::<_, StoreError>(Some((id, hashes)))
    });
    let fetched: Vec<_> = futures::future::try_join_all(fetched).await?;
    Ok(fetched.into_iter().collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proof::{Frontier, leaf_hash, tree};

    fn leaves(tile: u64) -> Box<[Hash; 256]> {
        let leaf = |at: usize| {
            let number = tile * TILE_LEAVES + u64::try_from(at).unwrap();
            leaf_hash(&number.to_be_bytes())
        };
        Box::new(std::array::from_fn(leaf))
    }

    #[test]
    fn every_tile_is_the_one_of_its_place() {
        let (mut tiler, mut frontier, mut tiles) = (Tiler::default(), Frontier::new(), Vec::new());
        for tile in 0..257 {
            assert_eq!(tiler.made(), tile);
            leaves(tile).iter().for_each(|leaf| frontier.push(*leaf));
            tiles.extend(tiler.push(leaves(tile)));
        }
        let at = |level, index| {
            tiles.iter().find(|tile| tile.level == level && tile.index == index).unwrap()
        };
        assert_eq!(tiles.len(), 258);
        assert_eq!(at(0, 7).root, tree::root_of(&*leaves(7)));
        let above = at(1, 0);
        assert_eq!(above.hashes[255], at(0, 255).root);
        // The tree over 257 tiles: that of the first 256, and the last one beside it.
        assert_eq!(proof::node_hash(&above.root, &at(0, 256).root), frontier.root());
        let again = Tile::from_stored(1, 0, above.root, &above.bytes()).unwrap();
        assert_eq!(&again, above);
        assert!(Tile::from_stored(1, 0, above.root, &above.bytes()[1..]).is_err());
        assert_eq!((first_position(0, 2), first_position(1, 1)), (513, 65_537));
    }
}
