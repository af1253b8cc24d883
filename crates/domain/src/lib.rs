//! The domain of Counterfoil: what happens to a client's case and account, and what a firm may ask
//! money for.
//!
//! Pure: no I/O, no clock, no randomness. A decision is a function of folded streams, a command and
//! a context; it gives events or a refusal. It knows nothing of SQL, gRPC or the time of day.
//!
//! ```
//! use counterfoil_domain::money::{Currency, Money};
//! // A couple's fee of 99.99 is shared without losing a cent.
//! let fee = Money::new(9_999, Currency::USD)?;
//! let shares = fee.allocate(&[1, 1])?;
//! assert_eq!((shares[0].minor(), shares[1].minor()), (5_000, 4_999));
//! # Ok::<(), counterfoil_domain::money::MoneyError>(())
//! ```

#![warn(clippy::wildcard_enum_match_arm)]

pub mod account;
pub mod actor;
pub mod address;
pub mod case;
pub mod codec;
pub mod command;
pub mod couple;
mod decide;
pub mod deposit;
pub mod door;
pub mod event;
pub mod firm;
pub mod gates;
pub mod ids;
pub mod judge;
pub mod media;
pub mod money;
pub mod named;
pub mod refusal;
pub mod rules;
pub mod sealing;
pub mod terms;
pub mod text;
pub mod value;
pub mod what_if;
pub mod words;
pub mod world;

pub use decide::{ACTIONS_MAX, decide};
pub use world::{Context, Halt, STATE_VERSION, State, World};
