//! One line of an invoice: when it was asked for, and what became of its money.

use calendar::CivilDate;

use super::cover::in_turns;
use super::{Account, GivenToLine, Invoice, Moved, Sum, Unfit};
use crate::codec::record;
use crate::event::{LinePart, Loss};
use crate::ids::CaseId;
use crate::money::{Money, MoneyError};

record! {
    /// What of an invoice's sums is a line's.
    pub struct LineSums {
        /// Credited or paid back.
        credited: Money,
        /// What of the part written off a bank had taken back.
        lost: Money,
        /// Collected, less what went back.
        paid: Money,
        /// What refunds gave back of it as owed.
        returned: Money,
        /// Given up.
        written_off: Money,
    }
}

/// A line as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// The invoice.
    pub invoice: u64,
    /// Which of its lines, counted from 1.
    pub number: u32,
    /// First day of its period.
    pub start: CivilDate,
    /// First day after it.
    pub end: CivilDate,
    /// The days on which it was asked for: that of the invoice, and of each charge request.
    pub asked_on: Vec<CivilDate>,
    /// What became of it.
    pub money: LineMoney,
    /// What of it the processor was asked to give back, and nobody said what became of that.
    pub asked_back: Money,
}

/// The money of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineMoney {
    /// Collected, less what went back.
    pub paid: Money,
    /// Neither paid nor credited nor written off.
    pub open: Money,
    /// Credited or paid back. A chargeback is no gift: it opens the line again.
    pub given_back: Money,
    /// What of it was written off.
    pub lost: Loss,
    /// What refunds gave back of it as owed.
    pub returned: Money,
}

/// What of a part of a line became of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PartMoney {
    /// Collected, and not given back.
    pub owed: Money,
    /// Neither paid nor credited nor written off.
    pub open: Money,
    /// Credited or paid back.
    pub given_back: Money,
    /// Written off, if anything was.
    pub lost: Option<Loss>,
}

impl PartMoney {
    /// Of no part.
    pub(crate) const fn nothing(zero: Money) -> Self {
        Self { owed: zero, open: zero, given_back: zero, lost: None }
    }
}

impl LineMoney {
    /// What became of a part of the line: what is allowed is paid first, and given up last.
    pub(crate) fn of_part(&self, amount: Money, part: Money) -> PartMoney {
        let zero = Money::zero(amount.currency());
        let allowed = amount.above(part);
        let owed = self.paid.above(allowed);
        let open = self.open.above(allowed.above(self.paid));
        let given_back = self.given_back.min(part);
        let Loss { bad_debt, charged_back } = self.lost;
        let left = part.above(owed).above(open).above(given_back);
        let charged_back = charged_back.min(left);
        let bad_debt = bad_debt.min(left.above(charged_back));
        let lost = Loss { bad_debt, charged_back };
        let is_lost = bad_debt != zero || charged_back != zero;
        PartMoney { owed, open, given_back, lost: is_lost.then_some(lost) }
    }

    /// What of an amount was not given back.
    pub(crate) fn kept_of(&self, amount: Money) -> Money {
        amount.above(self.given_back)
    }
}

impl Account {
    /// The lines that a case was invoiced for on this account, the first invoice first.
    pub fn lines_of(&self, case: CaseId) -> impl Iterator<Item = Line> + '_ {
        self.invoices.iter().flat_map(move |(&invoice_number, invoice)| {
            let numbered = invoice.lines.iter().zip(&invoice.sums).zip(1..);
            let of_case = numbered.filter(move |((line, _), _)| line.case == case);
            of_case.map(move |((line, sums), number)| Line {
                invoice: invoice_number,
                number,
                start: line.start,
                end: line.end,
                asked_on: invoice.asked_on(),
                money: sums.money(line.amount),
                asked_back: self.asked_back_of_line(invoice_number, number, line.amount),
            })
        })
    }
}

impl LineSums {
    /// Of a line that nothing was paid for yet.
    pub(super) const fn nothing(zero: Money) -> Self {
        Self { credited: zero, lost: zero, paid: zero, returned: zero, written_off: zero }
    }

    /// What became of the line of an amount.
    pub(super) fn money(&self, amount: Money) -> LineMoney {
        let settled = self.paid.plus(self.credited).and_then(|sum| sum.plus(self.written_off));
        // What is settled beyond any amount leaves nothing open.
        let open = amount.above(settled.unwrap_or(amount));
        let charged_back = self.lost.above(Money::zero(amount.currency())).min(self.written_off);
        let bad_debt = self.written_off.above(charged_back);
        let lost = Loss { bad_debt, charged_back };
        LineMoney {
            paid: self.paid,
            open,
            given_back: self.credited,
            lost,
            returned: self.returned,
        }
    }
}

impl Invoice {
    /// The days on which it was asked for.
    fn asked_on(&self) -> Vec<CivilDate> {
        std::iter::once(self.issued.on).chain(self.charges()).collect()
    }

