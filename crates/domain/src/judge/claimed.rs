//! Fees that were claimed, judged again on what is known now.

use std::collections::{HashSet, VecDeque};

use calendar::{CivilDate, Period};

use super::because::Because;
use super::gates::{Asking, over_readings};
use super::grid::{Slot, slot_for};
use super::{Judge, Matter};
use crate::account::{Account, Exposed, Line, LineMoney, NotAsked, PartMoney};
use crate::case::{Agreement, Case, EarnedFee, KeptFee};
use crate::event::{FeeEarned, FeeMarked, InvoiceLine, KeptSince, Loss};
use crate::gates::{Answer, Explanation, FeeStanding, Gate, WorkFinding};
use crate::ids::{AccountId, CaseId, PlanCode};
use crate::money::Money;

/// A claimed fee, as far as decisions say.
pub(super) struct Claimed {
    /// The period of today's grid with which it shares most days.
    pub(super) slot: Option<usize>,
    /// The agreement that governs that, as an index of the standing ones.
    agreement: Option<usize>,
    /// The period it stands for; none once it was given back as an exposure.
    pub(super) stands_for: Option<usize>,
    /// The invoice it stands on.
    pub(super) invoice: Option<u64>,
    /// Its line there, counted from 1.
    pub(super) line: Option<u32>,
    /// The days on which it was asked for.
    pub(super) asked_on: Vec<CivilDate>,
    /// What became of its line.
    pub(super) money: Option<LineMoney>,
    /// What of its line the processor was asked to give back, and did not yet.
    pub(super) asked_back: Option<Money>,
    /// What of the fee was not given back.
    kept: Money,
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
    /// The part of it that nothing allowed: all of it, what is above the price of its terms, or nothing.
    pub exposed: Money,
    /// The day of asking on which that was so.
    pub asked_on: CivilDate,
    /// The gates that were not open on that day.
    pub closed: Vec<Gate>,
    /// The invoice it stands on.
    pub invoice: Option<u64>,
    /// What of the exposed part was credited or paid back.
    pub given_back: Money,
    /// What of it was written off.
    pub lost: Option<Loss>,
    /// What was collected for the exposed part, and neither given back nor kept by counsel's reason.
    pub owed: Money,
    /// What was collected for it and is kept by counsel's reason.
    pub kept: Money,
    /// The decision to keep that, or more, if one is in force.
    pub keeping: Option<&'a KeptFee>,
    /// What of the owed part the processor was asked to give back, and did not yet.
    pub asked_back: Money,
    /// What of that part is still open on the invoice.
    pub open: Money,
    /// What refunds of its line gave back as owed.
    pub returned: Money,
}

/// How a claimed fee stands on one day of asking.
struct OnDay {
    standing: FeeStanding,
    exposed: Money,
    closed: Vec<Gate>,
}

pub(super) fn standing(matter: &Matter<'_>, slots: &[Slot]) -> Vec<Claimed> {
    let earned = &matter.case.earned;
    let lines = matter.case.lines(matter.id, matter.accounts);
    let claimed = earned.iter().zip(lines).map(|(fee, line)| {
        let slot = slot_for(slots, fee.start, fee.end);
        let asked_back = line.as_ref().map(|line| line.asked_back);
        let number = line.as_ref().map(|line| line.number);
        let (invoice, asked_on, money) = match line {
            Some(line) => (Some(line.invoice), line.asked_on, Some(line.money)),
            None => (None, Vec::new(), None),
        };
        let agreement = slot.and_then(|slot| slots[slot].agreement);
        let kept = money.as_ref().map_or(fee.amount, |money| money.kept_of(fee.amount));
        let (stands_for, line) = (slot, number);
        Claimed { slot, agreement, stands_for, invoice, line, asked_on, money, asked_back, kept }
    });
    claimed.collect()
}

