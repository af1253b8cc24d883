//! What the client's state asks (15 USC 1679j): of the signing, and of the fee on the day it is asked for.

use std::collections::{BTreeMap, BTreeSet};

use calendar::{BusinessCalendar, CivilDate};

use super::Judge;
use super::because::{Because, Ruling};
use super::gates::Asking;
use super::grid::Slot;
use super::story::Standing;
use super::work::{self, Placed};
use crate::event::StandingKind;
use crate::firm::{Backing, Confirmation, FeeLaw, Known, StandingAnswer, Unknown};
use crate::gates::{Answer, Opens};
use crate::ids::StateCode;
use crate::money::Money;
use crate::rules::{
    Bond, BondWhen, FeeCap, FeeKind, MORE_ASKED_SINCE, PerformWithin, Performance, RulePack,
    Security, StatementDuty,
};
use crate::terms::{FullyPerformed, Work};

/// The edition of the rules that first asked whether all was done where security is for what is paid before.
const DONE_ASKED_SINCE: u32 = 5;

impl Judge<'_> {
    /// What is not known of the law of the agreements under which fees were claimed and of the newest one, by the state whose
    /// law it is: of the signing, and of each day on which a fee was asked for, or today.
    pub fn unknown_law(&self) -> BTreeMap<StateCode, BTreeSet<Unknown>> {
        let (firm, today) = (self.matter.firm, self.matter.today);
        let mut unknown: BTreeMap<StateCode, BTreeSet<Unknown>> = BTreeMap::new();
        for (at, standing) in self.story.standing.iter().enumerate() {
            let agreement = |slot: usize| self.slots[slot].agreement;
            let mut days: BTreeSet<CivilDate> = BTreeSet::new();
            for fee in self.claimed.iter().filter(|fee| fee.slot.and_then(agreement) == Some(at)) {
                days.extend(&fee.asked_on);
                days.extend(fee.asked_on.is_empty().then_some(today));
            }
            days.extend((at + 1 == self.story.standing.len()).then_some(today));
            let asked = |on| firm.law_of_asking(standing.place, standing.signed_on(), on);
            let asking = days.iter().filter_map(|on| Some(asked(*on)?.state));
            let signing = standing.known.iter().filter(|_| !days.is_empty()).cloned();
            for known in asking.chain(signing) {
                let Known::Unknown(reasons) = known else { continue };
                for reason in reasons {
                    let state = firm.state_of(&reason).unwrap_or(standing.state);
                    unknown.entry(state).or_default().insert(reason);
                }
            }
        }
        unknown
    }
}

