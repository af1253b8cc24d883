//! What is asked for, and which streams of the log answer it.

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;
use domain::event::{Recorded, StreamId};
use domain::ids::{AccountId, CaseId};
use serde_json::{Value, json};

use crate::envelope::Envelope;

/// Most cases that one request may name.
pub const CASES_MAX: usize = 1_000;

/// What a bundle is asked to hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// The whole log.
    All,
    /// These cases.
    Cases(BTreeSet<CaseId>),
    /// Every case with an event, of its own or of its account, that happened in these days.
    Days {
        /// The first.
        from: CivilDate,
        /// The last.
        through: CivilDate,
    },
}

/// A request that cannot be served.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RequestError {
    /// No case is named, or too many.
    #[error("a request names 1 to {CASES_MAX} cases, not {0}")]
    Cases(usize),
    /// The last day comes before the first.
    #[error("the last day, {through}, comes before the first, {from}")]
    Days {
        /// The first.
        from: CivilDate,
        /// The last.
        through: CivilDate,
    },
    /// The log has no such case.
    #[error("the log has no case {0}")]
    CaseUnknown(CaseId),
}

impl Request {
    /// Holds the request against its limits.
    pub fn check(&self) -> Result<(), RequestError> {
        match self {
            Self::Cases(cases) if cases.is_empty() || cases.len() > CASES_MAX => {
                Err(RequestError::Cases(cases.len()))
            }
            Self::Days { from, through } if through < from => {
                Err(RequestError::Days { from: *from, through: *through })
            }
            Self::All | Self::Cases(_) | Self::Days { .. } => Ok(()),
        }
    }

    /// Whether it asks for days and this is one of them.
    pub(crate) fn has_day(&self, day: &str) -> bool {
        let Self::Days { from, through } = self else { return false };
        day.parse::<CivilDate>().is_ok_and(|day| (*from..=*through).contains(&day))
    }

    /// As the manifest states it.
    pub(crate) fn to_json(&self) -> Value {
        match self {
            Self::All => json!({"kind": "all"}),
            Self::Cases(cases) => {
                let cases: Vec<String> = cases.iter().map(ToString::to_string).collect();
                json!({"cases": cases, "kind": "cases"})
            }
            Self::Days { from, through } => {
                json!({"from": from.to_string(), "kind": "days", "through": through.to_string()})
            }
        }
    }

    /// What a manifest states.
    pub(crate) fn from_json(value: &Value) -> Option<Self> {
        let day = |member: &str| value.get(member)?.as_str()?.parse::<CivilDate>().ok();
        let request = match value.get("kind")?.as_str()? {
            "all" => Self::All,
            "cases" => {
                let cases = value.get("cases")?.as_array()?.iter();
                let cases = cases.map(|case| CaseId::parse(case.as_str()?).ok());
                Self::Cases(cases.collect::<Option<_>>()?)
            }
            "days" => Self::Days { from: day("from")?, through: day("through")? },
            _ => return None,
        };
        (request.check().is_ok() && request.to_json() == *value).then_some(request)
    }

    /// In words, one line.
    pub(crate) fn words(&self) -> String {
        match self {
            Self::All => "the whole log".into(),
            Self::Cases(cases) => format!("cases {}", crate::csv::list(cases)),
            Self::Days { from, through } => {
                format!("every case with an event that happened from {from} through {through}")
            }
        }
    }
}

/// Finds the streams of a request in a first pass over the log. [`Request::All`] needs none.
#[derive(Debug)]
pub struct Scout {
    request: Request,
    /// Cases that have an event, of those asked for.
    found: BTreeSet<CaseId>,
    /// Accounts that an account's payments were moved to.
    moved: BTreeMap<AccountId, BTreeSet<AccountId>>,
    /// How many events each stream has.
    counts: BTreeMap<StreamId, u64>,
}

impl Scout {
    /// Begins.
    pub fn new(request: Request) -> Self {
        Self { request, found: BTreeSet::new(), moved: BTreeMap::new(), counts: BTreeMap::new() }
    }

    /// Whether a first pass is needed at all.
    pub fn is_needed(&self) -> bool {
        self.request != Request::All
    }

    /// Looks at the next event of the log. What is not an event is left to the second pass.
    pub fn look(&mut self, bytes: &[u8]) {
        let text = std::str::from_utf8(bytes).unwrap_or("");
        let Some(envelope) = Envelope::read(text) else { return };
        let Some(stream) = envelope.stream_id() else { return };
        *self.counts.entry(stream).or_insert(0) += 1;
        let case = match stream {
            StreamId::Case(case) => case,
            StreamId::Account(account) => {
                if let Some(to) = moved_to(&envelope) {
                    self.moved.entry(account).or_default().insert(to);
                }
                account.owner()
            }
            // What came into the bank is many clients' at once: it is part of a whole log alone. That
            // somebody looked at a client is part of what is told of the client, and calls for nothing.
            StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => return,
        };
        let asked = match &self.request {
            Request::All => false,
            Request::Cases(cases) => cases.contains(&case),
            Request::Days { .. } => self.request.has_day(envelope.occurred_on),
        };
        if asked {
            self.found.insert(case);
        }
    }

