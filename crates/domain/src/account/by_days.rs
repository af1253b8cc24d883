//! What the money of an account comes to once all that was told of it is gone through by its days: the same whatever was
//! told first.

use std::collections::BTreeMap;
use std::sync::Arc;

use calendar::CivilDate;

use super::cover::in_turns;
use super::shared::{NotAsked, rank};
use super::{Account, Invoice, LineSums, MoneyTold, Moved, Payment, Sum, Unfit};
use crate::event::{
    Applied, ChargebackOpened, ChargebackWon, InvoiceRestated, LinePart, MoneyFact, MoneyRestated,
    PaymentRestated, PaymentSettled, RefundIssued, UnearnedPaymentFound,
};
use crate::ids::ProcessorRef;
use crate::money::{Money, MoneyError};

/// Where a fact stands among the others: by its day, then by its kind, as one rests on another; of two alike by name and
/// amount.
type Place<'a> = (CivilDate, u8, Option<&'a ProcessorRef>, i64);

/// A reading of money by its days. What an event said by an earlier one stays what it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DaysEdition {
    /// A refund is of its own payment, whatever else was paid for the same.
    First,
    /// A refund is first of what was paid twice, whichever of the two payments it is of; and what a fact moved counts on its
    /// day, also where all of them together come to the same.
    Second,
}

impl DaysEdition {
    /// That of this software.
    pub const NOW: Self = Self::Second;
    /// Every one.
    pub const ALL: [Self; 2] = [Self::Second, Self::First];

    /// As an event says it.
    ///
    /// # Errors
    /// [`Unfit`] if there is none of that number.
    pub fn of(said: Option<u32>) -> Result<Self, Unfit> {
        match said {
            None => Ok(Self::First),
            Some(2) => Ok(Self::Second),
            Some(_) => Err(Unfit::Restated),
        }
    }

    const fn said(self) -> Option<u32> {
        match self {
            Self::First => None,
            Self::Second => Some(2),
        }
    }
}

/// What the facts of a day and a kind moved of an invoice's sum, or of no invoice.
type MovedOn = BTreeMap<(CivilDate, MoneyFact, Option<(u64, Sum)>), Money>;

impl Account {
    /// What no event says yet of what its money comes to by days, if anything. `not_asked` says what of the lines of an
    /// invoice may not be asked for.
    ///
    /// # Errors
    /// [`Unfit`] if what was told names what is not there, or an amount is none.
    pub fn restated(
        &self,
        not_asked: impl Fn(u64) -> Vec<NotAsked>,
    ) -> Result<Option<MoneyRestated>, Unfit> {
        self.restated_by(DaysEdition::NOW.said(), not_asked)
    }

    /// The same by a reading that an event names.
    ///
    /// # Errors
    /// [`Unfit`] as above, or if there is no such reading.
    pub fn restated_by(
        &self,
        edition: Option<u32>,
        not_asked: impl Fn(u64) -> Vec<NotAsked>,
    ) -> Result<Option<MoneyRestated>, Unfit> {
        let Some(currency) = self.told.values().next().map(|told| told.unearned.currency()) else {
            return Ok(None);
        };
        let read_by = DaysEdition::of(edition)?;
        let anew = self.by_days(read_by)?;
        let zero = Money::zero(currency);
        let beyond =
            |of: &Self| of.told.values().map(|told| told.beyond).try_fold(zero, Money::plus);
        let payments = anew.payments.iter().filter(|(name, payment)| {
            self.payments.get(*name).map(|own| own.unearned_left) != Some(payment.unearned_left)
        });
        let payments = payments.map(|(name, payment)| PaymentRestated {
            payment: name.clone(),
            unearned: payment.unearned_left,
        });
        let mut invoices = Vec::new();
        for (&number, invoice) in anew.invoices.iter() {
            if self.invoice(number)?.is_settled_as(invoice)? {
                continue;
            }
            let not_asked = not_asked(number);
            let sums = match invoice.sums.as_slice() {
                [_] => invoice.sums.clone(),
                _ => anew.sums_by_day(number, invoice, &not_asked)?,
            };
            let lines = sums.into_iter().zip(&not_asked).map(|(sums, of)| sums.shared(of));
            invoices.push(InvoiceRestated { invoice: number, lines: lines.collect() });
        }
        let payments: Vec<PaymentRestated> = payments.collect();
        let is_news = !payments.is_empty()
            || !invoices.is_empty()
            || beyond(&anew)? != beyond(self)?
            || (read_by >= DaysEdition::Second && anew.moved_on()? != self.moved_on()?);
        let beyond = beyond(&anew)?;
        Ok(is_news.then_some(MoneyRestated { beyond, edition, invoices, payments }))
    }

