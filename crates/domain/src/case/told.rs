//! What was told of a case, each fact with its place in the story.

use std::collections::BTreeSet;

use calendar::{CivilDate, PeriodRule, Zone};

use crate::codec::{codes, record};
use crate::event::{
    Contact, Direction, EndedBy, EventRef, ExposureFound, FactKind, FeeKept, FeeMarked,
    FoundResult, Languages, PaperKind, PlanSigned, Recorded, Showing, UtcMicros, WorkEvidence,
};
use crate::gates::FeeStanding;
use crate::ids::{AccountId, PaperCode, PlanCode, RequestId, StateCode};
use crate::money::Money;
use crate::rules::{ContractItem, Rules};
use crate::terms::{Sale, Seat, Terms, Work};

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

    /// Where it stands in a list: by its day, then as told.
    pub(super) fn place(&self) -> (CivilDate, u64) {
        (self.on, self.at.position)
    }
}

record! {
    /// A fact's place in the story: its mark, and the request that told it, which states an order among
    /// facts of one day.
    pub struct Moment {
        /// The time, where somebody said so.
        at: Option<UtcMicros>,
        /// The event; of a corrected fact the one that told it first.
        mark: Mark,
        /// Its place in the order that its request states.
        order: u64,
        /// The request that told its day.
        request: RequestId,
    }
}

impl Moment {
    /// The moment of an event.
    pub fn of(recorded: &Recorded) -> Self {
        let (order, request) = (recorded.position, recorded.request_id);
        Self { at: recorded.occurred_at, mark: Mark::of(recorded), order, request }
    }

    /// The day it happened.
    pub fn on(&self) -> CivilDate {
        self.mark.on
    }

    /// Whether it came before another, if that is known: by their days; on one day by their times, else by the
    /// order in which one request lists them.
    pub fn is_before(&self, other: &Self) -> Option<bool> {
        let times = self.at.zip(other.at).filter(|(one, other)| one != other);
        if self.on() == other.on()
            && let Some((one, other)) = times
        {
            Some(one < other)
        } else if self.on() == other.on() {
            (self.request == other.request).then_some(self.order < other.order)
        } else {
            Some(self.on() < other.on())
        }
    }

    /// Where it stands in a list: by its day, then as told. The order of telling is for looking things up;
    /// no rule asks for it.
    pub(super) fn place(&self) -> (CivilDate, u64) {
        self.mark.place()
    }
}

/// Puts a fact at its place in the story.
pub(super) fn insert<T>(facts: &mut Vec<T>, fact: T, moment: impl Fn(&T) -> &Moment) {
    let place = moment(&fact).place();
    let at = facts.partition_point(|known| moment(known).place() < place);
    // Most lists have one fact or two, and a writer keeps many cases.
    facts.reserve_exact(1);
    facts.insert(at, fact);
}

/// The same of a fact of which no order within a day is asked.
pub(super) fn insert_marked<T>(facts: &mut Vec<T>, fact: T, mark: impl Fn(&T) -> &Mark) {
    let place = mark(&fact).place();
    let at = facts.partition_point(|known| mark(known).place() < place);
    facts.insert(at, fact);
}

record! {
    /// An enrolment.
    pub struct Enrolment {
        /// When periods end, until that is changed: also of days before the one that was told of the enrolment.
        billing: PeriodRule,
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
        /// Other states in which something of the contract was done, as far as it was said.
        activity: Option<BTreeSet<StateCode>>,
        /// Last day to cancel without penalty, as told at the signing.
        cancel_through: CivilDate,
        /// Whether copies and notice of cancellation were given on the day of signing (15 USC 1679e(b), (c)).
        copies_given: bool,
        /// Whether consent to electronic records was given (15 USC 7001(c)).
        e_sign_consent: bool,
        /// What it holds beside what federal law asks; nothing if nobody said.
        items: Option<BTreeSet<ContractItem>>,
        /// In which languages it was made, as far as it was said.
        languages: Option<Languages>,
        /// The plan that it is of, if it is another than that of the enrolment.
        plan: Option<PlanSigned>,
        /// What shows the results that it promises, in their order. Nothing: no list of them is on record.
        promised: Option<Vec<Showing>>,
        /// The rules of the day, as told at the signing.
        rules: Rules,
        /// First day of service, as told at the signing.
        service_from: CivilDate,
        /// The signing.
        signed: Moment,
        /// The client's state that day.
        state: StateCode,
        /// Prices and work.
        terms: Terms,
        /// The total of all payments it states.
        total_of_payments: Money,
    }
}

impl Agreement {
    /// Whether it is said to hold something.
    pub fn holds(&self, item: ContractItem) -> bool {
        self.items.as_ref().is_some_and(|items| items.contains(&item))
    }
}

record! {
    /// A cancellation, whether it came in the days or later. It counts from when it was sent.
    pub struct Cancellation {
        /// The event.
        moment: Moment,
        /// Postmark, or the day a message was sent.
        sent_on: CivilDate,
    }
}

record! {
    /// When periods end from some day on, otherwise than the enrolment says.
    pub struct Billing {
        /// The event.
        moment: Moment,
        /// The rule.
        rule: PeriodRule,
    }
}

