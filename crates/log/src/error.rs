//! What a store can say went wrong, by what the engine has to do about it.

use domain::codec::DecodeError;
use domain::ids::RequestId;

/// The error underneath, as the store met it.
pub type Cause = Box<dyn std::error::Error + Send + Sync>;

/// A failure of the store. The variant is what the engine acts on; the cause is for people.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Nothing landed, and trying again may work.
    #[error("the store is unavailable")]
    Unavailable {
        /// What the store met.
        #[source]
        source: Option<Cause>,
    },
    /// A commit may or may not have landed.
    #[error("the outcome of the commit is unknown")]
    OutcomeUnknown {
        /// What the store met.
        #[source]
        source: Option<Cause>,
    },
    /// A compare-and-set found another position; nothing landed.
    #[error("another writer moved the position to {actual}")]
    Conflict {
        /// The position found.
        actual: u64,
    },
    /// Stored bytes are not what was written.
    #[error("the log is corrupt at position {position}: {what}")]
    Corrupt {
        /// Where.
        position: u64,
        /// What is wrong, without personal values.
        what: String,
    },
    /// The remembered answer to a request does not read: nobody can be told again what became of it.
    #[error("the answer to request {request} does not read")]
    Answer {
        /// The request.
        request: RequestId,
        /// What does not read.
        #[source]
        source: DecodeError,
    },
    /// No room is left; nothing landed.
    #[error("the store is full")]
    Full {
        /// What the store met.
        #[source]
        source: Option<Cause>,
    },
    /// The store refused what it was given, or a fault of its own; nothing landed.
    #[error("the store failed: {what}")]
    Internal {
        /// What was refused, without personal values.
        what: String,
        /// What the store met.
        #[source]
        source: Option<Cause>,
    },
}

impl StoreError {
    /// A fault without a cause underneath.
    pub fn internal(what: impl Into<String>) -> Self {
        Self::Internal { what: what.into(), source: None }
    }
}

/// An error with its causes, as a tracing field.
pub(crate) fn as_dyn(error: &StoreError) -> &(dyn std::error::Error + 'static) {
    error
}