    /// What its facts moved, day by day. Which lines that was of, and what was owed of them, is told otherwise.
    fn moved_on(&self) -> Result<MovedOn, MoneyError> {
        let mut found = MovedOn::new();
        for told in self.told.values() {
            let of_invoices = told.moved.iter().filter(|moved| moved.sum != Sum::Returned);
            let of_invoices = of_invoices.map(|of| (Some((of.invoice, of.sum)), of.amount));
            // What is unearned and what went out beyond what came in make up the rest of what moved.
            for (of, amount) in of_invoices.chain([(None, told.unearned)]) {
                let zero = Money::zero(amount.currency());
                let sum = found.entry((told.mark.on, told.kind, of)).or_insert(zero);
                *sum = sum.plus(amount)?;
            }
        }
        found.retain(|_, sum| !sum.is_zero());
        Ok(found)
    }

    /// Takes in what its money comes to by days.
    pub(super) fn restate(&mut self, e: &MoneyRestated) -> Result<(), Unfit> {
        let anew = self.by_days(DaysEdition::of(e.edition)?)?;
        for part in &e.payments {
            let found = anew.payments.get(&part.payment).map(|payment| payment.unearned_left);
            if found != Some(part.unearned) {
                return Err(Unfit::Restated);
            }
        }
        for (&number, invoice) in Arc::make_mut(&mut self.invoices).iter_mut() {
            let anew = anew.invoice(number)?;
            if !invoice.is_settled_as(anew)? {
                let of = e.invoices.iter().find(|of| of.invoice == number);
                invoice.restate(anew, of.ok_or(Unfit::Restated)?)?;
            }
            invoice.charged_back = anew.charged_back;
        }
        self.payments = anew.payments;
        self.money_back = anew.money_back;
        self.told = anew.told;
        Ok(())
    }

    /// The account as it would stand if everything had been told in the order of the days. What was said of lines, of
    /// deposits and of charges stays.
    ///
    /// # Errors
    /// [`Unfit`] if what was told names what is not there, or an amount is none.
    pub fn by_days(&self, edition: DaysEdition) -> Result<Self, Unfit> {
        let mut anew = self.told_by_days(edition)?;
        for (name, payment) in Arc::make_mut(&mut anew.payments) {
            if let Some(before) = self.payments.get(name) {
                // What is found beyond what was found before is told by an event of its own.
                payment.unearned = payment.unearned.min(before.unearned);
            }
        }
        Ok(anew)
    }

    /// The same, with the most that was unearned of each payment on any of the days.
    fn told_by_days(&self, edition: DaysEdition) -> Result<Self, Unfit> {
        let mut anew = self.clone();
        for invoice in Arc::make_mut(&mut anew.invoices).values_mut() {
            invoice.forget_money();
        }
        (anew.payments, anew.told) = (Arc::default(), Arc::default());
        anew.money_back.clear();
        let mut facts: Vec<&MoneyTold> = self.told.values().collect();
        facts.sort_by_cached_key(|told| self.place_of(told));
        for told in &facts {
            anew.tell(self, told, edition)?;
            anew.keep_most_unearned()?;
        }
        for told in facts.into_iter().filter(|told| told.kind == MoneyFact::WrittenOff) {
            anew.write_off_rest(told)?;
        }
        anew.keep_of(self);
        Ok(anew)
    }

