//! Fees that were claimed, judged again on what is known now.

use calendar::{CivilDate, Period};

use super::because::Because;
use super::gates::Asking;
use super::grid::{Slot, slot_for};
use super::{Judge, Matter};
use crate::account::{Account, LineMoney};
use crate::case::{EarnedFee, Mark};
use crate::event::WorkEvidence;
use crate::gates::{Answer, Explanation, Gate, WorkFinding};
use crate::money::Money;

/// A claimed fee, as far as decisions say.
pub(super) struct Claimed {
    /// The period of today's grid with which it shares most days.
    pub(super) slot: Option<usize>,
    /// The period it stands for; none once it was given back as an exposure.
    pub(super) stands_for: Option<usize>,
    /// The invoice it stands on.
    pub(super) invoice: Option<u64>,
    /// The days on which it was asked for.
    pub(super) asked_on: Vec<CivilDate>,
    /// What became of its line.
    pub(super) money: Option<LineMoney>,
}

/// What stands behind a claimed fee.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FeeStanding {
    /// Every gate held on each day it was asked for.
    Allowed,
    /// A gate is unknown: nobody has shown the right to it.
    Unproved,
    /// No gate allowed it, or a part of it: 15 USC 1679b(b).
    Exposed {
        /// The part that nothing allowed.
        part: Money,
    },
}

/// A claimed fee, judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JudgedFee<'a> {
    /// Which of the case's.
    at: usize,
    /// The fee.
    pub fee: &'a EarnedFee,
    /// What stands behind it.
    pub standing: FeeStanding,
    /// The day of asking on which that was so.
    pub asked_on: CivilDate,
    /// The gates that were not open on that day.
    pub closed: Vec<Gate>,
    /// The invoice it stands on.
    pub invoice: Option<u64>,
    /// What was collected for the part that nothing allowed, and not given back.
    pub owed: Money,
    /// What of that part is still open on the invoice.
    pub open: Money,
}

pub(super) fn standing(matter: &Matter<'_>, slots: &[Slot]) -> Vec<Claimed> {
    let claimed = matter.case.earned.iter().map(|fee| {
        let of_fee = |(id, _): &&(_, &Account)| *id == fee.account;
        let account = matter.accounts.iter().find(of_fee).map(|(_, account)| *account);
        let line = account.and_then(|account| account.line_of(matter.id, fee.start, fee.end));
        let slot = slot_for(slots, fee.start, fee.end);
        Claimed {
            slot,
            stands_for: slot,
            invoice: line.as_ref().map(|line| line.invoice),
            asked_on: line.as_ref().map(|line| line.asked_on.clone()).unwrap_or_default(),
            money: line.map(|line| line.money),
        }
    });
    claimed.collect()
}

impl<'a> Judge<'a> {
    /// Frees the periods of fees that no gate allowed and that were given back in full.
    pub(super) fn free(&mut self) {
        for at in 0..self.claimed.len() {
            let amount = self.matter.case.earned[at].amount;
            let given_back = self.claimed[at].money.as_ref().map(|money| money.given_back);
            let in_full = given_back.is_some_and(|back| back.minor() >= amount.minor());
            if in_full && self.judge_fee(at).standing == (FeeStanding::Exposed { part: amount }) {
                self.claimed[at].stands_for = None;
            }
        }
    }

    /// Every claimed fee, in the order claimed, judged as of each day it was asked for.
    pub fn fees(&self) -> impl Iterator<Item = JudgedFee<'a>> + '_ {
        (0..self.claimed.len()).map(|at| self.judge_fee(at))
    }

    /// Whether a claimed fee may be asked for once more on a day: every gate held whenever it was asked for, and
    /// holds on that day (15 USC 1679b(b)).
    pub fn may_be_asked(&self, start: CivilDate, end: CivilDate, on: CivilDate) -> bool {
        let earned = &self.matter.case.earned;
        let found = earned.iter().rposition(|fee| fee.start == start && fee.end == end);
        found.is_some_and(|at| {
            self.judge_fee(at).standing == FeeStanding::Allowed
                && self.standing_on(at, on).0 == FeeStanding::Allowed
        })
    }