impl<'a> Asking<'_, 'a> {
    pub(super) fn state(&self, slot: Slot, standing: &Standing<'a>) -> Ruling<'a> {
        let state = standing.state;
        let Some(law) = &self.law else {
            return Ruling::unknown(Because::NoFederalPack { on: self.on });
        };
        let mut found = Vec::new();
        if let Some(rule) = &law.prohibited {
            let fails = Ruling::fails(Because::Prohibited(state), Opens::Never);
            found.push(fails.citing(&rule.cites));
        }
        if let Some(rule) = &law.registration {
            found.extend(self.registered(state, standing).map(|r| r.citing(&rule.cites)));
        }
        for bond in &law.bonds {
            found.extend(self.bond(slot, standing, bond));
        }
        if let Some(rule) = perform_within(law, standing) {
            found.extend(self.too_late(slot, standing, rule));
        }
        for pack in &law.states {
            found.extend(self.of_pack(slot, standing, pack));
        }
        if self.judge.edition >= MORE_ASKED_SINCE {
            found.extend(standing.states.iter().flat_map(|pack| agreed(standing, pack)));
        }
        if let Some(rule) = &law.monthly_statement
            && !self.has_statement(slot, rule)
        {
            let fails = Ruling::fails(Because::NoStatement, Opens::PutRight);
            found.push(fails.citing(&rule.cites));
        }
        found.extend(unknown(standing.known.as_ref()));
        let known = law.state.clone().of_edition(self.judge.edition);
        found.extend(unknown(Some(&known)));
        Ruling::each(found).unwrap_or_else(|| allowed(standing, law))
    }

    /// The answer with what it rests on of the firm's own: the packs' adoptions, who stands for each, and what is on
    /// file with their states by the day of asking.
    pub(super) fn backed(&self, ruling: Ruling<'a>) -> Ruling<'a> {
        let standing = self.slot().and_then(|slot| self.agreement(slot));
        let (Some(standing), Some(law)) = (standing, &self.law) else { return ruling };
        let firm = self.judge.matter.firm;
        let (mut told, mut counsel) = (Vec::new(), Vec::new());
        for pack in standing.states.iter().chain(&law.states) {
            let Some(adopted) = firm.adopted(&pack.reference()) else { continue };
            told.push(adopted.at.clone());
            match adopted.backing() {
                Backing::Counsel(confirmations) => {
                    told.extend(confirmations.iter().map(|confirmed| confirmed.at.clone()));
                    let confirmed =
                        confirmations.iter().map(|Confirmation { on, said, .. }| {
                            (pack.reference(), said.counsel.clone(), *on)
                        });
                    counsel.extend(confirmed);
                }
                Backing::OwnRisk(risk) => told.push(risk.at.clone()),
                Backing::Statute | Backing::Nobody => {}
            }
        }
        let states: BTreeSet<StateCode> =
            law.states.iter().filter_map(|pack| pack.state).chain([standing.state]).collect();
        let on_file = firm.standings.iter().filter(|filed| {
            states.contains(&filed.filed.state) && filed.filed.valid_from <= self.on
        });
        for filed in on_file {
            told.push(filed.at.clone());
            told.extend(filed.end.as_ref().map(|end| end.at.clone()));
        }
        told.sort_by_key(|event| event.position);
        told.dedup();
        counsel.sort();
        counsel.dedup();
        let why = Box::new(ruling.because);
        Ruling { because: Because::Stood { why, counsel, told }, ..ruling }
    }

    /// A bond stands on the days that its pack names.
    fn bond(&self, slot: Slot, standing: &Standing<'a>, bond: &Bond) -> Option<Ruling<'a>> {
        let state = standing.state;
        let answer = |on| self.judge.matter.firm.bond_on(state, bond.amount, on);
        let no_bond = |on| Because::NoBond { state, amount: bond.amount, on };
        self.stands(slot, standing, bond.stands(), answer, no_bond)
            .map(|ruling| ruling.citing(&bond.cites))
    }

    /// Something on file stands on the days of its rule.
    fn stands<'s>(
        &self,
        slot: Slot,
        standing: &Standing<'a>,
        when: BondWhen,
        answer: impl Fn(CivilDate) -> StandingAnswer<'s>,
        no_bond: impl Fn(CivilDate) -> Because<'a>,
    ) -> Option<Ruling<'a>> {
        let days = match when {
            BondWhen::Always => vec![standing.signed_on(), self.on],
            // "If, before full and complete performance, it charges or receives": nothing is charged before, once all is done.
            BondWhen::IfPaidBeforeAllDone if self.is_all_done(slot, standing) => Vec::new(),
            BondWhen::IfPaidBeforeAllDone => vec![self.on],
        };
        let mut found: Vec<Ruling<'a>> =
            days.into_iter().filter_map(|on| closed(answer(on), no_bond(on))).collect();
        if when == BondWhen::Always {
            let stood = |on| match answer(on) {
                StandingAnswer::Stands(_) => Answer::Holds,
                StandingAnswer::TooSmall(_) | StandingAnswer::Lapsed(_) => Answer::Fails,
                StandingAnswer::NeverRecorded => Answer::Unknown,
            };
            found.extend(self.short_of(slot, standing, stood).map(|(placed, answer)| Ruling {
                answer,
                ..Ruling::fails(no_bond(placed.on()), Opens::Never)
            }));
        }
        found.sort_by_key(|ruling| ruling.answer);
        found.into_iter().next()
    }

    /// Whether all that the agreement promised was done by the day of asking: every period that it estimates, and this one.
    fn is_all_done(&self, slot: Slot, standing: &Standing<'a>) -> bool {
        self.judge.edition >= DONE_ASKED_SINCE
            && standing.terms.periods > 0
            && self.contract_complete(slot, standing).answer == Answer::Holds
    }

    /// What one state's pack asks of a fee beside what is merged with others'.
    fn of_pack(&self, slot: Slot, standing: &Standing<'a>, pack: &'a RulePack) -> Vec<Ruling<'a>> {
        let state = pack.state.unwrap_or(standing.state);
        let mut found = Vec::new();
        if state != standing.state {
            if let Some(rule) = &pack.prohibited {
                let fails = Ruling::fails(Because::Prohibited(state), Opens::Never);
                found.push(fails.citing(&rule.cites));
            }
            if let Some(rule) = &pack.registration {
                found.extend(self.registered(state, standing).map(|r| r.citing(&rule.cites)));
            }
            if let Some(rule) = &pack.bond {
                let answer = |on| self.judge.matter.firm.bond_on(state, rule.amount, on);
                let no_bond = |on| Because::NoBond { state, amount: rule.amount, on };
                let ruling = self.stands(slot, standing, rule.stands(), answer, no_bond);
                found.extend(ruling.map(|ruling| ruling.citing(&rule.cites)));
            }
        }
        for rule in pack.security.iter().flatten() {
            let ruling = self.security(slot, standing, state, rule);
            found.extend(ruling.map(|ruling| ruling.citing(&rule.cites)));
        }
        for cap in pack.fee_caps.iter().flatten().filter(|cap| cap.of == FeeKind::Monthly) {
            let creditors = self.judge.matter.case.creditors(self.on);
            let ruling = self.amount.and_then(|amount| capped(state, amount, cap, creditors));
            found.extend(ruling.map(|ruling| ruling.citing(&cap.cites)));
        }
        found
    }

    fn security(
        &self,
        slot: Slot,
        standing: &Standing<'a>,
        state: StateCode,
        rule: &'a Security,
    ) -> Option<Ruling<'a>> {
        let amount = rule.amount.enough(&standing.terms);
        let answer = |on| self.judge.matter.firm.any_security_on(state, rule, amount, on);
        let missing = |on| Because::NoSecurity { state, rule, amount, on };
        self.stands(slot, standing, rule.when, answer, missing)
    }

    fn registered(
        &self,
        state: StateCode,
        standing: &Standing<'a>,
    ) -> impl Iterator<Item = Ruling<'a>> {
        let firm = self.judge.matter.firm;
        [standing.signed_on(), self.on].into_iter().filter_map(move |on| {
            let answer = firm.standing_on(state, StandingKind::Registration, on);
            closed(answer, Because::NotRegistered { state, on })
        })
    }

    /// Of the work that fulfils the promise, a piece on a day of which something does not hold, and how it
    /// answers: some set of work has to, and more work does no harm. What is not fulfilled is for another gate.
    fn short_of(
        &self,
        slot: Slot,
        standing: &Standing<'a>,
        on_day: impl Fn(CivilDate) -> Answer,
    ) -> Option<(&Placed<'a>, Answer)> {
        let at = self.judge.slot(slot.period.number)?;
        let promised = standing.terms.work(slot.kind);
        let mut worst = None;
        for &work in Work::ALL {
            let wanted = promised.iter().filter(|&&promised| promised == work).count();
            let done = self.judge.counting(at, self.on).map(|(_, placed)| placed);
            let mut done: Vec<(&Placed<'a>, Answer)> = done
                .filter(|placed| placed.done.work == work)
                .map(|placed| (placed, on_day(placed.on())))
                .collect();
            if done.len() < wanted {
                return None;
            }
            // The best of them fulfil it.
            done.sort_by_key(|(_, answer)| std::cmp::Reverse(*answer));
            worst = done
                .into_iter()
                .take(wanted)
                .chain(worst)
                .filter(|(_, answer)| *answer != Answer::Holds)
                .min_by_key(|(_, answer)| *answer);
        }
        worst
    }

    fn too_late(
        &self,
        slot: Slot,
        standing: &Standing<'a>,
        rule: &PerformWithin,
    ) -> Option<Ruling<'a>> {
        let last = BusinessCalendar::EveryDay.add_business_days(standing.signed_on(), rule.days);
        let in_time = |on| if on <= last { Answer::Holds } else { Answer::Fails };
        let (late, _) = self.short_of(slot, standing, in_time)?;
        let because = Because::TooLate { done: &late.done.moment.mark, last, days: rule.days };
        Some(Ruling::fails(because, Opens::Never).citing(&rule.cites))
    }

    /// Whether a statement of the period's work was sent in it, or within the pack's days after its last work.
    /// Without any work there is nothing to state, which is for another gate to say. A report states the work of
    /// the period that it counts for, or if it counts for none of that of its day.
    fn has_statement(&self, slot: Slot, rule: &StatementDuty) -> bool {
        let Some(at) = self.judge.slot(slot.period.number) else { return false };
        let done = || self.judge.counting(at, self.on).map(|(_, placed)| placed);
        // A report sent before any other work was done states none.
        let other = done().find(|placed| placed.done.work != Work::ProgressReport);
        let Some(first) = other.or_else(|| done().next()).map(Placed::on) else { return true };
        let last = done().last().map_or(first, Placed::on);
        let through = BusinessCalendar::EveryDay.add_business_days(last, rule.days_after_work());
        self.judge.work.iter().any(|placed| {
            let in_time = placed.on() < slot.period.end || placed.on() <= through;
            let states_it = match placed.standing {
                work::Standing::Counts(of) | work::Standing::InDoubt(of) => of == at,
                work::Standing::InPause
                | work::Standing::Breach
                | work::Standing::Preparation
                | work::Standing::WithoutBasis
                | work::Standing::WithoutAuthority
                | work::Standing::Nowhere => slot.period.contains(placed.on()),
            };
            placed.done.work == Work::ProgressReport
                && states_it
                && first <= placed.on()
                && in_time
                && placed.on() <= self.on
        })
    }
}