    /// A refund or chargeback is never before its payment, nor its end before a chargeback.
    fn place_of<'a>(&'a self, told: &'a MoneyTold) -> Place<'a> {
        let back = told.name.as_ref().and_then(|name| self.money_back.get(name));
        let is_of = told.kind != MoneyFact::PaymentSettled;
        let paid = back.filter(|_| is_of).and_then(|back| self.payments.get(&back.payment));
        let since = [back.map(|back| back.mark.on), paid.map(|paid| paid.mark.on)];
        let on = since.into_iter().flatten().filter(|_| is_of).fold(told.mark.on, CivilDate::max);
        let size = told.lowers.as_ref().map_or(0, |of| of.amount.minor());
        (on, rank(told.kind), told.name.as_ref(), size)
    }

    /// Tells a fact of another reading of this account.
    fn tell(&mut self, before: &Self, told: &MoneyTold, edition: DaysEdition) -> Result<(), Unfit> {
        let mark = told.mark.clone();
        let name = || told.name.as_ref().ok_or(Unfit::Missing("the name of what moved"));
        let back = || {
            let back = told.name.as_ref().and_then(|name| before.money_back.get(name));
            back.ok_or(Unfit::Missing("a refund or chargeback"))
        };
        match told.kind {
            MoneyFact::PaymentSettled => {
                let payment = before.payments.get(name()?).ok_or(Unfit::Missing("a payment"))?;
                let e = self.settles(name()?, payment.amount, payment.invoice(), mark.on)?;
                self.settled(&e, mark)?;
            }
            MoneyFact::RefundIssued => {
                let (amount, payment) = (back()?.amount, back()?.payment.clone());
                let (lines, owed, reason, request) = (None, None, None, None);
                let refund = name()?.clone();
                if edition >= DaysEdition::Second {
                    self.goes_back_of_what_was_paid_twice(&payment, amount)?;
                }
                let e = RefundIssued { amount, lines, owed, payment, reason, refund, request };
                self.refunded(&e, mark)?;
            }
            MoneyFact::ChargebackOpened => {
                let (amount, payment) = (back()?.amount, back()?.payment.clone());
                let (lines, respond_by) = (None, back()?.respond_by);
                let chargeback = name()?.clone();
                let e = ChargebackOpened { amount, chargeback, lines, payment, respond_by };
                self.charged_back(&e, mark)?;
                self.money_back_mut(name()?)?.lines = back()?.lines.as_ref().map(|_| Vec::new());
            }
            MoneyFact::ChargebackWon => {
                let whole = back()?.lines.as_ref().map(|_| true);
                let e = ChargebackWon { chargeback: name()?.clone(), whole };
                self.chargeback_won(&e, mark)?;
            }
            MoneyFact::ChargebackLost => self.chargeback_lost(name()?, &mark)?,
            MoneyFact::CreditGranted => self.credit(told)?,
            MoneyFact::WrittenOff => {
                let of = told.lowers.as_ref().ok_or(Unfit::Missing("an invoice"))?;
                let open = self.invoice(of.invoice)?.checked_open()?;
                let amount = of.amount.min(open.above(Money::zero(open.currency())));
                self.written_off(&Applied { amount, ..of.clone() }, None, &mark)?;
            }
            MoneyFact::PaymentFailed => self.keep(told.clone()),
        }
        if let Some(kept) = Arc::make_mut(&mut self.told).get_mut(&told.mark.at.position) {
            kept.lowers.clone_from(&told.lowers);
        }
        Ok(())
    }

    /// What a payment pays: the invoice that it is for, as far as nobody paid or forgave it. What is given up of it is
    /// recovered. The rest has no earned fee behind it (15 USC 1679b(b)), nor has what came before the fee was asked for.
    pub(super) fn settles(
        &self,
        name: &ProcessorRef,
        amount: Money,
        invoice: Option<u64>,
        on: CivilDate,
    ) -> Result<PaymentSettled, Unfit> {
        let zero = Money::zero(amount.currency());
        let pays = match invoice {
            None => zero,
            Some(number) => match self.invoice(number)? {
                invoice if on < invoice.issued.on => zero,
                invoice => amount.min(invoice.due()?.above(zero)),
            },
        };
        let applied = invoice.filter(|_| pays.is_positive());
        let applied = applied.map(|invoice| Applied { amount: pays, invoice });
        let meant = invoice.filter(|_| applied.is_none());
        let applied: Vec<Applied> = applied.into_iter().collect();
        let (payment, unearned) = (name.clone(), amount.minus(pays)?);
        Ok(PaymentSettled { amount, applied, lines: None, meant, payment, unearned })
    }