    /// What of an amount that is added to a sum is each line's: what the event names, or, of an older event and of
    /// an invoice of one line, its share of the whole sum by largest remainder.
    pub(super) fn split(
        &self,
        sum: Sum,
        amount: Money,
        named: Option<&[LinePart]>,
        number: u64,
    ) -> Result<Vec<Money>, Unfit> {
        let Some(named) = named else { return Ok(self.pro_rata(sum, amount)?) };
        let mut parts = vec![Money::zero(amount.currency()); self.lines.len()];
        for part in named.iter().filter(|part| part.invoice == number) {
            let place = usize::try_from(part.line).ok().and_then(|line| line.checked_sub(1));
            let at = place.and_then(|place| parts.get_mut(place));
            let at = at.ok_or(Unfit::Missing("a line of an invoice"))?;
            *at = at.plus(part.amount)?;
        }
        let zero = Money::zero(amount.currency());
        let all = parts.iter().try_fold(zero, |sum, part| sum.plus(*part))?;
        let is_below = named.iter().any(|part| part.amount.minor() < 0);
        if all == amount && !is_below { Ok(parts) } else { Err(Unfit::Lines(number)) }
    }

    fn pro_rata(&self, sum: Sum, amount: Money) -> Result<Vec<Money>, MoneyError> {
        if self.lines.len() == 1 {
            return Ok(vec![amount]);
        }
        let weights: Vec<u64> =
            self.lines.iter().map(|line| line.amount.minor().unsigned_abs()).collect();
        let before = match sum {
            Sum::Credited => self.credited,
            Sum::Lost | Sum::Returned => Money::zero(amount.currency()),
            Sum::Paid => self.paid,
            Sum::WrittenOff => self.written_off,
        };
        let (now, then) = (before.plus(amount)?.allocate(&weights)?, before.allocate(&weights)?);
        now.into_iter().zip(then).map(|(now, then)| now.minus(then)).collect()
    }

    /// What comes of the parts of its lines that a chargeback took, once it is won.
    pub(super) fn given_to_lines(
        &self,
        named: &[LinePart],
        taken: Money,
        number: u64,
    ) -> Result<Vec<GivenToLine>, Unfit> {
        let taken = self.split(Sum::Paid, taken, Some(named), number)?;
        let lines = self.lines.iter().zip(&self.sums).zip(taken);
        let given = lines.map(|((line, sums), taken)| {
            let open = taken.min(sums.money(line.amount).open);
            let zero = Money::zero(taken.currency());
            let recovered = taken.above(open).min(sums.written_off.above(zero));
            GivenToLine { open, recovered }
        });
        Ok(given.collect())
    }

    /// The same of the whole invoice: first it makes good what was written off because a bank had taken it, then it pays what
    /// is open, then it makes good what else was written off; each first of the lines that it was taken of.
    pub(super) fn given_to_any(
        &self,
        named: &[LinePart],
        taken: Money,
        number: u64,
    ) -> Result<Vec<GivenToLine>, Unfit> {
        let zero = Money::zero(taken.currency());
        let lost = self.sums.iter().map(|sums| sums.lost).try_fold(zero, Money::plus)?;
        let written_off = self.written_off.above(zero);
        let first = taken.min(lost.above(zero)).min(written_off);
        let open = taken.above(first).min(self.checked_open()?.above(zero));
        let recovered = taken.above(open).min(written_off);
        // What a refund gave back of it since is taken no more.
        let of_line = |line: u32| {
            let is_its = |part: &&LinePart| (part.invoice, part.line) == (number, line);
            named.iter().find(is_its).map_or(zero, |part| part.amount)
        };
        let of_lines: Vec<Money> = (1..).zip(&self.lines).map(|(at, _)| of_line(at)).collect();
        let turns = |of: fn(&LineSums, Money) -> Money| -> Vec<[Money; 2]> {
            let lines = self.lines.iter().zip(&self.sums).zip(&of_lines);
            let turns = lines.map(|((line, sums), &taken)| {
                let most = of(sums, line.amount);
                [taken.min(most), most.above(taken)]
            });
            turns.collect()
        };
        let opened = in_turns(open, &turns(|sums, amount| sums.money(amount).open))?;
        let of_lines = turns(|sums, amount| sums.written_off.above(Money::zero(amount.currency())));
        let good = in_turns(recovered, &of_lines)?;
        let (opened, good) = opened.zip(good).ok_or(Unfit::Lines(number))?;
        let given = opened.into_iter().zip(good);
        Ok(given.map(|(open, recovered)| GivenToLine { open, recovered }).collect())
    }

    /// Adds to a sum of a line, and to the invoice's.
    pub(super) fn add(&mut self, moved: &Moved) -> Result<(), Unfit> {
        let place = usize::try_from(moved.line).ok().and_then(|line| line.checked_sub(1));
        let line = place.and_then(|place| self.sums.get_mut(place));
        let line = line.ok_or(Unfit::Missing("a line of an invoice"))?;
        let (of_line, of_all) = match moved.sum {
            Sum::Credited => (&mut line.credited, Some(&mut self.credited)),
            Sum::Lost => (&mut line.lost, None),
            Sum::Paid => (&mut line.paid, Some(&mut self.paid)),
            Sum::Returned => (&mut line.returned, None),
            Sum::WrittenOff => (&mut line.written_off, Some(&mut self.written_off)),
        };
        *of_line = of_line.plus(moved.amount)?;
        if let Some(of_all) = of_all {
            *of_all = of_all.plus(moved.amount)?;
        }
        Ok(())
    }
}
