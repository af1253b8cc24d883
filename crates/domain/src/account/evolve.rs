//! Folding an account's events.

use std::sync::Arc;

use super::cover::in_turns;
use super::{
    Account, ChargeStep, ChargeStepKind, ChargebackStatus, GivenToInvoice, Instead, Invoice,
    LineSums, MoneyBack, MoneyTold, Payment, Refunded, Suggestion, Sum, TakenBack, Unfit,
};
use crate::case::Mark;
use crate::event::{
    AccountEvent, Applied, CardOnFileChanged, ChargeRequested, ChargebackOpened, ChargebackWon,
    InvoiceIssued, LinePart, MoneyFact, Movement, MovementKind, PaymentFailed, PaymentSettled,
    Recorded, RefundIssued,
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
            AccountEvent::CardOnFileChanged(e) => self.card_changed(e, &mark),
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
            AccountEvent::ChargeRequested(e) => self.charge_requested(e, mark)?,
            AccountEvent::PaymentSettled(e) => self.settled(e, mark)?,
            AccountEvent::PaymentFailed(e) => self.failed(e, mark)?,
            AccountEvent::RefundRequested(e) => self.refund_requested(e, mark)?,
            AccountEvent::RefundFailed(e) => self.refund_failed(e)?,
            AccountEvent::RefundIssued(e) => self.refunded(e, mark)?,
            AccountEvent::ChargebackOpened(e) => self.charged_back(e, mark)?,
            AccountEvent::ChargebackWon(e) => self.chargeback_won(e, mark)?,
            AccountEvent::ChargebackLost(e) => self.chargeback_lost(&e.chargeback, &mark)?,
            AccountEvent::CreditGranted(e) => {
                let of = Applied { amount: e.amount, invoice: e.invoice };
                self.credited(&of, e.lines.as_deref(), &mark)?;
            }
            AccountEvent::WrittenOff(e) => {
                let of = Applied { amount: e.amount, invoice: e.invoice };
                self.written_off(&of, e.lines.as_deref(), &mark)?;
            }
            AccountEvent::MoneyCorrected(e) => self.take_back_fact(e, mark.at)?,
            AccountEvent::LinesShared(e) => {
                self.invoice_mut(e.invoice)?.share(e.invoice, &e.lines)?;
            }
            AccountEvent::MoneyRestated(e) => self.restate(e)?,
            AccountEvent::UnearnedPaymentFound(e) => {
                self.payment_mut(&e.payment)?.unearned = e.amount;
            }
            AccountEvent::MoneyDeposited(e) => {
                self.stand_behind(&e.movements, Some(e.deposit))?;
            }
            AccountEvent::MoneyUndeposited(e) => self.stand_behind(&e.movements, None)?,
        }
        Ok(())
    }

    /// Another card starts the tries anew: what failed was the old one. The same card with another
    /// month of validity is on file since it first was.
    fn card_changed(&mut self, changed: &CardOnFileChanged, mark: &Mark) {
        let is_new = self.card.as_ref().is_none_or(|old| {
            let same = changed.same.unwrap_or(old.token == changed.card.token);
            !same
        });
        self.card = Some(changed.card.clone());
        self.card_told = Some(mark.clone());
        if is_new {
            self.card_since = Some(mark.on);
        }
        for invoice in Arc::make_mut(&mut self.invoices)
            .values_mut()
            .filter(|invoice| is_new && invoice.failed.is_some())
        {
            let place = mark.at.position;
            invoice.step(ChargeStep::new(ChargeStepKind::NewCard, mark.clone(), place));
        }
    }

    fn issued(&mut self, e: &InvoiceIssued, mark: Mark) {
        let zero = Money::zero(e.total.currency());
        let invoice = Invoice {
            charge_asked: None,
            charge_open: None,
            charged_back: zero,
            credited: zero,
            due_on: e.due_on,
            failed: None,
            issued: mark,
            lines: e.lines.clone(),
            next_try_on: None,
            paid: zero,
            steps: Vec::new(),
            sums: vec![LineSums::nothing(zero); e.lines.len()],
            total: e.total,
            tries: 0,
            written_off: zero,
        };
        Arc::make_mut(&mut self.invoices).insert(e.number, invoice);
    }

    pub(super) fn invoice_mut(&mut self, number: u64) -> Result<&mut Invoice, Unfit> {
        let invoice = Arc::make_mut(&mut self.invoices).get_mut(&number);
        invoice.ok_or(Unfit::Missing("an invoice"))
    }

    pub(super) fn payment_mut(&mut self, name: &ProcessorRef) -> Result<&mut Payment, Unfit> {
        let payment = Arc::make_mut(&mut self.payments).get_mut(name);
        payment.ok_or(Unfit::Missing("a payment"))
    }

    pub(super) fn money_back_mut(&mut self, name: &ProcessorRef) -> Result<&mut MoneyBack, Unfit> {
        self.money_back.get_mut(name).ok_or(Unfit::Missing("a refund or chargeback"))
    }

    fn charge_requested(&mut self, e: &ChargeRequested, mark: Mark) -> Result<(), Unfit> {
        let place = mark.at.position;
        let step = ChargeStep::new(ChargeStepKind::Asked, mark, place);
        self.invoice_mut(e.invoice)?.step(ChargeStep {
            amount: Some(e.amount),
            attempt: Some(e.attempt),
            ..step
        });
        Ok(())
    }

    fn failed(&mut self, e: &PaymentFailed, mark: Mark) -> Result<(), Unfit> {
        let currency = self.invoice(e.invoice)?.total.currency();
        let told = self.begin(MoneyFact::PaymentFailed, &mark, currency);
        let step = ChargeStep::new(ChargeStepKind::Failed, mark, told.place);
        let (attempt, next_try_on, reason) = (Some(e.attempt), e.next_try_on, Some(e.reason));
        self.invoice_mut(e.invoice)?.step(ChargeStep { attempt, next_try_on, reason, ..step });
        self.keep(told);
        Ok(())
    }

    /// What it pays beyond what is open had been given up, and is recovered.
    pub(super) fn settled(&mut self, e: &PaymentSettled, mark: Mark) -> Result<(), Unfit> {
        let mut told = self.begin(MoneyFact::PaymentSettled, &mark, e.amount.currency());
        (told.name, told.unearned) = (Some(e.payment.clone()), e.unearned);
        for applied in &e.applied {
            let invoice = self.invoice_mut(applied.invoice)?;
            let (amount, lines) = (applied.amount, e.lines.as_deref());
            let zero = Money::zero(amount.currency());
            let recovered = amount.above(invoice.checked_open()?.above(zero));
            let parts = invoice.split(Sum::Paid, amount, lines, applied.invoice)?;
            told.add((applied.invoice, invoice), Sum::Paid, &parts)?;
            invoice.make_good(applied.invoice, recovered, &mut told)?;
            invoice.checked_open()?;
            invoice.step(ChargeStep::new(ChargeStepKind::Settled, mark.clone(), told.place));
            invoice.close_if_settled(&mark, told.place);
        }
        let payment = Payment {
            amount: e.amount,
            applied: e.applied.clone(),
            deposited: None,
            held: e.lines.clone().unwrap_or_default(),
            mark,
            meant: e.meant,
            returned: Money::zero(e.amount.currency()),
            unearned: e.unearned,
            unearned_left: e.unearned,
        };
        Arc::make_mut(&mut self.payments).insert(e.payment.clone(), payment);
        self.keep(told);
        Ok(())
    }

    /// A refund pays back what was unearned first. What it takes of an earned fee lowers the
    /// invoice with it: the client does not owe again what the firm gave back.
    pub(super) fn refunded(&mut self, e: &RefundIssued, mark: Mark) -> Result<(), Unfit> {
        let mut told = self.begin(MoneyFact::RefundIssued, &mark, e.amount.currency());
        told.name = Some(e.refund.clone());
        let Refunded { taken, instead } = self.refund_taken(&e.payment, e.amount)?;
        let back = (e.amount, mark, e.lines.clone());
        let back = self.take_back(&e.payment, taken, back, &mut told)?;
        for part in &instead {
            self.give_back_instead(part, &mut told)?;
        }
        for part in &back.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            let lines = e.lines.as_deref();
            let parts = invoice.split(Sum::Credited, part.amount, lines, part.invoice)?;
            told.add((part.invoice, invoice), Sum::Credited, &parts)?;
            let owed = e.owed.iter().flatten().filter(|owed| owed.invoice == part.invoice);
            let sum = Money::zero(part.amount.currency());
            let sum = owed.map(|owed| owed.amount).try_fold(sum, Money::plus)?;
            if let Some(owed) = e.owed.as_deref() {
                let parts = invoice.split(Sum::Returned, sum, Some(owed), part.invoice)?;
                told.add((part.invoice, invoice), Sum::Returned, &parts)?;
            }
            invoice.checked_open()?;
        }
        self.money_back.insert(e.refund.clone(), MoneyBack { instead, ..back });
        self.keep(told);
        self.answered(e)
    }

    fn credited(
        &mut self,
        of: &Applied,
        lines: Option<&[LinePart]>,
        mark: &Mark,
    ) -> Result<(), Unfit> {
        let mut told = self.begin(MoneyFact::CreditGranted, mark, of.amount.currency());
        told.lowers = Some(of.clone());
        let invoice = self.invoice_mut(of.invoice)?;
        let parts = invoice.split(Sum::Credited, of.amount, lines, of.invoice)?;
        told.add((of.invoice, invoice), Sum::Credited, &parts)?;
        invoice.checked_open()?;
        invoice.close_if_settled(mark, told.place);
        self.keep(told);
        Ok(())
    }

    pub(super) fn written_off(
        &mut self,
        of: &Applied,
        lines: Option<&[LinePart]>,
        mark: &Mark,
    ) -> Result<(), Unfit> {
        let mut told = self.begin(MoneyFact::WrittenOff, mark, of.amount.currency());
        told.lowers = Some(of.clone());
        let invoice = self.invoice_mut(of.invoice)?;
        invoice.give_up(of.invoice, of.amount, lines, &mut told)?;
        invoice.checked_open()?;
        invoice.close_if_settled(mark, told.place);
        self.keep(told);
        Ok(())
    }

    /// A chargeback opens the invoice again: the fee was earned, and the firm may still win.
    pub(super) fn charged_back(&mut self, e: &ChargebackOpened, mark: Mark) -> Result<(), Unfit> {
        let mut told = self.begin(MoneyFact::ChargebackOpened, &mark, e.amount.currency());
        told.name = Some(e.chargeback.clone());
        let taken = self.taken_back(&e.payment, e.amount)?;
        let back = (e.amount, mark, e.lines.clone());
        let back = self.take_back(&e.payment, taken, back, &mut told)?;
        for part in &back.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            add(&mut invoice.charged_back, part.amount)?;
            invoice.checked_open()?;
        }
        let (respond_by, status) = (e.respond_by, Some(ChargebackStatus::Open));
        self.money_back.insert(e.chargeback.clone(), MoneyBack { respond_by, status, ..back });
        self.keep(told);
        Ok(())
    }

    pub(super) fn chargeback_lost(
        &mut self,
        chargeback: &ProcessorRef,
        mark: &Mark,
    ) -> Result<(), Unfit> {
        let back = self.money_back_mut(chargeback)?;
        // By the days of one that was lost and then won on the same day, the win stands last.
        if back.won.is_none() {
            back.status = Some(ChargebackStatus::Lost);
        }
        let currency = back.amount.currency();
        let told = self.begin(MoneyFact::ChargebackLost, mark, currency);
        self.keep(MoneyTold { name: Some(chargeback.clone()), ..told });
        Ok(())
    }

    pub(super) fn chargeback_won(&mut self, e: &ChargebackWon, mark: Mark) -> Result<(), Unfit> {
        let (chargeback, again) = (&e.chargeback, self.given_again(e)?);
        let mut told = self.begin(MoneyFact::ChargebackWon, &mark, again.unearned.currency());
        (told.name, told.unearned) = (Some(chargeback.clone()), again.unearned);
        told.beyond = again.beyond.negated();
        let back = self.money_back_mut(chargeback)?;
        back.status = Some(ChargebackStatus::Won);
        back.won = Some(mark);
        let (amount, name) = (back.amount, back.payment.clone());
        let payment = self.payment_mut(&name)?;
        add(&mut payment.returned, amount.negated())?;
        add(&mut payment.unearned_left, again.unearned)?;
        for part in again.invoices {
            let number = part.invoice;
            let invoice = self.invoice_mut(number)?;
            let [paid, recovered] = part.parts(invoice)?;
            add(&mut invoice.charged_back, part.taken.negated())?;
            told.add((number, invoice), Sum::Paid, &paid)?;
            let less: Vec<Money> = recovered.iter().map(|part| part.negated()).collect();
            told.add((number, invoice), Sum::Lost, &less)?;
            told.add((number, invoice), Sum::WrittenOff, &less)?;
            invoice.checked_open()?;
            if part.lines.is_some() {
                let payment = self.payment_mut(&name)?;
                for (line, &amount) in (1..).zip(&paid) {
                    payment.holds(number, line, amount)?;
                    told.held.push(LinePart { amount, exposed: None, invoice: number, line });
                }
            }
        }
        self.keep(told);
        Ok(())
    }

    /// Takes money out of a payment and of the invoices it paid.
    fn take_back(
        &mut self,
        name: &ProcessorRef,
        taken: TakenBack,
        (amount, mark, lines): (Money, Mark, Option<Vec<LinePart>>),
        told: &mut MoneyTold,
    ) -> Result<MoneyBack, Unfit> {
        let TakenBack { unearned, invoices, beyond } = taken;
        let payment = self.payment_mut(name)?;
        add(&mut payment.returned, amount)?;
        add(&mut payment.unearned_left, unearned.negated())?;
        (told.unearned, told.beyond) = (unearned.negated(), beyond);
        for part in lines.iter().flatten() {
            let is_of =
                |held: &&mut LinePart| (held.invoice, held.line) == (part.invoice, part.line);
            if let Some(held) = payment.held.iter_mut().find(is_of) {
                let given_up = held.amount.min(part.amount);
                held.amount = held.amount.minus(given_up)?;
                let amount = given_up.negated();
                told.held.push(LinePart { amount, exposed: None, ..part.clone() });
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
            told.add((part.invoice, invoice), Sum::Paid, &parts)?;
        }
        Ok(MoneyBack {
            amount,
            beyond,
            deposited: None,
            instead: Vec::new(),
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

    /// A refund gave back what a chargeback had taken: what that opened again is forgiven, and what it took is lost.
    fn give_back_instead(&mut self, instead: &Instead, told: &mut MoneyTold) -> Result<(), Unfit> {
        add(&mut told.beyond, instead.sum()?)?;
        for &Applied { amount, invoice: number } in &instead.invoices {
            let invoice = self.invoice_mut(number)?;
            let lines = invoice.lines.iter().zip(&invoice.sums);
            let open: Vec<[Money; 1]> =
                lines.map(|(line, sums)| [sums.money(line.amount).open]).collect();
            let parts = in_turns(amount, &open)?.ok_or(Unfit::Lines(number))?;
            told.add((number, invoice), Sum::Credited, &parts)?;
        }
        self.take_instead(instead, Money::plus)
    }

    /// Turns what a chargeback took of a payment into what it took beyond it, or the other way.
    pub(super) fn take_instead(
        &mut self,
        instead: &Instead,
        turn: fn(Money, Money) -> Result<Money, MoneyError>,
    ) -> Result<(), Unfit> {
        let sum = instead.sum()?;
        let back = self.money_back_mut(&instead.chargeback)?;
        back.beyond = turn(back.beyond, sum)?;
        back.unearned = turn(back.unearned, instead.unearned.negated())?;
        for part in &instead.invoices {
            let of = back.invoices.iter_mut().find(|of| of.invoice == part.invoice);
            let of = of.ok_or(Unfit::Missing("an invoice"))?;
            of.amount = turn(of.amount, part.amount.negated())?;
        }
        for part in &instead.invoices {
            let invoice = self.invoice_mut(part.invoice)?;
            invoice.charged_back = turn(invoice.charged_back, part.amount.negated())?;
        }
        Ok(())
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
    /// Notes that it covers so much more of a line.
    pub(super) fn holds(
        &mut self,
        invoice: u64,
        line: u32,
        amount: Money,
    ) -> Result<(), MoneyError> {
        let of_line = self.held.iter_mut().find(|h| (h.invoice, h.line) == (invoice, line));
        match of_line {
            Some(held) => add(&mut held.amount, amount)?,
            None => self.held.push(LinePart { amount, exposed: None, invoice, line }),
        }
        Ok(())
    }
}

fn add(sum: &mut Money, amount: Money) -> Result<(), MoneyError> {
    *sum = sum.plus(amount)?;
    Ok(())
}
