//! What was told of money, kept with what each fact moved, so that one that was told wrongly can be taken back.

use std::sync::Arc;

use calendar::CivilDate;

use super::{Account, ChargebackStatus, Invoice, Unfit};
use crate::case::Mark;
use crate::codec::{codes, record};
use crate::event::{Applied, EventRef, LinePart, MoneyCorrected, MoneyFact};
use crate::ids::{AccountId, ProcessorRef};
use crate::money::{Currency, Money};

codes! {
    /// A sum of an invoice that its lines share.
    pub enum Sum {
        /// Credited or paid back.
        Credited = "credited",
        /// What of the part written off a bank had taken back.
        Lost = "lost",
        /// Paid, less what went back.
        Paid = "paid",
        /// Given back as owed.
        Returned = "returned",
        /// Given up.
        WrittenOff = "written_off",
    }
}

record! {
    /// What a fact added to a sum of a line; below zero what it took.
    pub struct Moved {
        /// How much.
        amount: Money,
        /// The invoice.
        invoice: u64,
        /// The line, counted from 1.
        line: u32,
        /// The sum.
        sum: Sum,
    }
}

record! {
    /// A fact about money, and what it moved.
    pub struct MoneyTold {
        /// What more went out since than came in; below zero what came back of that.
        beyond: Money,
        /// What its payment holds of lines since; below zero what it gave up.
        held: Vec<LinePart>,
        /// What kind of fact it is.
        kind: MoneyFact,
        /// Of a credit or a write-off, what it was to lower and by how much, however much of that it found.
        lowers: Option<Applied>,
        /// The event.
        mark: Mark,
        /// What it moved of invoices.
        moved: Vec<Moved>,
        /// The processor's name for the payment, refund or chargeback.
        name: Option<ProcessorRef>,
        /// Where it stands among the others: at its event, or at the one that it was told in the stead of.
        place: u64,
        /// What nothing earned stands behind since; below zero what went back of that.
        unearned: Money,
    }
}

record! {
    /// A correction of a fact about money.
    pub struct MoneyTakenBack {
        /// The account at which it was told anew, by the event behind the correction.
        again: Option<AccountId>,
        /// The correction.
        by: EventRef,
        /// Where the fact stood among the others.
        place: u64,
    }
}

impl MoneyTold {
    /// What it moved of an invoice's sum.
    pub fn moved_of(&self, invoice: u64, sum: Sum) -> Result<Money, Unfit> {
        let moved = self.moved.iter().filter(|moved| (moved.invoice, moved.sum) == (invoice, sum));
        let zero = Money::zero(self.unearned.currency());
        Ok(moved.map(|moved| moved.amount).try_fold(zero, Money::plus)?)
    }

    /// The invoices that it moved something of.
    pub fn invoices(&self) -> Vec<u64> {
        let mut invoices: Vec<u64> = self.moved.iter().map(|moved| moved.invoice).collect();
        invoices.dedup();
        invoices.sort_unstable();
        invoices.dedup();
        invoices
    }

    /// Whether it was told after another fact, or stands behind it.
    pub(super) fn came_since(&self, other: &Self) -> bool {
        let (own, of_other) = (self.mark.at.position, other.mark.at.position);
        own != of_other && (own > of_other || self.place > other.place)
    }

    /// Adds parts to a sum of an invoice's lines, and notes it.
    pub(super) fn add(
        &mut self,
        (number, invoice): (u64, &mut Invoice),
        sum: Sum,
        parts: &[Money],
    ) -> Result<(), Unfit> {
        for (line, &amount) in (1..).zip(parts).filter(|(_, amount)| !amount.is_zero()) {
            let moved = Moved { amount, invoice: number, line, sum };
            invoice.add(&moved)?;
            self.moved.push(moved);
        }
        Ok(())
    }
}

impl Account {
    /// The correction that the event at a position tells the fact of anew.
    fn correction_before(&self, position: u64) -> Option<&MoneyTakenBack> {
        let mut corrections = self.corrected.values();
        corrections.find(|known| known.again.is_some() && known.by.position + 1 == position)
    }

    /// Whether the event at a position tells anew what was told wrongly.
    pub fn tells_anew(&self, position: u64) -> bool {
        self.correction_before(position).is_some()
    }

    /// Whether a chargeback stands as lost, on a day or before: what was lost may be won in a later round.
    pub fn is_lost_by(&self, chargeback: &ProcessorRef, on: CivilDate) -> bool {
        let back = self.money_back.get(chargeback);
        back.is_some_and(|back| back.status == Some(ChargebackStatus::Lost))
            && self.lost(chargeback).is_some_and(|told| told.mark.on <= on)
    }

