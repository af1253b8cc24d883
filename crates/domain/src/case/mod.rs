//! A case folded: everything that decisions, gates and read models need to know of one client.

mod decide;
mod evolve;
mod fact;
mod listing;
mod readiness;
mod retention;
mod round;
mod standing;
mod work;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::{CivilDate, PeriodSchedule, Zone};

pub(crate) use decide::{Facts, decide};
pub use decide::{LETTER_ITEMS_MAX, LETTERS_MAX, REPORT_ITEMS_MAX};
pub use listing::{Listing, ListingStatus};
pub use readiness::{Readiness, Step, StepDone};
pub use retention::Retained;
pub use round::{Asked, LetterState, Round, RunningClock};
pub use work::{Assigned, assign};

use crate::codec::{codes, record};
use crate::event::{
    Contact, EndedBy, EventRef, ExposureFound, PaperKind, Recorded, Score, WorkEvidence,
};
use crate::gates::Gate;
use crate::ids::{AccountId, BureauCode, ItemCode, PaperCode, PlanCode, StateCode};
use crate::money::Money;
use crate::rules::Rules;
use crate::terms::{Sale, Seat, Terms, Work};
use crate::value::Text;

record! {
    /// An event that happened: when, where it stands, and whether it was told late.
    pub struct Mark {
        /// Where it stands.
        at: EventRef,
        /// Whether it was recorded long after it happened.
        late: bool,
        /// The day it happened.
        on: CivilDate,
    }
}

impl Mark {
    /// The mark of an event.
    pub(crate) fn of(recorded: &Recorded) -> Self {
        Self {
            at: recorded.reference(),
            late: recorded.late_days.is_some(),
            on: recorded.occurred_on,
        }
    }
}

record! {
    /// An enrolment.
    pub struct Enrolment {
        /// The event.
        mark: Mark,
        /// The plan.
        plan: PlanCode,
        /// Its version.
        plan_version: u32,
        /// How the sale was made.
        sale: Sale,
        /// Alone or one of a couple.
        seat: Seat,
        /// Where midnight is the client's.
        zone: Zone,
    }
}

record! {
    /// A contact and since when.
    pub struct ContactSince {
        /// The contact.
        contact: Contact,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// An agreement. Later ones renew it; each governs the periods that begin under it.
    pub struct Agreement {
        /// Last day to cancel without penalty.
        cancel_through: CivilDate,
        /// The cancellation, if there was one in time.
        cancelled: Option<Mark>,
        /// The event.
        mark: Mark,
        /// The rules of the day.
        rules: Rules,
        /// First day of service.
        service_from: CivilDate,
        /// The client's state that day.
        state: StateCode,
        /// Prices and work.
        terms: Terms,
        /// The total of all payments it states.
        total_of_payments: Money,
    }
}

codes! {
    /// What became of an identity paper.
    pub enum PaperStatus {
        /// Waits for somebody to look.
        Received = "received",
        /// Will do.
        Accepted = "accepted",
        /// Will not do; asked for again.
        Rejected = "rejected",
    }
}

record! {
    /// An identity paper.
    pub struct Paper {
        /// What it proves.
        kind: PaperKind,
        /// The latest event about it.
        mark: Mark,
        /// The day it came in.
        received_on: CivilDate,
        /// What became of it.
        status: PaperStatus,
    }
}

record! {
    /// A bureau's report as imported.
    pub struct ReportSeen {
        /// Sum of card balances.
        card_balance: Option<Money>,
        /// Sum of card limits.
        card_limit: Option<Money>,
        /// Whether it is the free annual report.
        free_annual: bool,
        /// Hard inquiries.
        inquiries: u16,
        /// The day the bureau issued it.
        issued_on: CivilDate,
        /// The event.
        mark: Mark,
        /// The score.
        score: Option<Score>,
    }
}

record! {
    /// The first and the latest report of a bureau: scores then and now.
    pub struct Reports {
        /// The first.
        first: ReportSeen,
        /// The latest.
        latest: ReportSeen,
    }
}

record! {
    /// A piece of work done.
    pub struct WorkDone {
        /// The event.
        mark: Mark,
        /// What.
        work: Work,
    }
}

record! {
    /// The end of the service.
    pub struct Ended {
        /// By whom.
        by: EndedBy,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// A fee earned.
    pub struct EarnedFee {
        /// The account that pays.
        account: AccountId,
        /// How much.
        amount: Money,
        /// What evidences it.
        evidence: Vec<WorkEvidence>,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// An exposure and the event that found it.
    pub struct ExposureSeen {
        /// What.
        found: ExposureFound,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// A case. What is large and seldom changes is shared between copies of it: a projector keeps a
    /// state as it was beside what it becomes. Large values stand apart from their maps, whose nodes
    /// have room for eleven.
    #[derive(Default)]
    pub struct Case {
        /// Agreements, oldest first.
        agreements: Arc<Vec<Agreement>>,
        /// What bureaus were asked, with clocks of their own.
        asked: Vec<Asked>,
        /// Periods given up without a fee.
        closed: BTreeMap<u32, Mark>,
        /// Complaints that nobody has answered yet, in the order recorded.
        complaints: Vec<Mark>,
        /// Contacts, oldest first.
        contacts: Arc<Vec<ContactSince>>,
        /// The federal disclosure signed for.
        disclosure_acknowledged: Option<Mark>,
        /// The federal disclosure given.
        disclosure_delivered: Option<Mark>,
        /// Fees earned, by period.
        earned: BTreeMap<u32, Box<EarnedFee>>,
        /// The end of the service.
        ended: Option<Ended>,
        /// The enrolment.
        enrolment: Option<Enrolment>,
        /// The erasure of the client's personal values.
        erased: Option<Mark>,
        /// Exposures.
        exposures: Vec<ExposureSeen>,
        /// The gates last noted as holding a period's fee.
        held: BTreeMap<u32, BTreeSet<Gate>>,
        /// Legal holds that stand, by matter.
        holds: BTreeMap<Text, Mark>,
        /// Failed identity questions that nobody has solved yet.
        identity_failed: Option<Mark>,
        /// Listings, by item and bureau.
        listings: Arc<BTreeMap<(ItemCode, BureauCode), Arc<Listing>>>,
        /// Work opened.
        opened: Option<Mark>,
        /// Identity papers.
        papers: Arc<BTreeMap<PaperCode, Paper>>,
        /// A pause in force.
        paused: Option<Mark>,
        /// Reports, by bureau.
        reports: Arc<BTreeMap<BureauCode, Box<Reports>>>,
        /// Rounds, oldest first.
        rounds: Arc<Vec<Round>>,
        /// Periods.
        schedule: Option<PeriodSchedule>,
        /// Service performed, in the order recorded: what G3 looks at.
        service: Arc<Vec<Mark>>,
        /// The report source connected.
        source_connected: Option<Mark>,
        /// Events folded.
        version: u64,
        /// Promised kinds of work done, in the order recorded.
        work: Vec<WorkDone>,
    }
}

codes! {
    /// Where a case stands.
    pub enum CaseStatus {
        /// Nobody enrolled.
        Unknown = "unknown",
        /// Enrolled, nothing signed.
        Enrolled = "enrolled",
        /// The agreement is signed; papers, waiting days or reports are still missing.
        Signed = "signed",
        /// Work is open.
        Open = "open",
        /// Paused.
        Paused = "paused",
        /// Ended.
        Ended = "ended",
        /// Cancelled in the cancellation days.
        Cancelled = "cancelled",
    }
}

impl Case {
    /// Where the case stands.
    pub fn status(&self) -> CaseStatus {
        if self.enrolment.is_none() {
            CaseStatus::Unknown
        } else if self.agreements.last().is_some_and(|a| a.cancelled.is_some()) {
            CaseStatus::Cancelled
        } else if self.ended.is_some() {
            CaseStatus::Ended
        } else if self.paused.is_some() {
            CaseStatus::Paused
        } else if self.opened.is_some() {
            CaseStatus::Open
        } else if self.agreements.is_empty() {
            CaseStatus::Enrolled
        } else {
            CaseStatus::Signed
        }
    }

