//! What is kept beside an event's bytes, as both engines pack it into one value.

use log::{Beside, StoreError};
use proof::Hash;

fn corrupt(position: u64, what: &str) -> StoreError {
    StoreError::Corrupt { position, what: what.into() }
}

/// The leaf hash of the event at a position.
pub(crate) fn leaf_of(position: u64, bytes: &[u8]) -> Result<Hash, StoreError> {
    let leaf = <[u8; 32]>::try_from(bytes).ok();
    leaf.map(Hash::from).ok_or_else(|| corrupt(position, "the leaf is no hash"))
}

/// A leaf hash, and the columns as text behind it.
pub(crate) fn beside_of(position: u64, bytes: &[u8]) -> Result<Beside, StoreError> {
    let (leaf, columns) =
        bytes.split_first_chunk::<32>().ok_or_else(|| corrupt(position, "the leaf is no hash"))?;
    let columns = std::str::from_utf8(columns)
        .map_err(|_| corrupt(position, "a column beside the event is no text"))?;
    Ok(Beside { leaf: Hash::from(*leaf), columns: columns.to_owned() })
}
