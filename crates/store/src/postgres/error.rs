//! What a PostgreSQL failure means for the engine, by SQLSTATE and never by text.

use log::StoreError;
use sqlx::Error;
use sqlx::postgres::{PgDatabaseError, PgSeverity};

/// What a SQLSTATE means, <https://www.postgresql.org/docs/current/errcodes-appendix.html>.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Meaning {
    /// Try again: the server goes away or comes back, is crowded, or let another one go first.
    TryAgain,
    /// Its disk is full.
    Full,
    /// Its files are damaged.
    Corrupt,
    /// A constraint refused the rows.
    Constraint,
    /// Anything else is a fault of ours.
    Fault,
}

fn meaning(code: &str) -> Meaning {
    match code {
        "53100" => Meaning::Full,
        // data_corrupted, index_corrupted
        "XX001" | "XX002" => Meaning::Corrupt,
        // query_canceled (statement_timeout), lock_not_available (lock_timeout), admin_shutdown,
        // crash_shutdown, cannot_connect_now, idle_session_timeout, idle_in_transaction_session_timeout,
        // read_only_sql_transaction (a standby, while its primary's place is taken), io_error
        "57014" | "55P03" | "57P01" | "57P02" | "57P03" | "57P05" | "25P03" | "25006" | "58030" => {
            Meaning::TryAgain
        }
        _ => match code.get(..2) {
            // Connection, transaction rollback (serialization, deadlock), insufficient resources
            // (too many connections, memory).
            Some("08" | "40" | "53") => Meaning::TryAgain,
            Some("23") => Meaning::Constraint,
            _ => Meaning::Fault,
        },
    }
}

fn of_server(error: &Error) -> Option<&PgDatabaseError> {
    error.as_database_error()?.try_downcast_ref()
}

/// Whether the connection is gone, rather than the statement refused.
pub(super) fn is_cut(error: &Error) -> bool {
    match of_server(error) {
        Some(server) => server.severity() != PgSeverity::Error,
        None => matches!(error, Error::Io(_)),
    }
}

/// A failure of anything but a commit: nothing landed.
pub(super) fn failed(error: Error) -> StoreError {
    let unavailable = |error: Error| StoreError::Unavailable { source: Some(Box::new(error)) };
    let Some(server) = of_server(&error) else {
        return match error {
            Error::Io(_) | Error::Tls(_) | Error::PoolTimedOut | Error::PoolClosed => {
                unavailable(error)
            }
            other => internal("the database driver failed", other),
        };
    };
    match meaning(server.code()) {
        Meaning::TryAgain => unavailable(error),
        Meaning::Full => StoreError::Full { source: Some(Box::new(error)) },
        // Which event it hit is not known here; `verify` names the first.
        Meaning::Corrupt => {
            StoreError::Corrupt { position: 0, what: "the database's files are damaged".into() }
        }
        Meaning::Constraint => internal("a constraint of the database", error),
        Meaning::Fault => internal("a statement failed", error),
    }
}

/// A failed commit. An ERROR with one of these codes says that the server has undone the
/// transaction; anything else, and above all a connection that is gone, leaves open whether the
/// commit record was written.
pub(super) fn commit_failed(error: Error) -> StoreError {
    known_if(is_undone, error)
}

/// A failed statement that was a transaction by itself. An ERROR says that the server has undone it,
/// but for 40003, "completion unknown"; a connection that is gone says nothing.
pub(super) fn alone_failed(error: Error) -> StoreError {
    known_if(is_refused, error)
}

/// A failure of something that may have committed: known to have been undone only by these answers.
fn known_if(undone: fn(PgSeverity, &str) -> bool, error: Error) -> StoreError {
    if of_server(&error).is_some_and(|server| undone(server.severity(), server.code())) {
        failed(error)
    } else {
        StoreError::OutcomeUnknown { source: Some(Box::new(error)) }
    }
}

/// Whether somebody else has what a unique key lets only one have, or moved a stream, which then has no
/// version to write.
pub(super) fn is_taken(error: &Error) -> bool {
    of_server(error).is_some_and(|server| ["23502", "23505"].contains(&server.code()))
}

/// An answer of the server that ends the transaction; 40003 says "completion unknown".
fn is_refused(severity: PgSeverity, code: &str) -> bool {
    severity == PgSeverity::Error && code != "40003"
}

/// Of those, constraint violations, rollbacks and missing resources.
fn is_undone(severity: PgSeverity, code: &str) -> bool {
    is_refused(severity, code) && matches!(code.get(..2), Some("23" | "25" | "40" | "53"))
}

fn internal(what: &str, error: Error) -> StoreError {
    StoreError::Internal { what: what.to_owned(), source: Some(Box::new(error)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_is_read_by_its_code() {
        for (code, expected) in [
            ("53100", Meaning::Full),
            ("53200", Meaning::TryAgain),
            ("53300", Meaning::TryAgain),
            ("57P01", Meaning::TryAgain),
            ("55P03", Meaning::TryAgain),
            ("40P01", Meaning::TryAgain),
            ("08006", Meaning::TryAgain),
            ("23505", Meaning::Constraint),
            ("42501", Meaning::Fault),
            ("XX001", Meaning::Corrupt),
        ] {
            assert_eq!(meaning(code), expected, "{code}");
        }
    }

    #[test]
    fn only_what_the_server_undid_is_known_after_a_commit() {
        assert!(is_undone(PgSeverity::Error, "53100"));
        assert!(is_undone(PgSeverity::Error, "40001"));
        assert!(!is_undone(PgSeverity::Error, "40003"));
        assert!(!is_undone(PgSeverity::Fatal, "57P01"));
        assert!(is_refused(PgSeverity::Error, "55P03") && !is_refused(PgSeverity::Fatal, "57P01"));
        assert!(!is_refused(PgSeverity::Error, "40003"));
        assert!(!is_undone(PgSeverity::Panic, "53100"), "the log itself could not be written");
        let lost = Error::Io(std::io::ErrorKind::UnexpectedEof.into());
        assert!(matches!(commit_failed(lost), StoreError::OutcomeUnknown { .. }));
        let lost = Error::Io(std::io::ErrorKind::UnexpectedEof.into());
        assert!(matches!(failed(lost), StoreError::Unavailable { .. }));
    }
}
