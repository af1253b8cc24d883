//! Which lines of an invoice money covers. It is decided when the money is recorded, on what was marked of the fees by
//! then, and stands in the event: what is marked later moves no money that was recorded before.

use std::collections::BTreeMap;

use super::{Account, LineMoney, Payment, Unfit};
use crate::event::{Applied, LinePart, Loss};
use crate::money::Money;

/// What nothing allowed of lines, by the invoice and the line, counted from 1.
pub type Exposed = BTreeMap<(u64, u32), Money>;

/// Where money of an invoice comes from or goes.
#[derive(Clone, Copy, Debug)]
pub enum Flow<'a> {
    /// It was paid: first what may be asked for, and last what was given up.
    Payment,
    /// It is given up, in the same order: what nothing allowed was never the firm's to lose.
    WriteOff,
    /// It is forgiven: first what nothing allowed.
    Credit,
    /// It is paid back: first what is owed.
    Refund,
    /// A bank took back a payment: first the lines that the payment covered.
    Chargeback(&'a Payment),
}

impl Flow<'_> {
    /// What of a line is covered first, and what after that.
    fn turns(self, at: (u64, u32), amount: Money, line: &LineMoney, exposed: Money) -> [Money; 3] {
        let part = line.of_part(amount, exposed);
        let zero = Money::zero(amount.currency());
        // What is told anew may lower an invoice by more than is open on it since.
        let beyond = amount.above(line.open);
        let [first, then] = match self {
            // What was given up is recovered once nothing is open.
            Self::Payment => {
                let Loss { bad_debt, charged_back } = line.lost;
                let given_up = bad_debt.plus(charged_back).unwrap_or(zero);
                return [line.open.above(part.open), part.open, given_up];
            }
            Self::WriteOff => return [line.open.above(part.open), part.open, beyond],
            Self::Credit => return [part.open, line.open.above(part.open), beyond],
            Self::Refund => [part.owed, line.paid.above(part.owed)],
            Self::Chargeback(payment) => {
                let held = payment.held_of(at).unwrap_or(zero);
                let first = held.min(line.paid.above(zero));
                [first, line.paid.above(first)]
            }
        };
        [first, then, zero]
    }
}

impl Payment {
    /// What it holds of a line of an invoice.
    fn held_of(&self, (invoice, line): (u64, u32)) -> Option<Money> {
        let mut held = self.held.iter();
        held.find(|part| (part.invoice, part.line) == (invoice, line)).map(|part| part.amount)
    }
}

impl Account {
    /// How the lines of invoices share what is applied to these. Nothing has to be said where each has one line.
    ///
    /// # Errors
    /// [`Unfit`] if an invoice is not there, or has not so much of it.
    pub fn cover(
        &self,
        flow: Flow<'_>,
        applied: &[Applied],
        exposed: &Exposed,
    ) -> Result<Option<Vec<LinePart>>, Unfit> {
        let (mut parts, mut has_several) = (Vec::new(), false);
        for &Applied { amount, invoice: number } in applied {
            let invoice = self.invoice(number)?;
            has_several |= invoice.lines.len() > 1;
            let exposed_of = |line| exposed.get(&(number, line)).copied();
            let turns =
                invoice.lines.iter().zip(&invoice.sums).zip(1..).map(|((of, sums), line)| {
                    let exposed = exposed_of(line).unwrap_or(Money::zero(amount.currency()));
                    flow.turns((number, line), of.amount, &sums.money(of.amount), exposed)
                });
            let shares = in_turns(amount, &turns.collect::<Vec<_>>())?;
            let shares = shares.ok_or(Unfit::Lines(number))?;
            parts.extend(shares.into_iter().zip(1..).filter_map(|(amount, line)| {
                let exposed = exposed_of(line).filter(|exposed| exposed.is_positive());
                let is_said = amount.is_positive() || exposed.is_some();
                is_said.then_some(LinePart { amount, exposed, invoice: number, line })
            }));
        }
        Ok(has_several.then_some(parts))
    }
}

impl Account {
    /// What of a refund of these gives back what is owed of their lines, if anything. `lines` are those that it is taken of,
    /// of invoices that have several.
    ///
    /// # Errors
    /// [`Unfit`] if an invoice is not there.
    pub fn owed_parts(
        &self,
        applied: &[Applied],
        lines: Option<&[LinePart]>,
        exposed: &Exposed,
    ) -> Result<Option<Vec<LinePart>>, Unfit> {
        let mut parts = Vec::new();
        for &Applied { amount: taken, invoice: number } in applied {
            let invoice = self.invoice(number)?;
            for ((of, sums), line) in invoice.lines.iter().zip(&invoice.sums).zip(1..) {
                let Some(&exposed) = exposed.get(&(number, line)) else { continue };
                let taken = match lines {
                    None => taken,
                    Some(lines) => {
                        let is_its = |part: &&LinePart| (part.invoice, part.line) == (number, line);
                        let part = lines.iter().find(is_its);
                        part.map_or(Money::zero(taken.currency()), |part| part.amount)
                    }
                };
                let owed = sums.money(of.amount).of_part(of.amount, exposed).owed;
                let amount = taken.min(owed);
                if amount.is_positive() {
                    let exposed = Some(exposed);
                    parts.push(LinePart { amount, exposed, invoice: number, line });
                }
            }
        }
        Ok(Some(parts).filter(|parts| !parts.is_empty()))
    }
}

/// Shares an amount among lines: in each turn pro rata by largest remainder, the next turn once that is full.
/// Nothing if all turns together take less.
pub(super) fn in_turns<const N: usize>(
    amount: Money,
    lines: &[[Money; N]],
) -> Result<Option<Vec<Money>>, Unfit> {
    let zero = Money::zero(amount.currency());
    let (mut left, mut parts) = (amount, vec![zero; lines.len()]);
    for turn in 0..N {
        let takes: Vec<u64> =
            lines.iter().map(|line| line[turn].minor().try_into().unwrap_or(0)).collect();
        let all = lines.iter().try_fold(zero, |sum, line| sum.plus(line[turn].above(zero)))?;
        let now = left.min(all);
        if now.is_positive() {
            for (part, share) in parts.iter_mut().zip(now.allocate(&takes)?) {
                *part = part.plus(share)?;
            }
            left = left.minus(now)?;
        }
    }
    Ok(left.is_zero().then_some(parts))
}
