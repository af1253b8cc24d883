//! What the client's state asks (15 USC 1679j).

use calendar::BusinessCalendar;

use super::because::{Because, Ruling};
use super::gates::Asking;
use super::grid::Slot;
use super::story::Standing;
use crate::event::StandingKind;
use crate::gates::Opens;
use crate::rules::PerformWithin;
use crate::terms::Work;

impl<'a> Asking<'_, 'a> {
    pub(super) fn state(&self, slot: Slot, standing: &Standing<'a>) -> Ruling<'a> {
        let (state, rules) = (standing.agreement.state, &standing.rules);
        if let Some(rule) = &rules.prohibited {
            return Ruling::fails(Because::Prohibited(state), Opens::Never).citing(&rule.cites);
        }
        let on_file = |kind| self.judge.matter.firm.standing(state, kind, self.on);
        if let Some(rule) = &rules.registration
            && on_file(StandingKind::Registration).is_none()
        {
            let because = Because::NotRegistered { state, on: self.on };
            return Ruling::fails(because, Opens::PutRight).citing(&rule.cites);
        }
        if let Some(rule) = &rules.bond {
            let amount = on_file(StandingKind::Bond).and_then(|bond| bond.amount);
            if amount.is_none_or(|amount| amount.minor() < rule.amount.minor()) {
                let because = Because::NoBond { state, amount: rule.amount, on: self.on };
                return Ruling::fails(because, Opens::PutRight).citing(&rule.cites);
            }
        }
        if let Some(rule) = &rules.perform_within
            && let Some(late) = self.too_late(slot, standing, rule)
        {
            return late.citing(&rule.cites);
        }
        if let Some(rule) = &rules.monthly_statement
            && !self.has_statement(slot)
        {
            return Ruling::fails(Because::NoStatement, Opens::PutRight).citing(&rule.cites);
        }
        Ruling::holds(Because::StateAllows { state, packs: rules.packs.clone() })
    }

    fn too_late(
        &self,
        slot: Slot,
        standing: &Standing<'a>,
        rule: &PerformWithin,
    ) -> Option<Ruling<'a>> {
        let last = BusinessCalendar::EveryDay.add_business_days(standing.signed_on(), rule.days);
        let at = self.judge.slot(slot.period.number)?;
        let mut counting = self.judge.counting(at, self.on).map(|(_, placed)| placed);
        let late = counting.find(|placed| placed.on() > last)?;
        let because = Because::TooLate { done: &late.done.moment.mark, last, days: rule.days };
        Some(Ruling::fails(because, Opens::Never))
    }

    /// Whether a statement of the period's work was sent in it or later.
    fn has_statement(&self, slot: Slot) -> bool {
        self.judge.work.iter().any(|placed| {
            placed.done.work == Work::ProgressReport
                && slot.period.start <= placed.on()
                && placed.on() <= self.on
        })
    }
}
