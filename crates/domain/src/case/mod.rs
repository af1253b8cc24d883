//! A case folded: everything that decisions, gates and read models need to know of one client.

mod again;
mod ahead;
mod announce;
mod circumstance;
mod correct;
mod decide;
mod dispute;
mod evolve;
mod fact;
mod finding;
mod letters;
mod listing;
mod next;
mod readiness;
mod report;
mod report_lists;
mod retention;
mod round;
mod standing;
mod story;
mod told;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::CivilDate;

pub use ahead::{Ahead, AheadKind};
pub use circumstance::{CircumstanceInForce, CircumstanceTold, NoticeSent};
pub(crate) use correct::{correct, moved};
pub(crate) use decide::{Facts, decide};
pub use decide::{LETTER_ITEMS_MAX, LETTERS_MAX, REPORT_ITEMS_MAX};
pub use finding::{FOUND_MAX, PROMISED_MAX};
pub use letters::LetterDuty;
pub use listing::{
    Achieved, Achievement, BasisTold, Listing, ListingStatus, OfListing, Reinsertion,
};
pub use readiness::{Readiness, Step, StepDone};
pub use report::{ItemList, ReportSeen, Reports};
pub use retention::{Retained, RetainedByState};
pub use round::{Answer, AskAnswered, Asked, LetterState, OfLetter, Round, RunningClock};
pub use told::*;

use crate::codec::{codes, record};
use crate::event::{Direction, EventRef, FeeHeld, PaperKind, PlanSigned};
use crate::ids::{BureauCode, ItemCode, PaperCode, PlanCode};
use crate::terms::Seat;
use crate::value::Text;