codes! {
    /// Which way a pause turned.
    pub enum Turn {
        /// It began.
        Paused = "paused",
        /// Service went on.
        Resumed = "resumed",
    }
}

record! {
    /// The beginning or the end of a pause.
    pub struct PauseTurn {
        /// The event. Of a resumption, its day is the first that runs again.
        moment: Moment,
        /// Which.
        turn: Turn,
    }
}

record! {
    /// A period given up without a fee.
    pub struct GivenUp {
        /// First day after the period, as told; older events name the number alone.
        end: Option<CivilDate>,
        /// The event.
        moment: Moment,
        /// Its number, as told.
        period: u32,
        /// First day of the period, as told.
        start: Option<CivilDate>,
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
    /// Something told of an identity paper.
    pub struct PaperTold {
        /// What it proves, told when it came in.
        kind: Option<PaperKind>,
        /// The event.
        mark: Mark,
        /// Which paper.
        paper: PaperCode,
        /// What became of it.
        status: PaperStatus,
    }
}

/// An identity paper.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paper {
    /// What it proves.
    pub kind: PaperKind,
    /// The latest event about it.
    pub mark: Mark,
    /// The day it came in.
    pub received_on: CivilDate,
    /// What became of it.
    pub status: PaperStatus,
}

record! {
    /// The report source was connected, or its identity questions failed.
    pub struct SourceTold {
        /// Whether it was connected.
        connected: bool,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// A complaint, or a message that answers complaints.
    pub struct ComplaintTold {
        /// From the client or to the client.
        direction: Direction,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// What a correction made of a fact.
    pub struct Corrected {
        /// That it was another person's.
        about_another: bool,
        /// What kind of fact it is.
        kind: FactKind,
        /// The reading in force: the latest correction.
        reading: Mark,
        /// Whether the fact still stands; else it was taken back.
        stands: bool,
    }
}

record! {
    /// The latest days that a case told of before something of it was corrected. A correction shortens no time for
    /// which a record is kept.
    #[derive(Default)]
    pub struct Kept {
        /// An acknowledgement of the disclosure.
        acknowledged_on: Option<CivilDate>,
        /// Service, a fee, an agreement or its end.
        served_on: Option<CivilDate>,
        /// Whether the sale was by telephone.
        telephone: bool,
    }
}

record! {
    /// A fact and the request that told it: what is concluded next in it follows from the fact.
    pub struct ToldLast {
        /// The position of the fact.
        fact: u64,
        /// The request.
        request: RequestId,
    }
}

record! {
    /// A piece of work done.
    pub struct WorkDone {
        /// Whether its record says that it completes the period before its day.
        completes_before: bool,
        /// The event.
        moment: Moment,
        /// What.
        work: Work,
    }
}

record! {
    /// A person's finding on the results of an agreement.
    pub struct Finding {
        /// The signing.
        agreement: EventRef,
        /// What was found.
        found: Vec<FoundResult>,
        /// The event.
        moment: Moment,
    }
}

record! {
    /// The end of the service.
    pub struct Ended {
        /// By whom.
        by: EndedBy,
        /// The event. Its day is the last of the service.
        moment: Moment,
    }
}

record! {
    /// A fee claimed.
    pub struct EarnedFee {
        /// The account that pays.
        account: AccountId,
        /// The agreement it was claimed under. Fees from before this was kept name none, and keep the days
        /// that they name.
        agreement: Option<EventRef>,
        /// How much.
        amount: Money,
        /// First day after its period, as claimed.
        end: CivilDate,
        /// What evidences it.
        evidence: Vec<WorkEvidence>,
        /// The event.
        mark: Mark,
        /// Its period's number, as claimed.
        period: u32,
        /// First day of its period, as claimed.
        start: CivilDate,
    }
}

record! {
    /// What was concluded last of a claimed fee that is not simply allowed, or was not.
    pub struct FeeMark {
        /// The event.
        mark: Mark,
        /// What it says.
        said: FeeMarked,
        /// The first of those since which it is exposed, or unproved, without a break.
        since: Mark,
    }
}

impl FeeMark {
    /// Takes the place of what was concluded before.
    pub(super) fn after(before: Option<&Self>, mark: Mark, said: FeeMarked) -> Self {
        let stands =
            |said: &FeeMarked| (said.exposed.is_positive(), said.standing == FeeStanding::Unproved);
        let goes_on = before.filter(|before| stands(&before.said) == stands(&said));
        let since = goes_on.map_or_else(|| mark.clone(), |before| before.since.clone());
        Self { mark, said, since }
    }
}

record! {
    /// A decision to keep money of a claimed fee.
    pub struct KeptFee {
        /// The event.
        mark: Mark,
        /// What it says.
        said: FeeKept,
    }
}

record! {
    /// An exposure and the event that found it.
    pub struct ExposureSeen {
        /// The position of the fact that it follows from; nothing if somebody noted it.
        cause: Option<u64>,
        /// What.
        found: ExposureFound,
        /// The event.
        mark: Mark,
    }
}
