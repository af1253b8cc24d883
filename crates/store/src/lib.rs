//! Storage: the log's ports on SQLite and on PostgreSQL, and the read model with its queries. The
//! only crate that knows sqlx.
//!
//! `read` holds the read model and its queries, apart from any engine; `sqlite` and `postgres` hold
//! what only that engine does: append, load, projection, errors.

mod audit;
mod before;
mod events;
mod evidence;
mod leaf;
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

pub use audit::{
    CosignatureRow, KeptCheckpoint, SIGNING_KEYS_MAX, SigningKeyRow, WITNESS_KEYS_MAX,
    WitnessKeyRow,
};
pub use events::EventsWanted;
pub use evidence::EvidenceRow;
pub use pools::{EngineKind, Pool};
pub use read::*;
pub use replica::{Replica, Standing};
pub use store::{OpenError, Store};
pub use together::{Hint, Hints, Leases, Work};
