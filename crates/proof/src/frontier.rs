//! The right edge of a growing Merkle tree: all that is needed to append and to state the root.

use crate::hash::{Hash, empty_root, node_hash};

/// Most leaves a frontier may count: the largest position a signed 64-bit column can hold.
pub const FRONTIER_SIZE_MAX: u64 = i64::MAX.unsigned_abs();

const SIZE_BYTES: usize = 8;
const HASH_BYTES: usize = 32;

/// The peaks of an RFC 9162 tree, so that appending a leaf costs one hash on average and the whole
/// tree need not be kept.
///
/// There is one peak for each set bit of the size, largest subtree first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Frontier {
    size: u64,
    peaks: Vec<Hash>,
}

/// Stored bytes that are no frontier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrontierError {
    /// Too short for a size, or the peaks are not whole hashes.
    #[error("a frontier of {bytes} bytes is not a size and whole hashes")]
    Length {
        /// How many bytes were given.
        bytes: usize,
    },
    /// A size beyond [`FRONTIER_SIZE_MAX`].
    #[error("a frontier of {size} leaves is larger than a log can be")]
    Size {
        /// The stated number of leaves.
        size: u64,
    },
    /// The number of peaks is not the number of set bits in the size.
    #[error("a frontier of {size} leaves cannot have {peaks} peaks")]
    Peaks {
        /// The stated number of leaves.
        size: u64,
        /// The number of hashes that follow.
        peaks: usize,
    },
}

impl Frontier {
    /// The frontier of a tree without leaves.
    pub const fn new() -> Self {
        Self { size: 0, peaks: Vec::new() }
    }

    /// How many leaves have been pushed.
    pub const fn size(&self) -> u64 {
        self.size
    }

    /// Appends a leaf, merging the peaks of equal height that it completes.
    ///
    /// # Panics
    /// When the log would grow beyond [`FRONTIER_SIZE_MAX`] leaves.
    pub fn push(&mut self, leaf: Hash) {
        assert!(self.size < FRONTIER_SIZE_MAX, "a log cannot hold more leaves");
        let mut node = leaf;
        for _ in 0..self.size.trailing_ones() {
            let left = self.peaks.pop().expect("one peak for each set bit of the size");
            node = node_hash(&left, &node);
        }
        self.peaks.push(node);
        self.size += 1;
    }

    /// The root over all leaves so far, RFC 9162 section 2.1.1; SHA-256 of nothing when there are none.
    pub fn root(&self) -> Hash {
        let mut peaks = self.peaks.iter().rev();
        let Some(&smallest) = peaks.next() else { return empty_root() };
        peaks.fold(smallest, |right, left| node_hash(left, &right))
    }

    /// The size as a big-endian u64, then the peaks, largest first.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(SIZE_BYTES + HASH_BYTES * self.peaks.len());
        bytes.extend_from_slice(&self.size.to_be_bytes());
        for peak in &self.peaks {
            bytes.extend_from_slice(peak.as_bytes());
        }
        bytes
    }

    /// Reads what [`Frontier::to_bytes`] wrote.
    ///
    /// The peaks themselves cannot be checked without the leaves; their number can and is.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, FrontierError> {
        let length = FrontierError::Length { bytes: bytes.len() };
        let Some((size, rest)) = bytes.split_first_chunk::<SIZE_BYTES>() else {
            return Err(length);
        };
        let (hashes, remainder) = rest.as_chunks::<HASH_BYTES>();
        if !remainder.is_empty() {
            return Err(length);
        }
        let size = u64::from_be_bytes(*size);
        if size > FRONTIER_SIZE_MAX {
            return Err(FrontierError::Size { size });
        }
        if usize::try_from(size.count_ones()) != Ok(hashes.len()) {
            return Err(FrontierError::Peaks { size, peaks: hashes.len() });
        }
        Ok(Self { size, peaks: hashes.iter().copied().map(Hash::from).collect() })
    }
}
