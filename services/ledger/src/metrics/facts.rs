//! What has to be looked up: how far each firm's log and read models are, and what is overdue.

use std::sync::Arc;
use std::time::Duration;

use domain::event::Recorded;
use domain::ids::FirmId;
use log::{Activity, StoreError};
use tokio::sync::Mutex;
use tokio::time::{Instant, timeout};

use crate::ledger::Ledger;
use api::status::Failure;

/// How old an answer may be: whoever asks more often is told the same again.
const AGE_MAX: Duration = Duration::from_secs(5);
/// How long the store may take for all of it.
const LOOK_UP_MAX: Duration = Duration::from_secs(5);
/// Most firms looked at. A service of more has other means to watch each of them.
const FIRMS_MAX: usize = 256;

/// What was found out.
#[derive(Clone, Debug, Default)]
pub(super) struct Facts {
    /// Whether the store answered all of it in time.
    pub(super) reachable: bool,
    /// Firms that have a log, if the store said so.
    pub(super) firms: Option<u64>,
    /// What is known of the first of them.
    pub(super) each: Vec<FirmFacts>,
}

/// What is known of one firm.
#[derive(Clone, Debug)]
pub(super) struct FirmFacts {
    pub(super) firm: FirmId,
    /// The last position of its log.
    pub(super) head: u64,
    /// The last position in its read models.
    pub(super) applied: u64,
    /// How long the oldest event that is not in them has been recorded.
    pub(super) behind: Duration,
    /// Clocks overdue where it is; told by the process that projects it, and no other.
    pub(super) overdue: Option<u64>,
}

/// What was found out last, and when.
#[derive(Default)]
pub(crate) struct Recent(Mutex<Option<(Instant, Arc<Facts>)>>);

impl Recent {
    /// What is known by now. Whoever comes while it is being looked up waits for the same answer.
    pub(super) async fn facts(&self, ledger: &Ledger) -> Arc<Facts> {
        let mut recent = self.0.lock().await;
        if let Some((at, facts)) = &*recent
            && at.elapsed() < AGE_MAX
        {
            return Arc::clone(facts);
        }
        let mut facts = Facts::default();
        match timeout(LOOK_UP_MAX, look_up(ledger, &mut facts)).await {
            Ok(Ok(())) => facts.reachable = true,
            Ok(Err(failure)) => tracing::warn!(?failure, "the figures of the firms are missing"),
            Err(_) => tracing::warn!("the store takes too long for the figures of the firms"),
        }
        let facts = Arc::new(facts);
        *recent = Some((Instant::now(), Arc::clone(&facts)));
        facts
    }
}

async fn look_up(ledger: &Ledger, facts: &mut Facts) -> Result<(), Failure> {
    let mut firms = ledger.store().firms().await?;
    firms.sort_unstable();
    facts.firms = u64::try_from(firms.len()).ok();
    let activity = ledger.engine().activity();
    for firm in firms.into_iter().take(FIRMS_MAX) {
        let active = activity.iter().find(|active| active.firm == firm);
        facts.each.push(of_firm(ledger, firm, active).await?);
    }
    Ok(())
}

async fn of_firm(
    ledger: &Ledger,
    firm: FirmId,
    active: Option<&Activity>,
) -> Result<FirmFacts, Failure> {
    let store = ledger.store();
    // The log is read after the read models, so that they are never ahead of it.
    let applied = store.checkpoint(firm).await?.position;
    let head = store.head(firm).await?.position;
    let behind = if applied < head { age(ledger, firm, applied).await? } else { Duration::ZERO };
    let overdue = match active {
        Some(active) if active.leads => {
            let today = ledger.today(&*ledger.firms().get(firm).await?);
            Some(store.count_overdue_clocks(firm, today).await?)
        }
        Some(_) | None => None,
    };
    Ok(FirmFacts { firm, head, applied, behind, overdue })
}

/// How long the event after a position has been recorded.
async fn age(ledger: &Ledger, firm: FirmId, after: u64) -> Result<Duration, StoreError> {
    let next = ledger.store().read(firm, after, 1).await?;
    let recorded = next.first().and_then(|stored| Recorded::from_bytes(&stored.bytes).ok());
    let micros = recorded.map_or(0, |recorded| ledger.now().0 - recorded.recorded_at.0);
    // A clock that was set back would make it negative.
    Ok(Duration::from_micros(u64::try_from(micros).unwrap_or(0)))
}
