//! A firm folded: its plans, packs, bureaus, standings and tokens.

mod correct;
mod decide;
mod known;
mod law;
mod security;
mod served;
mod signing;

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;

pub(crate) use correct::{Corrected as FactCorrected, correct};
pub use correct::{FirmTakenBack, TakenOut};
pub(crate) use decide::decide;
pub use decide::{BOUND_CASES_MAX, TOKEN_DAYS, TOKEN_DAYS_MAX};
pub use known::{Known, Place, Unknown};
pub use law::{
    AdoptedPack, Backing, Confirmation, FeeLaw, FiledStanding, OwnRisk, SigningLaw, StandingAnswer,
    StandingEnd,
};
pub use security::SecurityEvent;
pub use served::Reached;
pub use signing::{Papers, Prepared};

use crate::actor::{ServiceActor, sight_of};
use crate::codec::record;
use crate::event::{
    AccessGranted, AutomaticMatches, BankAccountDeclared, BookAccount, BureauRegistered,
    ChartAccount, CloseAccepted, CloseRule, EventRef, FeesReviewed, FirmEvent, FirmRegistered,
    LATE_AFTER_DAYS, Recorded, StandingKind, StandingRecorded, UtcMicros,
};
use crate::ids::{AccessId, BankCode, BureauCode, EventId, PackCode, PlanCode, StateCode};
use crate::judge::EDITION;
use crate::rules::Rules;
use crate::terms::Plan;

record! {
    /// A token in force.
    pub struct Access {
        /// What was given out.
        granted: AccessGranted,
        /// The day it was given out.
        on: CivilDate,
    }
}

impl Access {
    fn is_mistakable(&self, alike: &[&Self]) -> bool {
        let lasts_to =
            |of: &Self, day: CivilDate| of.granted.expires_on.is_none_or(|last| day <= last);
        let together = |other: &&Self| {
            other.granted.access != self.granted.access
                && lasts_to(self, other.on)
                && lasts_to(other, self.on)
        };
        ServiceActor::seen_in(&self.granted.label).is_some() || alike.iter().any(together)
    }
}

record! {
    /// A closed month, and from where in the log on it is closed.
    pub struct Lock {
        /// What was accepted that stood in the way of it.
        accepted: Vec<EventRef>,
        /// Whether what is told later and belongs into it counts on the first day that is open.
        first_open: bool,
        /// The position of the event that locked it.
        position: u64,
        /// The last day of the month.
        through: CivilDate,
    }
}

record! {
    /// Something in the way of closing a month that a person accepted.
    pub struct Acceptance {
        /// The event.
        at: EventRef,
        /// The day it was accepted.
        on: CivilDate,
        /// What, and why.
        said: CloseAccepted,
    }
}

record! {
    /// An account of the firm at a bank, as it is declared now.
    pub struct BankAccount {
        /// The event.
        at: EventRef,
        /// What was declared.
        declared: BankAccountDeclared,
        /// The day at whose beginning the opening balance stood there.
        opened_on: CivilDate,
    }
}

record! {
    /// What is matched without a person, and since which event.
    pub struct MatchPolicy {
        /// What.
        automatic: AutomaticMatches,
        /// The event that said so.
        set_by: EventId,
    }
}

record! {
    /// A version of a plan, and since when it was offered.
    pub struct Published {
        /// The plan.
        plan: Plan,
        /// The day.
        since: CivilDate,
    }
}

record! {
    /// A firm.
    #[derive(Default)]
    pub struct Firm {
        /// What was accepted that stood in the way of closing months, in the order told.
        accepted: Vec<Acceptance>,
        /// Tokens in force.
        access: BTreeMap<AccessId, Access>,
        /// Accounts at banks.
        banks: BTreeMap<BankCode, BankAccount>,
        /// Bureaus.
        bureaus: BTreeMap<BureauCode, BureauRegistered>,
        /// What the firm calls accounts of its books, where it is not the usual.
        chart: BTreeMap<BookAccount, ChartAccount>,
        /// What the firm told wrongly of itself, by the positions at which it was told.
        corrected: BTreeMap<u64, FirmTakenBack>,
        /// The position of the last event that claimed fees of any client may be judged by; none is 0.
        law_at: u64,
        /// Closed months, in the order closed.
        locks: Vec<Lock>,
        /// What is matched without a person; nothing until the firm says so.
        match_policy: Option<MatchPolicy>,
        /// Packs, every version, in the order adopted.
        packs: Vec<AdoptedPack>,
        /// Plans, every version.
        plans: BTreeMap<PlanCode, Vec<Published>>,
        /// What was registered.
        registered: Option<FirmRegistered>,
        /// The last review of all claimed fees.
        reviewed: Option<FeesReviewed>,
        /// Tokens that were taken back.
        revoked: BTreeSet<AccessId>,
        /// Events of security, in the order told last.
        security_events: Vec<SecurityEvent>,
        /// Registrations and bonds on file, in the order recorded.
        standings: Vec<FiledStanding>,
        /// Events folded.
        version: u64,
    }
}