    /// The contact current on a day; the first one for days before it.
    pub fn contact_on(&self, on: CivilDate) -> Option<&ContactSince> {
        self.contacts
            .iter()
            .filter(|c| c.mark.on <= on)
            .max_by_key(|c| c.mark.on)
            .or(self.contacts.first())
    }

    /// The current contact.
    pub fn contact(&self) -> Option<&ContactSince> {
        self.contacts.iter().max_by_key(|c| c.mark.on)
    }

    /// The newest agreement that was not cancelled in its days.
    pub fn agreement(&self) -> Option<&Agreement> {
        self.agreements.iter().rev().find(|a| a.cancelled.is_none())
    }

    /// The agreement that governs a period beginning on a day: the newest whose service days had
    /// begun by then, else the first there is.
    pub fn agreement_for(&self, period_start: CivilDate) -> Option<&Agreement> {
        let standing = || self.agreements.iter().filter(|a| a.cancelled.is_none());
        standing().rfind(|a| a.service_from <= period_start).or_else(|| standing().next())
    }

    /// Whether service on a day would come before every agreement's days are over.
    pub fn is_early(&self, on: CivilDate) -> bool {
        !self.agreements.iter().any(|a| a.cancelled.is_none() && a.service_from <= on)
    }

    /// Whether an accepted paper of a kind is there.
    pub fn has_paper(&self, kind: PaperKind) -> bool {
        self.papers.values().any(|p| p.kind == kind && p.status == PaperStatus::Accepted)
    }

    /// Fees earned so far.
    pub fn earned_minor(&self) -> i64 {
        self.earned.values().map(|fee| fee.amount.minor()).sum()
    }

    /// Whether a period's fee can still be claimed or given up.
    pub fn is_period_open(&self, period: u32) -> bool {
        !self.earned.contains_key(&period) && !self.closed.contains_key(&period)
    }

    /// The periods that are over by a day and neither claimed nor given up, in order. None begins
    /// after the service ended, and there is none once every agreement was cancelled in its days.
    pub fn open_periods(&self, as_of: CivilDate) -> impl Iterator<Item = u32> {
        let undone = !self.agreements.is_empty() && self.agreement().is_none();
        let ended = if undone { None } else { self.schedule.as_ref().map(|s| s.ended_by(as_of)) };
        let last = self.ended.as_ref().map_or(CivilDate::MAX, |ended| ended.mark.on);
        let served =
            ended.unwrap_or_default().into_iter().filter(move |period| period.start <= last);
        served.map(|period| period.number).filter(|&number| self.is_period_open(number))
    }

    /// The seat.
    pub fn seat(&self) -> Option<Seat> {
        self.enrolment.as_ref().map(|e| e.seat)
    }
}
