//! The first pass over a bundle's events: where each stands, and what all of it needs to know.

use std::collections::{BTreeMap, BTreeSet};

use calendar::{CivilDate, Datelike as _};
use domain::event::StreamId;
use domain::ids::{AccountId, CaseId, FirmId};
use serde_json::Value;

use crate::envelope::Envelope;
use crate::index::{EPOCH_DAY, Index, MICROS_PER_DAY, YEARS, ZONE_DAYS};
use crate::openings::{self, Openings};
use crate::scope::{Request, moved_to};

/// Most events of a bundle.
pub const EVENTS_MAX: usize = 100_000_000;

/// Whether streams may have gaps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Gaps {
    /// None has any: a whole log, and the first version of the format.
    None,
    /// Those that the firm states: what tells of somebody else is left out of a part.
    Stated,
}

/// What the first pass found.
pub(crate) struct Gather {
    firm: FirmId,
    pub(crate) index: Index,
    has_gaps: bool,
    /// Versions that are missing before the last event of a stream.
    pub(crate) gaps: BTreeMap<StreamId, u64>,
    last_day: Option<CivilDate>,
    /// The same as it was written: most events are of a day that was met before.
    last_text: String,
    pub(crate) names: BTreeMap<CaseId, String>,
    pub(crate) cases: BTreeSet<CaseId>,
    pub(crate) moved: BTreeMap<AccountId, BTreeSet<AccountId>>,
    /// Openings that were met, and whether each opens its value.
    pub(crate) openings_met: usize,
    request: Request,
    /// For a request of days: the cases with an event in them.
    pub(crate) in_days: BTreeSet<CaseId>,
    last_invoice: u64,
}

impl Gather {
    pub(crate) fn new(firm: FirmId, request: Request, gaps: Gaps) -> Self {
        let has_gaps = gaps == Gaps::Stated && request != Request::All;
        Self {
            firm,
            has_gaps,
            gaps: BTreeMap::new(),
            index: Index::default(),
            last_day: None,
            last_text: String::new(),
            names: BTreeMap::new(),
            cases: BTreeSet::new(),
            moved: BTreeMap::new(),
            openings_met: 0,
            request,
            in_days: BTreeSet::new(),
            last_invoice: 0,
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
        let gap = self.gaps.get(&stream).copied().unwrap_or(0);
        let version = self.index.add(stream, offset, length) + gap;
        let missing = envelope.stream_version.saturating_sub(version);
        if missing > 0 && self.may_have_gaps(stream) {
            self.gaps.insert(stream, gap + missing);
        } else if version != envelope.stream_version {
            wrong.push(format!(
                "version {} of {stream} stands where version {version} belongs",
                envelope.stream_version
            ));
        }
        self.note_last(envelope);
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

    /// Only what tells of others is left out: of the firm's stream, and of other clients' accounts.
    fn may_have_gaps(&self, stream: StreamId) -> bool {
        self.has_gaps
            && match stream {
                StreamId::Firm | StreamId::Account(_) => true,
                StreamId::Case(_) | StreamId::Deposit(_) | StreamId::Looks(_) => false,
            }
    }

    /// Only what is a day counts, and none after that of its recording, wherever that was: both are found where
    /// the event is decoded.
    fn note_last(&mut self, envelope: &Envelope<'_>) {
        let text = envelope.occurred_on;
        let told_by = envelope.recorded_at.div_euclid(MICROS_PER_DAY) + EPOCH_DAY + ZONE_DAYS;
        let is_over = |day: &CivilDate| i64::from(day.num_days_from_ce()) <= told_by;
        let is_later = |day: &CivilDate| self.last_day.is_none_or(|last| last < *day);
        let is_day = |day: &CivilDate| day.to_string() == text && YEARS.contains(&day.year());
        if text != self.last_text
            && let Some(day) = text.parse().ok().filter(is_later).filter(is_day).filter(is_over)
        {
            self.last_day = Some(day);
            text.clone_into(&mut self.last_text);
        }
    }

    fn note_day(&mut self, case: CaseId, envelope: &Envelope<'_>) {
        if self.request.has_day(envelope.occurred_on) {
            self.in_days.insert(case);
        }
    }

    /// Numbers of invoices rise; in a whole log they have no gap.
    fn next_invoice(&mut self, envelope: &Envelope<'_>) -> Option<String> {
        let payload: Option<Value> = serde_json::from_str(envelope.payload).ok();
        let number = payload.and_then(|payload| payload.get("number")?.as_u64());
        let before = self.last_invoice;
        self.last_invoice = number.unwrap_or(before).max(before);
        let is_next = match self.request {
            Request::All => number == before.checked_add(1),
            Request::Cases(_) | Request::Days { .. } => {
                number.is_some_and(|number| number > before)
            }
        };
        (!is_next).then(|| format!("another invoice than the next after {before} stands here"))
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

    /// The last day that any event tells of; nothing if none does.
    pub(crate) const fn last_day(&self) -> Option<CivilDate> {
        self.last_day
    }
}