impl Case {
    /// The line of each of the case's fees, of those that stand on these accounts. Days that were claimed twice
    /// stand on two lines: the fee claimed first has the first.
    fn lines(&self, id: CaseId, accounts: &[(AccountId, &Account)]) -> Vec<Option<Line>> {
        let mut named: HashSet<AccountId> = HashSet::new();
        let accounts = accounts.iter().filter(|(of, _)| named.insert(*of));
        let mut lines: VecDeque<(AccountId, Line)> = VecDeque::with_capacity(self.earned.len());
        for (of, account) in accounts {
            lines.extend(account.lines_of(id).map(|line| (*of, line)));
        }
        // Fees are mostly claimed in the order of their lines.
        let mut line_of = |fee: &EarnedFee| {
            let is_its = |(of, line): &(AccountId, Line)| {
                (*of, line.start, line.end) == (fee.account, fee.start, fee.end)
            };
            let at = lines.iter().position(is_its)?;
            lines.remove(at).map(|(_, line)| line)
        };
        self.earned.iter().map(|fee| line_of(fee)).collect()
    }

    /// What nothing allowed of the lines of an account that the case's fees stand on, less what of it is kept by counsel's
    /// reason, as they were marked last.
    pub fn exposed_lines(&self, id: CaseId, of: AccountId, account: &Account) -> Exposed {
        if self.marks.is_empty() {
            return Exposed::new();
        }
        let fees = self.earned.iter().zip(self.lines(id, &[(of, account)]));
        let lines = fees.filter_map(|(fee, line)| {
            let (marked, line) = (&self.marks.get(&fee.mark.at.position)?.said, line?);
            let not_kept = marked.kept.map_or(marked.exposed, |kept| marked.exposed.above(kept));
            Some(((line.invoice, line.number), not_kept))
        });
        lines.filter(|(_, exposed)| exposed.is_positive()).collect()
    }
}

impl<'a> Judge<'a> {
    /// Frees the periods of fees that no gate allowed and that were given back in full.
    pub(super) fn free(&mut self) {
        for at in 0..self.claimed.len() {
            let amount = self.matter.case.earned[at].amount;
            let given_back = self.claimed[at].money.as_ref().map(|money| money.given_back);
            let in_full = given_back.is_some_and(|back| back.minor() >= amount.minor());
            if in_full
                && self.judge_fee(at, &self.otherwise(self.matter.today)).standing
                    == FeeStanding::Exposed
            {
                self.claimed[at].stands_for = None;
            }
        }
    }

    /// Every claimed fee, in the order claimed, judged as of each day it was asked for.
    pub fn fees(&self) -> impl Iterator<Item = JudgedFee<'a>> + '_ {
        let others = self.otherwise(self.matter.today);
        (0..self.claimed.len()).map(move |at| self.judge_fee(at, &others))
    }

    /// The same, with the money as it was marked last while an administrator's review is due: until it is recorded, the books and
    /// every page say that.
    pub fn fees_on_record(&self) -> impl Iterator<Item = JudgedFee<'a>> + '_ {
        let is_due = self.matter.firm.review_is_due();
        self.fees().map(move |judged| if is_due { self.on_record(judged) } else { judged })
    }

    fn on_record(&self, judged: JudgedFee<'a>) -> JudgedFee<'a> {
        let zero = Money::zero(judged.fee.amount.currency());
        let marked = self.matter.case.marks.get(&judged.fee.mark.at.position);
        let said = marked.map(|marked| &marked.said);
        let of = |sum: fn(&FeeMarked) -> Money| said.map_or(zero, sum);
        let owed = of(|said| said.owed);
        JudgedFee {
            exposed: of(|said| said.exposed),
            given_back: of(|said| said.given_back),
            lost: said.and_then(|said| said.lost),
            owed,
            kept: said.and_then(|said| said.kept).unwrap_or(zero),
            asked_back: judged.asked_back.min(owed),
            open: of(|said| said.open),
            returned: said.and_then(|said| said.returned).unwrap_or(zero),
            ..judged
        }
    }

    /// Every decision to keep money of a claimed fee, in the order taken.
    pub fn keepings(&self, judged: &JudgedFee<'_>) -> impl Iterator<Item = &'a KeptFee> + use<'a> {
        self.matter.case.keepings_of(&judged.fee.mark.at)
    }

    /// What is concluded of claimed fees, where that differs from what was marked last.
    pub fn marks(&self) -> impl Iterator<Item = FeeMarked> + '_ {
        self.fees().filter_map(|judged| self.mark(&judged))
    }

