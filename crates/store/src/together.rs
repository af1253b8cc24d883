//! What processes on one database need of each other: a hint when a log has grown, and one place for
//! work that would only be repeated in two.
//!
//! Neither is needed to be right. A hint may be lost, so whoever waits for one looks again now and
//! then; two that do the same work meet at a compare-and-set or a request id.

use std::time::Duration;

use domain::ids::FirmId;
use log::{Engine, StoreError};

use crate::engine::{Hint, Hinting, Leading, Work};
use crate::store::Store;

/// Pause before listening again after the connection was lost.
const LISTEN_RETRY_DELAY: Duration = Duration::from_secs(1);

/// What one process leads, until it is dropped or its connection is lost. On SQLite each leads: the processes of
/// one file are few.
#[derive(Debug)]
pub struct Leases(Box<dyn Leading>);

impl Leases {
    /// Whether this process leads some work of a firm from now on, or still does. Ask again before
    /// each piece of the work: when the holder dies, the next to ask takes over.
    pub async fn ask(&mut self, firm: FirmId, work: Work) -> Result<bool, StoreError> {
        self.0.ask(firm, work).await
    }
}

/// Hints from every process on the database, this one included.
#[derive(Debug)]
pub struct Hints(Box<dyn Hinting>);

impl Hints {
    /// Waits for the next hint; on SQLite there is never one: whoever waits looks again by itself.
    pub async fn next(&mut self) -> Result<Hint, StoreError> {
        self.0.next().await
    }
}

impl Store {
    /// What this process leads: nothing yet.
    pub fn leases(&self) -> Leases {
        Leases(self.engine.leases())
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
        Ok(Hints(self.engine.hints().await?))
    }
}