    /// Where an invoice was paid twice, a refund of the payment that pays it gives the other one its place: so the fee stays
    /// paid, and nothing more is owed, whichever of the two went back. What came before the fee was asked for pays nothing.
    fn goes_back_of_what_was_paid_twice(
        &mut self,
        payment: &ProcessorRef,
        amount: Money,
    ) -> Result<(), Unfit> {
        for Applied { amount: part, invoice } in self.taken_back(payment, amount)?.invoices {
            let issued = self.invoice(invoice)?.issued.on;
            let others = self.payments.iter().filter(|(name, of)| {
                *name != payment && of.invoice() == Some(invoice) && of.mark.on >= issued
            });
            let mut others: Vec<(CivilDate, ProcessorRef)> =
                others.map(|(name, of)| (of.mark.on, name.clone())).collect();
            others.sort_unstable();
            let mut left = part;
            for (_, name) in others.into_iter().rev() {
                let most = left.min(self.payment_mut(&name)?.unearned_left);
                let takes = self.payment_mut(payment)?.owes_of(invoice, most)?;
                self.payment_mut(&name)?.pays_of(invoice, takes)?;
                left = left.minus(takes)?;
            }
        }
        Ok(())
    }

    /// A credit forgives what is open, then what was given up. What it forgives of what was paid is owed to the client.
    fn credit(&mut self, fact: &MoneyTold) -> Result<(), Unfit> {
        let of = fact.lowers.as_ref().ok_or(Unfit::Missing("an invoice"))?;
        let invoice = self.invoice(of.invoice)?;
        let zero = Money::zero(of.amount.currency());
        let amount = of.amount.min(invoice.total.above(invoice.credited));
        let given_up = amount.above(invoice.checked_open()?.above(zero)).min(invoice.written_off);
        let paid = amount.above(invoice.due()?.above(zero));
        let mut told = self.begin(fact.kind, &fact.mark, zero.currency());
        let mut left = paid;
        let mut names: Vec<(CivilDate, ProcessorRef)> =
            self.payments.iter().map(|(name, payment)| (payment.mark.on, name.clone())).collect();
        names.sort_unstable();
        for (_, name) in names.into_iter().rev() {
            let payment = self.payment_mut(&name)?;
            left = left.minus(payment.owes_of(of.invoice, left)?)?;
        }
        let paid = paid.minus(left)?;
        let amount = amount.minus(left)?;
        told.unearned = paid;
        let invoice = self.invoice_mut(of.invoice)?;
        invoice.make_good(of.invoice, given_up, &mut told)?;
        let parts = invoice.split(Sum::Paid, paid.negated(), None, of.invoice)?;
        told.add((of.invoice, invoice), Sum::Paid, &parts)?;
        let parts = invoice.split(Sum::Credited, amount, None, of.invoice)?;
        told.add((of.invoice, invoice), Sum::Credited, &parts)?;
        self.keep(told);
        Ok(())
    }

    /// What found nothing open when it was given up is given up of what is open in the end.
    fn write_off_rest(&mut self, fact: &MoneyTold) -> Result<(), Unfit> {
        let of = fact.lowers.as_ref().ok_or(Unfit::Missing("an invoice"))?;
        let kept = self.told.get(&fact.mark.at.position);
        let mut told = kept.ok_or(Unfit::Missing("a fact about money"))?.clone();
        // What was paid of it since is recovered for good.
        let is_of = |moved: &&Moved| moved.sum == Sum::WrittenOff;
        let mut done = told.moved.iter().filter(is_of).map(|moved| moved.amount);
        let done = done.try_fold(Money::zero(of.amount.currency()), Money::plus)?;
        let open = self.invoice(of.invoice)?.checked_open()?;
        let amount = of.amount.above(done).min(open.above(Money::zero(open.currency())));
        if amount.is_positive() {
            self.invoice_mut(of.invoice)?.give_up(of.invoice, amount, None, &mut told)?;
            self.keep(told);
        }
        Ok(())
    }

