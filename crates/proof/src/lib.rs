//! Canonical bytes and the Merkle log: what makes the ledger provable to a stranger.
//!
//! Hashes follow RFC 9162 section 2.1 with SHA-256 (FIPS 180-4); canonical JSON follows RFC 8785.
//! The crate is pure: it knows nothing of events, storage or time, and performs no I/O, so that a
//! verifier outside the service can use it unchanged.

pub mod canonical;
mod frontier;
mod hash;
pub mod tree;

pub use frontier::{FRONTIER_SIZE_MAX, Frontier, FrontierError};
pub use hash::{Hash, HashError, empty_root, leaf_hash, node_hash};