record! {
    /// A case. What is large and seldom changes is shared between copies of it: a projector keeps a
    /// state as it was beside what it becomes. Large values stand apart from their maps, whose nodes
    /// have room for eleven.
    #[derive(Default)]
    pub struct Case {
        /// Acknowledgements of the federal disclosure.
        acknowledged: Vec<Moment>,
        /// Agreements, by the day of signing.
        agreements: Arc<Vec<Agreement>>,
        /// What bureaus were asked, with clocks of their own, by their days.
        asked: Vec<Asked>,
        /// What they did of it, by their days.
        asks_answered: Vec<AskAnswered>,
        /// When periods end.
        billing: Vec<Billing>,
        /// Cancellations.
        cancellations: Vec<Cancellation>,
        /// What changed of the client's circumstances, by its days.
        circumstances: Vec<CircumstanceTold>,
        /// Complaints and answers to them, by their days.
        complaints: Vec<ComplaintTold>,
        /// Contacts, by their days.
        contacts: Arc<Vec<ContactSince>>,
        /// Facts that were corrected, by the positions at which they were told first.
        corrected: BTreeMap<u64, Corrected>,
        /// When the federal disclosure was given.
        disclosed: Vec<Mark>,
        /// What facts said that were corrected since, of how long the record is kept.
        kept_for: Kept,
        /// Fees claimed, in the order claimed.
        earned: Vec<Arc<EarnedFee>>,
        /// Ends of the service.
        ends: Vec<Ended>,
        /// The enrolment.
        enrolment: Option<Enrolment>,
        /// The erasure of the client's personal values.
        erased: Option<Mark>,
        /// Exposures.
        exposures: Vec<ExposureSeen>,
        /// Findings on results, by their days.
        findings: Vec<Finding>,
        /// Decisions to keep money of claimed fees, in the order taken.
        fees_kept: Vec<KeptFee>,
        /// Periods given up without a fee.
        given_up: Vec<GivenUp>,
        /// What billing runs last noted as holding a period's fee, by its number.
        held: BTreeMap<u32, FeeHeld>,
        /// Legal holds that stand, by matter.
        holds: BTreeMap<Text, Mark>,
        /// Listings, by item and bureau.
        listings: Arc<BTreeMap<(ItemCode, BureauCode), Arc<Listing>>>,
        /// Claimed fees that are not simply allowed, as they were marked last, by the positions of their claims.
        marks: BTreeMap<u64, Arc<FeeMark>>,
        /// Facts that were told of another client first, by their positions, and what says so.
        moved_here: BTreeMap<u64, EventRef>,
        /// Work opened.
        opened: Option<Mark>,
        /// What was told of identity papers, by its days.
        papers: Arc<Vec<PaperTold>>,
        /// Beginnings and ends of pauses.
        pauses: Vec<PauseTurn>,
        /// Reports, by bureau.
        reports: Arc<BTreeMap<BureauCode, Reports>>,
        /// Rounds, by their days.
        rounds: Arc<Vec<Round>>,
        /// The highest number that a round was given.
        rounds_told: u32,
        /// What was told of the report source, by its days.
        sources: Vec<SourceTold>,
        /// The fact told last.
        told_last: Option<ToldLast>,
        /// What is told of listings that no report shows: one that did was taken back.
        unlisted: BTreeMap<(ItemCode, BureauCode), OfListing>,
        /// What is told of letters whose round was taken back, by the round's number and the bureau.
        unsent: BTreeMap<(u32, BureauCode), OfLetter>,
        /// Events folded.
        version: u64,
        /// Promised kinds of work done, by their days.
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
            return CaseStatus::Unknown;
        }
        let over = self.over_on();
        match self.agreement() {
            None if self.agreements.is_empty() && over.is_none() => CaseStatus::Enrolled,
            None if self.agreements.is_empty() || self.is_signed_after_death() => CaseStatus::Ended,
            None => CaseStatus::Cancelled,
            Some(_) if over.is_some() => CaseStatus::Ended,
            Some(_) if self.paused().is_some() => CaseStatus::Paused,
            Some(_) if self.opened.is_some() => CaseStatus::Open,
            Some(_) => CaseStatus::Signed,
        }
    }

    /// Whether the service has ended, or every agreement was cancelled in its days.
    pub fn is_over(&self) -> bool {
        matches!(self.status(), CaseStatus::Ended | CaseStatus::Cancelled)
    }

    /// The plan of an agreement: its own, or that of the enrolment.
    pub fn plan_of<'c>(&'c self, agreement: &'c Agreement) -> Option<&'c PlanCode> {
        let own = agreement.plan.as_ref().map(|plan| &plan.code);
        own.or_else(|| self.enrolment.as_ref().map(|enrolment| &enrolment.plan))
    }

    /// The plan that the client is on, and its version as it was told: that of the newest agreement that stands, or that of the
    /// enrolment.
    pub fn plan(&self) -> Option<PlanSigned> {
        let signed = self.agreement().and_then(|agreement| agreement.plan.clone());
        signed.or_else(|| {
            let enrolment = self.enrolment.as_ref()?;
            Some(PlanSigned { code: enrolment.plan.clone(), version: enrolment.plan_version })
        })
    }

    /// The contact current on a day; the first one for days before it.
    pub fn contact_on(&self, on: CivilDate) -> Option<&ContactSince> {
        self.contacts.iter().rev().find(|c| c.mark.on <= on).or(self.contacts.first())
    }

    /// Whether what stands at a position was taken back as another person's. `corrects` is the fact that the event
    /// there corrects, if it does.
    pub fn is_of_another(&self, position: u64, corrects: Option<u64>) -> bool {
        let fact = corrects.unwrap_or(position);
        self.corrected.get(&fact).is_some_and(|known| {
            known.about_another && (!known.stands || position < known.reading.at.position)
        })
    }

    /// The current contact.
    pub fn contact(&self) -> Option<&ContactSince> {
        self.contacts.last()
    }

    /// Complaints that nobody has answered yet. A message to the client that is marked as a complaint's answers
    /// all before it (common practice, no source).
    pub fn open_complaints(&self) -> impl Iterator<Item = &Mark> {
        let answered =
            self.complaints.iter().rposition(|told| told.direction == Direction::Outgoing);
        self.complaints[answered.map_or(0, |at| at + 1)..].iter().map(|told| &told.mark)
    }

    /// When the federal disclosure was first given.
    pub fn disclosure_delivered(&self) -> Option<&Mark> {
        self.disclosed.first()
    }

    /// Failed identity questions that nobody has solved since.
    pub fn identity_failed(&self) -> Option<&Mark> {
        self.sources.last().filter(|told| !told.connected).map(|told| &told.mark)
    }

    /// When the report source was connected last.
    pub fn source_connected(&self) -> Option<&Mark> {
        self.sources.iter().rev().find(|told| told.connected).map(|told| &told.mark)
    }

    /// Identity papers, as they stand.
    pub fn papers(&self) -> BTreeMap<&PaperCode, Paper> {
        let mut papers: BTreeMap<&PaperCode, Paper> = BTreeMap::new();
        for PaperTold { kind, mark, paper: code, status } in self.papers.iter() {
            if let Some(kind) = *kind {
                let (mark, received_on) = (mark.clone(), mark.on);
                papers.insert(code, Paper { kind, mark, received_on, status: *status });
            } else if let Some(paper) = papers.get_mut(code) {
                (paper.mark, paper.status) = (mark.clone(), *status);
            }
        }
        papers
    }

    /// The cancellation that undid an agreement in its days, as they were told at the signing.
    pub fn cancellation_of(&self, agreement: &Agreement) -> Option<&Cancellation> {
        let days = agreement.signed.on()..=agreement.cancel_through;
        self.cancellations.iter().find(|cancellation| days.contains(&cancellation.sent_on))
    }

    /// The agreements that were neither cancelled in their days nor signed behind the client's death, by the day of
    /// signing.
    pub fn standing_agreements(&self) -> impl DoubleEndedIterator<Item = &Agreement> {
        self.agreements.iter().filter(|agreement| {
            self.cancellation_of(agreement).is_none()
                && self.death_before(&agreement.signed).is_none()
        })
    }

    /// The newest of them.
    pub fn agreement(&self) -> Option<&Agreement> {
        self.standing_agreements().next_back()
    }

    /// The last day of the service under the newest agreement, once it has ended: the day that an end names
    /// or that a later cancellation was sent on.
    pub fn over_on(&self) -> Option<CivilDate> {
        self.ends_of(self.agreement()).map(|(on, _)| on).min()
    }

    /// The last day of the service, once it has ended or every agreement was cancelled in its days.
    pub fn last_day(&self) -> Option<CivilDate> {
        let cancelled = || self.cancellations.last().map(|cancellation| cancellation.sent_on);
        match self.status() {
            CaseStatus::Cancelled => cancelled(),
            CaseStatus::Ended => self.over_on(),
            CaseStatus::Unknown
            | CaseStatus::Enrolled
            | CaseStatus::Signed
            | CaseStatus::Open
            | CaseStatus::Paused => None,
        }
    }

    /// What ended an agreement, or without one the service, each with the last day of service by it.
    fn ends_of(&self, agreement: Option<&Agreement>) -> impl Iterator<Item = (CivilDate, &Moment)> {
        let ends = self.ends.iter().map(|ended| (ended.moment.on(), &ended.moment));
        let cancelled = self.cancellations.iter().filter(|cancellation| {
            !self.agreements.iter().any(|agreement| {
                (agreement.signed.on()..=agreement.cancel_through).contains(&cancellation.sent_on)
            })
        });
        let cancelled = cancelled.map(|cancellation| (cancellation.sent_on, &cancellation.moment));
        let ends_it = move |&(on, moment): &(CivilDate, &Moment)| {
            agreement.is_none_or(|agreement| {
                agreement.signed.on() < on
                    || agreement.signed.on() == on
                        && moment.is_before(&agreement.signed) != Some(true)
            })
        };
        ends.chain(cancelled).filter(ends_it)
    }

    /// Whether an agreement was in force on a day of service, as told at the signing. What was `done` on its last day is in
    /// it, unless it is known to have come after the end.
    pub(super) fn is_served(&self, on: CivilDate, done: Option<&Moment>) -> bool {
        let is_over = |(last, end): (CivilDate, &Moment)| {
            let came_later = || done.is_some_and(|done| end.is_before(done) == Some(true));
            last < on || last == on && came_later()
        };
        let mut from = self.standing_agreements().filter(|agreement| agreement.service_from <= on);
        from.any(|agreement| !self.ends_of(Some(agreement)).any(is_over))
    }

    /// The pause in force under the newest agreement.
    pub fn paused(&self) -> Option<&Mark> {
        let last = self.pauses.last().filter(|last| last.turn == Turn::Paused)?;
        Some(&last.moment.mark)
    }

    /// Whether service on a day would come before every agreement's days are over, as told at the signing.
    pub fn is_early(&self, on: CivilDate) -> bool {
        !self.standing_agreements().any(|agreement| agreement.service_from <= on)
    }

    /// Whether an accepted paper of a kind is there.
    pub fn has_paper(&self, kind: PaperKind) -> bool {
        self.papers().values().any(|p| p.kind == kind && p.status == PaperStatus::Accepted)
    }

    /// The sum of the fees claimed so far, in minor units.
    pub fn earned_minor(&self) -> i64 {
        self.earned.iter().map(|fee| fee.amount.minor()).sum()
    }

    /// A day on which every period that is claimed or given up has ended, and one that is neither has begun:
    /// a judge of that day knows the first open period.
    pub fn settled_through(&self) -> CivilDate {
        let claimed = self.earned.iter().map(|fee| fee.end);
        let given_up = self
            .given_up
            .iter()
            .map(|given_up| given_up.end.unwrap_or_else(|| given_up.moment.on()));
        let signed = self.agreements.iter().map(|agreement| agreement.signed.on());
        claimed.chain(given_up).chain(signed).max().unwrap_or(CivilDate::MIN)
    }

    /// The fee claimed last for a period of this number.
    pub fn earned_for(&self, period: u32) -> Option<&EarnedFee> {
        self.earned.iter().rev().find(|fee| fee.period == period).map(AsRef::as_ref)
    }

    /// The fees from before agreements were kept with fees.
    pub(crate) fn fees_of_old(&self) -> impl Iterator<Item = &EarnedFee> {
        self.earned.iter().map(AsRef::as_ref).filter(|fee| fee.agreement.is_none())
    }

    /// The decisions to keep money of a claimed fee, in the order taken.
    pub fn keepings_of<'c>(
        &'c self,
        claim: &EventRef,
    ) -> impl DoubleEndedIterator<Item = &'c KeptFee> + use<'c> {
        let id = claim.id;
        self.fees_kept.iter().filter(move |kept| kept.said.fee.id == id)
    }

    /// The one of them in force; nothing if none was taken, or the last took it back.
    pub fn keeping_of(&self, claim: &EventRef) -> Option<&KeptFee> {
        self.keepings_of(claim).next_back().filter(|kept| kept.said.amount.is_positive())
    }

    /// How often the firm was found to be exposed, and of how many claimed fees a part is, as they were marked last.
    pub fn exposure_count(&self) -> usize {
        let fees = self.marks.values().filter(|marked| marked.said.exposed.is_positive());
        self.exposures.len() + fees.count()
    }

    /// The note that a period of this number was given up.
    pub fn given_up_for(&self, period: u32) -> Option<&GivenUp> {
        self.given_up.iter().find(|given_up| given_up.period == period)
    }

    /// How many creditors report of the client, by the reports of a day and before: whoever reports a listing.
    pub fn creditors(&self, on: CivilDate) -> u32 {
        let listed = self.listings.values().filter(|listing| listing.listed.on <= on);
        let furnishers: BTreeSet<&Text> = listed.map(|listing| &listing.seen.furnisher).collect();
        u32::try_from(furnishers.len()).unwrap_or(u32::MAX)
    }

    /// The seat.
    pub fn seat(&self) -> Option<Seat> {
        self.enrolment.as_ref().map(|e| e.seat)
    }
}
