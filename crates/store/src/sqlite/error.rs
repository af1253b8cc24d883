//! What an SQLite failure means for the engine, by result code and never by text.

use log::StoreError;
use sqlx::Error;

/// Primary result codes, <https://www.sqlite.org/rescode.html>.
const BUSY: i32 = 5;
const LOCKED: i32 = 6;
const NO_MEMORY: i32 = 7;
const INTERRUPTED: i32 = 9;
const INPUT_OUTPUT: i32 = 10;
const CORRUPT: i32 = 11;
const FULL: i32 = 13;
const CANNOT_OPEN: i32 = 14;
const PROTOCOL: i32 = 15;
const CONSTRAINT: i32 = 19;
const NOT_A_DATABASE: i32 = 26;

/// The low eight bits of an extended code are its primary code.
fn primary_code(error: &Error) -> Option<i32> {
    let code = error.as_database_error()?.code()?;
    code.parse::<i32>().ok().map(|extended| extended & 0xff)
}

/// A failure of anything but a commit: nothing landed.
pub(super) fn failed(error: Error) -> StoreError {
    let unavailable = |error: Error| StoreError::Unavailable { source: Some(Box::new(error)) };
    match primary_code(&error) {
        Some(BUSY | LOCKED | NO_MEMORY | INTERRUPTED | INPUT_OUTPUT | CANNOT_OPEN | PROTOCOL) => {
            unavailable(error)
        }
        Some(FULL) => StoreError::Full { source: Some(Box::new(error)) },
        // Which event it hit is not known here; `verify` names the first.
        Some(CORRUPT | NOT_A_DATABASE) => {
            StoreError::Corrupt { position: 0, what: "the database file is damaged".into() }
        }
        Some(CONSTRAINT) => internal("a constraint of the database", error),
        Some(_) => internal("a statement failed", error),
        None => match error {
            Error::Io(_) | Error::PoolTimedOut | Error::PoolClosed | Error::WorkerCrashed => {
                unavailable(error)
            }
            other => internal("the database driver failed", other),
        },
    }
}

/// A failed commit. With these codes SQLite has left the transaction open or undone it; with any
/// other, and above all one of input and output, the commit record may be in the file.
pub(super) fn commit_failed(error: Error) -> StoreError {
    match primary_code(&error) {
        Some(BUSY | LOCKED | FULL | CONSTRAINT) => failed(error),
        Some(_) | None => StoreError::OutcomeUnknown { source: Some(Box::new(error)) },
    }
}

fn internal(what: &str, error: Error) -> StoreError {
    StoreError::Internal { what: what.to_owned(), source: Some(Box::new(error)) }
}
