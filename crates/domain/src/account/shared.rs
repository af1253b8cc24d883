//! Which lines of an invoice its money is of, by the days of what was told of it and what is known of its fees now: the
//! same whatever was told first.

use std::collections::BTreeMap;

use calendar::CivilDate;

use super::cover::in_turns;
use super::{Account, DaysEdition, Invoice, LineSums, MoneyTold, Sum, Unfit};
use crate::case::Mark;
use crate::event::{KeptSince, LineShare, LinesShared, MoneyFact};
use crate::ids::ProcessorRef;
use crate::money::{Money, MoneyError};

/// What of a line may not be asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotAsked {
    /// What nothing allowed when it was asked for and counsel does not keep.
    pub exposed: Money,
    /// What of what nothing allowed counsel kept, each decision in order: it is of the money told since.
    pub kept: Vec<KeptSince>,
    /// What is no exposure, but unproved.
    pub unproved: Money,
}

impl NotAsked {
    /// Of a line of which everything may be asked for.
    pub const fn nothing(zero: Money) -> Self {
        Self { exposed: zero, kept: Vec::new(), unproved: zero }
    }

    /// What nothing allowed and counsel did not keep when a fact happened. Of one day what was told first came first.
    fn exposed_by(&self, fact: &Mark) -> Result<Money, MoneyError> {
        let Some(last) = self.kept.last() else { return Ok(self.exposed) };
        let whole = self.exposed.plus(last.amount)?;
        let is_before = |kept: &&KeptSince| (kept.on, kept.at) < (fact.on, fact.at.position);
        let by_then = self.kept.iter().rev().find(is_before);
        Ok(by_then.map_or(whole, |kept| whole.above(kept.amount)))
    }
}

/// Money of a fact that found no room on its day: it waits for what makes some.
struct Late<'a> {
    kind: Sum,
    name: Option<&'a ProcessorRef>,
    amount: Money,
}

/// The lines of an invoice, as the facts of its money are gone through by their days.
struct Lines<'a> {
    zero: Money,
    amounts: Vec<Money>,
    /// What of each nothing allowed and counsel does not keep, as a fact finds it.
    exposed: Vec<Money>,
    unproved: Vec<Money>,
    sums: Vec<LineSums>,
    /// What each payment covers.
    held: BTreeMap<&'a ProcessorRef, Vec<Money>>,
    /// What each chargeback took.
    taken: BTreeMap<&'a ProcessorRef, Vec<Money>>,
    late: Vec<Late<'a>>,
}

/// What comes first on one day, as one rests on another.
pub(super) const fn rank(kind: MoneyFact) -> u8 {
    match kind {
        MoneyFact::PaymentSettled => 0,
        MoneyFact::CreditGranted => 1,
        MoneyFact::RefundIssued => 2,
        MoneyFact::ChargebackOpened => 3,
        MoneyFact::WrittenOff => 4,
        MoneyFact::ChargebackWon => 5,
        MoneyFact::ChargebackLost | MoneyFact::PaymentFailed => 6,
    }
}

impl Account {
    /// What the money of an invoice comes to on its lines, if that is not how they stand. Nothing of an invoice of one line.
    ///
    /// # Errors
    /// [`Unfit`] if the invoice is not there, or an amount is none.
    pub fn shared_otherwise(
        &self,
        number: u64,
        not_asked: &[NotAsked],
    ) -> Result<Option<LinesShared>, Unfit> {
        self.shared_by(DaysEdition::NOW, number, not_asked)
    }

    /// The same by a reading: by what each fact moved, had all been told in the order of their days.
    ///
    /// # Errors
    /// [`Unfit`] if the invoice is not there, or an amount is none.
    pub fn shared_by(
        &self,
        edition: DaysEdition,
        number: u64,
        not_asked: &[NotAsked],
    ) -> Result<Option<LinesShared>, Unfit> {
        self.otherwise_than(&self.by_days(edition)?, number, not_asked)
    }

