//! The firm's own events, and what clients' events name of them.

use std::collections::BTreeMap;

use calendar::{CivilDate, Zone};
use domain::event::{Event, FirmEvent, FirmFact, FirmRegistered, Recorded, Scope};
use domain::ids::{EventId, PlanCode, StateCode};
use domain::money::Currency;
use domain::rules::{PackRef, RulePack, Rules, followed};
use domain::terms::Plan;

use super::NOT_ANEW;
use crate::derive::Rows;

/// A version of a plan, and since when it was offered.
struct Published {
    position: u64,
    since: CivilDate,
    plan: Plan,
}

/// A pack, and the positions between which it was adopted.
struct Adopted {
    from: u64,
    until: Option<u64>,
    pack: RulePack,
}

/// What the firm had recorded of itself, each with its position.
#[derive(Default)]
pub(crate) struct FirmRecord {
    is_begun: bool,
    /// What the event before said is told anew by this one, and where it stands.
    told_anew: Option<(u64, FirmFact)>,
    /// What fees are judged by, as far as it is in force.
    facts: BTreeMap<u64, (EventId, FirmFact)>,
    registered: Option<FirmRegistered>,
    packs: Vec<Adopted>,
    plans: Vec<Published>,
}

impl FirmRecord {
    /// Takes the next event of the firm's stream.
    pub(crate) fn take(&mut self, recorded: &Recorded, rows: &mut Rows) {
        let Event::Firm(event) = &recorded.event else { return };
        let is_first = !std::mem::replace(&mut self.is_begun, true);
        if let Some((at, kind)) = self.told_anew
            && (at + 1, Some(kind)) != (recorded.position, event.fact())
        {
            rows.fault(at, NOT_ANEW);
        }
        match event {
            FirmEvent::FirmRegistered(e) => {
                if self.registered.is_some() {
                    rows.fault(recorded.position, "the firm is registered a second time");
                } else {
                    self.registered = Some(e.clone());
                }
                if recorded.position != 1 {
                    rows.fault(
                        recorded.position,
                        "the firm is registered, and it is not the first thing in the log",
                    );
                }
            }
            FirmEvent::PackAdopted(e) => {
                let adopted =
                    Adopted { from: recorded.position, until: None, pack: e.pack.clone() };
                // What is told anew stands behind what it is told in the stead of.
                let stead = self.packs.iter().position(|known| {
                    known.until == recorded.position.checked_sub(1) && self.told_anew.is_some()
                });
                let place = stead.map_or(self.packs.len(), |place| place + 1);
                self.packs.insert(place, adopted);
            }
            FirmEvent::FirmCorrected(e) => {
                let fact = self.facts.remove(&e.fact.position);
                if fact != Some((e.fact.id, e.kind)) {
                    let what = "no fact in force of this kind stands there";
                    rows.fault(recorded.position, what);
                }
                for known in self.packs.iter_mut().filter(|known| known.from == e.fact.position) {
                    known.until = Some(recorded.position);
                }
            }
            FirmEvent::PlanPublished(e) => self.plans.push(Published {
                position: recorded.position,
                since: recorded.occurred_on,
                plan: e.plan.clone(),
            }),
            FirmEvent::AccessGranted(e) => {
                let has = |of: [Scope; 2]| of.iter().any(|scope| e.scopes.contains(scope));
                if has([Scope::Correct, Scope::Accept]) && has([Scope::Record, Scope::Bill]) {
                    let what = "a token that corrects or accepts also records or bills";
                    rows.fault(recorded.position, what);
                }
            }
            FirmEvent::PackConfirmed(_)
            | FirmEvent::PackUsedAtOwnRisk(_)
            | FirmEvent::BureauRegistered(_)
            | FirmEvent::StandingRecorded(_)
            | FirmEvent::StandingEnded(_)
            | FirmEvent::SecurityEventRecorded(_)
            | FirmEvent::FeesReviewed(_)
            | FirmEvent::AccessRevoked(_)
            | FirmEvent::AccessUsed(_)
            | FirmEvent::ChartRevised(_)
            | FirmEvent::BankAccountDeclared(_)
            | FirmEvent::BankAccountTakenBack(_)
            | FirmEvent::CloseAccepted(_)
            | FirmEvent::CloseAcceptanceWithdrawn(_)
            | FirmEvent::PeriodLocked(_)
            | FirmEvent::MatchPolicySet(_) => {}
        }
        if let Some(kind) = event.fact() {
            self.facts.insert(recorded.position, (recorded.event_id, kind));
        }
        self.told_anew = None;
        if let FirmEvent::FirmCorrected(e) = event
            && e.again == Some(true)
        {
            self.told_anew = Some((recorded.position, e.kind));
        }
        if is_first && self.registered.is_none() {
            rows.fault(recorded.position, "the firm was not registered before it");
        }
        super::check_day(recorded, self, rows);
    }

