//! Firms as they were read a moment ago: whose tokens are in force, and what day it is there.

use std::collections::{BTreeSet, HashMap};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::ledger::one_firm;
use domain::event::{AccessGranted, StreamId, UtcMicros};
use domain::firm::Firm;
use domain::ids::{AccessId, FirmId};
use domain::value::{TEXT_LENGTH_MAX, Text};
use log::Engine;
use tokio::sync::OwnedMutexGuard;
use tokio::time::Instant;

use super::{Claim, Grant, LoginRefused, Logins};
use api::status::Failure;

/// How long a firm is believed unread, and as long once more while it is read. Another process may have
/// taken a token back meanwhile.
const BELIEVED: Duration = Duration::from_secs(1);
/// Lookups at once, of firms that are not believed.
const TURNS: usize = 64;
/// Most firms remembered at once.
const FIRMS_MAX: usize = 1_024;

/// A firm, and what follows from it for every login.
struct Known {
    firm: Arc<Firm>,
    /// Tokens whose label alone does not tell who they are.
    mistakable: BTreeSet<AccessId>,
}

struct Seen {
    known: Arc<Known>,
    read_at: Instant,
}

/// The firms. Cheap to ask, and never older than twice [`BELIEVED`].
pub(crate) struct Firms {
    read: Arc<Read>,
    logins: Arc<Logins>,
}

/// What was read of them.
struct Read {
    engine: Engine,
    seen: Mutex<HashMap<FirmId, Seen>>,
    /// How often one was forgotten: what was read before that is not remembered after it.
    forgotten: AtomicU64,
    /// Firms are looked up one at a time in each of these.
    turns: [Arc<tokio::sync::Mutex<()>>; TURNS],
}

impl Firms {
    pub(crate) fn new(engine: Engine, logins: Arc<Logins>) -> Self {
        let turns = std::array::from_fn(|_| Arc::default());
        Self {
            read: Arc::new(Read {
                engine,
                seen: Mutex::default(),
                forgotten: AtomicU64::new(0),
                turns,
            }),
            logins,
        }
    }

    /// A firm, registered or not.
    pub(crate) async fn get(&self, id: FirmId) -> Result<Arc<Firm>, Failure> {
        Ok(Arc::clone(&self.known(id).await?.firm))
    }

    async fn known(&self, id: FirmId) -> Result<Arc<Known>, Failure> {
        if let Some(known) = self.read.within(id, BELIEVED) {
            return Ok(known);
        }
        // Of many who ask at once, as with a token that nobody was given, one looks. Nobody waits for
        // that whose firm was read a moment before, and it goes on whether or not who began it stays:
        // callers who come and go would otherwise begin it anew for ever.
        let [.., last] = *id.0.as_bytes();
        let turn = Arc::clone(&self.read.turns[usize::from(last) % TURNS]);
        let read = Arc::clone(&self.read);
        let reading = match Arc::clone(&turn).try_lock_owned() {
            Ok(turn) => Some(tokio::spawn(read.again(id, turn))),
            Err(_) => None,
        };
        if let Some(known) = self.read.within(id, 2 * BELIEVED) {
            return Ok(known);
        }
        let reading = match reading {
            Some(reading) => reading,
            None => tokio::spawn(Arc::clone(&self.read).again(id, turn.lock_owned().await)),
        };
        reading.await.map_err(Failure::internal)?
    }

    /// Whether a firm was read as registered a moment ago.
    pub(crate) fn knows(&self, id: FirmId) -> bool {
        self.read.within(id, BELIEVED).is_some()
    }

    /// Whether a firm was read as registered at any time.
    pub(crate) fn has_seen(&self, id: FirmId) -> bool {
        self.read.lock().contains_key(&id)
    }

    /// Forgets a firm that this process has just changed.
    pub(crate) fn forget(&self, id: FirmId) {
        let mut seen = self.read.lock();
        self.read.forgotten.fetch_add(1, Ordering::Relaxed);
        seen.remove(&id);
    }