    /// The same as earlier software found it: by what each fact moved when it was told.
    ///
    /// # Errors
    /// [`Unfit`] if the invoice is not there, or an amount is none.
    pub fn shared_as_told(
        &self,
        number: u64,
        not_asked: &[NotAsked],
    ) -> Result<Option<LinesShared>, Unfit> {
        self.otherwise_than(self, number, not_asked)
    }

    fn otherwise_than(
        &self,
        told: &Self,
        number: u64,
        not_asked: &[NotAsked],
    ) -> Result<Option<LinesShared>, Unfit> {
        let invoice = self.invoice(number)?;
        if invoice.lines.len() < 2 || not_asked.len() != invoice.lines.len() {
            return Ok(None);
        }
        let sums = told.sums_by_day(number, invoice, not_asked)?;
        if sums == invoice.sums {
            return Ok(None);
        }
        let lines = sums.into_iter().zip(not_asked).map(|(sums, of)| sums.shared(of));
        Ok(Some(LinesShared { invoice: number, lines: lines.collect() }))
    }

    pub(super) fn sums_by_day(
        &self,
        number: u64,
        invoice: &Invoice,
        not_asked: &[NotAsked],
    ) -> Result<Vec<LineSums>, Unfit> {
        let mut facts: Vec<&MoneyTold> =
            self.told.values().filter(|told| told.invoices().contains(&number)).collect();
        let size = |told: &MoneyTold| {
            let of = |sum| told.moved_of(number, sum).map_or(0, Money::minor);
            (of(Sum::Paid), of(Sum::Credited), of(Sum::WrittenOff))
        };
        let place = |told: &MoneyTold| -> (CivilDate, u8, Option<ProcessorRef>, (i64, i64, i64)) {
            (told.mark.on, rank(told.kind), told.name.clone(), size(told))
        };
        facts.sort_by_cached_key(|told| place(told));
        let zero = Money::zero(invoice.total.currency());
        let mut lines = Lines {
            zero,
            amounts: invoice.lines.iter().map(|line| line.amount).collect(),
            exposed: not_asked.iter().map(|of| of.exposed).collect(),
            unproved: not_asked.iter().map(|of| of.unproved).collect(),
            sums: vec![LineSums::nothing(zero); invoice.lines.len()],
            held: BTreeMap::new(),
            taken: BTreeMap::new(),
            late: Vec::new(),
        };
        let mut lost = zero;
        for told in facts {
            let exposed = not_asked.iter().map(|of| of.exposed_by(&told.mark));
            lines.exposed = exposed.collect::<Result<_, _>>()?;
            let of = |sum| told.moved_of(number, sum);
            lost = lost.plus(of(Sum::Lost)?)?;
            let (paid, credited) = (of(Sum::Paid)?, of(Sum::Credited)?);
            let (written_off, name) = (of(Sum::WrittenOff)?, told.name.as_ref());
            match told.kind {
                MoneyFact::PaymentSettled => {
                    let open = paid.plus(written_off)?;
                    lines.recover(name, written_off.negated())?;
                    lines.add(Sum::Paid, name, open)?;
                }
                MoneyFact::CreditGranted => {
                    lines.forgive(paid.negated(), written_off.negated())?;
                    lines.add(Sum::Credited, None, credited)?;
                }
                MoneyFact::WrittenOff => lines.add(Sum::WrittenOff, None, written_off)?,
                MoneyFact::RefundIssued => {
                    lines.give_back(paid.negated())?;
                    // What it gave back of what a chargeback had taken before.
                    lines.add(Sum::Credited, None, credited.plus(paid)?)?;
                }
                MoneyFact::ChargebackOpened => {
                    let of = name.and_then(|name| self.money_back.get(name));
                    lines.charge_back(name, of.map(|of| &of.payment), paid.negated())?;
                }
                MoneyFact::ChargebackWon => {
                    let of = name.and_then(|name| self.money_back.get(name));
                    let payment = of.map(|of| &of.payment);
                    lines.give_again(name, payment, (paid, written_off.negated()))?;
                }
                MoneyFact::ChargebackLost | MoneyFact::PaymentFailed => {}
            }
        }
        lines.exposed = not_asked.iter().map(|of| of.exposed).collect();
        lines.finish(lost, &invoice.sums)
    }
}