    /// After the last: without a firm nothing can have been recorded.
    pub(crate) fn finish(&self, rows: &mut Rows) {
        if let Some((at, _)) = self.told_anew {
            rows.fault(at, NOT_ANEW);
        }
        if !self.is_begun {
            rows.fault(
                1,
                "it is not the registration of the firm, without which nothing is recorded",
            );
        }
    }

    /// Where the firm's days begin.
    pub(crate) fn zone(&self) -> Option<Zone> {
        self.registered.as_ref().map(|firm| firm.zone)
    }

    pub(super) fn currency(&self) -> Option<Currency> {
        self.registered.as_ref().map(|firm| firm.currency)
    }

    /// A version of a plan, if it was published before a position.
    pub(super) fn plan(&self, code: &PlanCode, version: u32, before: u64) -> Option<&Plan> {
        self.versions(code, before).find(|plan| plan.plan.version == version).map(|of| &of.plan)
    }

    /// The version of a plan that was offered on a day, of those published before a position; for days
    /// before it was, the first.
    pub(super) fn plan_on(&self, code: &PlanCode, on: CivilDate, before: u64) -> Option<&Plan> {
        let offered = self.versions(code, before).filter(|known| known.since <= on);
        let offered = offered.max_by_key(|known| known.since);
        let first = || self.versions(code, before).min_by_key(|known| known.since);
        offered.or_else(first).map(|known| &known.plan)
    }

    /// The same as older software took it: of those that were offered by then the one published last.
    pub(super) fn plan_told(&self, code: &PlanCode, on: CivilDate, before: u64) -> Option<&Plan> {
        let offered = self.versions(code, before).rev().find(|known| known.since <= on);
        offered.or(self.versions(code, before).next()).map(|known| &known.plan)
    }

    fn versions(
        &self,
        code: &PlanCode,
        before: u64,
    ) -> impl DoubleEndedIterator<Item = &Published> {
        let known = self.plans.partition_point(|known| known.position < before);
        self.plans[..known].iter().filter(move |known| known.plan.code == *code)
    }

    pub(super) fn adopted(&self, before: u64) -> impl DoubleEndedIterator<Item = &RulePack> {
        let stood = move |known: &&Adopted| {
            known.from < before && known.until.is_none_or(|until| before <= until)
        };
        self.packs.iter().filter(stood).map(|known| &known.pack)
    }

    /// Whether a pack was adopted before a position.
    pub(super) fn has_pack(&self, pack: &PackRef, before: u64) -> bool {
        self.adopted(before).any(|known| known.reference() == *pack)
    }

    /// What the packs adopted before a position come to for an agreement of a day: of those followed then, and as
    /// earlier software took them, which went by the order of adoption alone.
    pub(super) fn rules(&self, state: StateCode, on: CivilDate, before: u64) -> [Option<Rules>; 2] {
        let packs: Vec<&RulePack> = self.adopted(before).collect();
        let of_day = |of| followed(&packs, |pack| *pack, of, on).copied();
        let by_order =
            |of| packs.iter().rev().find(|p| p.state == of && p.is_in_force(on)).copied();
        let merged = |federal: Option<&RulePack>, own| Rules::merge(federal?, own, on);
        [merged(of_day(None), of_day(Some(state))), merged(by_order(None), by_order(Some(state)))]
    }
}
