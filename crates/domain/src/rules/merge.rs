//! How the federal rules and a state's meet: in each dimension the most protective wins (15 USC 1679j).

use calendar::CivilDate;

use super::{Anchor, Cancellation, RulePack, Rules};
use crate::ids::StateCode;

/// Of packs in the order adopted the version of a jurisdiction's that is in force on a day, the newest of several,
/// whenever the firm adopted it. Of two packs of one jurisdiction the firm follows the one that it adopted last.
pub fn followed<'p, P>(
    adopted: &'p [P],
    of: impl Fn(&'p P) -> &'p RulePack,
    state: Option<StateCode>,
    day: CivilDate,
) -> Option<&'p P> {
    let in_force = |known: &&'p P| {
        let pack = of(known);
        pack.state == state
            && pack.is_in_force(day)
            && !adopted.iter().any(|newer| pack.gives_way_to(of(newer), day))
    };
    let code = &of(adopted.iter().rev().find(in_force)?).code;
    let versions = adopted.iter().filter(|known| of(known).code == *code);
    versions.filter(in_force).max_by_key(|known| of(known).version)
}

impl RulePack {
    /// Whether a newer version has taken its place on a day on which both might be in force by their own
    /// days. It does so from its first day on, and for good: a law that has run out does not give way to
    /// what was read of it before, but to what begins later.
    fn gives_way_to(&self, newer: &Self, day: CivilDate) -> bool {
        newer.code == self.code
            && newer.version > self.version
            && newer.in_force_from <= day
            && newer.in_force_through.is_none_or(|last| self.in_force_from <= last)
    }
}

impl Rules {
    /// Merges the federal pack with those of the states that reach an agreement signed on `signed_on`, the client's
    /// own first. Nothing comes back if `federal` lacks a dimension that it must have.
    pub fn merge<'a>(
        federal: &'a RulePack,
        states: impl IntoIterator<Item = &'a RulePack>,
        signed_on: CivilDate,
    ) -> Option<Self> {
        federal.performance.as_ref()?;
        federal.telemarketing.as_ref()?;
        let packs: Vec<&RulePack> = std::iter::once(federal).chain(states).collect();
        Some(Self {
            bond: fee::largest(packs.iter().filter_map(|pack| pack.bond.as_ref())).cloned(),
            cancellation: longest(federal.cancellation.as_ref()?, &packs, signed_on),
            monthly_statement: packs.iter().rev().find_map(|pack| pack.monthly_statement.clone()),
            packs: packs.iter().map(|pack| pack.reference()).collect(),
            perform_within: fee::shorter(&packs),
            performance: fee::stricter_performance(&packs)?,
            prohibited: fee::duty(&packs, |pack| pack.prohibited.as_ref()),
            registration: fee::registration(&packs),
            telemarketing: fee::fewer_exempt(&packs)?,
        })
    }

    /// The last day on which the client may cancel without penalty, and the first day of service.
    pub fn cancellation_window(&self, signed_on: CivilDate) -> (CivilDate, CivilDate) {
        window(&self.cancellation, signed_on)
    }
}

impl Cancellation {
    /// The last day on which the client may cancel, and the first day of service.
    pub fn window(&self, signed_on: CivilDate) -> (CivilDate, CivilDate) {
        let from = match self.anchor {
            Some(Anchor::FromSigning) => signed_on.pred_opt().unwrap_or(signed_on),
            Some(Anchor::AfterSigning) | None => signed_on,
        };
        let is_closed =
            |day: &CivilDate| self.closed_days.as_ref().is_some_and(|closed| closed.contains(day));
        let is_open = |day: &CivilDate| self.calendar.is_business_day(*day) && !is_closed(day);
        let last = |days: u16, from: CivilDate| {
            let counted = from.iter_days().skip(1).filter(is_open);
            counted.take(usize::from(days)).last().unwrap_or(from)
        };
        let through = last(self.days, from).max(signed_on);
        // The bar on services counts the day of signing (15 USC 1679d(a)(2)).
        let before = signed_on.pred_opt().unwrap_or(signed_on);
        let bar = last(self.days, before).max(before);
        let opens = through.max(bar);
        (through, opens.succ_opt().unwrap_or(opens))
    }
}

