//! The tiles of a firm's log (C2SP tlog-tiles), and where they are kept.

use async_trait::async_trait;
use domain::ids::FirmId;
use proof::Hash;
use proof::tile::{TILE_BYTES, tile_root};

use crate::error::StoreError;
use crate::stored::Stored;

/// Leaves of one tile.
pub(crate) const TILE_LEAVES: u64 = 256;

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
    pub(crate) fn new(level: u8, index: u64, hashes: Box<[Hash; 256]>) -> Self {
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