/// What stands in the way on a day of something that has to be on file.
fn closed<'a>(answer: StandingAnswer<'_>, because: Because<'a>) -> Option<Ruling<'a>> {
    match answer {
        StandingAnswer::Stands(_) => None,
        StandingAnswer::TooSmall(_) | StandingAnswer::Lapsed(_) => {
            Some(Ruling::fails(because, Opens::PutRight))
        }
        StandingAnswer::NeverRecorded => Some(Ruling::unknown(because)),
    }
}

fn unknown<'a>(known: Option<&Known>) -> Vec<Ruling<'a>> {
    let unknown = |reason| Ruling::unknown(Because::StateUnknown(reason));
    match known {
        Some(Known::Unknown(reasons)) => reasons.iter().cloned().map(Some).map(unknown).collect(),
        Some(Known::Confirmed | Known::AtOwnRisk(_)) => Vec::new(),
        None => vec![unknown(None)],
    }
}

/// How soon all has to be performed.
fn perform_within<'l>(law: &'l FeeLaw<'_>, standing: &Standing<'_>) -> Option<&'l PerformWithin> {
    let holds = |item| standing.agreement.holds(item);
    let limiting = law.states.iter().filter(|pack| pack.perform_within.is_some());
    if !limiting.clone().any(|pack| pack.performed_within(holds).is_none()) {
        return law.perform_within.as_ref();
    }
    limiting.filter_map(|pack| pack.performed_within(holds)).min_by_key(|rule| rule.days)
}

