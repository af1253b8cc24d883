//! The end of a firm's log, and what a store keeps of it.

use domain::event::{Tail, UtcMicros};
use proof::{Frontier, Hash};

use crate::error::StoreError;

/// The end of a firm's log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Head {
    /// The last position; 0 when the log is empty.
    pub position: u64,
    /// Invoices issued so far.
    pub invoices: u64,
    /// What the last event says it was recorded at: none after it says earlier.
    pub recorded_at: UtcMicros,
    /// The Merkle tree over all events so far.
    pub frontier: Frontier,
}

/// The row of a head as a store has it.
#[derive(Clone, Debug)]
pub struct StoredHead {
    /// The last position.
    pub position: u64,
    /// Invoices issued.
    pub invoices: u64,
    /// The time of the last event.
    pub recorded_at: UtcMicros,
    /// [`Frontier::to_bytes`].
    pub frontier: Vec<u8>,
    /// The root of that tree.
    pub root: Vec<u8>,
}

/// The last event there is, as a store finds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LastEvent {
    /// Its position.
    pub position: u64,
    /// When it says it was recorded.
    pub recorded_at: UtcMicros,
}

impl LastEvent {
    /// From the bytes at a position: [`StoreError::Corrupt`] if they do not end as an event does.
    pub fn of(position: u64, bytes: &[u8]) -> Result<Self, StoreError> {
        let what = "the bytes do not end as an event does";
        let tail =
            Tail::of(bytes).ok_or_else(|| StoreError::Corrupt { position, what: what.into() })?;
        Ok(Self { position, recorded_at: tail.recorded_at })
    }
}

impl Head {
    /// The root over the whole log, RFC 9162 section 2.1.1.
    pub fn root(&self) -> Hash {
        self.frontier.root()
    }

    /// A head as it is stored, held against the last event that was found at the same moment:
    /// [`StoreError::Corrupt`] if its tree is not one of so many leaves, or the log does not end
    /// where and when it says. A firm nobody wrote to has neither.
    pub fn from_stored(
        stored: Option<StoredHead>,
        last: Option<LastEvent>,
    ) -> Result<Self, StoreError> {
        let corrupt = |position: u64, what: String| Err(StoreError::Corrupt { position, what });
        let Some(StoredHead { position, invoices, recorded_at, frontier, root }) = stored else {
            return match last {
                None => Ok(Self::default()),
                Some(LastEvent { position, .. }) => {
                    corrupt(position, "the event is there, and the log has no head".into())
                }
            };
        };
        let frontier = match Frontier::from_bytes(&frontier) {
            Ok(frontier) => frontier,
            Err(error) => return corrupt(position, error.to_string()),
        };
        let head = Self { position, invoices, recorded_at, frontier };
        if head.frontier.size() != position {
            let what = format!("the head's tree has {} leaves", head.frontier.size());
            return corrupt(position, what);
        }
        if root != head.root().as_bytes() {
            return corrupt(position, "the head's root is not that of its tree".into());
        }
        let last = last.unwrap_or_default();
        if last.position > position {
            return corrupt(position + 1, "the event stands behind the head".into());
        }
        if last.position < position {
            return corrupt(last.position + 1, "the head names it, and it is missing".into());
        }
        if last.recorded_at != recorded_at {
            return corrupt(position, "the head has another time than the last event".into());
        }
        Ok(head)
    }
}

/// Of an empty log.
impl Default for LastEvent {
    fn default() -> Self {
        Self { position: 0, recorded_at: UtcMicros::default() }
    }
}