impl Firm {
    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &FirmEvent) {
        self.version = recorded.stream_version;
        if event.bears_on_fees() {
            self.law_at = recorded.position;
        }
        match event {
            FirmEvent::FirmRegistered(e) => self.registered = Some(e.clone()),
            FirmEvent::PlanPublished(e) => {
                let published = Published { plan: e.plan.clone(), since: recorded.occurred_on };
                self.plans.entry(e.plan.code.clone()).or_default().push(published);
            }
            FirmEvent::PackAdopted(e) => self.adopt(AdoptedPack {
                at: recorded.reference(),
                confirmations: Vec::new(),
                on: recorded.occurred_on,
                own_risk: None,
                pack: e.pack.clone(),
            }),
            FirmEvent::PackConfirmed(e) => {
                let (at, on) = (recorded.reference(), recorded.occurred_on);
                if let Some(adopted) = self.adopted_mut(&e.code, e.version) {
                    adopted.confirmations.push(Confirmation { at, on, said: e.clone() });
                }
            }
            FirmEvent::PackUsedAtOwnRisk(e) => {
                let (at, on) = (recorded.reference(), recorded.occurred_on);
                if let Some(adopted) = self.adopted_mut(&e.code, e.version) {
                    adopted.own_risk = Some(OwnRisk { at, on, said: e.clone() });
                }
            }
            FirmEvent::BureauRegistered(e) => {
                self.bureaus.insert(e.bureau.clone(), e.clone());
            }
            FirmEvent::StandingRecorded(e) => {
                let at = recorded.reference();
                let filed = e.clone();
                self.standings.push(FiledStanding { at, earlier: Vec::new(), end: None, filed });
            }
            FirmEvent::StandingEnded(e) => {
                let (at, on) = (recorded.reference(), recorded.occurred_on);
                self.end_standings(&StandingEnd { at, on, said: e.clone() });
            }
            FirmEvent::SecurityEventRecorded(e) => {
                self.note_security(SecurityEvent { at: recorded.reference(), said: e.clone() });
            }
            FirmEvent::FirmCorrected(e) => self.take_back_fact(e, recorded.reference()),
            FirmEvent::FeesReviewed(e) => self.reviewed = Some(e.clone()),
            FirmEvent::AccessGranted(e) => {
                let access = Access { granted: e.clone(), on: recorded.occurred_on };
                self.access.insert(e.access, access);
            }
            // It changes nothing that rules look at; it stays in the log.
            FirmEvent::AccessUsed(_) => {}
            FirmEvent::AccessRevoked(e) => {
                self.access.remove(&e.access);
                self.revoked.insert(e.access);
            }
            FirmEvent::ChartRevised(e) => {
                self.chart.extend(e.accounts.iter().map(|a| (a.account, a.clone())));
            }
            FirmEvent::BankAccountDeclared(e) => {
                let (at, opened_on) = (recorded.reference(), recorded.occurred_on);
                let declared = e.clone();
                self.banks.insert(e.bank.clone(), BankAccount { at, declared, opened_on });
            }
            FirmEvent::BankAccountTakenBack(e) => {
                self.banks.remove(&e.bank);
            }
            FirmEvent::CloseAcceptanceWithdrawn(e) => {
                self.accepted
                    .retain(|known| (known.said.through, known.said.rule) != (e.through, e.rule));
            }
            FirmEvent::CloseAccepted(e) => {
                let (at, on) = (recorded.reference(), recorded.occurred_on);
                self.accepted.push(Acceptance { at, on, said: e.clone() });
            }
            FirmEvent::PeriodLocked(e) => {
                let accepted = e.accepted.clone().unwrap_or_default();
                let (position, through) = (recorded.position, e.through);
                let first_open = e.first_open == Some(true);
                self.locks.push(Lock { accepted, first_open, position, through });
            }
            FirmEvent::MatchPolicySet(e) => {
                let set_by = recorded.event_id;
                self.match_policy = Some(MatchPolicy { automatic: e.automatic, set_by });
            }
        }
    }

    /// Whether something was told of the firm, or the program judges by another edition of the rules, since all
    /// claimed fees were judged: they have to be again before more is asked for.
    pub fn review_is_due(&self) -> bool {
        match &self.reviewed {
            Some(last) => last.through < self.law_at || last.edition < EDITION,
            None => true,
        }
    }

    /// The plan's newest version.
    pub fn plan(&self, code: &PlanCode) -> Option<&Plan> {
        self.plans.get(code)?.last().map(|published| &published.plan)
    }

    /// The version of a plan that was offered on a day; for days before it was, the first.
    pub fn plan_on(&self, code: &PlanCode, on: CivilDate) -> Option<&Plan> {
        let published = self.plans.get(code)?;
        let offered = published.iter().filter(|published| published.since <= on);
        // Of those of one day the one told last, whenever that was.
        let offered = offered.max_by_key(|published| published.since);
        let first = || published.iter().min_by_key(|published| published.since);
        offered.or_else(first).map(|published| &published.plan)
    }

    /// The rules that are told with an agreement signed on a day by a client of a state. Nothing without a federal
    /// pack in force: no agreement can be judged without one.
    pub fn rules_for(&self, state: StateCode, signed_on: CivilDate) -> Option<Rules> {
        let in_force = |of| self.pack_on(of, signed_on).map(|adopted| &adopted.pack);
        Rules::merge(in_force(None)?, in_force(Some(state)), signed_on)
    }

    /// A registration or bond on file with a state and valid on a day; the largest bond, if several.
    pub fn standing(
        &self,
        state: StateCode,
        kind: StandingKind,
        on: CivilDate,
    ) -> Option<&StandingRecorded> {
        match self.standing_on(state, kind, on) {
            StandingAnswer::Stands(standing) => Some(&standing.filed),
            StandingAnswer::TooSmall(_)
            | StandingAnswer::Lapsed(_)
            | StandingAnswer::NeverRecorded => None,
        }
    }

    fn adopted_mut(&mut self, code: &PackCode, version: u32) -> Option<&mut AdoptedPack> {
        let named = |adopted: &&mut AdoptedPack| {
            adopted.pack.code == *code && adopted.pack.version == version
        };
        self.packs.iter_mut().find(named)
    }

    /// What was accepted last of something in the way of closing a month.
    pub fn acceptance(&self, through: CivilDate, rule: CloseRule) -> Option<&Acceptance> {
        let mut last_first = self.accepted.iter().rev();
        last_first.find(|known| (known.said.through, known.said.rule) == (through, rule))
    }

    /// Whether a month was closed with something that was accepted.
    pub fn is_closed_with(&self, known: &Acceptance) -> bool {
        self.locks.iter().any(|lock| lock.accepted.contains(&known.at))
    }

    /// Whether the month of a day was closed with something of a kind accepted.
    pub fn closed_accepting(&self, on: CivilDate, rule: CloseRule) -> bool {
        let lock = self.locks.iter().find(|lock| on <= lock.through);
        lock.is_some_and(|lock| {
            let of_rule = self.accepted.iter().filter(|known| known.said.rule == rule);
            of_rule.map(|known| &known.at).any(|at| lock.accepted.contains(at))
        })
    }

    /// The last day of the last closed month.
    pub fn locked_through(&self) -> Option<CivilDate> {
        self.locks.last().map(|lock| lock.through)
    }

    /// What is matched without a person.
    pub fn automatic_matches(&self) -> AutomaticMatches {
        self.match_policy.as_ref().map_or(AutomaticMatches::Nothing, |policy| policy.automatic)
    }

    /// Tokens that were given out and not taken back, and whose last day is not over.
    pub fn in_force(&self, today: CivilDate) -> impl Iterator<Item = &Access> {
        let lasts = move |access: &&Access| access.granted.expires_on.is_none_or(|d| today <= d);
        self.access.values().filter(lasts)
    }

    /// Tokens whose label may be taken for the service's own name, or for that of another token which is in force
    /// on the same days: they were given out before that was refused.
    pub fn mistakable(&self) -> BTreeSet<AccessId> {
        let mut by_sight: BTreeMap<String, Vec<&Access>> = BTreeMap::new();
        for access in self.access.values() {
            by_sight.entry(sight_of(access.granted.label.as_str())).or_default().push(access);
        }
        let mut found = BTreeSet::new();
        for alike in by_sight.values() {
            found.extend(
                alike.iter().filter(|one| one.is_mistakable(alike)).map(|a| a.granted.access),
            );
        }
        found
    }

    /// Today's date where the firm is.
    pub fn today(&self, now: UtcMicros) -> Option<CivilDate> {
        self.registered.as_ref().map(|firm| firm.zone.date_at(now.0))
    }

    /// By how many days a fact is told late, if by more than [`LATE_AFTER_DAYS`].
    pub(crate) fn late_days(&self, occurred_on: CivilDate, now: UtcMicros) -> Option<u32> {
        let days = self.today(now)?.signed_duration_since(occurred_on).num_days();
        if days > LATE_AFTER_DAYS { u32::try_from(days).ok() } else { None }
    }
}