    /// What a token allows now, or why it is refused. The reason is for the operator: to callers a token that
    /// never was is like one taken back, expired or wrong.
    pub(crate) async fn admit(
        &self,
        claim: &Claim,
        peer: Option<SocketAddr>,
        now: UtcMicros,
    ) -> Result<Result<Grant, LoginRefused>, Failure> {
        let known = self.known(claim.firm).await?;
        let firm = &known.firm;
        let Some(kept) = firm.access.get(&claim.access).map(|access| &access.granted) else {
            let was_one = firm.revoked.contains(&claim.access);
            let reason = if was_one { LoginRefused::Revoked } else { LoginRefused::UnknownToken };
            return Ok(Err(reason));
        };
        if !claim.agrees(&kept.token_hash) {
            return Ok(Err(LoginRefused::WrongSecret));
        }
        if is_over(firm, kept.expires_on, now) {
            return Ok(Err(LoginRefused::Expired));
        }
        let mistakable = known.mistakable.contains(&claim.access);
        Ok(Ok(Grant {
            firm: claim.firm,
            access: claim.access,
            actor: if mistakable { with_id(kept) } else { kept.label.clone() },
            scopes: kept.scopes.clone(),
            bounds: kept.bounds.clone(),
            peer,
            logins: Arc::clone(&self.logins),
            seen: Mutex::default(),
        }))
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
}

impl Read {
    /// Reads a firm whose turn it is, if nobody has meanwhile.
    async fn again(
        self: Arc<Self>,
        id: FirmId,
        _turn: OwnedMutexGuard<()>,
    ) -> Result<Arc<Known>, Failure> {
        if let Some(known) = self.within(id, BELIEVED) {
            return Ok(known);
        }
        let (read_at, forgotten) = (Instant::now(), self.forgotten.load(Ordering::Relaxed));
        let (_, states) = self.engine.states(id, &[StreamId::Firm]).await?;
        let firm = one_firm(states)?;
        let known = Arc::new(Known { mistakable: firm.mistakable(), firm });
        // Ids that nobody registered are not remembered: a caller may make up any number of them.
        if known.firm.registered.is_some() {
            self.remember(id, Arc::clone(&known), read_at, forgotten);
        }
        Ok(known)
    }

    fn within(&self, id: FirmId, time: Duration) -> Option<Arc<Known>> {
        let seen = self.lock();
        seen.get(&id)
            .filter(|seen| seen.read_at.elapsed() < time)
            .map(|seen| Arc::clone(&seen.known))
    }

    fn remember(&self, id: FirmId, known: Arc<Known>, read_at: Instant, forgotten: u64) {
        let mut seen = self.lock();
        if self.forgotten.load(Ordering::Relaxed) != forgotten {
            return;
        }
        if seen.len() >= FIRMS_MAX {
            seen.retain(|_, seen| seen.read_at.elapsed() < BELIEVED);
        }
        if seen.len() < FIRMS_MAX {
            seen.insert(id, Seen { known, read_at });
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, HashMap<FirmId, Seen>> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The label with the id behind it, so that whoever reads the name alone takes nobody for somebody else.
fn with_id(kept: &AccessGranted) -> Text {
    let id = format!(" (token {})", kept.access);
    let room = TEXT_LENGTH_MAX - id.len();
    let label = kept.label.as_str();
    let end = (0..=room.min(label.len())).rfind(|end| label.is_char_boundary(*end));
    let named = format!("{}{id}", &label[..end.unwrap_or(0)]);
    Text::parse(&named).unwrap_or_else(|_| kept.label.clone())
}

/// Whether a token's last day is over where the firm is.
fn is_over(firm: &Firm, expires_on: Option<calendar::CivilDate>, now: UtcMicros) -> bool {
    match (expires_on, firm.today(now)) {
        (Some(last), Some(today)) => today > last,
        (Some(_), None) => true,
        (None, _) => false,
    }
}
