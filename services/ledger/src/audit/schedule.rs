//! Checkpoints by the clock, in one process of those on the database.
//!
//! Two that both signed would sign the same: a checkpoint is a function of the log, and of one size
//! only one is kept.

use std::collections::HashSet;
use std::time::Duration;

use api::status::Failure;
use domain::ids::FirmId;
use log::StoreError;
use store::{Leases, Work};

use super::checkpoint;
use crate::ledger::Ledger;

/// Runs until the service closes.
pub(crate) async fn sign_every(ledger: Ledger, interval: Duration) {
    let mut schedule = Schedule { leases: ledger.store().leases(), unready: HashSet::new() };
    loop {
        if let Err(error) = schedule.look(&ledger).await {
            tracing::warn!(%error, "checkpoints are left to the next time");
        }
        tokio::select! {
            () = ledger.closing().cancelled() => return,
            () = tokio::time::sleep(interval) => {}
        }
    }
}

struct Schedule {
    leases: Leases,
    /// Firms without a key, which are told once.
    unready: HashSet<FirmId>,
}

impl Schedule {
    async fn look(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for firm in ledger.store().firms().await? {
            if !self.leases.ask(firm, Work::Checkpoints).await? {
                continue;
            }
            match checkpoint::make(ledger, firm).await {
                Ok(_) => {
                    self.unready.remove(&firm);
                }
                Err(Failure::Unready { reason, what }) => {
                    if self.unready.insert(firm) {
                        tracing::warn!(%firm, reason, what, "no checkpoint is signed");
                    }
                }
                Err(failure) => {
                    tracing::warn!(%firm, ?failure, "a checkpoint is left to the next time");
                }
            }
        }
        Ok(())
    }
}
