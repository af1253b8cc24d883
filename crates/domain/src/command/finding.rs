//! What a person finds of promised results.

use crate::event::FoundResult;
use crate::ids::DocumentHash;
use crate::value::Personal;

/// A person's finding that results were the promised ones, and that reports show them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FindResults {
    /// The position of the signing; the newest agreement if it is not named.
    pub agreement: Option<u64>,
    /// What the finding rests on.
    pub document: Option<DocumentHash>,
    /// What was found.
    pub found: Vec<FoundResult>,
    /// Who found it.
    pub found_by: Personal,
    /// Why.
    pub reason: Personal,
}
