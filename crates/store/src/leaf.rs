//! What is kept beside an event's bytes, as both engines read it.

use domain::event::StreamId;
use log::{StoreError, StreamEnd};
use proof::Hash;

pub(crate) fn corrupt(position: u64, what: &str) -> StoreError {
    StoreError::Corrupt { position, what: what.into() }
}

/// The leaf hash of the event at a position.
pub(crate) fn leaf_of(position: u64, bytes: &[u8]) -> Result<Hash, StoreError> {
    let leaf = <[u8; 32]>::try_from(bytes).ok();
    leaf.map(Hash::from).ok_or_else(|| corrupt(position, "the leaf is no hash"))
}

/// Where the stream of a key ends.
pub(crate) fn end_of(key: &[u8], last: u64, version: u64) -> Result<StreamEnd, StoreError> {
    let stream = StreamId::from_key(key);
    let stream = stream.ok_or_else(|| corrupt(last, "the stream that ends there has no name"))?;
    Ok(StreamEnd { stream, last, version })
}
