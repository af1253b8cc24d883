//! What is kept of people beside the log: everything that erasing one of them destroys.

use async_trait::async_trait;
use domain::ids::FirmId;
use uuid::Uuid;

use crate::error::StoreError;

/// What two clients are compared by, as keyed hashes: equal for equal values in one firm.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct ComparedBy {
    /// Of the telephone number.
    pub phone: [u8; 32],
    /// Of the address in its one comparable form.
    pub address: [u8; 32],
}

impl std::fmt::Debug for ComparedBy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

/// A person: the key of the personal values, and what the person is compared by.
///
/// The firm itself has such a row under its own id, whose key makes the hashes of the others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The case's id, or the firm's.
    pub id: Uuid,
    /// The key, wrapped by a firm key.
    pub wrapped: Vec<u8>,
    /// What the person is compared by; nothing leaves what was known.
    pub compared_by: Option<ComparedBy>,
}

/// Keys of people. They are written with the events they are for, in [`crate::Batch::people`], and
/// destroyed with the event that says so.
#[async_trait]
pub trait PeopleStore: Send + Sync + 'static {
    /// Those of the people asked for who have a key, in no order.
    async fn people(&self, firm: FirmId, ids: &[Uuid]) -> Result<Vec<Person>, StoreError>;

    /// People in the order of their ids, after one: at most `limit`, none only after the last.
    async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError>;

    /// Keeps people as they are elsewhere: what a move copies.
    async fn keep_people(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError>;

    /// Puts newly wrapped keys in the place of those they were unwrapped from. A key that was destroyed
    /// or changed meanwhile is let be.
    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError>;
}

/// One key, wrapped anew.
#[derive(Clone, Debug)]
pub struct Rewrapped {
    /// Whose.
    pub id: Uuid,
    /// As it was wrapped.
    pub before: Vec<u8>,
    /// As it is wrapped now.
    pub after: Vec<u8>,
}
