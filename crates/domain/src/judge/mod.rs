//! Judging fees: a function of the facts by their days, of the decisions as recorded, and of the day.
//!
//! A period's fee is judged gate by gate, as of a day. One that was claimed is judged again on the facts
//! known now, as of each day on which it was asked for: what begins later never reaches back. No order of
//! telling changes what comes of it.

mod because;
mod claimed;
mod corrected;
mod doubt;
mod gates;
mod grid;
mod laws;
mod promised;
mod signings;
mod state;
mod story;
mod telemarketing;
mod unsecured;
mod work;

use std::sync::OnceLock;

use calendar::{CivilDate, Period};

pub use claimed::JudgedFee;
pub use corrected::{CORRECTED_MAX, ToldFirst};
pub use signings::{AgainstLaw, MoneyBack};
pub use unsecured::Unsecured;

use crate::account::Account;
use crate::case::{Agreement, Case, GivenUp, Mark, Moment, RunningClock, WorkDone};
use crate::event::WorkEvidence;
use crate::firm::Firm;
use crate::gates::{Answer, Explanation, Finding, Gate, Opens, WorkFinding};
use crate::ids::{AccountId, CaseId};
use crate::money::Money;
use crate::rules::Rules;
use crate::terms::Seat;
use claimed::Claimed;
use doubt::Doubt;
use grid::{Slot, slot_for};
use laws::Laws;
use story::{Story, UndoneBy};
use work::{Placed, Standing};

/// The edition of the rules that this code judges by. Raised with every change of them that may judge a claimed
/// fee otherwise: the fees are reviewed once then, and what changes is shown before the books follow.
///
/// 2: a fee of a telemarketing sale needs a list of promised results, or a person's finding; days between two zones
/// are in doubt; terms are those of the plan's version of the signing day, whenever it was told.
///
/// 3: where a report and the progress report that gives it to the client are of one day, their order has to be known.
///
/// 4: what was asked of a bureau has a time; where an agreement governs a period in one reading of a day alone, the gate
/// of the agreement is unknown and no other; a change of billing day dated before the enrolment is one.
/// Which lines of an invoice its money is of follows from the days of what was told of it, and not from what was told first.
/// An agreement is held against what the states that reach it ask of its contents, its estimate and its price, and a
/// state's pack that does not say so has not read it.
///
/// 5: security that a pack asks for only if something is paid before all is done is not asked for once the whole contract is
/// done. All money of an account, and not only that of lines, follows from the days of what was told of it.
///
/// 6: the act of a state in which something of the contract was done, or in which the firm has a place, reaches the
/// agreement unless somebody read that it does not. What was signed behind the client's death binds nobody. A
/// period that is given up changes nothing of what was asked for before.
pub const EDITION: u32 = 6;

/// The edition that first asked at what time things happened.
const DOUBTED_SINCE: u32 = 2;

/// Everything that a judgement looks at.
#[derive(Clone, Copy)]
pub struct Matter<'a> {
    /// The case's id.
    pub id: CaseId,
    /// The case.
    pub case: &'a Case,
    /// The accounts on which its fees stand: first the one that pays now.
    pub accounts: &'a [(AccountId, &'a Account)],
    /// The firm.
    pub firm: &'a Firm,
    /// Today, where the firm is.
    pub today: CivilDate,
}

/// A case, judged on the facts known today.
pub struct Judge<'a> {
    matter: Matter<'a>,
    story: Story<'a>,
    slots: Vec<Slot>,
    work: Vec<Placed<'a>>,
    /// What was done, or asked of bureaus, on days that no agreement allowed.
    early: Vec<&'a Mark>,
    /// For each fee, what stands behind it.
    claimed: Vec<Claimed>,
    laws: Laws<'a>,
    /// The edition of the rules that it is judged by.
    edition: u32,
    /// Which of its days are in doubt.
    doubt: Doubt,
    /// The case as these could be read otherwise, once somebody asks, as far as that is judged otherwise today.
    readings: OnceLock<Vec<Case>>,
    /// The same of every reading, which other days may ask for.
    every_reading: OnceLock<Vec<Case>>,
    /// Whether every reading is gone through whatever is asked.
    is_thorough: bool,
}

