//! Folding an account's events.

use std::sync::Arc;

use calendar::CivilDate;

use super::line::Sum;
use super::{
    Account, ChargebackStatus, GivenToInvoice, Invoice, LineSums, MoneyBack, Payment, Suggestion,
    TakenBack, Unfit,
};
use crate::case::Mark;
use crate::event::{
    AccountEvent, CardOnFileChanged, ChargebackOpened, InvoiceIssued, LinePart, Movement,
    MovementKind, PaymentSettled, Recorded, RefundIssued, WrittenOff,
};
use crate::ids::{DepositId, ProcessorRef};
use crate::money::{Money, MoneyError};

impl Account {
    /// Folds one event in. What it names has to be there, and every amount has to be one: on an error
    /// the account is half folded and of no use.
    pub(crate) fn evolve(
        &mut self,
        recorded: &Recorded,
        event: &AccountEvent,
    ) -> Result<(), Unfit> {
        self.version = recorded.stream_version;
        let mark = Mark::of(recorded);
        match event {
            AccountEvent::AccountOpened(e) => self.members = vec![e.owner],
            AccountEvent::CardOnFileChanged(e) => self.card_changed(e, mark.on),
            AccountEvent::LinkSuggested(e) => {
                let suggestion = Suggestion { mark, matches: e.matches.clone() };
                self.suggested.insert(e.member, suggestion);
            }
            AccountEvent::LinkRefused(e) => {
                self.suggested.remove(&e.member);
                self.refused.insert(e.member);
            }
            AccountEvent::MemberLinked(e) => {
                self.suggested.clear();
                self.refused.remove(&e.member);
                self.members.push(e.member);
                self.linked_by = Some(e.by);
            }
            AccountEvent::MemberUnlinked(e) => {
                self.members.retain(|member| *member != e.member);
                self.linked_by = None;
            }
            AccountEvent::PaymentMoved(e) => {
                self.suggested.clear();
                self.moved_to = Some(e.to);
            }
            AccountEvent::PaymentMovedBack(_) => self.moved_to = None,
            AccountEvent::InvoiceIssued(e) => self.issued(e, mark),
            AccountEvent::ChargeRequested(e) => {
                let invoice = self.invoice_mut(e.invoice)?;
                invoice.charges.push(mark.on);
                invoice.charge_asked = Some(mark);
                invoice.charge_open = Some(e.attempt);
                invoice.tries = e.attempt;
                invoice.next_try_on = None;
            }
            AccountEvent::PaymentSettled(e) => self.settled(e, mark)?,
            AccountEvent::PaymentFailed(e) => {
                let invoice = self.invoice_mut(e.invoice)?;
                invoice.charge_asked = None;
                invoice.charge_open = None;
                invoice.failed = Some(e.reason);
                invoice.next_try_on = e.next_try_on;
            }
            AccountEvent::RefundRequested(e) => self.refund_requested(e, mark)?,
            AccountEvent::RefundFailed(e) => self.refund_failed(e)?,
            AccountEvent::RefundIssued(e) => self.refunded(e, mark)?,
            AccountEvent::ChargebackOpened(e) => self.charged_back(e, mark)?,
            AccountEvent::ChargebackWon(e) => self.chargeback_won(&e.chargeback, mark)?,
            AccountEvent::ChargebackLost(e) => {
                self.money_back_mut(&e.chargeback)?.status = Some(ChargebackStatus::Lost);
            }
            AccountEvent::CreditGranted(e) => {
                let invoice = self.invoice_mut(e.invoice)?;
                let parts =
                    invoice.split(Sum::Credited, e.amount, e.lines.as_deref(), e.invoice)?;
                invoice.add(Sum::Credited, &parts)?;
                close_if_settled(invoice)?;
            }
            AccountEvent::WrittenOff(e) => self.written_off(e)?,
            // The payment itself carries the amount; this names the rule for the exposure report.
            AccountEvent::UnearnedPaymentFound(_) => {}
            AccountEvent::MoneyDeposited(e) => {
                self.stand_behind(&e.movements, Some(e.deposit))?;
            }
            AccountEvent::MoneyUndeposited(e) => self.stand_behind(&e.movements, None)?,
        }
        Ok(())
    }

    /// Another card starts the tries anew: what failed was the old one. The same card with another
    /// month of validity is on file since it first was.
    fn card_changed(&mut self, changed: &CardOnFileChanged, on: CivilDate) {
        let is_new = self.card.as_ref().is_none_or(|old| {
            let same = changed.same.unwrap_or(old.token == changed.card.token);
            !same
        });
        self.card = Some(changed.card.clone());
        if is_new {
            self.card_since = Some(on);
        }
        for invoice in Arc::make_mut(&mut self.invoices)
            .values_mut()
            .filter(|invoice| is_new && invoice.failed.is_some())
        {
            invoice.failed = None;
            invoice.next_try_on = None;
            invoice.tries = 0;
        }
    }

