//! What one token and one firm may have going on at once, so that no firm keeps another from its turn.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use api::name;
use api::status::Failure;
use domain::ids::{AccessId, FirmId};

use crate::access::Authority;
use crate::config::{QuotaLimits, Share};

/// What is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Kind {
    /// Any request that has not been answered.
    Request,
    /// Bytes of the messages of such requests.
    Bytes,
    /// What needs no token, on a connection on which one was accepted.
    Open,
    /// `Follow`.
    Follow,
    /// `RecordStream`.
    RecordStream,
    /// Bundles that are made or sent.
    Export,
    /// Documents that are taken in or given out.
    Document,
    /// Whatever reads a firm's whole log to see whether it is right.
    Verification,
    /// Read models that are made anew.
    Rebuild,
}

impl Kind {
    /// The kind that an RPC is of beside being a request.
    pub(crate) fn of(path: &str) -> Option<Self> {
        match path {
            "/counterfoil.v1.CaseLedger/Follow" => Some(Self::Follow),
            "/counterfoil.v1.CaseLedger/RecordStream" => Some(Self::RecordStream),
            "/counterfoil.v1.Audit/ExportBundle" => Some(Self::Export),
            "/counterfoil.v1.Evidence/Upload" | "/counterfoil.v1.Evidence/Download" => {
                Some(Self::Document)
            }
            "/counterfoil.v1.Administration/VerifyLog"
            | "/counterfoil.v1.Administration/CheckDerived"
            | "/counterfoil.v1.Evidence/CheckEvidence" => Some(Self::Verification),
            "/counterfoil.v1.Administration/RebuildReadModels" => Some(Self::Rebuild),
            _ => None,
        }
    }

    fn share(self, limits: &QuotaLimits) -> Share {
        match self {
            Self::Request => limits.requests,
            Self::Bytes => limits.request_bytes,
            Self::Open => limits.open_calls,
            Self::Follow => limits.follow_streams,
            Self::RecordStream => limits.record_streams,
            Self::Export => limits.exports,
            Self::Document => limits.documents,
            Self::Verification => limits.verifications,
            Self::Rebuild => limits.rebuilds,
        }
    }

    /// What a caller reads who has too many.
    fn words(self) -> &'static str {
        match self {
            Self::Request => "requests at once",
            Self::Bytes => "bytes of requests at once",
            Self::Open => "health checks and reflections at once",
            Self::Follow => "open Follow streams",
            Self::RecordStream => "open RecordStream streams",
            Self::Export => "exports at once",
            Self::Document => "uploads and downloads at once",
            Self::Verification => "verifications at once",
            Self::Rebuild => "rebuilds at once",
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Hash)]
enum Whose {
    Firm(FirmId),
    Token(AccessId),
}

type Counts = HashMap<(Kind, Whose), usize>;

/// What is going on, by whom.
pub(crate) struct Quotas {
    limits: QuotaLimits,
    /// Whoever has nothing going on is not in it, so that it is as small as its use.
    counts: Mutex<Counts>,
}

impl Quotas {
    pub(crate) fn new(limits: QuotaLimits) -> Arc<Self> {
        Arc::new(Self { limits, counts: Mutex::default() })
    }

    /// Counts one more. The process itself has no quota.
    pub(crate) fn hold(
        self: &Arc<Self>,
        kind: Kind,
        authority: &Authority,
    ) -> Result<Option<Held>, Failure> {
        let Some(mut held) = self.nothing(kind, authority) else { return Ok(None) };
        held.resize(1)?;
        Ok(Some(held))
    }

    /// Counts nothing yet.
    pub(crate) fn nothing(self: &Arc<Self>, kind: Kind, authority: &Authority) -> Option<Held> {
        let Authority::Token(grant) = authority else { return None };
        let (token, firm) = (grant.access, grant.firm);
        Some(Held { quotas: Arc::clone(self), kind, token, firm, amount: 0 })
    }

    /// How many of a kind tokens have going on.
    pub(crate) fn held(&self, kind: Kind) -> u64 {
        let counts = self.lock();
        let of_tokens =
            |(of, whose): &(Kind, Whose)| *of == kind && matches!(whose, Whose::Token(_));
        let held = counts.iter().filter(|(key, _)| of_tokens(key)).map(|(_, count)| *count);
        u64::try_from(held.sum::<usize>()).unwrap_or(u64::MAX)
    }

    fn lock(&self) -> MutexGuard<'_, Counts> {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a request counts as, for work that goes on when its caller has left.
pub(crate) fn of<T>(request: &tonic::Request<T>) -> Option<Arc<Held>> {
    request.extensions().get().cloned()
}

fn counted(counts: &Counts, key: (Kind, Whose)) -> usize {
    counts.get(&key).copied().unwrap_or(0)
}

/// Something that is going on and counts.
pub(crate) struct Held {
    quotas: Arc<Quotas>,
    kind: Kind,
    token: AccessId,
    firm: FirmId,
    amount: usize,
}

impl Held {
    /// How much it counts.
    pub(crate) fn amount(&self) -> usize {
        self.amount
    }

    /// Counts so much instead; what is too much changes nothing.
    pub(crate) fn resize(&mut self, amount: usize) -> Result<(), Failure> {
        let Self { kind, token, firm, .. } = *self;
        let share = kind.share(&self.quotas.limits);
        let mut counts = self.quotas.lock();
        let others = |whose| counted(&counts, (kind, whose)).saturating_sub(self.amount);
        let (of_token, of_firm) = (others(Whose::Token(token)), others(Whose::Firm(firm)));
        let room = |others: usize, most: usize| amount <= most.saturating_sub(others);
        if amount > self.amount {
            let quota = |subject: String, most: usize| {
                let limit = format!("{most} {}", kind.words());
                tracing::warn!(subject, limit, "a quota is used up");
                Err(Failure::Quota { subject, limit })
            };
            if !room(of_token, share.per_token) {
                return quota(format!("token {token}"), share.per_token);
            }
            if !room(of_firm, share.per_firm) {
                return quota(name::firm(firm), share.per_firm);
            }
        }
        for (whose, others) in [(Whose::Token(token), of_token), (Whose::Firm(firm), of_firm)] {
            match others.saturating_add(amount) {
                0 => counts.remove(&(kind, whose)),
                count => counts.insert((kind, whose), count),
            };
        }
        self.amount = amount;
        Ok(())
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        // Less is never too much.
        let _ = self.resize(0);
    }
}
