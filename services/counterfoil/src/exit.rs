//! How a command ends: its exit code and what stopped it.

use std::fmt;
use std::process::ExitCode;

use tonic::{Code, Status};

use crate::fault::{Fault, is_of_the_transport};

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// All of it was done.
    Done,
    /// A fault of this program or of the service.
    Internal,
    /// The command line does not make sense.
    Usage,
    /// The service refused, or lines of the input were bad.
    Refused,
    /// The log is not what was written.
    Unsound,
    /// The service or the database cannot be reached, or is too busy.
    Unavailable,
    /// No token, or one without the scope or the firm.
    NotAuthorised,
    /// Ctrl-C came before all of it was done.
    Interrupted,
}

/// The code of an interrupted command.
pub(crate) const INTERRUPTED: u8 = 130;

/// Every exit code and what it means. Scripts rely on it: codes are never given another meaning.
pub(crate) const EXITS: &[(Exit, u8, &str)] = &[
    (Exit::Done, 0, "done"),
    (Exit::Internal, 1, "a fault of the program or the service"),
    (Exit::Usage, 2, "the command line does not make sense"),
    (Exit::Refused, 3, "refused, or lines of the input were bad; the rest was recorded"),
    (Exit::Unsound, 4, "verification failed: the log, or a document, is not what was written"),
    (Exit::Unavailable, 5, "the service or database cannot be reached, or is too busy; try again"),
    (Exit::NotAuthorised, 6, "no token, or one that does not allow this"),
    // As shells tell of a process that SIGINT ended.
    (Exit::Interrupted, INTERRUPTED, "ended by Ctrl-C before all was done"),
];

impl Exit {
    /// The code of the process.
    pub(crate) fn code(self) -> ExitCode {
        let known = EXITS.iter().find(|(exit, _, _)| *exit == self);
        ExitCode::from(known.expect("the table lists every way to end").1)
    }

    /// How a command ends that was stopped by a status of the service.
    pub(crate) fn of_code(code: Code) -> Self {
        match code {
            Code::Ok => Self::Done,
            Code::InvalidArgument
            | Code::NotFound
            | Code::AlreadyExists
            | Code::FailedPrecondition
            | Code::Aborted
            | Code::OutOfRange => Self::Refused,
            Code::DataLoss => Self::Unsound,
            Code::Cancelled
            | Code::DeadlineExceeded
            | Code::ResourceExhausted
            | Code::Unavailable => Self::Unavailable,
            Code::PermissionDenied | Code::Unauthenticated => Self::NotAuthorised,
            Code::Unknown | Code::Unimplemented | Code::Internal => Self::Internal,
        }
    }

    /// How a command ends that was stopped by an error.
    pub(crate) fn of(error: &anyhow::Error) -> Self {
        if let Some(stop) = error.downcast_ref::<Stop>() {
            return stop.exit;
        }
        if let Some(status) = error.downcast_ref::<Status>() {
            let fault = Fault::of_status(status);
            return if is_of_the_transport(fault.code, &fault.reason) {
                Self::Unavailable
            } else {
                Self::of_code(fault.code)
            };
        }
        let unreachable = error.downcast_ref::<tonic::transport::Error>().is_some()
            || error.downcast_ref::<store::OpenError>().is_some()
            || error.downcast_ref::<vault::source::SourceError>().is_some();
        if unreachable {
            return Self::Unavailable;
        }
        Self::Internal
    }
}

/// The part of `--help` that lists the exit codes.
pub(crate) fn help() -> String {
    let line = |(_, code, meaning): &(Exit, u8, &str)| format!("\n  {code}  {meaning}");
    format!("Exit codes:{}", EXITS.iter().map(line).collect::<String>())
}

/// Why a command stopped, where the reason is this program's and not a status of the service.
#[derive(Debug)]
pub(crate) struct Stop {
    /// How the command ends.
    pub(crate) exit: Exit,
    /// What is wrong, and what to do.
    pub(crate) text: String,
}

impl Stop {
    /// The command line does not make sense here.
    pub(crate) fn usage(text: impl Into<String>) -> anyhow::Error {
        anyhow::Error::new(Self { exit: Exit::Usage, text: text.into() })
    }

    /// Something of the input is refused.
    pub(crate) fn refused(text: impl Into<String>) -> anyhow::Error {
        anyhow::Error::new(Self { exit: Exit::Refused, text: text.into() })
    }

    /// Something cannot be reached.
    pub(crate) fn unavailable(text: impl Into<String>) -> anyhow::Error {
        anyhow::Error::new(Self { exit: Exit::Unavailable, text: text.into() })
    }
}

impl fmt::Display for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl std::error::Error for Stop {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_to_end_has_one_code() {
        let mut codes: Vec<u8> = EXITS.iter().map(|(_, code, _)| *code).collect();
        codes.dedup();
        assert_eq!(codes, [0, 1, 2, 3, 4, 5, 6, INTERRUPTED]);
        for (exit, _, meaning) in EXITS {
            let _ = exit.code();
            assert!(help().contains(meaning));
        }
    }
}
