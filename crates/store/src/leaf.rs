//! The leaf hash kept beside an event's bytes, as both engines read it.

use log::StoreError;
use proof::Hash;

pub(crate) fn corrupt(position: u64, what: &str) -> StoreError {
    StoreError::Corrupt { position, what: what.into() }
}

/// The leaf hash of the event at a position.
pub(crate) fn leaf_of(position: u64, bytes: &[u8]) -> Result<Hash, StoreError> {
    let leaf = <[u8; 32]>::try_from(bytes).ok();
    leaf.map(Hash::from).ok_or_else(|| corrupt(position, "the leaf is no hash"))
}