impl<'a> Lines<'a> {
    fn count(&self) -> std::ops::Range<usize> {
        0..self.amounts.len()
    }

    /// What is open of a line: what may be asked for, what is unproved, what nothing allowed.
    fn open(&self, at: usize) -> [Money; 3] {
        let amount = self.amounts[at];
        let money = self.sums[at].money(amount);
        let exposed = money.of_part(amount, self.exposed[at]).open;
        let rest = money.open.above(exposed);
        let unproved = rest.min(self.unproved[at]);
        [rest.above(unproved), unproved, exposed]
    }

    fn owed(&self, at: usize) -> Money {
        let amount = self.amounts[at];
        self.sums[at].money(amount).of_part(amount, self.exposed[at]).owed
    }

    fn paid(&self, at: usize) -> Money {
        self.sums[at].paid.above(self.zero)
    }

    /// Shares as much of an amount as the turns of the lines take; gives what is left of it.
    fn share<const N: usize>(
        &self,
        amount: Money,
        turns: &[[Money; N]],
    ) -> Result<(Vec<Money>, Money), Unfit> {
        let all = turns.iter().flatten().copied().try_fold(self.zero, Money::plus)?;
        let fits = amount.min(all);
        let parts = in_turns(fits, turns)?.unwrap_or_else(|| vec![self.zero; turns.len()]);
        Ok((parts, amount.minus(fits)?))
    }

    /// Covers what is open: a credit first what nothing allowed, all else that last.
    fn add(
        &mut self,
        kind: Sum,
        name: Option<&'a ProcessorRef>,
        amount: Money,
    ) -> Result<(), Unfit> {
        let turns = self.count().map(|at| {
            let [asked, unproved, exposed] = self.open(at);
            Ok(match kind {
                Sum::Credited => [exposed, asked.plus(unproved)?, self.zero],
                Sum::Lost | Sum::Paid | Sum::Returned | Sum::WrittenOff => {
                    [asked, unproved, exposed]
                }
            })
        });
        let turns = turns.collect::<Result<Vec<_>, MoneyError>>()?;
        let (parts, left) = self.share(amount, &turns)?;
        for (at, &part) in parts.iter().enumerate() {
            let sums = &mut self.sums[at];
            let sum = match kind {
                Sum::Credited => &mut sums.credited,
                Sum::WrittenOff => &mut sums.written_off,
                Sum::Paid | Sum::Lost | Sum::Returned => &mut sums.paid,
            };
            *sum = sum.plus(part)?;
        }
        if let Some(name) = name {
            self.hold(name, &parts)?;
        }
        if left.is_positive() {
            self.late.push(Late { kind, name, amount: left });
        }
        Ok(())
    }

    /// What was given up is paid: first of what may be asked for.
    fn recover(&mut self, name: Option<&'a ProcessorRef>, amount: Money) -> Result<(), Unfit> {
        let turns: Vec<[Money; 2]> = self
            .count()
            .map(|at| {
                let sums = &self.sums[at];
                let written_off = sums.written_off.above(self.zero);
                let allowed = self.amounts[at].above(self.exposed[at]);
                let first = allowed.above(sums.paid).min(written_off);
                [first, written_off.above(first)]
            })
            .collect();
        let (parts, left) = self.share(amount, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&parts) {
            sums.written_off = sums.written_off.minus(part)?;
            sums.paid = sums.paid.plus(part)?;
        }
        if let Some(name) = name {
            self.hold(name, &parts)?;
        }
        self.never_covers(Sum::WrittenOff, None, left)?;
        self.add(Sum::Paid, name, left)
    }