    fn issued(&mut self, e: &InvoiceIssued, mark: Mark) {
        let zero = Money::zero(e.total.currency());
        let invoice = Invoice {
            charge_asked: None,
            charge_open: None,
            charged_back: zero,
            charges: Vec::new(),
            credited: zero,
            due_on: e.due_on,
            failed: None,
            issued: mark,
            lines: e.lines.clone(),
            next_try_on: None,
            paid: zero,
            sums: vec![LineSums::nothing(zero); e.lines.len()],
            total: e.total,
            tries: 0,
            written_off: zero,
        };
        Arc::make_mut(&mut self.invoices).insert(e.number, invoice);
    }

    fn invoice_mut(&mut self, number: u64) -> Result<&mut Invoice, Unfit> {
        let invoice = Arc::make_mut(&mut self.invoices).get_mut(&number);
        invoice.ok_or(Unfit::Missing("an invoice"))
    }

    fn payment_mut(&mut self, name: &ProcessorRef) -> Result<&mut Payment, Unfit> {
        let payment = Arc::make_mut(&mut self.payments).get_mut(name);
        payment.ok_or(Unfit::Missing("a payment"))
    }

    fn money_back_mut(&mut self, name: &ProcessorRef) -> Result<&mut MoneyBack, Unfit> {
        self.money_back.get_mut(name).ok_or(Unfit::Missing("a refund or chargeback"))
    }

    fn settled(&mut self, e: &PaymentSettled, mark: Mark) -> Result<(), Unfit> {
        for applied in &e.applied {
            let invoice = self.invoice_mut(applied.invoice)?;
            let (amount, lines) = (applied.amount, e.lines.as_deref());
            let parts = invoice.split(Sum::Paid, amount, lines, applied.invoice)?;
            invoice.add(Sum::Paid, &parts)?;
            invoice.charge_asked = None;
            invoice.charge_open = None;
            invoice.failed = None;
            close_if_settled(invoice)?;
        }
        let payment = Payment {
            amount: e.amount,
            applied: e.applied.clone(),
            deposited: None,
            held: e.lines.clone().unwrap_or_default(),
            mark,
            returned: Money::zero(e.amount.currency()),
            unearned: e.unearned,
            unearned_left: e.unearned,
        };
        Arc::make_mut(&mut self.payments).insert(e.payment.clone(), payment);
        Ok(())
    }

