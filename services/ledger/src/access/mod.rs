//! Who calls, and what they may do.

mod cache;
mod lasting;
mod logins;
pub mod table;
mod token;

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};

use domain::actor::ServiceActor;
use domain::event::{AccessBounds, Author, Scope};
use domain::ids::{AccessId, CaseId, FirmId, RequestId};
use domain::value::Text;

pub(crate) use cache::Firms;
pub(crate) use lasting::{lasting, token_over};
pub(crate) use logins::{Caller, LoginRefused, Logins};
pub(crate) use token::{Claim, new_token};

use api::name;
use api::status::Failure;

/// What a token in force allows.
#[derive(Debug)]
pub(crate) struct Grant {
    /// The one firm it belongs to.
    pub(crate) firm: FirmId,
    /// Its public id.
    pub(crate) access: AccessId,
    /// Whom it was given to: the actor of everything recorded with it. Where another might be taken for it, its
    /// id is in it.
    pub(crate) actor: Text,
    /// What it may do.
    pub(crate) scopes: BTreeSet<Scope>,
    /// What an examiner's token is bound to.
    pub(crate) bounds: Option<AccessBounds>,
    /// Where it came from.
    pub(crate) peer: Option<SocketAddr>,
    /// Where it is told that it asked for another firm.
    logins: Arc<Logins>,
    /// The cases that the request turned out to be about.
    seen: Mutex<BTreeSet<CaseId>>,
}

impl Grant {
    /// Whether everything looked at with it is recorded.
    pub(crate) fn is_examiner(&self) -> bool {
        self.scopes.contains(&Scope::Examine)
    }

    /// The cases that the request was about.
    pub(crate) fn seen(&self) -> BTreeSet<CaseId> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn see(&self, case: CaseId) {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).insert(case);
    }
}

/// Who calls. It is made by the front, never from anything a caller sends beside a token.
#[derive(Clone, Debug)]
pub(crate) enum Authority {
    /// The process itself: every scope, any firm. A connection gets it only if it was made inside
    /// the process.
    Local,
    /// The service itself, at an hour it was told: as [`Authority::Local`], under another name.
    Schedule,
    /// The bearer of a token.
    Token(Arc<Grant>),
}

impl Authority {
    /// The authority that the front put on a request.
    pub(crate) fn of<T>(request: &tonic::Request<T>) -> Result<Self, Failure> {
        request.extensions().get::<Self>().cloned().ok_or(Failure::Unauthenticated)
    }

    /// Whether a scope of a list is there.
    pub(crate) fn has_any(&self, scopes: &[Scope]) -> bool {
        match self {
            Self::Local | Self::Schedule => true,
            Self::Token(grant) => scopes.iter().any(|scope| grant.scopes.contains(scope)),
        }
    }

    /// Whether personal values may be shown.
    pub(crate) fn may_see_clients(&self) -> bool {
        self.has_any(&[Scope::Read, Scope::Record])
    }

    /// Whether the card on file may be shown.
    pub(crate) fn may_see_cards(&self) -> bool {
        self.has_any(&[Scope::Read, Scope::Record, Scope::Bill])
    }

    /// Refuses another firm's resource, whether or not it exists, before anything else of the
    /// request is looked at. A name that names no firm is left to the checks of the request.
    ///
    /// [`Ledger::check_name`](crate::ledger::Ledger::check_name) asks this first, and is what handlers ask.
    pub(crate) fn check_name(&self, name: &str) -> Result<(), Failure> {
        if let Some(firm) = firm_of(name) {
            self.check_firm(firm)?;
        }
        let account = || Some(name::parse_account(name)?.1.owner());
        match name::parse_case(name).map(|(_, case)| case).or_else(account) {
            Some(case) => self.check_case(case),
            None => Ok(()),
        }
    }

    /// Refuses a case that an examiner's token is not bound to.
    pub(crate) fn check_case(&self, case: CaseId) -> Result<(), Failure> {
        let Self::Token(grant) = self else { return Ok(()) };
        let open = |bounds: &AccessBounds| bounds.cases.is_empty() || bounds.cases.contains(&case);
        if grant.bounds.as_ref().is_some_and(|bounds| !open(bounds)) {
            tracing::warn!(access = %grant.access, "denied: a case outside the token's bounds");
            return Err(Failure::OutOfBounds { rule: table::BY_CASES });
        }
        grant.see(case);
        Ok(())
    }

    /// What an examiner's token is bound to.
    pub(crate) fn bounds(&self) -> Option<&AccessBounds> {
        match self {
            Self::Local | Self::Schedule => None,
            Self::Token(grant) => grant.bounds.as_ref(),
        }
    }

    /// Refuses another firm.
    pub(crate) fn check_firm(&self, firm: FirmId) -> Result<(), Failure> {
        tracing::Span::current().record("firm", tracing::field::display(firm));
        match self {
            Self::Local | Self::Schedule => Ok(()),
            Self::Token(grant) if grant.firm == firm => Ok(()),
            Self::Token(grant) => {
                let Grant { firm, access, peer, .. } = **grant;
                let caller = Caller { peer, firm: Some(firm), access: Some(access) };
                grant.logins.refused(LoginRefused::OtherFirm, caller);
                Err(Failure::PermissionDenied { scope: None })
            }
        }
    }

    /// Who records.
    pub(crate) fn author(&self) -> Author {
        match self {
            Self::Local => ServiceActor::LocalOperator.author(),
            Self::Schedule => ServiceActor::DailySchedule.author(),
            Self::Token(grant) => Author { access: Some(grant.access), actor: grant.actor.clone() },
        }
    }
}

/// The firm that a resource name begins with.
pub(crate) fn firm_of(name: &str) -> Option<FirmId> {
    let rest = name.strip_prefix("firms/")?;
    FirmId::parse(rest.split_once('/').map_or(rest, |(firm, _)| firm)).ok()
}

/// The id that a request of the service's own had before ids were keyed ([`log::OwnRequests`]): what was
/// recorded under one is still found, and nothing is recorded under one any more.
pub(crate) fn unkeyed_request(kind: &str, parts: &[&[u8]]) -> RequestId {
    let digest = fingerprint(kind, parts);
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    RequestId(uuid::Builder::from_custom_bytes(bytes).into_uuid())
}

/// The fingerprint of such a request.
pub(crate) fn fingerprint(kind: &str, parts: &[&[u8]]) -> [u8; 32] {
    use sha2::{Digest, Sha256};
    let mut hash = Sha256::new();
    for part in std::iter::once(kind.as_bytes()).chain(parts.iter().copied()) {
        // Each part with its length, so that no two lists of parts read alike.
        hash.update(u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
        hash.update(part);
    }
    hash.finalize().into()
}