/// Something done against a rule, without an amount.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Breach {
    /// Service on a day that no agreement allowed (15 USC 1679d(a)).
    ServiceNotAllowed,
    /// A round without anything that its client said is wrong (15 USC 1679b(a)(1)).
    RoundWithoutBasis,
    /// A round after the client had taken back the authority to write (common law of agency).
    RoundWithoutAuthority,
    /// An agreement signed behind the client's death (15 USC 1679d(a)(1)).
    SignedAfterDeath,
    /// A signing that the law of a state barred, or of papers that lack what it asks of them (15 USC 1679j).
    SignedAgainstLaw,
    /// Work on a day on which what has to be on file with a state did not stand (15 USC 1679j).
    WorkUnsecured,
}

/// Days on which the service was paused.
pub struct Paused<'a> {
    /// The first of them.
    pub began_on: CivilDate,
    /// The day on which it ran again, once it has.
    pub resumed_on: Option<CivilDate>,
    /// Promised work that was done in it, which earns nothing.
    pub idle: Vec<&'a WorkDone>,
}

impl<'a> Judge<'a> {
    /// Reads the facts.
    pub fn of(matter: Matter<'a>) -> Self {
        Self::of_edition(matter, EDITION)
    }

    /// The same as an earlier edition of the rules had it, for what was decided by it.
    pub fn of_edition(matter: Matter<'a>, edition: u32) -> Self {
        let doubt = if edition < DOUBTED_SINCE { Doubt::default() } else { Doubt::of(&matter) };
        let mut judge = Self::read(matter, &doubt, edition);
        judge.doubt = doubt;
        judge.free();
        judge
    }

    /// The same, which leaves out no reading of a day: it takes longer and says the same.
    pub fn thorough(matter: Matter<'a>) -> Self {
        let doubt = Doubt::of(&matter);
        let mut judge = Self::read(matter, &doubt, EDITION);
        (judge.doubt, judge.is_thorough) = (doubt, true);
        judge.free();
        judge
    }

    /// One reading of its days.
    fn read(matter: Matter<'a>, doubt: &Doubt, edition: u32) -> Self {
        let story = Story::of(matter.case, matter.firm, doubt, edition);
        let slots = grid::slots(matter.case, &story, matter.today);
        let work = work::place(matter.case, &story, &slots);
        let early = work::early(matter.case, &story, &work);
        let claimed = claimed::standing(&matter, &slots);
        Self {
            matter,
            story,
            slots,
            work,
            early,
            claimed,
            laws: Laws::default(),
            edition,
            doubt: Doubt::default(),
            readings: OnceLock::new(),
            every_reading: OnceLock::new(),
            is_thorough: false,
        }
    }