    /// A refund pays back what was unearned first. What it takes of an earned fee lowers the
    /// invoice with it: the client does not owe again what the firm gave back.
    fn refunded(&mut self, e: &RefundIssued, mark: Mark) -> Result<(), Unfit> {
        let back = self.take_back(&e.payment, e.amount, mark, e.lines.clone())?;
        for part in &back.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            let lines = e.lines.as_deref();
            let parts = invoice.split(Sum::Credited, part.amount, lines, part.invoice)?;
            invoice.add(Sum::Credited, &parts)?;
            invoice.checked_open()?;
        }
        self.money_back.insert(e.refund.clone(), back);
        self.answered(e)
    }

    fn written_off(&mut self, e: &WrittenOff) -> Result<(), Unfit> {
        let invoice = self.invoice_mut(e.invoice)?;
        let parts = invoice.split(Sum::WrittenOff, e.amount, e.lines.as_deref(), e.invoice)?;
        let lost = invoice.charged_back_of(e.amount);
        if lost.is_positive() {
            let weights: Vec<u64> =
                parts.iter().map(|part| part.minor().try_into().unwrap_or(0)).collect();
            for (line, part) in invoice.sums.iter_mut().zip(lost.allocate(&weights)?) {
                add(&mut line.lost, part)?;
            }
        }
        invoice.add(Sum::WrittenOff, &parts)?;
        Ok(close_if_settled(invoice)?)
    }

    /// A chargeback opens the invoice again: the fee was earned, and the firm may still win.
    fn charged_back(&mut self, e: &ChargebackOpened, mark: Mark) -> Result<(), Unfit> {
        let back = self.take_back(&e.payment, e.amount, mark, e.lines.clone())?;
        for part in &back.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            add(&mut invoice.charged_back, part.amount)?;
            invoice.checked_open()?;
        }
        let (respond_by, status) = (e.respond_by, Some(ChargebackStatus::Open));
        self.money_back.insert(e.chargeback.clone(), MoneyBack { respond_by, status, ..back });
        Ok(())
    }

    fn chargeback_won(&mut self, chargeback: &ProcessorRef, mark: Mark) -> Result<(), Unfit> {
        let again = self.given_again(chargeback)?;
        let back = self.money_back_mut(chargeback)?;
        back.status = Some(ChargebackStatus::Won);
        back.won = Some(mark);
        let (amount, name) = (back.amount, back.payment.clone());
        let payment = self.payment_mut(&name)?;
        add(&mut payment.returned, amount.negated())?;
        add(&mut payment.unearned_left, again.unearned)?;
        for part in again.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            let [paid, recovered] = part.parts(invoice)?;
            add(&mut invoice.charged_back, part.taken.negated())?;
            invoice.add(Sum::Paid, &paid)?;
            let less: Vec<Money> = recovered.iter().map(|part| part.negated()).collect();
            for (line, part) in invoice.sums.iter_mut().zip(&less) {
                add(&mut line.lost, *part)?;
            }
            invoice.add(Sum::WrittenOff, &less)?;
            invoice.checked_open()?;
            if part.lines.is_some() {
                self.payment_mut(&name)?.holds_again(part.invoice, &paid)?;
            }
        }
        Ok(())
    }

    /// Takes money out of a payment and of the invoices it paid.
    fn take_back(
        &mut self,
        name: &ProcessorRef,
        amount: Money,
        mark: Mark,
        lines: Option<Vec<LinePart>>,
    ) -> Result<MoneyBack, Unfit> {
        let TakenBack { unearned, invoices } = self.taken_back(name, amount)?;
        let payment = self.payment_mut(name)?;
        add(&mut payment.returned, amount)?;
        add(&mut payment.unearned_left, unearned.negated())?;
        for part in lines.iter().flatten() {
            let is_of =
                |held: &&mut LinePart| (held.invoice, held.line) == (part.invoice, part.line);
            if let Some(held) = payment.held.iter_mut().find(is_of) {
                held.amount = held.amount.above(part.amount);
            }
        }
        for part in &invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            // What is taken out of lines is what the event names, or pro rata what it takes out of the sum.
            let parts = match lines.as_deref() {
                Some(named) => {
                    let parts = invoice.split(Sum::Paid, part.amount, Some(named), part.invoice)?;
                    parts.into_iter().map(Money::negated).collect()
                }
                None => invoice.split(Sum::Paid, part.amount.negated(), None, part.invoice)?,
            };
            invoice.add(Sum::Paid, &parts)?;
        }
        Ok(MoneyBack {
            amount,
            deposited: None,
            invoices,
            lines,
            mark,
            payment: name.clone(),
            respond_by: None,
            status: None,
            unearned,
            won: None,
            won_deposited: None,
        })
    }

    /// Notes which deposit movements stand behind, or that they stand behind none.
    fn stand_behind(
        &mut self,
        movements: &[Movement],
        deposit: Option<DepositId>,
    ) -> Result<(), Unfit> {
        for Movement { kind, name } in movements {
            match kind {
                MovementKind::Payment => self.payment_mut(name)?.deposited = deposit,
                MovementKind::Refund | MovementKind::Chargeback => {
                    self.money_back_mut(name)?.deposited = deposit;
                }
                MovementKind::ChargebackWon => self.money_back_mut(name)?.won_deposited = deposit,
            }
        }
        Ok(())
    }
}

impl GivenToInvoice {
    /// What of it is each line's, and what of that makes good a write-off.
    fn parts(&self, invoice: &Invoice) -> Result<[Vec<Money>; 2], Unfit> {
        if let Some(lines) = &self.lines {
            let paid = lines.iter().map(|line| line.open.plus(line.recovered));
            let recovered = lines.iter().map(|line| line.recovered).collect();
            return Ok([paid.collect::<Result<_, _>>()?, recovered]);
        }
        let paid = self.open.plus(self.recovered)?;
        let paid = invoice.split(Sum::Paid, paid, None, self.invoice)?;
        let less = invoice.split(Sum::WrittenOff, self.recovered.negated(), None, self.invoice)?;
        Ok([paid, less.into_iter().map(Money::negated).collect()])
    }
}

impl Payment {
    /// Notes that it covers parts of lines once more.
    fn holds_again(&mut self, invoice: u64, paid: &[Money]) -> Result<(), MoneyError> {
        for (line, &amount) in (1..).zip(paid) {
            let of_line = self.held.iter_mut().find(|h| (h.invoice, h.line) == (invoice, line));
            match of_line {
                Some(held) => add(&mut held.amount, amount)?,
                None => self.held.push(LinePart { amount, exposed: None, invoice, line }),
            }
        }
        Ok(())
    }
}

fn close_if_settled(invoice: &mut Invoice) -> Result<(), MoneyError> {
    if !invoice.checked_open()?.is_positive() {
        invoice.next_try_on = None;
    }
    Ok(())
}

fn add(sum: &mut Money, amount: Money) -> Result<(), MoneyError> {
    *sum = sum.plus(amount)?;
    Ok(())
}