    fn mark(&self, judged: &JudgedFee<'_>) -> Option<FeeMarked> {
        let (fee, case) = (judged.fee, self.matter.case);
        let last = case.marks.get(&fee.mark.at.position).map(|marked| &marked.said);
        let zero = Money::zero(fee.amount.currency());
        let marked = FeeMarked {
            account: fee.account,
            asked_on: judged.asked_on,
            exposed: judged.exposed,
            exposed_before: last.map_or(zero, |last| last.exposed),
            fee: fee.mark.at.clone(),
            gates: judged.closed.iter().copied().collect(),
            given_back: judged.given_back,
            given_back_before: Some(last.map_or(zero, |last| last.given_back)),
            invoice: judged.invoice,
            kept: Some(judged.kept).filter(|kept| kept.is_positive()),
            kept_before: last.and_then(|last| last.kept),
            lost: judged.lost,
            lost_before: last.and_then(|last| last.lost),
            open: judged.open,
            open_before: last.map_or(zero, |last| last.open),
            owed: judged.owed,
            owed_before: last.map_or(zero, |last| last.owed),
            plan: self.plan_of_fee(fee),
            returned: Some(judged.returned).filter(|returned| returned.is_positive()),
            returned_before: last.and_then(|last| last.returned),
            standing: judged.standing,
        };
        let is_news = match last {
            Some(last) => !marked.says_as(last),
            None => !marked.is_allowed(),
        };
        is_news.then_some(marked)
    }

    /// What is open of a line and may not be asked for once more on a day (15 USC 1679b(b)): all of it, unless
    /// every gate held whenever it was asked for and holds on that day and today; then what is above its price.
    pub fn held_of(&self, invoice: u64, line: &InvoiceLine, on: CivilDate) -> Money {
        let earned = &self.matter.case.earned;
        let found = (0..earned.len()).find(|&at| {
            let (fee, claimed) = (&earned[at], &self.claimed[at]);
            (claimed.invoice, fee.start, fee.end) == (Some(invoice), line.start, line.end)
        });
        let Some(at) = found else { return line.amount };
        let others = self.otherwise(on);
        let judged = self.judge_fee(at, &others);
        // An earlier day opens nothing that is closed today.
        let allowed = judged.standing == FeeStanding::Allowed
            && [on, self.matter.today]
                .into_iter()
                .all(|on| self.standing_on(at, on, &others).standing == FeeStanding::Allowed);
        match &self.claimed[at].money {
            Some(money) if !allowed => money.open,
            Some(_) => judged.open,
            None => line.amount,
        }
    }

