//! What a database is asked beyond the ports of the log, and reading rows from it by their types.

use std::fmt::Debug;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use async_trait::async_trait;
use domain::ids::FirmId;
use log::StoreError;
use proof::Hash;

use crate::error::OpenError;
use crate::pools::{EngineKind, Pool};
use crate::row::Selected;
use crate::statement::Statement;
use crate::value::{Kind, Malformed, Value, malformed};

/// A database on one of the engines. The ports are on the engine itself, so that each is written for it once.
#[async_trait]
pub(crate) trait Engine: log::Store + Debug {
    fn kind(&self) -> EngineKind;

    /// The file, of a database in one.
    fn path(&self) -> Option<&Path>;

    /// Whether whatever would write fails.
    fn is_only_read(&self) -> bool;

    fn pools(&self) -> Vec<Pool>;

    /// Rows of the read models and events of the log that were read so far.
    fn rows_read(&self) -> &RowsRead;

    /// The rows of a query about the firm that is its first argument, each column read as the kind wanted of it.
    async fn select(
        &self,
        statement: &'static str,
        arguments: Vec<Value>,
        kinds: &[Kind],
    ) -> Result<Vec<Vec<Value>>, StoreError>;

    /// Runs statements about a firm in one transaction, on disk when it has committed, and tells how many rows
    /// each changed.
    async fn change(
        &self,
        firm: FirmId,
        statements: Vec<(&'static Statement, Vec<Value>)>,
    ) -> Result<Vec<u64>, StoreError>;

    /// See [`crate::Store::copy_to`].
    async fn copy_to(&self, path: &Path) -> Result<(), OpenError>;

    /// See [`crate::Store::beyond_serving`].
    async fn beyond_serving(&self) -> Result<Option<String>, StoreError>;

    /// Where a replica stands with a firm's log.
    async fn standing(&self, firm: FirmId) -> Result<Standing, StoreError>;

    fn leases(&self) -> Box<dyn Leading>;

    /// Hints from now on.
    async fn hints(&self) -> Result<Box<dyn Hinting>, StoreError>;

    async fn close(&self);
}

/// See [`crate::Leases`].
#[async_trait]
pub(crate) trait Leading: Debug + Send + Sync {
    async fn ask(&mut self, firm: FirmId, work: Work) -> Result<bool, StoreError>;
}

/// See [`crate::Hints`].
#[async_trait]
pub(crate) trait Hinting: Debug + Send {
    async fn next(&mut self) -> Result<Hint, StoreError>;
}

/// A count of rows.
#[derive(Debug, Default)]
pub(crate) struct RowsRead(AtomicU64);

impl RowsRead {
    pub(crate) fn add(&self, rows: usize) {
        self.0.fetch_add(u64::try_from(rows).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    pub(crate) fn get(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// The rows of a query, or the first that does not read.
pub(crate) async fn rows_of<T: Selected>(
    engine: &dyn Engine,
    statement: &'static str,
    arguments: Vec<Value>,
) -> Result<Result<Vec<T>, Malformed>, StoreError> {
    let mut kinds = Vec::new();
    T::kinds(&mut kinds);
    let rows = engine.select(statement, arguments, &kinds).await?;
    Ok(rows.into_iter().map(|row| T::take(&mut row.into_iter())).collect())
}

/// The rows of a query of the log, or of what is kept beside it.
pub(crate) async fn fetch<T: Selected>(
    engine: &dyn Engine,
    statement: &'static str,
    arguments: Vec<Value>,
) -> Result<Vec<T>, StoreError> {
    let rows = rows_of(engine, statement, arguments).await?;
    rows.map_err(|Malformed { wanted }| malformed(wanted))
}

/// Work that runs in one place at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Work {
    /// The live projection of a firm.
    Projection,
    /// A firm's schedule of billing.
    Billing,
    /// A firm's schedule of signed checkpoints.
    Checkpoints,
    /// The sweep of a firm's evidence.
    Evidence,
}

impl Work {
    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Projection => "projection",
            Self::Billing => "billing",
            Self::Checkpoints => "checkpoints",
            Self::Evidence => "evidence",
        }
    }
}

/// What a hint says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hint {
    /// The log of a firm has grown.
    Grown(FirmId),
    /// Hints may have been lost: any log may have grown.
    Lost,
}

/// Where a database stands, seen at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// Whether it is a standby that follows another server. One that was promoted is none any more.
    pub follows: bool,
    /// The end of the firm's log there.
    pub position: u64,
    /// The leaf hash of its last event; nothing if there is none.
    pub leaf: Option<Hash>,
}