    /// Makes room for a credit: what it forgives of what was paid, and of what was given up.
    fn forgive(&mut self, paid: Money, given_up: Money) -> Result<(), Unfit> {
        let turns: Vec<[Money; 2]> =
            self.count().map(|at| [self.owed(at), self.paid(at).above(self.owed(at))]).collect();
        let (parts, left) = self.share(paid, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&parts) {
            sums.paid = sums.paid.minus(part)?;
        }
        self.never_covers(Sum::Paid, None, left)?;
        let turns: Vec<[Money; 1]> =
            self.sums.iter().map(|sums| [sums.written_off.above(self.zero)]).collect();
        let (parts, left) = self.share(given_up, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&parts) {
            sums.written_off = sums.written_off.minus(part)?;
        }
        self.never_covers(Sum::WrittenOff, None, left)?;
        Ok(())
    }

    fn hold(&mut self, payment: &'a ProcessorRef, parts: &[Money]) -> Result<(), MoneyError> {
        let nothing = || vec![self.zero; parts.len()];
        let held = self.held.entry(payment).or_insert_with(nothing);
        for (held, part) in held.iter_mut().zip(parts) {
            *held = held.plus(*part)?;
        }
        Ok(())
    }

    /// A refund takes first what is owed.
    fn give_back(&mut self, amount: Money) -> Result<(), Unfit> {
        let turns: Vec<[Money; 2]> =
            self.count().map(|at| [self.owed(at), self.paid(at).above(self.owed(at))]).collect();
        let (parts, left) = self.share(amount, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&parts) {
            sums.paid = sums.paid.minus(part)?;
            sums.credited = sums.credited.plus(part)?;
        }
        self.never_covers(Sum::Paid, None, left)?;
        self.add(Sum::Credited, None, left)
    }

    /// A chargeback takes first what its payment covered.
    fn charge_back(
        &mut self,
        name: Option<&'a ProcessorRef>,
        payment: Option<&'a ProcessorRef>,
        amount: Money,
    ) -> Result<(), Unfit> {
        // What found no room yet goes back first.
        let left = self.never_covers(Sum::Paid, payment, amount)?;
        let held = payment.and_then(|payment| self.held.get(payment));
        let turns: Vec<[Money; 2]> = self
            .count()
            .map(|at| {
                let first = held.map_or(self.zero, |held| held[at].min(self.paid(at)));
                [first, self.paid(at).above(first)]
            })
            .collect();
        let (parts, _) = self.share(left, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&parts) {
            sums.paid = sums.paid.minus(part)?;
        }
        if let Some(held) = payment.and_then(|payment| self.held.get_mut(payment)) {
            for (held, &part) in held.iter_mut().zip(&parts) {
                *held = held.above(part);
            }
        }
        if let Some(name) = name {
            self.taken.insert(name, parts);
        }
        Ok(())
    }

    /// Takes money that found no room out of what waits for some; gives what is left of it.
    fn never_covers(
        &mut self,
        kind: Sum,
        payment: Option<&ProcessorRef>,
        amount: Money,
    ) -> Result<Money, MoneyError> {
        let mut left = amount;
        let is_of =
            |late: &&mut Late<'_>| late.kind == kind && (payment.is_none() || late.name == payment);
        for late in self.late.iter_mut().filter(is_of) {
            let part = left.min(late.amount);
            (late.amount, left) = (late.amount.minus(part)?, left.minus(part)?);
        }
        Ok(left)
    }

