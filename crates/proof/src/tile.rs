//! The tree of a log cut into tiles, C2SP tlog-tiles (c2sp.org/tlog-tiles), and the proofs of RFC 9162
//! made from a few of them.
//!
//! Tile `n` of level `l` holds up to 256 hashes; the `i`th is the root over the entries from
//! `(256·n + i)·256^l` to `(256·n + i + 1)·256^l`. So a tile of one level is the eight levels of nodes
//! above its hashes, and the root of a full tile is one hash of the tile above.
//!
//! A [`ProofPlan`] says which tiles a proof needs, O(log n) of them, and makes the proof once whoever
//! asked has fetched them: nothing here waits for anything.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range;

use crate::hash::{Hash, empty_root, node_hash};
use crate::tree::root_of;

/// Hashes of a full tile.
pub const TILE_WIDTH: u16 = 256;
/// Levels of nodes in a tile: 2^8 hashes at its bottom.
pub const TILE_HEIGHT: u32 = 8;
/// Bytes of a full tile.
pub const TILE_BYTES: usize = 8_192;

/// Digits of one segment of a path.
const PATH_BASE: u64 = 1_000;

/// Which tile of which tree: its level, its place there, and how many hashes it holds in that tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TileId {
    level: u8,
    index: u64,
    width: u16,
}

impl TileId {
    /// A tile of 256 hashes, the same in every tree that has it.
    pub const fn full(level: u8, index: u64) -> Self {
        Self { level, index, width: TILE_WIDTH }
    }

    /// The tile at a place of a tree of so many entries, full or not; nothing where the tree has none.
    pub fn in_tree(level: u8, index: u64, size: u64) -> Option<Self> {
        let hashes = hashes_of_level(level, size).saturating_sub(first_hash(index)?);
        let width = u16::try_from(hashes).unwrap_or(TILE_WIDTH).min(TILE_WIDTH);
        (width > 0).then_some(Self { level, index, width })
    }

    /// The level, 0 for the leaves.
    pub const fn level(&self) -> u8 {
        self.level
    }

    /// The place in its level, from 0.
    pub const fn index(&self) -> u64 {
        self.index
    }

    /// How many hashes it holds, 1 to 256.
    pub const fn width(&self) -> u16 {
        self.width
    }

    /// Whether it holds all it ever will.
    pub const fn is_full(&self) -> bool {
        self.width == TILE_WIDTH
    }

    /// The place of its first hash in its level.
    pub const fn first_hash(&self) -> u64 {
        self.index.saturating_mul(256)
    }
}

/// The path of a tile below a log's prefix: `tile/0/x001/x234/067` or `tile/1/000.p/17`.
impl fmt::Display for TileId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut segments = vec![format!("{:03}", self.index % PATH_BASE)];
        let mut rest = self.index / PATH_BASE;
        while rest > 0 {
            segments.push(format!("x{:03}", rest % PATH_BASE));
            rest /= PATH_BASE;
        }
        segments.reverse();
        write!(f, "tile/{}/{}", self.level, segments.join("/"))?;
        if self.is_full() { Ok(()) } else { write!(f, ".p/{}", self.width) }
    }
}

/// How many hashes a level of a tree holds: floor(size / 256^level).
pub fn hashes_of_level(level: u8, size: u64) -> u64 {
    size.checked_shr(u32::from(level) * TILE_HEIGHT).unwrap_or(0)
}

fn first_hash(index: u64) -> Option<u64> {
    index.checked_mul(u64::from(TILE_WIDTH))
}

/// The tiles of one level of a tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LevelTiles {
    /// The level.
    pub level: u8,
    /// How many are full.
    pub full: u64,
    /// The width of the one after them, 0 if there is none: no tile is empty.
    pub partial_width: u16,
}

/// The tiles of a tree of so many entries, level by level from the leaves up.
pub fn levels(size: u64) -> Vec<LevelTiles> {
    let width = u64::from(TILE_WIDTH);
    let of = |level: u8| {
        let hashes = hashes_of_level(level, size);
        // A remainder of 256 fits.
        let partial_width = u16::try_from(hashes % width).unwrap_or_default();
        LevelTiles { level, full: hashes / width, partial_width }
    };
    (0..8).map(of).take_while(|tiles| tiles.full > 0 || tiles.partial_width > 0).collect()
}

/// The root of a full tile: the hash that stands for it in the tile above.
pub fn tile_root(hashes: &[Hash; 256]) -> Hash {
    root_of(hashes)
}

/// A proof that cannot be made from the tiles given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TileError {
    /// A tile that was asked for is not there.
    #[error("{tile} is missing")]
    Missing {
        /// Which.
        tile: TileId,
    },
    /// A tile has another number of hashes than it should.
    #[error("{tile} does not hold its hashes")]
    Width {
        /// Which.
        tile: TileId,
    },
}

/// Tiles that were fetched, each with its hashes.
pub type Tiles = BTreeMap<TileId, Vec<Hash>>;

