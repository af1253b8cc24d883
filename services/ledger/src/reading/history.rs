//! Pages of the log for followers who are not at its end yet.

use async_trait::async_trait;
use domain::ids::FirmId;
use log::Stored;
use tokio::time::timeout;

use super::REPLICA_ANSWER_MAX;
use super::replicated::Unfit;
use crate::ledger::Ledger;

/// The replica's part of the log.
pub(crate) struct History(pub(crate) Ledger);

#[async_trait]
impl log::History for History {
    async fn page(&self, firm: FirmId, after: u64, limit: usize) -> Option<Vec<Stored>> {
        let replica = self.0.replica().filter(|replica| replica.may_be_asked())?;
        let read = async {
            let page = replica.store().read(firm, after, limit).await?;
            // Only then: what was read is part of the log that is checked.
            replica.check(self.0.store(), firm).await?;
            Ok(page)
        };
        match timeout(REPLICA_ANSWER_MAX, read).await.unwrap_or(Err(Unfit::Slow)) {
            Ok(page) => {
                replica.answered();
                Some(page)
            }
            Err(unfit) => {
                replica.set_aside(&unfit);
                None
            }
        }
    }
}
