//! Firms as they were read a moment ago: whose tokens are in force, and what day it is there.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::ledger::as_firm;
use domain::event::{StreamId, UtcMicros};
use domain::firm::Firm;
use domain::ids::FirmId;
use log::Engine;
use tokio::time::Instant;

use super::{Claim, Grant};
use api::status::Failure;

/// How long a firm is believed unread. Another process may have taken a token back meanwhile.
const BELIEVED: Duration = Duration::from_secs(1);
/// Most firms remembered at once.
const FIRMS_MAX: usize = 1_024;

struct Seen {
    firm: Arc<Firm>,
    read_at: Instant,
}

/// The firms. Cheap to ask, and never older than [`BELIEVED`].
pub(crate) struct Firms {
    engine: Engine,
    seen: Mutex<HashMap<FirmId, Seen>>,
}

impl Firms {
    pub(crate) fn new(engine: Engine) -> Self {
        Self { engine, seen: Mutex::default() }
    }

    /// A firm, registered or not.
    pub(crate) async fn get(&self, id: FirmId) -> Result<Arc<Firm>, Failure> {
        if let Some(firm) = self.believed(id) {
            return Ok(firm);
        }
        let read_at = Instant::now();
        let (_, states) = self.engine.states(id, &[StreamId::Firm]).await?;
        let firm = states.into_iter().find_map(as_firm);
        let firm =
            firm.ok_or_else(|| Failure::internal("the firm stream folded into another state"))?;
        let firm = Arc::new(*firm);
        // Ids that nobody registered are not remembered: a caller may make up any number of them.
        if firm.registered.is_some() {
            self.remember(id, Arc::clone(&firm), read_at);
        }
        Ok(firm)
    }

    /// Whether a firm was read as registered a moment ago.
    pub(crate) fn knows(&self, id: FirmId) -> bool {
        self.believed(id).is_some()
    }

    fn believed(&self, id: FirmId) -> Option<Arc<Firm>> {
        let seen = self.lock();
        seen.get(&id)
            .filter(|seen| seen.read_at.elapsed() < BELIEVED)
            .map(|seen| Arc::clone(&seen.firm))
    }

    fn remember(&self, id: FirmId, firm: Arc<Firm>, read_at: Instant) {
        let mut seen = self.lock();
        if seen.len() >= FIRMS_MAX {
            seen.retain(|_, seen| seen.read_at.elapsed() < BELIEVED);
        }
        if seen.len() < FIRMS_MAX {
            seen.insert(id, Seen { firm, read_at });
        }
    }

    /// Forgets a firm that this process has just changed.
    pub(crate) fn forget(&self, id: FirmId) {
        self.lock().remove(&id);
    }

    /// What a token allows now; nothing tells a token that never was from one taken back, expired
    /// or wrong.
    pub(crate) async fn admit(&self, claim: &Claim, now: UtcMicros) -> Result<Grant, Failure> {
        let firm = self.get(claim.firm).await?;
        let kept = &firm.access.get(&claim.access).ok_or(Failure::Unauthenticated)?.granted;
        if !claim.agrees(&kept.token_hash) || is_over(&firm, kept.expires_on, now) {
            return Err(Failure::Unauthenticated);
        }
        Ok(Grant {
            firm: claim.firm,
            access: claim.access,
            label: kept.label.clone(),
            scopes: kept.scopes.clone(),
            bounds: kept.bounds.clone(),
            seen: Mutex::default(),
        })
    }

    /// Whether what was granted is still there, unchanged: asked by streams that outlive a request.
    pub(crate) async fn still_holds(&self, grant: &Grant, now: UtcMicros) -> Result<(), Failure> {
        let firm = self.get(grant.firm).await?;
        match firm.access.get(&grant.access).map(|access| &access.granted) {
            Some(kept) if kept.scopes == grant.scopes && !is_over(&firm, kept.expires_on, now) => {
                Ok(())
            }
            Some(_) | None => Err(Failure::Unauthenticated),
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, HashMap<FirmId, Seen>> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether a token's last day is over where the firm is.
fn is_over(firm: &Firm, expires_on: Option<calendar::CivilDate>, now: UtcMicros) -> bool {
    match (expires_on, firm.today(now)) {
        (Some(last), Some(today)) => today > last,
        (Some(_), None) => true,
        (None, _) => false,
    }
}