/// What a proof is made of, before any tile is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProofPlan {
    size: u64,
    /// The entries under each hash of the proof, in the proof's order.
    parts: Vec<Range<u64>>,
}

impl ProofPlan {
    /// The root of a tree, as a proof of one hash; of an empty tree it needs no tile.
    pub fn root(size: u64) -> Self {
        let whole = 0..size;
        Self { size, parts: Vec::from([whole]) }
    }

    /// The path of the entry at `index` (from 0) in a tree of `size`, RFC 9162 section 2.1.3.1; `None`
    /// when there is no such entry.
    pub fn inclusion(index: u64, size: u64) -> Option<Self> {
        if index >= size {
            return None;
        }
        let (mut parts, mut rest) = (Vec::new(), 0..size);
        while rest.end - rest.start > 1 {
            let middle = middle_of(&rest);
            let (under, beside) = if index < middle {
                (rest.start..middle, middle..rest.end)
            } else {
                (middle..rest.end, rest.start..middle)
            };
            parts.push(beside);
            rest = under;
        }
        parts.reverse();
        Some(Self { size, parts })
    }

    /// What proves that a tree of `new_size` begins with one of `old_size`, RFC 9162 section 2.1.4.1:
    /// nothing for an old size of 0 and for equal sizes; `None` when the old tree would be larger.
    pub fn consistency(old_size: u64, new_size: u64) -> Option<Self> {
        if old_size > new_size {
            return None;
        }
        let (mut parts, mut rest) = (Vec::new(), 0..new_size);
        if old_size > 0 {
            while rest.end != old_size {
                let middle = middle_of(&rest);
                if old_size <= middle {
                    parts.push(middle..rest.end);
                    rest = rest.start..middle;
                } else {
                    parts.push(rest.start..middle);
                    rest = middle..rest.end;
                }
            }
            // An old tree that is one perfect subtree is known to whoever checks.
            if rest.start > 0 {
                parts.push(rest);
            }
            parts.reverse();
        }
        Some(Self { size: new_size, parts })
    }

    /// How many entries the tree has that it is a proof about.
    pub const fn size(&self) -> u64 {
        self.size
    }

    /// Every tile that is needed, each once.
    pub fn tiles(&self) -> BTreeSet<TileId> {
        let nodes = self.parts.iter().flat_map(nodes_of);
        nodes.map(|node| node.tile(self.size)).collect()
    }

    /// The hashes of the proof, from the tiles asked for.
    pub fn make(&self, tiles: &Tiles) -> Result<Vec<Hash>, TileError> {
        self.parts.iter().map(|part| self.hash_of(part, tiles)).collect()
    }

    fn hash_of(&self, part: &Range<u64>, tiles: &Tiles) -> Result<Hash, TileError> {
        let mut root = None;
        for node in nodes_of(part).into_iter().rev() {
            let hash = node.hash(self.size, tiles)?;
            root = Some(root.map_or(hash, |right| node_hash(&hash, &right)));
        }
        Ok(root.unwrap_or_else(empty_root))
    }
}

/// Where RFC 9162 splits a subtree of at least two entries: at the largest power of two below its size.
fn middle_of(entries: &Range<u64>) -> u64 {
    let size = entries.end - entries.start;
    entries.start + (1 << (size - 1).ilog2())
}

/// A perfect subtree: the one at `index` among those of 2^`height` entries.
#[derive(Clone, Copy, Debug)]
struct Node {
    height: u32,
    index: u64,
}

/// The perfect subtrees of a subtree that RFC 9162 meets, largest first.
fn nodes_of(entries: &Range<u64>) -> Vec<Node> {
    let (mut nodes, mut start) = (Vec::new(), entries.start);
    while start < entries.end {
        let height = (entries.end - start).ilog2();
        nodes.push(Node { height, index: start >> height });
        start += 1 << height;
    }
    nodes
}

impl Node {
    /// The first hash below it at the bottom of its tile, counted over the level, and how many it has.
    fn bottom(self) -> (u64, u64) {
        let above = self.height % TILE_HEIGHT;
        (self.index << above, 1 << above)
    }

    /// The tile that holds it in a tree of so many entries, which holds it whole.
    fn tile(self, size: u64) -> TileId {
        let level = u8::try_from(self.height / TILE_HEIGHT).unwrap_or(u8::MAX);
        let (first, _) = self.bottom();
        let tile = TileId::in_tree(level, first / u64::from(TILE_WIDTH), size);
        tile.expect("a node of a tree is in one of its tiles")
    }

    fn hash(self, size: u64, tiles: &Tiles) -> Result<Hash, TileError> {
        let tile = self.tile(size);
        let hashes = tiles.get(&tile).ok_or(TileError::Missing { tile })?;
        if hashes.len() != usize::from(tile.width) {
            return Err(TileError::Width { tile });
        }
        let (first, count) = self.bottom();
        let within = |number: u64| usize::try_from(number).unwrap_or(usize::MAX);
        let start = within(first - tile.first_hash());
        let below = hashes.get(start..start + within(count));
        Ok(root_of(below.ok_or(TileError::Width { tile })?))
    }
}
