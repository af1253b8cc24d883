//! What is kept of people beside the log: everything that erasing one of them destroys.

use async_trait::async_trait;
use domain::ids::FirmId;
use uuid::Uuid;

use crate::error::StoreError;

/// HMAC-SHA-256 under a key of the firm's: equal for equal values of one kind in one firm.
pub type KeyedHash = [u8; 32];

/// What a client is found by, and compared with others by, as keyed hashes. Nothing leaves what was known.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct FoundBy {
    /// Of the telephone number.
    pub phone: Option<KeyedHash>,
    /// Of the address in its one comparable form.
    pub address: Option<KeyedHash>,
    /// Of the token of the card on file.
    pub card: Option<KeyedHash>,
    /// Of each word of the name, rising.
    pub words: Option<Vec<KeyedHash>>,
}

impl FoundBy {
    /// The same where it says something, and what was known where it does not.
    #[must_use]
    pub fn or(self, known: &Self) -> Self {
        Self {
            phone: self.phone.or(known.phone),
            address: self.address.or(known.address),
            card: self.card.or(known.card),
            words: self.words.or_else(|| known.words.clone()),
        }
    }

    /// Reads words as a store has them: 32 bytes each.
    pub fn words_from(bytes: &[u8]) -> Option<Vec<KeyedHash>> {
        let (words, rest) = bytes.as_chunks::<32>();
        rest.is_empty().then(|| words.to_vec())
    }
}

impl std::fmt::Debug for FoundBy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

/// What clients are looked for by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// A telephone number.
    Phone(KeyedHash),
    /// Words of a name, each once: a client has all of them.
    Words(Vec<KeyedHash>),
}

/// A person: the key of the personal values, and what the person is found by.
///
/// The firm itself has such a row under its own id, whose key makes the hashes of the others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The case's id, or the firm's.
    pub id: Uuid,
    /// The key, wrapped by a firm key.
    pub wrapped: Vec<u8>,
    /// What the person is found by.
    pub found_by: FoundBy,
    /// Whether all of that was made of what the log says. A row of an earlier version lacks the words of
    /// the name and the card until [`crate::Engine::index_people`] has filled them in.
    pub complete: bool,
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

    /// Who is found by something, in the order of their ids: at most `limit`.
    async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError>;

    /// People whom the index of words finds otherwise than what is kept of them says, and those it knows who
    /// are not kept: at most `limit`.
    async fn misfiled(&self, firm: FirmId, limit: usize) -> Result<Vec<Uuid>, StoreError>;

    /// People of whom not everything that they are found by is there, in the order of their ids.
    async fn incomplete(&self, firm: FirmId, limit: usize) -> Result<Vec<Person>, StoreError>;

    /// Fills in what incomplete people are found by. What was written meanwhile stays, and who was erased
    /// stays erased.
    async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError>;

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