    /// What was unearned of a payment was so even if it is paid back.
    fn keep_most_unearned(&mut self) -> Result<(), MoneyError> {
        for payment in Arc::make_mut(&mut self.payments).values_mut() {
            let more = payment.unearned_left.above(payment.unearned);
            payment.unearned = payment.unearned.plus(more)?;
        }
        Ok(())
    }

    /// Keeps what is not found by days: lines as they were named, deposits, what was given back as owed.
    fn keep_of(&mut self, before: &Self) {
        for (name, payment) in Arc::make_mut(&mut self.payments) {
            if let Some(before) = before.payments.get(name) {
                (payment.deposited, payment.held) = (before.deposited, before.held.clone());
            }
        }
        for (name, back) in &mut self.money_back {
            if let Some(before) = before.money_back.get(name) {
                (back.deposited, back.won_deposited) = (before.deposited, before.won_deposited);
                back.lines.clone_from(&before.lines);
            }
        }
        for (at, told) in Arc::make_mut(&mut self.told) {
            if let Some(before) = before.told.get(at) {
                told.held = before.held.clone();
                let returned = before.moved.iter().filter(|moved| moved.sum == Sum::Returned);
                told.moved.extend(returned.cloned());
            }
        }
        let invoices = Arc::make_mut(&mut self.invoices).values_mut();
        for (invoice, before) in invoices.zip(before.invoices.values()) {
            for (sums, before) in invoice.sums.iter_mut().zip(&before.sums) {
                sums.returned = before.returned;
            }
        }
    }

    /// What no earned fee stands behind of a payment any more, and was not found before: one that was paid again while a bank
    /// had taken it back is owed once the chargeback is won (15 USC 1679b(b)). It is the most that was on any day, whatever went
    /// back of it before that was known.
    ///
    /// # Errors
    /// [`Unfit`] if what was told names what is not there, or an amount is none.
    pub(crate) fn found_unearned(&self) -> Result<Vec<UnearnedPaymentFound>, Unfit> {
        let anew = self.told_by_days(DaysEdition::NOW)?;
        let found = self.payments.iter().filter_map(|(name, of)| {
            let by_days = anew.payments.get(name).map_or(of.unearned_left, |anew| anew.unearned);
            // While a review is due, what stands may be otherwise than by days.
            let most =
                if by_days.minor() > of.unearned_left.minor() { by_days } else { of.unearned_left };
            (most.minor() > of.unearned.minor())
                .then(|| UnearnedPaymentFound::of(most, name.clone()))
        });
        Ok(found.collect())
    }
}

impl Payment {
    /// The invoice that it is for.
    fn invoice(&self) -> Option<u64> {
        self.applied.first().map(|applied| applied.invoice).or(self.meant)
    }

    /// Turns up to so much of what it pays of an invoice into what is owed; gives how much.
    fn owes_of(&mut self, invoice: u64, most: Money) -> Result<Money, MoneyError> {
        let holds = self.left().above(self.unearned_left);
        let Some(applied) = self.applied.iter_mut().find(|of| of.invoice == invoice) else {
            return Ok(Money::zero(most.currency()));
        };
        let part = most.min(applied.amount).min(holds);
        applied.amount = applied.amount.minus(part)?;
        self.unearned_left = self.unearned_left.plus(part)?;
        Ok(part)
    }
}