    /// The case.
    pub fn case(&self) -> &'a Case {
        self.matter.case
    }

    /// Every clock that runs or ran in it.
    pub fn clocks(&self) -> Vec<RunningClock> {
        let transit_days = self.matter.firm.registered.as_ref().map_or(0, |firm| firm.transit_days);
        self.matter.case.clocks(transit_days)
    }

    /// The day it is judged on.
    pub fn today(&self) -> CivilDate {
        self.matter.today
    }

    /// Every period that has begun, in order; of an ended service up to its last day.
    pub fn periods(&self) -> impl DoubleEndedIterator<Item = Period> + '_ {
        self.slots.iter().map(|slot| slot.period)
    }

    /// A period by its number.
    pub fn period(&self, number: u32) -> Option<Period> {
        self.slot(number).map(|at| self.slots[at].period)
    }

    /// Whether a fee stands for a period, or it was given up.
    pub fn is_settled(&self, number: u32) -> bool {
        self.slot(number)
            .is_some_and(|at| self.fee_standing_for(at).is_some() || self.given_up(at).is_some())
    }

    /// Whether a fee was ever claimed for a period, also one that was given back since.
    pub fn was_claimed(&self, number: u32) -> bool {
        let slot = self.slot(number);
        slot.is_some() && self.claimed.iter().any(|claimed| claimed.slot == slot)
    }

    /// The rules of the agreement that governs a period.
    pub fn rules(&self, number: u32) -> Option<&Rules> {
        let slot = self.slot(number)?;
        Some(&self.story.standing[self.slots[slot].agreement?].rules)
    }

    /// The first period whose fee may still be claimed one day, as things stand: neither settled nor cut short
    /// nor held open by a pause.
    pub fn first_open(&self) -> Option<Period> {
        let open = |&at: &usize| {
            let slot = &self.slots[at];
            slot.cut_on.is_none() && !slot.paused && !self.is_settled(slot.period.number)
        };
        (0..self.slots.len()).find(open).map(|at| self.slots[at].period)
    }

    /// The period that runs today.
    pub fn running(&self) -> Option<Period> {
        let last = self.slots.last()?;
        let runs = last.cut_on.is_none() && last.period.contains(self.matter.today);
        (runs || last.paused).then_some(last.period)
    }

    /// The agreement that governs a period.
    pub fn agreement(&self, number: u32) -> Option<&'a Agreement> {
        let slot = self.slot(number)?;
        Some(self.story.standing[self.slots[slot].agreement?].agreement)
    }

    /// The periods that are over by a day, and for which no fee stands and none was given up.
    pub fn open_periods(&self, as_of: CivilDate) -> impl Iterator<Item = u32> + '_ {
        let open = (0..self.slots.len()).filter(move |&at| {
            let slot = &self.slots[at];
            slot.cut_on.is_none()
                && !slot.paused
                && slot.period.end <= as_of
                && self.given_up(at).is_none()
                && self.fee_standing_for(at).is_none()
        });
        open.map(|at| self.slots[at].period.number)
    }

    /// Every pause of the service, from the first, with the work that was done in it.
    pub fn pauses(&self) -> impl Iterator<Item = Paused<'a>> + '_ {
        self.story.pauses.iter().map(|pause| {
            let idle = self.work.iter().filter(|placed| {
                placed.standing == Standing::InPause && pause.holds(&placed.done.moment)
            });
            Paused {
                began_on: pause.began.on(),
                resumed_on: pause.until.map(Moment::on),
                idle: idle.map(|placed| placed.done).collect(),
            }
        })
    }

    /// Days on which something was done against a rule.
    pub fn breaches(&self) -> impl Iterator<Item = (CivilDate, Breach)> + '_ {
        let early = self.early.iter().map(|mark| (mark.on, Breach::ServiceNotAllowed));
        let behind_death = self.story.undone.iter().filter_map(|undone| match undone.by {
            UndoneBy::Death(_) => Some((undone.agreement.signed.on(), Breach::SignedAfterDeath)),
            UndoneBy::Cancellation(_) => None,
        });
        let signed = self.signed_against_law().into_iter();
        let signed = signed.map(|against| (against.signed.on(), Breach::SignedAgainstLaw));
        let rounds = self.work.iter().filter_map(|placed| {
            let breach = match placed.standing {
                Standing::WithoutBasis => Breach::RoundWithoutBasis,
                Standing::WithoutAuthority => Breach::RoundWithoutAuthority,
                Standing::Breach
                | Standing::Counts(_)
                | Standing::InDoubt(_)
                | Standing::InPause
                | Standing::Preparation
                | Standing::Nowhere => return None,
            };
            Some((placed.on(), breach))
        });
        let unsecured = self.unsecured_work().into_iter();
        let unsecured = unsecured.map(|of| (of.done.on(), Breach::WorkUnsecured));
        early.chain(rounds).chain(behind_death).chain(signed).chain(unsecured)
    }

    /// Explains a period's fee as of a day. What is closed today is not opened by asking for an earlier day.
    /// Nothing comes back if there is no such period.
    pub fn explain(&self, number: u32, as_of: CivilDate) -> Option<Explanation> {
        let at = self.slot(number)?;
        Some(self.explained(at, self.fee_standing_for(at), as_of))
    }

    /// The same of a fee that would be claimed for it.
    pub fn explain_anew(&self, number: u32, as_of: CivilDate) -> Option<Explanation> {
        Some(self.explained(self.slot(number)?, None, as_of))
    }

    fn explained(&self, at: usize, fee: Option<usize>, as_of: CivilDate) -> Explanation {
        let today = self.matter.today;
        let amount = match fee {
            Some(fee) => Some(self.matter.case.earned[fee].amount),
            None => self.price(at),
        };
        let asking = self.asking_for(Some(at), fee, amount, as_of);
        let now = self.asking_for(Some(at), fee, amount, today);
        let others = self.otherwise(as_of);
        let (then_otherwise, now_otherwise) = (asking.otherwise(&others), now.otherwise(&others));
        let findings = Gate::ALL.iter().map(|&gate| {
            let then = asking.finding(gate, &then_otherwise);
            if as_of >= today {
                return then;
            }
            let now = now.finding(gate, &now_otherwise);
            if now.answer < then.answer {
                now
            } else if then.answer == Answer::Fails {
                // What was waited for then may have come: no day that is past opens anything.
                let opens =
                    if now.holds() { Some(Opens::Wait { until: today }) } else { now.opens };
                Finding { opens, ..then }
            } else {
                then
            }
        });
        let (period, work) = (self.slots[at].period, self.promised(at, as_of));
        Explanation {
            case: self.matter.id,
            period,
            as_of,
            amount,
            findings: findings.collect(),
            revenue_on: self.revenue_on(period, &work, as_of),
            work,
            earned: fee.map(|fee| self.matter.case.earned[fee].mark.clone()),
        }
    }

    fn slot(&self, number: u32) -> Option<usize> {
        let at = usize::try_from(number).ok()?.checked_sub(1)?;
        (at < self.slots.len()).then_some(at)
    }

    /// The notes that give periods up, each with the number that its period has today.
    pub fn given_up_periods(&self) -> impl Iterator<Item = (&'a GivenUp, u32)> + '_ {
        self.matter.case.given_up.iter().filter_map(|note| {
            let slot = self.slot_given_up(note)?;
            Some((note, self.slots[slot].period.number))
        })
    }

    /// The period that a note gives up: by its days, of older notes by its number.
    fn slot_given_up(&self, note: &GivenUp) -> Option<usize> {
        match (note.start, note.end) {
            (Some(start), Some(end)) => slot_for(&self.slots, start, end),
            (_, None) | (None, _) => self.slot(note.period),
        }
    }

    /// The note by which a period was given up.
    fn given_up(&self, slot: usize) -> Option<&'a GivenUp> {
        self.matter.case.given_up.iter().find(|note| self.slot_given_up(note) == Some(slot))
    }

    /// The fee that stands for a period, as an index of the claimed ones.
    fn fee_standing_for(&self, slot: usize) -> Option<usize> {
        self.claimed.iter().position(|claimed| claimed.stands_for == Some(slot))
    }

    /// The price of a period: the plan's, or this member's share of the couple's.
    fn price(&self, slot: usize) -> Option<Money> {
        let Slot { agreement, kind, .. } = self.slots[slot];
        let terms = &self.story.standing[agreement?].terms;
        let price = terms.price(kind);
        Some(match terms.seat {
            Seat::Individual => price,
            Seat::Couple => self.matter.accounts.first()?.1.share_of(self.matter.id, price),
        })
    }

    /// The most that a period's fee may be. Which member of a couple had the larger share when it was claimed
    /// is not known any more once they are linked otherwise.
    fn highest_price(&self, slot: usize) -> Option<Money> {
        let Slot { agreement, kind, .. } = self.slots[slot];
        let terms = &self.story.standing[agreement?].terms;
        let price = terms.price(kind);
        match terms.seat {
            Seat::Individual => Some(price),
            Seat::Couple => price.allocate(&[1, 1]).ok()?.first().copied(),
        }
    }

    /// The work promised for a period, and what of it counts for it by a day: of each kind the earliest first.
    fn promised(&self, slot: usize, as_of: CivilDate) -> Vec<WorkFinding> {
        let Slot { agreement, kind, .. } = self.slots[slot];
        let Some(agreement) = agreement else { return Vec::new() };
        let mut used = Vec::new();
        let promised = self.story.standing[agreement].terms.work(kind);
        promised
            .iter()
            .map(|&work| {
                let next = self
                    .counting(slot, as_of)
                    .find(|&(at, placed)| placed.done.work == work && !used.contains(&at));
                used.extend(next.map(|(at, _)| at));
                let done = next.map(|(_, placed)| placed.done.moment.mark.clone());
                WorkFinding { work, done }
            })
            .collect()
    }

    /// The work that counts for a period and was done by a day.
    fn counting(
        &self,
        slot: usize,
        as_of: CivilDate,
    ) -> impl Iterator<Item = (usize, &Placed<'a>)> {
        // It is of the period's own days, or of those of the next, which it does not outlast.
        let start = self.slots[slot].period.start;
        let end = self.slots.get(slot + 1).map_or(CivilDate::MAX, |next| next.period.end);
        let first = self.work.partition_point(|placed| placed.on() < start);
        let done = self.work.iter().enumerate().skip(first);
        let done = done.take_while(move |(_, placed)| placed.on() <= as_of && placed.on() < end);
        done.filter(move |(_, placed)| placed.standing == Standing::Counts(slot))
    }
}

/// The evidence that a fee names.
pub(crate) fn evidence(work: &[WorkFinding]) -> Vec<WorkEvidence> {
    let evidence = |found: &WorkFinding| {
        let done = found.done.as_ref()?;
        Some(WorkEvidence {
            event: done.at.clone(),
            late: done.late,
            on: done.on,
            work: found.work,
        })
    };
    work.iter().filter_map(evidence).collect()
}