    /// The fee claimed last for a period of this number, judged.
    pub fn fee_for(&self, number: u32) -> Option<JudgedFee<'a>> {
        let at = self.matter.case.earned.iter().rposition(|fee| fee.period == number)?;
        Some(self.judge_fee(at, &self.otherwise(self.matter.today)))
    }

    /// What each gate answers for a claimed fee on a day of asking.
    pub(super) fn answers_of_fee(&self, at: usize, on: CivilDate) -> Vec<Answer> {
        let asking = self.asking(at, on);
        let others = self.otherwise(self.matter.today);
        let readings = asking.otherwise(&others);
        let answer = |&gate: &Gate| over_readings(gate, asking.ruling(gate).answer, &readings);
        Gate::ALL.iter().map(answer).collect()
    }

    /// The number of the period that a claimed fee stands for; none where another fee does, or none can.
    pub fn stands_for(&self, judged: &JudgedFee<'_>) -> Option<u32> {
        let slot = self.claimed[judged.at].stands_for?;
        (self.fee_standing_for(slot) == Some(judged.at)).then(|| self.slots[slot].period.number)
    }

    /// What is open of a claimed fee, may stand, and is not asked for today: it is unproved, or a gate does not hold
    /// today. What nothing allowed of it is not among that.
    pub fn held_meanwhile(&self, judged: &JudgedFee<'_>) -> Money {
        let EarnedFee { amount, start, end, period, .. } = *judged.fee;
        let Some(invoice) = judged.invoice else { return Money::zero(amount.currency()) };
        let line = InvoiceLine { amount, case: self.matter.id, end, period, start };
        self.held_of(invoice, &line, self.matter.today).above(judged.open)
    }

    /// A claimed fee explained: its days as claimed, the promised work and what counts of it by what is known now, every
    /// gate as of the day of asking that it is judged by.
    pub fn explain_claimed(&self, judged: &JudgedFee<'_>) -> Explanation {
        let fee = judged.fee;
        let asking = self.asking(judged.at, judged.asked_on);
        let others = self.otherwise(self.matter.today);
        let readings = asking.otherwise(&others);
        let work = match asking.slot {
            Some(slot) => self.promised(slot, judged.asked_on),
            // The service has none of these days by now: nothing counts for them.
            None => fee.evidence.iter().map(|e| WorkFinding { work: e.work, done: None }).collect(),
        };
        let period = Period { number: fee.period, start: fee.start, end: fee.end };
        Explanation {
            case: self.matter.id,
            period,
            as_of: judged.asked_on,
            revenue_on: self.revenue_on(period, &work, judged.asked_on),
            amount: Some(fee.amount),
            findings: Gate::ALL.iter().map(|&gate| asking.finding(gate, &readings)).collect(),
            work,
            earned: Some(fee.mark.clone()),
        }
    }

    /// The fee of a period of which every gate holds, as it is claimed.
    ///
    /// # Panics
    ///
    /// If the fee is not claimable.
    pub fn claim(&self, account: AccountId, explanation: &Explanation) -> FeeEarned {
        let period = explanation.period;
        let amount = explanation.amount.expect("a claimable fee has an amount: gate G8 checked it");
        let agreement = self.agreement(period.number);
        let plan = agreement.and_then(|signed| self.matter.case.plan_of(signed));
        let rules = self.rules(period.number);
        FeeEarned {
            account,
            agreement: agreement.map(|signed| signed.signed.mark.at.clone()),
            amount,
            as_of: explanation.as_of,
            earned_on: Some(explanation.revenue_on),
            end: period.end,
            evidence: explanation.evidence(),
            period: period.number,
            plan: plan.cloned(),
            rules: rules.map(|rules| rules.packs.clone()).unwrap_or_default(),
            start: period.start,
        }
    }

    /// The plan of the agreement under which a fee was claimed.
    fn plan_of_fee(&self, fee: &EarnedFee) -> Option<PlanCode> {
        let case = self.matter.case;
        let is_it = |known: &&Agreement| {
            fee.agreement.as_ref().is_some_and(|at| at.position == known.signed.mark.at.position)
        };
        match case.agreements.iter().find(is_it) {
            Some(agreement) => case.plan_of(agreement).cloned(),
            None => case.enrolment.as_ref().map(|enrolment| enrolment.plan.clone()),
        }
    }

    /// ASC 606, work billed in arrears: earned when the period was over and the promised work done. Where the right to
    /// payment hung on the telemarketing wait, not before it was asked for.
    pub(super) fn revenue_on(
        &self,
        period: Period,
        work: &[WorkFinding],
        as_of: CivilDate,
    ) -> CivilDate {
        let enrolment = self.matter.case.enrolment.as_ref();
        let waited = enrolment
            .zip(self.rules(period.number))
            .is_some_and(|(enrolment, rules)| !rules.telemarketing.exempts(&enrolment.sale));
        let last_day = period.end.pred_opt().unwrap_or(period.end);
        let done_on = super::evidence(work).iter().map(|e| e.on).fold(last_day, CivilDate::max);
        if waited { as_of } else { done_on.min(as_of) }
    }

    fn asking(&self, at: usize, on: CivilDate) -> Asking<'_, 'a> {
        let fee = &self.matter.case.earned[at];
        self.asking_for(self.claimed[at].slot, Some(at), Some(fee.amount), on)
    }

    /// A fee that is asked for on a day, and what the law asks of it then.
    pub(super) fn asking_for(
        &self,
        slot: Option<usize>,
        fee: Option<usize>,
        amount: Option<Money>,
        on: CivilDate,
    ) -> Asking<'_, 'a> {
        let agreement = slot.and_then(|slot| self.slots[slot].agreement);
        let law =
            agreement.and_then(|at| self.laws.of_asking(self.matter.firm, &self.story, at, on));
        Asking { judge: self, slot, fee, amount, on, law, is_as_issued: false }
    }

    fn judge_fee(&self, at: usize, others: &[Judge<'_>]) -> JudgedFee<'a> {
        let fee = self.matter.case.earned[at].as_ref();
        let claimed = &self.claimed[at];
        let asked_on = match claimed.asked_on.as_slice() {
            [] => std::slice::from_ref(&self.matter.today),
            asked => asked,
        };
        let days = asked_on.iter().map(|&on| (self.standing_on(at, on, others), on));
        let worst = days.max_by_key(|(found, _)| (found.standing, found.exposed.minor()));
        let zero = Money::zero(fee.amount.currency());
        let allowed = OnDay { standing: FeeStanding::Allowed, exposed: zero, closed: Vec::new() };
        let (found, asked_on) = worst.unwrap_or((allowed, self.matter.today));
        let OnDay { standing, exposed, closed } = found;
        let PartMoney { owed, open, given_back, lost } = match &claimed.money {
            Some(money) if exposed.is_positive() => money.of_part(fee.amount, exposed),
            Some(_) | None => PartMoney::nothing(zero),
        };
        let keeping = self.matter.case.keeping_of(&fee.mark.at);
        let kept = self.kept_at_most(fee, &closed).min(owed);
        let owed = owed.above(kept);
        JudgedFee {
            at,
            fee,
            standing,
            exposed,
            asked_on,
            closed,
            invoice: claimed.invoice,
            given_back,
            lost,
            owed,
            kept,
            keeping,
            asked_back: claimed.asked_back.map_or(zero, |asked| asked.min(owed)),
            open,
            returned: claimed.money.as_ref().map_or(zero, |money| money.returned),
        }
    }

    fn standing_on(&self, at: usize, on: CivilDate, others: &[Judge<'_>]) -> OnDay {
        Self::standing_of(&self.asking(at, on), others)
    }

    fn standing_of(asking: &Asking<'_, 'a>, others: &[Judge<'_>]) -> OnDay {
        let amount = asking.amount.expect("a claimed fee has an amount");
        let zero = Money::zero(amount.currency());
        let mut found = OnDay { standing: FeeStanding::Allowed, exposed: zero, closed: Vec::new() };
        let readings = asking.otherwise(others);
        for &gate in Gate::ALL {
            let ruling = asking.ruling(gate);
            let answer = over_readings(gate, ruling.answer, &readings);
            let standing = match (answer, &ruling.because) {
                (Answer::Holds, _) => continue,
                (Answer::Unknown, _) => FeeStanding::Unproved,
                // What is above the price alone is not allowed.
                (Answer::Fails, Because::AbovePrice { price, .. }) => {
                    found.exposed = amount.minus(*price).unwrap_or(amount);
                    FeeStanding::Allowed
                }
                (Answer::Fails, _) => FeeStanding::Exposed,
            };
            found.closed.push(gate);
            found.standing = found.standing.max(standing);
        }
        if found.standing == FeeStanding::Exposed {
            found.exposed = amount;
        }
        found
    }

    /// What of the lines of its fees may not be asked for, by what is known now, whatever was given back of their own invoices
    /// since: by the account, the invoice and the line.
    pub fn not_asked(&self) -> impl Iterator<Item = ((AccountId, u64, u32), NotAsked)> + '_ {
        let others = self.otherwise(self.matter.today);
        let fees = self.claimed.iter().enumerate();
        fees.filter_map(move |(at, claimed)| {
            let (fee, line) =
                (self.matter.case.earned[at].as_ref(), (claimed.invoice?, claimed.line?));
            let days = claimed.asked_on.iter().map(|&on| {
                Self::standing_of(&Asking { is_as_issued: true, ..self.asking(at, on) }, &others)
            });
            let found = days.max_by_key(|found| (found.standing, found.exposed.minor()))?;
            let kept = self.kept_since(fee, &found);
            let exposed = kept.last().map_or(found.exposed, |of| found.exposed.above(of.amount));
            let unproved = match found.standing {
                FeeStanding::Unproved => fee.amount.above(found.exposed),
                FeeStanding::Allowed | FeeStanding::Exposed => Money::zero(fee.amount.currency()),
            };
            Some(((fee.account, line.0, line.1), NotAsked { exposed, kept, unproved }))
        })
    }

    /// What counsel kept of a fee, decision by decision, as far as it is exposed by what is known now.
    fn kept_since(&self, fee: &EarnedFee, found: &OnDay) -> Vec<KeptSince> {
        let keepings = self.matter.case.keepings_of(&fee.mark.at);
        let kept = keepings.map(|keeping| {
            let kept = Self::kept_by(keeping, fee, &found.closed).min(found.exposed);
            KeptSince { amount: kept, at: keeping.mark.at.position, on: keeping.mark.on }
        });
        kept.collect()
    }

    /// The most that counsel's reason keeps of a fee.
    fn kept_at_most(&self, fee: &EarnedFee, closed: &[Gate]) -> Money {
        let keeping = self.matter.case.keeping_of(&fee.mark.at);
        let zero = Money::zero(fee.amount.currency());
        keeping.map_or(zero, |keeping| Self::kept_by(keeping, fee, closed))
    }

    /// The most that a decision keeps of a fee: one for what counsel knew keeps nothing that another gate closes.
    fn kept_by(keeping: &KeptFee, fee: &EarnedFee, closed: &[Gate]) -> Money {
        let is_decided = closed.iter().all(|gate| keeping.said.gates.contains(gate));
        if is_decided { keeping.said.amount } else { Money::zero(fee.amount.currency()) }
    }
}

impl Asking<'_, '_> {
    /// What other fees ask for under the agreement of its period and one more, less what was given back: those
    /// claimed before a fee, or all if it was not claimed yet. Nothing if that is more than an amount can be.
    pub(super) fn claimed_under(&self, own: Money) -> Option<Money> {
        let Judge { claimed, slots, .. } = self.judge;
        let agreement = self.slot.and_then(|slot| slots[slot].agreement);
        let before = 0..self.fee.unwrap_or(claimed.len());
        let mut under = before.filter(|fee| claimed[*fee].agreement == agreement);
        under.try_fold(own, |sum, fee| sum.plus(self.kept_of(fee))).ok()
    }

    /// What of a claimed fee was not given back.
    pub(super) fn kept_of(&self, fee: usize) -> Money {
        let Judge { claimed, matter, .. } = self.judge;
        let own = self.fee.filter(|_| self.is_as_issued).and_then(|own| claimed[own].invoice);
        if own.is_some() && own == claimed[fee].invoice {
            matter.case.earned[fee].amount
        } else {
            claimed[fee].kept
        }
    }
}