fn window(rule: &Cancellation, signed_on: CivilDate) -> (CivilDate, CivilDate) {
    rule.window(signed_on)
}

/// The one whose window ends last; of equals the first, which is the federal.
fn longest(federal: &Cancellation, packs: &[&RulePack], signed_on: CivilDate) -> Cancellation {
    let rules = packs.iter().filter_map(|pack| pack.cancellation.as_ref());
    let longest = rules.rev().max_by_key(|rule| window(rule, signed_on));
    longest.unwrap_or(federal).clone()
}

/// What is asked of a fee by several packs at once, the federal ones first: where two ask the same, the
/// state's statute is cited for a duty, and the federal one for a number.
pub(crate) mod fee {
    use crate::rules::{
        Bond, BondWhen, Duty, PerformWithin, Performance, Registration, RulePack, StatementDuty,
        Telemarketing,
    };
    use crate::terms::FullyPerformed;

    pub(crate) fn duty<'a>(
        packs: &[&'a RulePack],
        of: impl Fn(&'a RulePack) -> Option<&'a Duty>,
    ) -> Option<Duty> {
        packs.iter().rev().find_map(|pack| of(pack)).cloned()
    }

    /// Registration, as the last pack that asks for it has it.
    pub(crate) fn registration(packs: &[&RulePack]) -> Option<Registration> {
        packs.iter().rev().find_map(|pack| pack.registration.clone())
    }

    /// The fewest days.
    pub(crate) fn shorter(packs: &[&RulePack]) -> Option<PerformWithin> {
        let rules = packs.iter().filter_map(|pack| pack.perform_within.as_ref());
        rules.min_by_key(|rule| rule.days).cloned()
    }

    /// The statement that has to be sent soonest.
    pub(crate) fn sooner(packs: &[&RulePack]) -> Option<StatementDuty> {
        let rules = packs.iter().rev().filter_map(|pack| pack.monthly_statement.as_ref());
        rules.min_by_key(|rule| rule.days_after_work()).cloned()
    }

    /// The largest bond, of equals the state's.
    pub(crate) fn largest<'a>(bonds: impl Iterator<Item = &'a Bond>) -> Option<&'a Bond> {
        bonds.max_by_key(|bond| bond.amount.minor())
    }

    /// Every bond that has to stand, each on its own days: the largest of those that must always stand, and
    /// a larger one that must stand if something is paid before all is done.
    pub(crate) fn bonds(packs: &[&RulePack]) -> Vec<Bond> {
        let of = |when: BondWhen| {
            let bonds = packs.iter().filter_map(|pack| pack.bond.as_ref());
            largest(bonds.filter(|bond| bond.stands() == when)).cloned()
        };
        let always = of(BondWhen::Always);
        let if_paid = of(BondWhen::IfPaidBeforeAllDone).filter(|bond| {
            always.as_ref().is_none_or(|always| always.amount.minor() < bond.amount.minor())
        });
        always.into_iter().chain(if_paid).collect()
    }

    /// The whole contract, if one pack reads it so. Nothing if no pack has a reading.
    pub(crate) fn stricter_performance(packs: &[&RulePack]) -> Option<Performance> {
        let readings = || packs.iter().filter_map(|pack| pack.performance.as_ref());
        let whole = readings().rev().find(|rule| rule.reading == FullyPerformed::WholeContract);
        whole.or_else(|| readings().next()).cloned()
    }

    /// The channels that every pack which rules on it exempts. Nothing if none does.
    pub(crate) fn fewer_exempt(packs: &[&RulePack]) -> Option<Telemarketing> {
        let mut rules = packs.iter().filter_map(|pack| pack.telemarketing.as_ref());
        let first = rules.next()?.clone();
        Some(rules.fold(first, |merged, rule| Telemarketing {
            cites: if rule.exempt.is_superset(&merged.exempt) {
                merged.cites
            } else {
                rule.cites.clone()
            },
            exempt: merged.exempt.intersection(&rule.exempt).copied().collect(),
        }))
    }
}
