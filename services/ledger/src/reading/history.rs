//! Pages of the log for followers who are not at its end yet.

use async_trait::async_trait;
use domain::ids::FirmId;
use log::{LogStore as _, Stored};
use proof::leaf_hash;
use tokio::time::timeout;

use super::{REPLICA_ANSWER_MAX, REPLICA_STANDING_MAX, Replicated, replicated};
use crate::ledger::Ledger;

/// The replica's part of the log.
pub(crate) struct History(pub(crate) Ledger);

#[async_trait]
impl log::History for History {
    async fn page(&self, firm: FirmId, after: u64, limit: usize) -> Option<Vec<Stored>> {
        let replica = self.0.replica().filter(|replica| replica.may_be_asked())?;
        match timeout(REPLICA_ANSWER_MAX, replica.store().read(firm, after, limit)).await {
            Ok(Ok(page)) => self.agreed(replica, firm, page).await,
            Ok(Err(error)) => {
                replica.set_aside(&error);
                None
            }
            Err(_) => {
                replica.set_aside(&"it took too long");
                None
            }
        }
    }
}

impl History {
    /// A page whose last event is the primary's as well: then all before it are.
    async fn agreed(
        &self,
        replica: &Replicated,
        firm: FirmId,
        page: Vec<Stored>,
    ) -> Option<Vec<Stored>> {
        if let Some(last) = page.last() {
            let leaf = Some(leaf_hash(&last.bytes));
            let agreed = replica.agree(self.0.store(), firm, last.position, leaf);
            let agreed = timeout(REPLICA_STANDING_MAX, agreed).await;
            if let Err(unfit) = agreed.unwrap_or(Err(replicated::Unfit::Silent)) {
                replica.set_aside(&unfit);
                return None;
            }
        }
        replica.answered();
        Some(page)
    }
}
