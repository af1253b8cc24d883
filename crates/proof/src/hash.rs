//! The 32-byte hash and the two ways RFC 9162 makes one.

use std::fmt;

use sha2::{Digest, Sha256};

/// Bytes in a SHA-256 hash.
const HASH_BYTES: usize = 32;
/// Domain separation of RFC 9162 section 2.1.1: leaves and nodes can never be taken for each other.
const LEAF_PREFIX: [u8; 1] = [0x00];
const NODE_PREFIX: u8 = 0x01;

/// A SHA-256 hash: of a leaf, of a node, or the root of a tree.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash([u8; HASH_BYTES]);

/// Text that is not a hash.
#[derive(Debug, thiserror::Error)]
#[error("a hash is 64 hexadecimal digits")]
pub struct HashError {
    #[source]
    source: hex::FromHexError,
}

impl Hash {
    /// Lower-case hexadecimal, 64 digits.
    pub fn hex(&self) -> String {
        hex::encode(self.0)
    }

    /// Reads 64 hexadecimal digits of either case.
    pub fn from_hex(text: &str) -> Result<Self, HashError> {
        let mut bytes = [0; HASH_BYTES];
        hex::decode_to_slice(text, &mut bytes).map_err(|source| HashError { source })?;
        Ok(Self(bytes))
    }

    /// The 32 raw bytes.
    pub const fn as_bytes(&self) -> &[u8; HASH_BYTES] {
        &self.0
    }
}

impl From<[u8; HASH_BYTES]> for Hash {
    fn from(bytes: [u8; HASH_BYTES]) -> Self {
        Self(bytes)
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

/// The hash of one entry: SHA-256(0x00 ‖ bytes), RFC 9162 section 2.1.1.
pub fn leaf_hash(entry: &[u8]) -> Hash {
    let mut hasher = Sha256::new();
    hasher.update(LEAF_PREFIX);
    hasher.update(entry);
    Hash(hasher.finalize().into())
}

/// The hash of two subtrees: SHA-256(0x01 ‖ left ‖ right), RFC 9162 section 2.1.1.
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    let mut bytes = [NODE_PREFIX; 1 + 2 * HASH_BYTES];
    bytes[1..=HASH_BYTES].copy_from_slice(&left.0);
    bytes[1 + HASH_BYTES..].copy_from_slice(&right.0);
    Hash(Sha256::digest(bytes).into())
}

/// The root of a tree without leaves: SHA-256 of nothing, RFC 9162 section 2.1.1.
pub fn empty_root() -> Hash {
    Hash(Sha256::digest([]).into())
}