    /// The streams to take.
    pub fn finish(self) -> Result<Scope, RequestError> {
        if let Request::Cases(cases) = &self.request
            && let Some(missing) = cases.difference(&self.found).next()
        {
            return Err(RequestError::CaseUnknown(*missing));
        }
        let streams = streams_of(&self.found, &self.moved);
        let counts = self.counts.into_iter().filter(|(stream, _)| streams.contains(stream));
        let counts = (self.request != Request::All).then(|| counts.collect());
        Ok(Scope { request: self.request, cases: self.found, counts })
    }
}

/// The firm's stream; for each case its own, its looks', its account's, and every account that its account's
/// payments were moved to: the fees of a couple's member stand on the other's invoices.
fn streams_of(
    cases: &BTreeSet<CaseId>,
    moved: &BTreeMap<AccountId, BTreeSet<AccountId>>,
) -> BTreeSet<StreamId> {
    let mut streams = BTreeSet::from([StreamId::Firm]);
    for case in cases {
        let own = case.own_account();
        streams.insert(StreamId::Case(*case));
        streams.insert(StreamId::Looks(*case));
        streams.insert(StreamId::Account(own));
        streams.extend(moved.get(&own).into_iter().flatten().copied().map(StreamId::Account));
    }
    streams
}

/// Where an account's payments are moved to, if this event moves them.
pub(crate) fn moved_to(envelope: &Envelope<'_>) -> Option<AccountId> {
    if envelope.event != "payment_moved" {
        return None;
    }
    let payload: Value = serde_json::from_str(envelope.payload).ok()?;
    AccountId::parse(payload.get("to")?.as_str()?).ok()
}

/// A request and the streams that answer it.
#[derive(Clone, Debug)]
pub struct Scope {
    pub(crate) request: Request,
    /// For a part of the log: the cases that it tells of.
    cases: BTreeSet<CaseId>,
    /// For a part of the log: its streams, and how many events each has.
    pub(crate) counts: Option<BTreeMap<StreamId, u64>>,
}

impl Scope {
    /// The whole log.
    pub const fn all() -> Self {
        Self { request: Request::All, cases: BTreeSet::new(), counts: None }
    }

    /// What was asked for.
    pub const fn request(&self) -> &Request {
        &self.request
    }

    /// Whether a stream is taken.
    pub(crate) fn takes(&self, stream: &StreamId) -> bool {
        self.counts.as_ref().is_none_or(|counts| counts.contains_key(stream))
    }

    /// Whether an event is taken: its stream is, and it tells of nobody else.
    pub fn takes_event(&self, recorded: &Recorded) -> bool {
        let payload = || serde_json::from_slice(&recorded.payload_to_bytes()).ok();
        self.takes(&recorded.stream)
            && !self.tells_of_others(recorded.stream, recorded.event.type_name(), payload)
    }

    /// Whether an event of a stream that is taken tells of somebody whom the bundle is not about: who looked at
    /// others, the card of a couple's other member, and with whom that one might be linked.
    pub(crate) fn tells_of_others(
        &self,
        stream: StreamId,
        event: &str,
        payload: impl FnOnce() -> Option<Value>,
    ) -> bool {
        if self.counts.is_none() {
            return false;
        }
        let is_other = |case: &Value| {
            case.as_str()
                .and_then(|case| CaseId::parse(case).ok())
                .is_none_or(|case| !self.cases.contains(&case))
        };
        let names_others =
            |payload: Option<Value>, at: &str| match payload.as_ref().and_then(|p| p.pointer(at)) {
                Some(Value::Array(cases)) => cases.iter().any(is_other),
                Some(case) => is_other(case),
                None => false,
            };
        match (stream, event) {
            (StreamId::Firm, "access_used") => names_others(payload(), "/cases"),
            (StreamId::Firm, "access_granted") => names_others(payload(), "/bounds/cases"),
            (StreamId::Account(account), "card_on_file_changed") => {
                !self.cases.contains(&account.owner())
            }
            (StreamId::Account(account), "link_suggested" | "link_refused") => {
                !self.cases.contains(&account.owner()) && names_others(payload(), "/member")
            }
            _ => false,
        }
    }
}

/// The streams that a bundle's own cases call for: what [`Scout`] would have chosen, seen from
/// what came of it.
pub(crate) fn expected_streams(
    cases: &BTreeSet<CaseId>,
    moved: &BTreeMap<AccountId, BTreeSet<AccountId>>,
    present: impl Fn(&StreamId) -> bool,
) -> BTreeSet<StreamId> {
    // An account that was never opened and a client nobody looked at have no events and no stream.
    streams_of(cases, moved).into_iter().filter(present).collect()
}