impl Payment {
    /// Turns so much of what is owed of it into what it pays of an invoice.
    fn pays_of(&mut self, invoice: u64, part: Money) -> Result<(), MoneyError> {
        self.unearned_left = self.unearned_left.minus(part)?;
        match self.applied.iter_mut().find(|of| of.invoice == invoice) {
            Some(applied) => applied.amount = applied.amount.plus(part)?,
            None if part.is_zero() => {}
            None => self.applied.push(Applied { amount: part, invoice }),
        }
        Ok(())
    }
}

impl Invoice {
    /// What nobody paid or forgave: what is open, and what was given up.
    pub(super) fn due(&self) -> Result<Money, MoneyError> {
        self.checked_open()?.plus(self.written_off)
    }

    fn lost(&self) -> Result<Money, MoneyError> {
        let zero = Money::zero(self.total.currency());
        self.sums.iter().map(|sums| sums.lost).try_fold(zero, Money::plus)
    }

    fn is_settled_as(&self, other: &Self) -> Result<bool, MoneyError> {
        let of = |invoice: &Self| (invoice.paid, invoice.credited, invoice.written_off);
        Ok(of(self) == of(other) && self.lost()? == other.lost()?)
    }

    fn forget_money(&mut self) {
        let zero = Money::zero(self.total.currency());
        (self.paid, self.credited, self.written_off) = (zero, zero, zero);
        self.charged_back = zero;
        self.sums = vec![LineSums::nothing(zero); self.lines.len()];
    }

    fn restate(&mut self, anew: &Self, e: &InvoiceRestated) -> Result<(), Unfit> {
        (self.paid, self.credited) = (anew.paid, anew.credited);
        self.written_off = anew.written_off;
        let before = std::mem::replace(&mut self.sums, anew.sums.clone());
        self.share(e.invoice, &e.lines)?;
        for (sums, before) in self.sums.iter_mut().zip(before) {
            sums.returned = before.returned;
        }
        Ok(())
    }

    /// Makes good so much of what was given up: bad debt before what a bank had taken.
    pub(super) fn make_good(
        &mut self,
        number: u64,
        amount: Money,
        told: &mut MoneyTold,
    ) -> Result<(), Unfit> {
        if amount.is_zero() {
            return Ok(());
        }
        let zero = Money::zero(amount.currency());
        let lost = amount.above(self.written_off.above(self.lost()?));
        let lines = self.lines.iter().zip(&self.sums);
        // First where a line is settled with more than it is.
        let turns: Vec<[Money; 2]> = lines
            .map(|(line, sums)| {
                let settled = sums.paid.plus(sums.credited)?.plus(sums.written_off)?;
                let written_off = sums.written_off.above(zero);
                let first = settled.above(line.amount).min(written_off);
                Ok([first, written_off.above(first)])
            })
            .collect::<Result<_, MoneyError>>()?;
        let good = in_turns(amount, &turns)?.ok_or(Unfit::Lines(number))?;
        let turns: Vec<[Money; 2]> = good
            .iter()
            .zip(&self.sums)
            .map(|(&good, sums)| {
                let first = good.min(sums.lost.above(zero));
                [first, sums.lost.above(first)]
            })
            .collect();
        let of_bank = in_turns(lost, &turns)?.ok_or(Unfit::Lines(number))?;
        let less =
            |parts: Vec<Money>| -> Vec<Money> { parts.into_iter().map(Money::negated).collect() };
        told.add((number, self), Sum::Lost, &less(of_bank))?;
        told.add((number, self), Sum::WrittenOff, &less(good))
    }

    /// Gives so much up: what a bank had taken back and nobody gave up before is a chargeback loss.
    pub(super) fn give_up(
        &mut self,
        number: u64,
        amount: Money,
        lines: Option<&[LinePart]>,
        told: &mut MoneyTold,
    ) -> Result<(), Unfit> {
        let parts = self.split(Sum::WrittenOff, amount, lines, number)?;
        let lost = self.charged_back_of(amount);
        if lost.is_positive() {
            let weights: Vec<u64> =
                parts.iter().map(|part| part.minor().try_into().unwrap_or(0)).collect();
            told.add((number, self), Sum::Lost, &lost.allocate(&weights)?)?;
        }
        told.add((number, self), Sum::WrittenOff, &parts)
    }
}
