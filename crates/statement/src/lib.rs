//! What banks and card processors say: bank statements (ISO 20022 camt.053, or CSV with a declared
//! mapping), payout files (CSV with a declared mapping), and what stands behind a deposit.
//!
//! Pure: bytes in, values out. Of the domain it knows the currencies, and nothing of the firm's log.
//! Amounts are minor units of the currency that is named with them; days are the bank's own.

mod amount;
pub mod camt;
mod line;
pub mod matching;
pub mod reason;
pub mod table;

pub use line::{Fault, Line, Payout, PayoutLine, PayoutLineKind, Statement, joined};

/// Most bytes of a file. One that is larger is refused before it is read whole.
pub const FILE_BYTES_MAX: usize = 64 << 20;
/// Most lines of one statement.
pub const LINES_MAX: usize = 200_000;
/// Most references that are kept of one line.
pub const REFERENCES_MAX: usize = 32;
