//! Storage: the log's ports on SQLite, and the read model with its queries. The only crate that
//! knows sqlx.
//!
//! `read` holds the read model and its queries, apart from any engine; `sqlite` holds what only
//! that engine does: append, load, projection, errors. A second engine adds a folder beside it.

mod key;
mod read;
mod row;
mod sqlite;
mod statement;
mod store;
mod value;

pub use key::MatchKey;
pub use read::*;
pub use store::{OpenError, Store};
