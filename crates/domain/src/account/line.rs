//! One line of an invoice: when it was asked for, and what became of its money.

use calendar::CivilDate;

use super::{Account, Invoice};
use crate::ids::CaseId;
use crate::money::Money;

/// A line as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// The invoice.
    pub invoice: u64,
    /// The days on which it was asked for: that of the invoice, and of each charge request.
    pub asked_on: Vec<CivilDate>,
    /// What became of it.
    pub money: LineMoney,
}

/// The money of a line: its share of its invoice's, by largest remainder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineMoney {
    /// Collected, less what went back.
    pub paid: Money,
    /// Neither paid nor credited nor written off.
    pub open: Money,
    /// Credited or paid back. A chargeback is no gift: it opens the line again.
    pub given_back: Money,
}

impl LineMoney {
    /// What of a part of the line is collected, and what is open: what is allowed is paid first.
    pub(crate) fn of_part(&self, amount: Money, part: Money) -> (Money, Money) {
        let zero = Money::zero(amount.currency());
        let less = |from: Money, what: Money| match from.minus(what) {
            Ok(left) if left.is_positive() => left,
            Ok(_) | Err(_) => zero,
        };
        let allowed = less(amount, part);
        let owed = less(self.paid, allowed);
        (owed, less(self.open, less(allowed, self.paid)))
    }

    /// What of an amount was not given back.
    pub(crate) fn kept_of(&self, amount: Money) -> Money {
        match amount.minus(self.given_back) {
            Ok(kept) if kept.is_positive() => kept,
            Ok(_) | Err(_) => Money::zero(amount.currency()),
        }
    }
}

impl Account {
    /// The lines for days of a case that this account was invoiced for, the first invoice first.
    pub fn lines_of(
        &self,
        case: CaseId,
        start: CivilDate,
        end: CivilDate,
    ) -> impl Iterator<Item = Line> + '_ {
        self.invoices.iter().flat_map(move |(&number, invoice)| {
            let named = invoice.lines.iter().enumerate().filter(move |(_, line)| {
                line.case == case && line.start == start && line.end == end
            });
            named.map(move |(at, _)| Line {
                invoice: number,
                asked_on: invoice.asked_on(),
                money: invoice.money_of(at),
            })
        })
    }
}

impl Invoice {
    /// The days on which it was asked for.
    fn asked_on(&self) -> Vec<CivilDate> {
        std::iter::once(self.issued.on).chain(self.charges.iter().copied()).collect()
    }

    /// What became of a line.
    fn money_of(&self, line: usize) -> LineMoney {
        LineMoney {
            paid: self.share(line, self.paid),
            open: self.open_of(line),
            // What was paid back lowered the invoice as a credit does.
            given_back: self.share(line, self.credited),
        }
    }

    /// What of a line is neither paid nor credited nor written off: with those it adds up to the cent.
    fn open_of(&self, line: usize) -> Money {
        let amount = self.lines[line].amount;
        let settled = [self.paid, self.credited, self.written_off];
        let left =
            settled.into_iter().try_fold(amount, |left, sum| left.minus(self.share(line, sum)));
        match left {
            Ok(left) if left.is_positive() => left,
            Ok(_) | Err(_) => Money::zero(amount.currency()),
        }
    }

    /// A line's share of an amount of the invoice, by largest remainder.
    fn share(&self, line: usize, amount: Money) -> Money {
        if self.lines.len() == 1 {
            return amount;
        }
        let weight = |minor: i64| u32::try_from(minor).unwrap_or(u32::MAX);
        let weights: Vec<u32> = self.lines.iter().map(|l| weight(l.amount.minor())).collect();
        amount.allocate(&weights).map_or(amount, |shares| shares[line])
    }
}
