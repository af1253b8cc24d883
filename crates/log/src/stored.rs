//! An event as a store has it.

/// One event as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Its position.
    pub position: u64,
    /// Its canonical bytes, exactly as they were hashed.
    pub bytes: Vec<u8>,
}

impl Stored {
    /// Its position and its bytes.
    pub fn placed(&self) -> (u64, &[u8]) {
        (self.position, &self.bytes)
    }
}
