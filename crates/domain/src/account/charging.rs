//! Charging an invoice: what was asked of the processor, what it answered, and where that leaves the next try.

use calendar::CivilDate;

use super::{Account, Invoice};
use crate::case::Mark;
use crate::codec::{codes, record};
use crate::event::FailureReason;
use crate::money::Money;

codes! {
    /// What happened on the way to a paid invoice.
    pub enum ChargeStepKind {
        /// The processor was asked for a charge.
        Asked = "asked",
        /// It failed.
        Failed = "failed",
        /// Another card was put on file.
        NewCard = "new_card",
        /// Money came in.
        Settled = "settled",
        /// Nothing was open any more.
        Closed = "closed",
    }
}

record! {
    /// A step.
    pub struct ChargeStep {
        /// What was asked for, of a charge.
        amount: Option<Money>,
        /// The attempt, of a charge.
        attempt: Option<u32>,
        /// What happened.
        kind: ChargeStepKind,
        /// The event.
        mark: Mark,
        /// The day of the next try, of a charge that failed.
        next_try_on: Option<CivilDate>,
        /// Where it stands: at its event, or at the one that it was told in the stead of.
        place: u64,
        /// Why a charge failed.
        reason: Option<FailureReason>,
    }
}

/// A charge that the processor was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Charged {
    /// How much.
    pub amount: Money,
    /// The invoice.
    pub invoice: u64,
    /// The day.
    pub on: CivilDate,
}

impl Account {
    /// Every charge that the processor was asked for, in the order of asking.
    pub fn charged(&self) -> Vec<Charged> {
        let asked = self.invoices.iter().flat_map(|(number, invoice)| {
            let asked = invoice.steps.iter().filter(|step| step.kind == ChargeStepKind::Asked);
            asked.filter_map(|step| {
                let charged = Charged { amount: step.amount?, invoice: *number, on: step.mark.on };
                Some((step.mark.at.position, charged))
            })
        });
        let mut asked: Vec<(u64, Charged)> = asked.collect();
        asked.sort_by_key(|(position, _)| *position);
        asked.into_iter().map(|(_, charged)| charged).collect()
    }
}

impl ChargeStep {
    pub(super) const fn new(kind: ChargeStepKind, mark: Mark, place: u64) -> Self {
        let (amount, attempt, next_try_on, reason) = (None, None, None, None);
        Self { amount, attempt, kind, mark, next_try_on, place, reason }
    }
}

impl Invoice {
    /// Takes a step.
    pub(super) fn step(&mut self, step: ChargeStep) {
        let at = self.steps.partition_point(|known| known.place <= step.place);
        self.steps.insert(at, step);
        self.walk();
    }

    /// Forgets the steps of an event that was told wrongly.
    pub(super) fn step_back(&mut self, position: u64) {
        self.steps.retain(|step| step.mark.at.position != position);
        self.walk();
    }

    /// Notes that nothing is open any more, if so.
    pub(super) fn close_if_settled(&mut self, mark: &Mark, place: u64) {
        if !self.open().is_positive() {
            self.step(ChargeStep::new(ChargeStepKind::Closed, mark.clone(), place));
        }
    }

    /// The days on which the processor was asked to charge it.
    pub(super) fn charges(&self) -> impl Iterator<Item = CivilDate> + '_ {
        let asked = self.steps.iter().filter(|step| step.kind == ChargeStepKind::Asked);
        asked.map(|step| step.mark.on)
    }

    /// Where the steps lead.
    fn walk(&mut self) {
        (self.charge_asked, self.charge_open, self.failed) = (None, None, None);
        (self.next_try_on, self.tries) = (None, 0);
        for step in &self.steps {
            match step.kind {
                ChargeStepKind::Asked => {
                    self.charge_asked = Some(step.mark.clone());
                    self.charge_open = step.attempt;
                    self.next_try_on = None;
                    self.tries = step.attempt.unwrap_or_default();
                }
                ChargeStepKind::Failed => {
                    (self.charge_asked, self.charge_open) = (None, None);
                    (self.failed, self.next_try_on) = (step.reason, step.next_try_on);
                }
                ChargeStepKind::NewCard => {
                    if self.failed.take().is_some() {
                        (self.next_try_on, self.tries) = (None, 0);
                    }
                }
                ChargeStepKind::Settled => {
                    (self.charge_asked, self.charge_open, self.failed) = (None, None, None);
                }
                ChargeStepKind::Closed => self.next_try_on = None,
            }
        }
    }
}
