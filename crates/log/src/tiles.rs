//! The tiles of a firm's log (C2SP tlog-tiles): kept once they are full, read to prove things.
//!
//! Only full tiles are kept. What a tree has beside them is read where it is anyway: the last hashes
//! of level 0 are the leaf hashes of the last events, and those of a level above are the roots of
//! the full tiles below. Tiles are derived from the log, and never change once they are full.

use std::collections::{BTreeSet, HashMap};
use std::sync::Mutex;
use std::time::Duration;

use async_trait::async_trait;
use domain::ids::FirmId;
use proof::Hash;
use proof::tile::{ProofPlan, TILE_BYTES, TILE_WIDTH, TileId, Tiles, tile_root};
use tokio::time::Instant;

use crate::engine::{Engine, Inner, lock};
use crate::error::StoreError;
use crate::ports::{LogStore, Stored};
use crate::projector::ReadBehind;

/// Leaves of one tile.
pub(crate) const TILE_LEAVES: u64 = 256;
/// Tiles of level 0 that are made in one transaction where they are missing: those of a log that
/// grew before tiles were kept.
pub const TILES_FILLED_MAX: u64 = 64;
/// Pause between two looks for tiles that another process is making.
const TILES_LOOK: Duration = Duration::from_millis(20);
/// Levels that a log can have: its positions have 63 bits.
const LEVELS_MAX: u8 = 8;

/// A full tile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tile {
    /// Its level, 0 for the leaves.
    pub level: u8,
    /// Its place in the level, from 0.
    pub index: u64,
    /// The root over its hashes, RFC 9162 section 2.1.1: the one hash that stands for it above.
    pub root: Hash,
    /// Its 256 hashes.
    pub hashes: Box<[Hash; 256]>,
}

impl Tile {
    fn new(level: u8, index: u64, hashes: Box<[Hash; 256]>) -> Self {
        Self { level, index, root: tile_root(&hashes), hashes }
    }

    /// The hashes, one after the other.
    pub fn bytes(&self) -> Vec<u8> {
        self.hashes.iter().flat_map(|hash| *hash.as_bytes()).collect()
    }

    /// A tile as it is stored: [`StoreError::Corrupt`], at its first leaf, if it has not 256 hashes.
    pub fn from_stored(
        level: u8,
        index: u64,
        root: Hash,
        bytes: &[u8],
    ) -> Result<Self, StoreError> {
        let (hashes, rest) = bytes.as_chunks::<32>();
        let hashes: Vec<Hash> = hashes.iter().copied().map(Hash::from).collect();
        match hashes.try_into() {
            Ok(hashes) if rest.is_empty() => Ok(Self { level, index, root, hashes }),
            Ok(_) | Err(_) => {
                let what = format!("a tile of {} bytes, not {TILE_BYTES}", bytes.len());
                Err(StoreError::Corrupt { position: first_position(level, index), what })
            }
        }
    }
}

/// The position of the first event below a tile.
pub(crate) fn first_position(level: u8, index: u64) -> u64 {
    let leaves = TILE_LEAVES.saturating_pow(u32::from(level) + 1);
    index.saturating_mul(leaves).saturating_add(1)
}

/// Where the tiles of a log are kept.
#[async_trait]
pub trait TileStore: Send + Sync + 'static {
    /// How many tiles of level 0 are kept. Those of the levels above are kept with the last one below
    /// them, so that this number says which are there.
    async fn tiles_kept(&self, firm: FirmId) -> Result<u64, StoreError>;

    /// A full tile, if it is kept.
    async fn tile(&self, firm: FirmId, level: u8, index: u64) -> Result<Option<Tile>, StoreError>;

    /// An event, and a full tile of leaves, where they are: what most proofs read beside what is
    /// remembered, in as few journeys as the store can.
    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError>;

    /// The roots of the full tiles of a level from one on, at most `limit`, fewer only at the end.
    async fn tile_roots(
        &self,
        firm: FirmId,
        level: u8,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError>;

    /// Keeps tiles, all or none. One that is kept already stays: whoever made it made the same.
    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError>;
}

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
    fn get(&self, firm: FirmId, id: TileId) -> Option<Vec<Hash>> {
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
async fn fetch<S: LogStore + TileStore + ?Sized>(
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
