//! Storage: the log's ports on SQLite and on PostgreSQL, and the read model with its queries. The
//! only crate that knows sqlx.
//!
//! `read` holds the read model and its queries, apart from any engine; `sqlite` and `postgres` have the log's
//! ports on them, and hold what only that engine does: append, load, projection, errors.

mod audit;
mod before;
mod beside;
mod engine;
mod error;
mod events;
mod evidence;
mod open;
mod people;
mod pools;
mod postgres;
mod read;
mod replica;
mod row;
mod sqlite;
mod statement;
mod store;
mod tile;
mod together;
mod value;
mod verification;

pub use audit::{
    CosignatureRow, KeptCheckpoint, SIGNING_KEYS_MAX, SigningKeyRow, WITNESS_KEYS_MAX,
    WitnessKeyRow,
};
pub use engine::{Hint, Standing, Work};
pub use error::OpenError;
pub use events::EventsWanted;
pub use evidence::EvidenceRow;
pub use pools::{EngineKind, Pool};
pub use read::*;
pub use replica::Replica;
pub use row::RowsAt;
pub use store::Store;
pub use together::{Hints, Leases};
pub use verification::VerificationRow;

/// Every statement that both engines have alike, so that a test can prepare them all.
#[cfg(test)]
static STATEMENTS: &[&[&statement::Statement]] = &[
    tile::STATEMENTS,
    audit::STATEMENTS,
    beside::STATEMENTS,
    events::STATEMENTS,
    evidence::STATEMENTS,
    people::STATEMENTS,
    verification::STATEMENTS,
];
