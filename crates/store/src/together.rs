//! What processes on one database need of each other: a hint when a log has grown, and one place for
//! work that would only be repeated in two.
//!
//! Neither is needed to be right. A hint may be lost, so whoever waits for one looks again now and
//! then; two that do the same work meet at a compare-and-set or a request id.

use std::future::pending;
use std::time::Duration;

use domain::ids::FirmId;
use log::{Engine, StoreError};

use crate::postgres;
use crate::store::{Behind, Store};

/// Pause before listening again after the connection was lost.
const LISTEN_RETRY_DELAY: Duration = Duration::from_secs(1);

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

/// What one process leads, until it is dropped or its connection is lost.
#[derive(Debug)]
pub struct Leases {
    /// Nothing on SQLite: the processes of one file are few, and each may do the work.
    behind: Option<postgres::Leases>,
}

impl Leases {
    /// Whether this process leads some work of a firm from now on, or still does. Ask again before
    /// each piece of the work: when the holder dies, the next to ask takes over.
    pub async fn ask(&mut self, firm: FirmId, work: Work) -> Result<bool, StoreError> {
        match &mut self.behind {
            None => Ok(true),
            Some(leases) => leases.ask(firm, work).await,
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

/// Hints from every process on the database, this one included.
#[derive(Debug)]
pub struct Hints {
    /// Nothing on SQLite: whoever waits looks again by itself.
    behind: Option<postgres::Hints>,
}

impl Hints {
    /// Waits for the next hint; on SQLite there is never one.
    pub async fn next(&mut self) -> Result<Hint, StoreError> {
        match &mut self.behind {
            None => pending().await,
            Some(hints) => hints.next().await,
        }
    }
}

impl Store {
    /// What this process leads: nothing yet.
    pub fn leases(&self) -> Leases {
        let behind = match &self.engine {
            Behind::Sqlite(_) => None,
            Behind::Postgres(postgres) => Some(postgres.leases()),
        };
        Leases { behind }
    }

    /// Wakes an engine whenever a log has grown, whichever process wrote to it; until it is dropped.
    /// While there are no hints the engine looks by itself, now and then.
    pub async fn wake(&self, engine: &Engine) {
        loop {
            if let Err(error) = self.pass_on(engine).await {
                tracing::warn!(%error, "other processes' writes are not heard of at once");
            }
            tokio::time::sleep(LISTEN_RETRY_DELAY).await;
        }
    }

    async fn pass_on(&self, engine: &Engine) -> Result<(), StoreError> {
        let mut hints = self.hints().await?;
        // What was written before anybody listened.
        engine.nudge(None);
        loop {
            match hints.next().await? {
                Hint::Grown(firm) => engine.nudge(Some(firm)),
                Hint::Lost => engine.nudge(None),
            }
        }
    }

    /// Listens for hints from now on.
    pub async fn hints(&self) -> Result<Hints, StoreError> {
        let behind = match &self.engine {
            Behind::Sqlite(_) => None,
            Behind::Postgres(postgres) => Some(postgres.hints().await?),
        };
        Ok(Hints { behind })
    }
}