    /// The fee claimed last for a period of this number, judged.
    pub fn fee_for(&self, number: u32) -> Option<JudgedFee<'a>> {
        let at = self.matter.case.earned.iter().rposition(|fee| fee.period == number)?;
        Some(self.judge_fee(at))
    }

    /// A claimed fee explained: its days and the work that it names, every gate as of the day of asking that it
    /// is judged by.
    pub fn explain_claimed(&self, judged: &JudgedFee<'a>) -> Explanation {
        let fee = judged.fee;
        let asking = self.asking(judged.at, judged.asked_on);
        let named = |e: &WorkEvidence| WorkFinding {
            work: e.work,
            done: Some(Mark { at: e.event.clone(), late: e.late, on: e.on }),
        };
        Explanation {
            case: self.matter.id,
            period: Period { number: fee.period, start: fee.start, end: fee.end },
            as_of: judged.asked_on,
            amount: Some(fee.amount),
            findings: Gate::ALL.iter().map(|&gate| asking.finding(gate)).collect(),
            work: fee.evidence.iter().map(named).collect(),
            earned: Some(fee.mark.clone()),
        }
    }

    fn asking(&self, at: usize, on: CivilDate) -> Asking<'_, 'a> {
        let fee = &self.matter.case.earned[at];
        Asking {
            judge: self,
            slot: self.claimed[at].slot,
            fee: Some(at),
            amount: Some(fee.amount),
            on,
        }
    }

    fn judge_fee(&self, at: usize) -> JudgedFee<'a> {
        let fee = self.matter.case.earned[at].as_ref();
        let claimed = &self.claimed[at];
        let asked_on = match claimed.asked_on.as_slice() {
            [] => std::slice::from_ref(&self.matter.today),
            asked => asked,
        };
        let days = asked_on.iter().map(|&on| (self.standing_on(at, on), on));
        let worst = days.max_by_key(|((standing, _), _)| match standing {
            FeeStanding::Allowed => 0,
            FeeStanding::Unproved => 1,
            FeeStanding::Exposed { part } => 1 + part.minor().max(1),
        });
        let ((standing, closed), asked_on) =
            worst.unwrap_or(((FeeStanding::Allowed, Vec::new()), self.matter.today));
        let zero = Money::zero(fee.amount.currency());
        let (owed, open) = match (&standing, &claimed.money) {
            (FeeStanding::Exposed { part }, Some(money)) => money.of_part(fee.amount, *part),
            (FeeStanding::Allowed | FeeStanding::Unproved, _)
            | (FeeStanding::Exposed { .. }, None) => (zero, zero),
        };
        JudgedFee { at, fee, standing, asked_on, closed, invoice: claimed.invoice, owed, open }
    }

    fn standing_on(&self, at: usize, on: CivilDate) -> (FeeStanding, Vec<Gate>) {
        let asking = self.asking(at, on);
        let amount = self.matter.case.earned[at].amount;
        let mut standing = FeeStanding::Allowed;
        let mut closed = Vec::new();
        for &gate in Gate::ALL {
            let ruling = asking.ruling(gate);
            let part = match (ruling.answer, &ruling.because) {
                (Answer::Holds, _) => continue,
                (Answer::Unknown, _) => {
                    closed.push(gate);
                    if standing == FeeStanding::Allowed {
                        standing = FeeStanding::Unproved;
                    }
                    continue;
                }
                // What is above the price alone is not allowed.
                (Answer::Fails, Because::AbovePrice { price, .. }) => {
                    amount.minus(*price).unwrap_or(amount)
                }
                (Answer::Fails, _) => amount,
            };
            closed.push(gate);
            standing = match standing {
                FeeStanding::Exposed { part: known } if known.minor() >= part.minor() => standing,
                FeeStanding::Allowed | FeeStanding::Unproved | FeeStanding::Exposed { .. } => {
                    FeeStanding::Exposed { part }
                }
            };
        }
        (standing, closed)
    }

    /// What other fees ask for under the agreement of a period, less what was given back: those claimed before
    /// a fee, or all if it was not claimed yet.
    pub(super) fn claimed_under(&self, slot: Option<usize>, fee: Option<usize>) -> Vec<Money> {
        let agreement_of = |slot: Option<usize>| slot.and_then(|slot| self.slots[slot].agreement);
        let agreement = agreement_of(slot);
        let before = fee.unwrap_or(self.claimed.len());
        let claimed = self.claimed.iter().zip(&self.matter.case.earned).take(before);
        claimed
            .filter(|(claimed, _)| agreement_of(claimed.slot) == agreement)
            .map(|(claimed, fee)| match &claimed.money {
                Some(money) => money.kept_of(fee.amount),
                None => fee.amount,
            })
            .collect()
    }
}
