//! The ledger inside this process, on a database.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use ledger::gateway::FileOutbox;
use ledger::{Ledger, Limits};
use store::Store;

use crate::exit::Stop;

/// How a database on SQLite is named.
const SQLITE_SCHEME: &str = "sqlite:";
/// Where charges are put if no folder is named: beside the database.
const OUTBOX: &str = "outbox";
/// How long a command waits for the read models of a log it has just opened.
const READ_WAIT: Duration = Duration::from_mins(2);
/// How long one request of a command may take.
const REQUEST_TIMEOUT: Duration = Duration::from_mins(10);

/// The file of a database.
pub(crate) fn path_of(database: &str) -> anyhow::Result<PathBuf> {
    let path = database.strip_prefix(SQLITE_SCHEME).filter(|path| !path.is_empty());
    path.map(PathBuf::from)
        .ok_or_else(|| Stop::usage("--database must be sqlite:PATH, such as sqlite:counterfoil.db"))
}

/// Limits for the one caller who holds the store himself.
pub(crate) fn own_limits() -> Limits {
    Limits {
        read_wait: READ_WAIT,
        request_timeout: REQUEST_TIMEOUT,
        request_timeout_max: REQUEST_TIMEOUT,
        ..Limits::default()
    }
}

/// Opens the database, made if it is not there, and starts the ledger on it.
pub(crate) async fn open(
    path: &Path,
    outbox: Option<&Path>,
    limits: Limits,
) -> anyhow::Result<(Ledger, Arc<Store>)> {
    let opened = Store::open(path).await;
    let store = Arc::new(opened.with_context(|| format!("cannot open {}", path.display()))?);
    let clock = Arc::new(log::SystemClock);
    let engine = log::Engine::new(
        store.clone(),
        clock.clone(),
        Arc::new(log::UuidV7Ids::new()),
        log::Settings::default(),
    );
    engine.start().await.with_context(|| format!("cannot read {}", path.display()))?;
    let beside = || path.parent().unwrap_or(Path::new("")).join(OUTBOX);
    let gateway = FileOutbox::new(outbox.map_or_else(beside, Path::to_path_buf));
    let ledger = Ledger::new(engine, store.clone(), clock, Arc::new(gateway), limits);
    Ok((ledger, store))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_database_is_named_by_its_scheme() {
        assert_eq!(path_of("sqlite:a/b.db").unwrap(), PathBuf::from("a/b.db"));
        assert_eq!(path_of("sqlite:/a.db").unwrap(), PathBuf::from("/a.db"));
        assert!(path_of("a.db").is_err());
        assert!(path_of("sqlite:").is_err());
    }
}