/// The whole contract, where a state's law lets a fee be asked for by the period only of another agreement.
pub(super) fn stricter_reading(law: &FeeLaw<'_>, standing: &Standing<'_>) -> Option<Performance> {
    let holds = |item| standing.agreement.holds(item);
    let readings = law.states.iter();
    let mut readings = readings.filter_map(|pack| pack.reading(holds, standing.terms.periods));
    readings.find(|rule| rule.reading == FullyPerformed::WholeContract)
}

/// What a state's pack asks of the agreement itself.
fn agreed<'a>(standing: &Standing<'a>, pack: &'a RulePack) -> Vec<Ruling<'a>> {
    let state = pack.state.unwrap_or(standing.state);
    let signed = &standing.agreement.signed;
    let mut found = Vec::new();
    if let Some(cap) = &pack.estimate_cap {
        let days = standing.terms.estimated_days();
        if !cap.allows(days) {
            let because = Because::EstimatedTooLong { signed, state, days, most: cap.days };
            found.push(Ruling::fails(because, Opens::Never).citing(&cap.cites));
        }
    }
    let asked = pack.items_asked();
    for (cites, items) in asked {
        let ruling = match &standing.agreement.items {
            None => Ruling::unknown(Because::ItemsUnsaid { signed, state }),
            Some(held) => {
                let items: Vec<_> = items.into_iter().filter(|i| !held.contains(i)).collect();
                if items.is_empty() {
                    continue;
                }
                let because = Because::AgreementLacks { signed, state, items };
                Ruling::fails(because, Opens::Never)
            }
        };
        found.push(ruling.citing(cites));
    }
    found
}

/// Whether an amount is above a cap for a client of so many creditors.
fn capped<'a>(state: StateCode, amount: Money, cap: &FeeCap, creditors: u32) -> Option<Ruling<'a>> {
    let exceeds =
        |most: Money| amount.currency() != most.currency() || amount.minor() > most.minor();
    if exceeds(cap.most) {
        let because = Because::AboveCap { state, amount, most: cap.most };
        return Some(Ruling::fails(because, Opens::PutRight));
    }
    let each = cap.per_creditor.filter(|_| exceeds(cap.most_for(Some(creditors))))?;
    let because = Because::AboveCapOfEach { state, amount, each, creditors };
    // Before a report shows a creditor, nobody knows how many there are.
    let ruling = if creditors == 0 {
        Ruling::unknown(because)
    } else {
        Ruling::fails(because, Opens::PutRight)
    };
    Some(ruling)
}

fn allowed<'a>(standing: &Standing<'a>, law: &FeeLaw) -> Ruling<'a> {
    let mut at_own_risk = Vec::new();
    for known in [standing.known.as_ref(), Some(&law.state)].into_iter().flatten() {
        if let Known::AtOwnRisk(packs) = known {
            at_own_risk.extend(packs.iter().cloned());
        }
    }
    at_own_risk.sort();
    at_own_risk.dedup();
    let (state, packs) = (standing.state, law.packs.clone());
    let exempt = law.exempt.clone();
    Ruling::holds(Because::StateAllows { state, packs, at_own_risk, exempt })
}
