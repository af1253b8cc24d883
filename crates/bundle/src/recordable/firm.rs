//! The firm's own events, and what clients' events name of them.

use calendar::{CivilDate, Zone};
use domain::event::{Event, FirmEvent, FirmRegistered, Recorded};
use domain::ids::{PlanCode, StateCode};
use domain::money::Currency;
use domain::rules::{PackRef, RulePack, Rules};
use domain::terms::Plan;

use crate::derive::Rows;

/// A version of a plan, and since when it was offered.
struct Published {
    position: u64,
    since: CivilDate,
    plan: Plan,
}

/// What the firm had recorded of itself, each with its position.
#[derive(Default)]
pub(crate) struct FirmRecord {
    is_begun: bool,
    registered: Option<FirmRegistered>,
    packs: Vec<(u64, RulePack)>,
    plans: Vec<Published>,
}

impl FirmRecord {
    /// Takes the next event of the firm's stream.
    pub(crate) fn take(&mut self, recorded: &Recorded, rows: &mut Rows) {
        let Event::Firm(event) = &recorded.event else { return };
        let is_first = !std::mem::replace(&mut self.is_begun, true);
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
            FirmEvent::PackAdopted(e) => self.packs.push((recorded.position, e.pack.clone())),
            FirmEvent::PlanPublished(e) => self.plans.push(Published {
                position: recorded.position,
                since: recorded.occurred_on,
                plan: e.plan.clone(),
            }),
            FirmEvent::PackConfirmed(_)
            | FirmEvent::PackUsedAtOwnRisk(_)
            | FirmEvent::BureauRegistered(_)
            | FirmEvent::StandingRecorded(_)
            | FirmEvent::StandingEnded(_)
            | FirmEvent::FeesReviewed(_)
            | FirmEvent::AccessGranted(_)
            | FirmEvent::AccessRevoked(_)
            | FirmEvent::AccessUsed(_)
            | FirmEvent::ChartRevised(_)
            | FirmEvent::PeriodLocked(_)
            | FirmEvent::MatchPolicySet(_) => {}
        }
        if is_first && self.registered.is_none() {
            rows.fault(recorded.position, "the firm was not registered before it");
        }
        super::check_day(recorded, self, rows);
    }

    /// After the last: without a firm nothing can have been recorded.
    pub(crate) fn finish(&self, rows: &mut Rows) {
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
        let known = self.packs.partition_point(|(at, _)| *at < before);
        self.packs[..known].iter().map(|(_, pack)| pack)
    }

    /// Whether a pack was adopted before a position.
    pub(super) fn has_pack(&self, pack: &PackRef, before: u64) -> bool {
        self.adopted(before).any(|known| known.reference() == *pack)
    }

    /// What the packs adopted before a position come to for an agreement of a day.
    pub(super) fn rules(&self, state: StateCode, on: CivilDate, before: u64) -> Option<Rules> {
        let in_force = |of: Option<StateCode>| {
            self.adopted(before).rev().find(|pack| pack.state == of && pack.is_in_force(on))
        };
        Rules::merge(in_force(None)?, in_force(Some(state)), on)
    }
}