    /// Money of a chargeback that was won makes good what was written off and pays what is open, first of the lines that
    /// were opened by it.
    fn give_again(
        &mut self,
        name: Option<&'a ProcessorRef>,
        payment: Option<&'a ProcessorRef>,
        (paid, recovered): (Money, Money),
    ) -> Result<(), Unfit> {
        let nothing = vec![self.zero; self.amounts.len()];
        let taken = name.and_then(|name| self.taken.get(name)).cloned().unwrap_or(nothing);
        let turns: Vec<[Money; 2]> = self
            .count()
            .map(|at| {
                let written_off = self.sums[at].written_off.above(self.zero);
                let first = taken[at].min(written_off);
                [first, written_off.above(first)]
            })
            .collect();
        let (good, left) = self.share(recovered, &turns)?;
        self.never_covers(Sum::WrittenOff, None, left)?;
        for (sums, &part) in self.sums.iter_mut().zip(&good) {
            sums.written_off = sums.written_off.minus(part)?;
            sums.paid = sums.paid.plus(part)?;
        }
        let all = good.iter().copied().try_fold(self.zero, Money::plus)?;
        let turns: Vec<[Money; 1]> = self
            .count()
            .map(|at| {
                let open = self.sums[at].money(self.amounts[at]).open;
                [taken[at].above(good[at]).min(open)]
            })
            .collect();
        let (again, left) = self.share(paid.minus(all)?, &turns)?;
        for (sums, &part) in self.sums.iter_mut().zip(&again) {
            sums.paid = sums.paid.plus(part)?;
        }
        if let Some(payment) = payment {
            self.hold(payment, &good)?;
            self.hold(payment, &again)?;
        }
        self.add(Sum::Paid, payment, left)
    }

    /// The sums, once everything found room. `lost` is shared as what was written off is.
    fn finish(mut self, lost: Money, before: &[LineSums]) -> Result<Vec<LineSums>, Unfit> {
        for Late { kind, name, amount } in std::mem::take(&mut self.late) {
            self.add(kind, name, amount)?;
        }
        if !lost.is_zero() {
            let weights = |of: &dyn Fn(usize) -> Money| -> Vec<u64> {
                self.count().map(|at| of(at).minor().try_into().unwrap_or(0)).collect()
            };
            let mut shares = weights(&|at| self.sums[at].written_off);
            if shares.iter().all(|&share| share == 0) {
                shares = weights(&|at| self.amounts[at]);
            }
            for (sums, part) in self.sums.iter_mut().zip(lost.allocate(&shares)?) {
                sums.lost = part;
            }
        }
        // What refunds gave back as owed left the books with them.
        for (sums, before) in self.sums.iter_mut().zip(before) {
            sums.returned = before.returned;
        }
        Ok(self.sums)
    }
}

impl LineSums {
    /// As an event says it.
    pub(super) fn shared(self, not_asked: &NotAsked) -> LineShare {
        let some = |amount: Money| Some(amount).filter(|amount| !amount.is_zero());
        LineShare {
            credited: self.credited,
            exposed: some(not_asked.exposed),
            kept: Some(not_asked.kept.clone()).filter(|kept| !kept.is_empty()),
            lost: some(self.lost),
            paid: self.paid,
            unproved: some(not_asked.unproved),
            written_off: self.written_off,
        }
    }
}

impl Invoice {
    /// Takes in which lines its money is of: all of it, and no more.
    pub(super) fn share(&mut self, number: u64, lines: &[LineShare]) -> Result<(), Unfit> {
        let zero = Money::zero(self.total.currency());
        let nothing = LineSums::nothing(zero);
        if lines.len() != self.lines.len() {
            return Err(Unfit::Lines(number));
        }
        let sums = lines.iter().zip(&self.sums).map(|(line, before)| LineSums {
            credited: line.credited,
            lost: line.lost.unwrap_or(zero),
            paid: line.paid,
            returned: before.returned,
            written_off: line.written_off,
        });
        let sums: Vec<LineSums> = sums.collect();
        let all = |lines: &[LineSums]| {
            lines.iter().try_fold(nothing.clone(), |sum, line| {
                Ok::<_, MoneyError>(LineSums {
                    credited: sum.credited.plus(line.credited)?,
                    lost: sum.lost.plus(line.lost)?,
                    paid: sum.paid.plus(line.paid)?,
                    returned: zero,
                    written_off: sum.written_off.plus(line.written_off)?,
                })
            })
        };
        if all(&sums)? != all(&self.sums)? {
            return Err(Unfit::Lines(number));
        }
        self.sums = sums;
        Ok(())
    }
}