    /// The fact that a chargeback was lost.
    fn lost(&self, chargeback: &ProcessorRef) -> Option<&MoneyTold> {
        self.told.values().find(|told| {
            told.kind == MoneyFact::ChargebackLost && told.name.as_ref() == Some(chargeback)
        })
    }

    /// A fact that begins to be folded.
    pub(super) fn begin(&self, kind: MoneyFact, mark: &Mark, currency: Currency) -> MoneyTold {
        let position = mark.at.position;
        let stead = self.correction_before(position);
        MoneyTold {
            beyond: Money::zero(currency),
            held: Vec::new(),
            kind,
            lowers: None,
            mark: mark.clone(),
            moved: Vec::new(),
            name: None,
            place: stead.map_or(position, |correction| correction.place),
            unearned: Money::zero(currency),
        }
    }

    /// Keeps a fact that was folded.
    pub(super) fn keep(&mut self, told: MoneyTold) {
        Arc::make_mut(&mut self.told).insert(told.mark.at.position, told);
    }

    /// Takes back what a fact moved, and keeps that it was corrected.
    pub(super) fn take_back_fact(&mut self, e: &MoneyCorrected, by: EventRef) -> Result<(), Unfit> {
        let told = self.take_out(e.fact.position)?;
        if told.kind != e.kind {
            return Err(Unfit::Missing("a fact of this kind"));
        }
        let correction = MoneyTakenBack { again: e.again, by, place: told.place };
        self.corrected.insert(e.fact.position, correction);
        Ok(())
    }

    /// Takes back what a fact moved.
    pub(super) fn take_out(&mut self, at: u64) -> Result<MoneyTold, Unfit> {
        let told = Arc::make_mut(&mut self.told).remove(&at);
        let told = told.ok_or(Unfit::Missing("a fact about money"))?;
        for moved in &told.moved {
            let amount = moved.amount.negated();
            self.invoice_mut(moved.invoice)?.add(&Moved { amount, ..moved.clone() })?;
        }
        let name = || told.name.as_ref().ok_or(Unfit::Missing("the name of what moved"));
        match told.kind {
            MoneyFact::PaymentSettled => {
                Arc::make_mut(&mut self.payments).remove(name()?);
            }
            MoneyFact::RefundIssued => {
                self.unanswered(name()?);
                for instead in self.money_back_mut(name()?)?.instead.clone() {
                    self.take_instead(&instead, Money::minus)?;
                }
                self.never_went_back(name()?, &told)?;
            }
            MoneyFact::ChargebackOpened => {
                let back = self.money_back_mut(name()?)?.invoices.clone();
                for part in back {
                    let invoice = self.invoice_mut(part.invoice)?;
                    invoice.charged_back = invoice.charged_back.minus(part.amount)?;
                }
                self.never_went_back(name()?, &told)?;
            }
            MoneyFact::ChargebackWon => {
                let was_lost = self.lost(name()?).is_some();
                let before = if was_lost { ChargebackStatus::Lost } else { ChargebackStatus::Open };
                let back = self.money_back_mut(name()?)?;
                (back.status, back.won) = (Some(before), None);
                let (payment, amount, taken) =
                    (back.payment.clone(), back.amount, back.invoices.clone());
                for part in taken {
                    let invoice = self.invoice_mut(part.invoice)?;
                    invoice.charged_back = invoice.charged_back.plus(part.amount)?;
                }
                self.goes_back(&payment, amount, &told)?;
            }
            MoneyFact::ChargebackLost => {
                self.money_back_mut(name()?)?.status = Some(ChargebackStatus::Open);
            }
            MoneyFact::PaymentFailed | MoneyFact::CreditGranted | MoneyFact::WrittenOff => {}
        }
        for invoice in Arc::make_mut(&mut self.invoices).values_mut() {
            invoice.checked_open()?;
            invoice.step_back(at);
        }
        Ok(told)
    }

    /// Money of a payment never went back.
    fn never_went_back(&mut self, name: &ProcessorRef, told: &MoneyTold) -> Result<(), Unfit> {
        let back = self.money_back.remove(name);
        let back = back.ok_or(Unfit::Missing("a refund or chargeback"))?;
        self.goes_back(&back.payment, back.amount.negated(), told)
    }

    /// Notes on a payment that so much more of it went back, and that it holds what it held before a fact.
    fn goes_back(
        &mut self,
        payment: &ProcessorRef,
        amount: Money,
        told: &MoneyTold,
    ) -> Result<(), Unfit> {
        let payment = self.payment_mut(payment)?;
        payment.returned = payment.returned.plus(amount)?;
        payment.unearned_left = payment.unearned_left.minus(told.unearned)?;
        for part in &told.held {
            payment.holds(part.invoice, part.line, part.amount.negated())?;
        }
        Ok(())
    }
}
