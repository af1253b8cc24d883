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
        let Authority::Token(grant) = authority else { return Ok(None) };
        let share = kind.share(&self.limits);
        let mut counts = self.lock();
        let token = (kind, Whose::Token(grant.access));
        let firm = (kind, Whose::Firm(grant.firm));
        let quota = |subject: String, most: usize| {
            let limit = format!("{most} {}", kind.words());
            tracing::warn!(subject, limit, "a quota is used up");
            Failure::Quota { subject, limit }
        };
        if of(&counts, token) >= share.per_token {
            return Err(quota(format!("token {}", grant.access), share.per_token));
        }
        if of(&counts, firm) >= share.per_firm {
            return Err(quota(name::firm(grant.firm), share.per_firm));
        }
        for whose in [token, firm] {
            *counts.entry(whose).or_default() += 1;
        }
        drop(counts);
        Ok(Some(Held { quotas: Arc::clone(self), counted: [token, firm] }))
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

fn of(counts: &Counts, key: (Kind, Whose)) -> usize {
    counts.get(&key).copied().unwrap_or(0)
}

/// Something that is going on and counts.
pub(crate) struct Held {
    quotas: Arc<Quotas>,
    counted: [(Kind, Whose); 2],
}

impl Drop for Held {
    fn drop(&mut self) {
        let mut counts = self.quotas.lock();
        for key in &self.counted {
            if let Some(count) = counts.get_mut(key) {
                *count -= 1;
                if *count == 0 {
                    counts.remove(key);
                }
            }
        }
    }
}
