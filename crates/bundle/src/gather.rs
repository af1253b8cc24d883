//! The first pass over a bundle's events: where each stands, and what all of it needs to know.

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;
use domain::event::StreamId;
use domain::ids::{AccountId, CaseId, FirmId};
use serde_json::Value;

use crate::envelope::Envelope;
use crate::index::Index;
use crate::openings::{self, Openings};
use crate::scope::{Request, moved_to};

/// Most events of a bundle.
pub const EVENTS_MAX: usize = 100_000_000;

/// What the first pass found.
pub(crate) struct Gather {
    firm: FirmId,
    pub(crate) index: Index,
    last_day: String,
    pub(crate) names: BTreeMap<CaseId, String>,
    pub(crate) cases: BTreeSet<CaseId>,
    pub(crate) moved: BTreeMap<AccountId, BTreeSet<AccountId>>,
    /// Openings that were met, and whether each opens its value.
    pub(crate) openings_met: usize,
    request: Request,
    /// For a request of days: the cases with an event in them.
    pub(crate) in_days: BTreeSet<CaseId>,
    invoices: u64,
}

impl Gather {
    pub(crate) fn new(firm: FirmId, request: Request) -> Self {
        Self {
            firm,
            index: Index::default(),
            last_day: String::new(),
            names: BTreeMap::new(),
            cases: BTreeSet::new(),
            moved: BTreeMap::new(),
            openings_met: 0,
            request,
            in_days: BTreeSet::new(),
            invoices: 0,
        }
    }

    /// Takes the next event, whose line begins at an offset. What comes back is wrong with it.
    pub(crate) fn take(
        &mut self,
        envelope: &Envelope<'_>,
        stream: StreamId,
        offset: u64,
        length: usize,
        openings: &Openings,
    ) -> Vec<String> {
        let mut wrong = Vec::new();
        let version = self.index.add(stream, offset, length);
        if version != envelope.stream_version {
            wrong.push(format!(
                "version {} of {stream} stands where version {version} belongs",
                envelope.stream_version
            ));
        }
        if self.last_day.as_str() < envelope.occurred_on {
            envelope.occurred_on.clone_into(&mut self.last_day);
        }
        match stream {
            StreamId::Case(case) => {
                self.cases.insert(case);
                self.note_day(case, envelope);
            }
            StreamId::Account(account) => {
                if let Some(to) = moved_to(envelope) {
                    self.moved.entry(account).or_default().insert(to);
                }
                self.note_day(account.owner(), envelope);
                if envelope.event == "invoice_issued" {
                    wrong.extend(self.next_invoice(envelope));
                }
            }
            StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => {}
        }
        if !openings.is_empty() {
            self.open(envelope, stream, openings, &mut wrong);
        }
        wrong
    }

    fn note_day(&mut self, case: CaseId, envelope: &Envelope<'_>) {
        if self.request.has_day(envelope.occurred_on) {
            self.in_days.insert(case);
        }
    }

    /// In a whole log the numbers of invoices have no gap.
    fn next_invoice(&mut self, envelope: &Envelope<'_>) -> Option<String> {
        self.invoices += 1;
        let payload: Option<Value> = serde_json::from_str(envelope.payload).ok();
        let number = payload.and_then(|payload| payload.get("number")?.as_u64());
        (self.request == Request::All && number != Some(self.invoices))
            .then(|| format!("another invoice than {} stands here", self.invoices))
    }

    fn open(
        &mut self,
        envelope: &Envelope<'_>,
        stream: StreamId,
        openings: &Openings,
        wrong: &mut Vec<String>,
    ) {
        let of_event = openings.of_event(envelope.position);
        let opened = openings::open_event(self.firm, envelope, of_event);
        for (ordinal, found) in opened {
            self.openings_met += 1;
            match found {
                Ok(value) if value.is_name() => {
                    if let StreamId::Case(case) = stream {
                        self.names.insert(case, value.text);
                    }
                }
                Ok(_) => {}
                Err(error) => wrong.push(format!("the opening of value {ordinal}: {error}")),
            }
        }
    }

    /// The last day that any event tells of; nothing without events or if it is no day.
    pub(crate) fn last_day(&self) -> Option<CivilDate> {
        self.last_day.parse().ok()
    }
}
