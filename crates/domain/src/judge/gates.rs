//! How each gate answers for one fee on one day of asking.

use std::borrow::Cow;

use calendar::{BusinessCalendar, CivilDate};

use super::because::{Because, Ruling};
use super::doubt::over;
use super::grid::{Slot, slot_for};
use super::state::stricter_reading;
use super::story::{Standing, Undone, UndoneBy};
use super::{Judge, work};
use crate::case::Mark;
use crate::event::EventRef;
use crate::firm::FeeLaw;
use crate::gates::{Answer, Finding, Gate, Opens};
use crate::money::Money;
use crate::terms::{Channel, FullyPerformed, Work};
use crate::value::Text;

/// By how many days a correction may move the end of a period before its fee counts as asked for too early.
const DAYS_MOVED_MAX: i64 = 3;

/// The edition of the rules that first asked the gate of the agreement alone whether one governs in every reading.
const ASKED_OF_AGREEMENT_SINCE: u32 = 4;

/// The edition of the rules that first asked on which day a period was given up.
const GIVEN_UP_BY_DAY_SINCE: u32 = 6;

/// A fee that is asked for on a day: one that was claimed, or one that could be.
#[derive(Clone)]
pub(super) struct Asking<'j, 'a> {
    pub(super) judge: &'j Judge<'a>,
    /// Its period; none if the service has none of these days.
    pub(super) slot: Option<usize>,
    /// The fee, if it was claimed.
    pub(super) fee: Option<usize>,
    /// How much.
    pub(super) amount: Option<Money>,
    /// The day.
    pub(super) on: CivilDate,
    /// What the law asks of it on that day; nothing without a federal pack in force.
    pub(super) law: Option<Cow<'j, FeeLaw<'a>>>,
    /// Whether what was given back of its own invoice is left out, as it was when that was issued.
    pub(super) is_as_issued: bool,
}

impl<'a> Asking<'_, 'a> {
    /// What a gate answers, in words.
    pub(super) fn finding(&self, gate: Gate, readings: &[Asking<'_, '_>]) -> Finding {
        let ruling = self.ruling(gate);
        let ruling = if gate == Gate::State { self.backed(ruling) } else { ruling };
        let answer = over_readings(gate, ruling.answer, readings);
        let is_doubtful = answer != ruling.answer;
        let opens = ruling.opens.map(|opens| self.still_opens(opens));
        let opens = if is_doubtful { Some(Opens::PutRight) } else { opens };
        let mut because = ruling.because.to_string();
        if is_doubtful {
            because +=
                "; in another zone, the client's, days may be others: say at what time it was";
        }
        let cites: Vec<&str> = ruling.cites.iter().map(Text::as_str).collect();
        let marks = ruling.because.marks();
        let events: Vec<EventRef> = marks.iter().map(|mark| mark.at.clone()).collect();
        Finding {
            gate,
            answer,
            at_own_risk: ruling.because.at_own_risk().to_vec(),
            because,
            cites: if cites.is_empty() { gate.statute().into() } else { cites.join("; ") },
            events: events.into_iter().chain(ruling.because.told().iter().cloned()).collect(),
            is_corrected: false,
            opens,
        }
    }

    /// What still opens a gate. Where a day has come and the gate is closed still, something is missing that happened
    /// by now; and once a fee was asked for, it is helped by nothing that comes later.
    fn still_opens(&self, opens: Opens) -> Opens {
        let is_asked = self.fee.is_some_and(|fee| !self.judge.claimed[fee].asked_on.is_empty());
        match opens {
            Opens::Wait { until } if until <= self.on => Opens::PutRight,
            Opens::Wait { .. } if is_asked => Opens::Never,
            Opens::Finish { .. } if is_asked => Opens::PutRight,
            Opens::Wait { .. } | Opens::Finish { .. } | Opens::PutRight | Opens::Never => opens,
        }
    }

    /// The same fee, asked for as the days in doubt are read otherwise.
    pub(super) fn otherwise<'o, 'b>(&self, others: &'o [Judge<'b>]) -> Vec<Asking<'o, 'b>> {
        let period = self.slot().map(|slot| slot.period);
        let asked = others.iter().map(|judge| {
            let slot = match (self.fee, period) {
                (Some(fee), _) => judge.claimed[fee].slot,
                (None, Some(period)) => slot_for(&judge.slots, period.start, period.end),
                (None, None) => None,
            };
            let asking = judge.asking_for(slot, self.fee, self.amount, self.on);
            Asking { is_as_issued: self.is_as_issued, ..asking }
        });
        asked.collect()
    }

    pub(super) fn ruling(&self, gate: Gate) -> Ruling<'a> {
        let governed = self.slot().and_then(|slot| Some((slot, self.agreement(slot)?)));
        match (gate, governed) {
            (Gate::NotClaimed, _) => self.not_claimed(),
            (Gate::Disclosure, Some((_, agreement))) => self.disclosure(agreement),
            (Gate::Agreement, Some((_, agreement))) => self.in_force(agreement),
            (Gate::WaitingDays, Some((slot, agreement))) => self.waiting_days(slot, agreement),
            (Gate::FullyPerformed, Some((slot, agreement))) => {
                self.fully_performed(slot, agreement)
            }
            (Gate::Telemarketing, Some((_, agreement))) => self.telemarketing(agreement),
            (Gate::State, Some((slot, agreement))) => self.state(slot, agreement),
            (Gate::Total, Some((_, agreement))) => self.total(agreement),
            (
                Gate::Disclosure
                | Gate::Agreement
                | Gate::WaitingDays
                | Gate::FullyPerformed
                | Gate::Telemarketing
                | Gate::State
                | Gate::Total,
                None,
            ) => self.ungoverned(),
        }
    }

    pub(super) fn slot(&self) -> Option<Slot> {
        self.slot.map(|at| self.judge.slots[at])
    }

    /// Whether an agreement governs the period that is asked for.
    fn is_governed(&self) -> bool {
        self.slot().is_some_and(|slot| slot.agreement.is_some())
    }

    pub(super) fn agreement(&self, slot: Slot) -> Option<&Standing<'a>> {
        slot.agreement.map(|at| &self.judge.story.standing[at])
    }

    fn ungoverned(&self) -> Ruling<'a> {
        let because = match self.undone() {
            Some(Undone { by: UndoneBy::Cancellation(cancellation), .. }) => {
                Because::Undone(cancellation)
            }
            Some(Undone { agreement, by: UndoneBy::Death(died), .. }) => {
                Because::SignedAfterDeath { signed: &agreement.signed, died }
            }
            None if self.slot.is_some() => Because::NoAgreement,
            None => Because::NoPeriod,
        };
        Ruling::fails(because, Opens::Never)
    }

    /// The agreement that binds nobody and that the fee names; without one that does, the last.
    fn undone(&self) -> Option<&Undone<'a>> {
        let story = &self.judge.story;
        let claimed =
            self.fee.and_then(|fee| self.judge.matter.case.earned[fee].agreement.as_ref());
        let named = |undone: &&Undone<'_>| claimed == Some(&undone.agreement.signed.mark.at);
        let last = || story.undone.last().filter(|_| story.standing.is_empty());
        story.undone.iter().find(named).or_else(last)
    }

    /// Any earlier acknowledgement serves, also for a renewal.
    fn disclosure(&self, agreement: &Standing<'a>) -> Ruling<'a> {
        let signed = &agreement.agreement.signed;
        let acknowledged = &self.judge.matter.case.acknowledged;
        let before = acknowledged.iter().find(|known| known.is_before(signed) == Some(true));
        if let Some(acknowledged) = before {
            return Ruling::holds(Because::Acknowledged { acknowledged, signed });
        }
        let unknown = acknowledged.iter().find(|known| known.is_before(signed).is_none());
        if let Some(acknowledged) = unknown {
            return Ruling::unknown(Because::OrderUnknown { acknowledged, signed });
        }
        match acknowledged.first() {
            Some(acknowledged) => {
                Ruling::fails(Because::Acknowledged { acknowledged, signed }, Opens::Never)
            }
            None => Ruling::fails(Because::NotAcknowledged, Opens::Never),
        }
    }

    fn in_force(&self, standing: &Standing<'a>) -> Ruling<'a> {
        let signed = &standing.agreement.signed;
        let enrolment = self.judge.matter.case.enrolment.as_ref();
        let online = enrolment.is_some_and(|e| e.sale.channel == Channel::Online);
        if !standing.agreement.copies_given {
            return Ruling::fails(Because::CopiesMissing(signed), Opens::Never);
        }
        if online && !standing.agreement.e_sign_consent {
            return Ruling::fails(Because::NoElectronicConsent(signed), Opens::Never);
        }
        Ruling::holds(Because::InForce { signed, cancel_through: standing.cancel_through })
    }

    fn waiting_days(&self, slot: Slot, standing: &Standing<'a>) -> Ruling<'a> {
        let from = standing.service_from;
        let taints = |on| slot.agreement.is_some_and(|at| work::taints(&self.judge.story, at, on));
        let early = self.judge.early.iter().copied();
        let done: Vec<&Mark> = early.filter(|mark| taints(mark.on) && mark.on <= self.on).collect();
        if done.is_empty() {
            Ruling::holds(Because::NoEarlyService { from })
        } else {
            Ruling::fails(Because::EarlyService { done, from }, Opens::Never)
        }
    }

    fn fully_performed(&self, slot: Slot, standing: &Standing<'a>) -> Ruling<'a> {
        let law = self.law.as_ref();
        let rule = law.map_or(&standing.rules.performance, |law| &law.performance);
        let stricter = law.and_then(|law| stricter_reading(law, standing));
        let rule = stricter.as_ref().unwrap_or(rule);
        let found = match rule.reading {
            FullyPerformed::EachPeriod => self.complete(slot),
            FullyPerformed::WholeContract => self.contract_complete(slot, standing),
        };
        found.citing(&rule.cites)
    }

    fn complete(&self, slot: Slot) -> Ruling<'a> {
        let at = self.judge.slot(slot.period.number).expect("a slot is of the grid");
        // What is given up behind the day of asking does not reach back.
        let reaches_back = self.judge.edition < GIVEN_UP_BY_DAY_SINCE;
        let given_up = self.judge.given_up(at);
        let given_up = given_up.filter(|of| reaches_back || of.moment.on() <= self.on);
        if let Some(given_up) = given_up {
            return Ruling::fails(Because::GivenUp(&given_up.moment.mark), Opens::PutRight);
        }
        if let Some(on) = slot.cut_on {
            return Ruling::fails(Because::Cut { on }, Opens::Never);
        }
        let end = slot.period.end;
        if slot.paused
            && let Some(pause) = self.judge.story.pauses.last()
        {
            return Ruling::fails(Because::Paused(&pause.began.mark), Opens::Wait { until: end });
        }
        // A pause that had not ended when it was asked for: what ended it later does not reach back.
        let unended = self.judge.story.pauses.iter().find(|pause| {
            (slot.period.start..end.min(self.on)).contains(&pause.began.on())
                && pause.until.is_some_and(|until| self.on < until.on())
        });
        if let Some(pause) = unended {
            return Ruling::fails(Because::Paused(&pause.began.mark), Opens::Wait { until: end });
        }
        let over = self.on >= end;
        if !over && !self.was_over_as_claimed(end) {
            return Ruling::fails(Because::Runs { until: end }, Opens::Wait { until: end });
        }
        let (mut done, mut missing) = (Vec::new(), Vec::new());
        let mut used = Vec::new();
        let promised = slot.agreement.map_or(&[][..], |agreement| {
            self.judge.story.standing[agreement].terms.work(slot.kind)
        });
        for &work in promised {
            let next = self
                .judge
                .counting(at, self.on)
                .find(|&(index, placed)| placed.done.work == work && !used.contains(&index));
            match next {
                Some((index, placed)) => {
                    used.push(index);
                    done.push(&placed.done.moment.mark);
                }
                None => missing.push(work),
            }
        }
        if promised.is_empty() {
            return Ruling::fails(Because::NothingPromised, Opens::Never);
        }
        if missing.is_empty() && !over {
            return Ruling::unknown(Because::Runs { until: end });
        }
        if missing.is_empty() {
            return Ruling::holds(Because::Done { over_on: end, done });
        }
        if let Some(because) = self.authority_in_doubt(at, &missing) {
            return Ruling::unknown(because);
        }
        let grace = slot
            .agreement
            .map_or(0, |agreement| self.judge.story.standing[agreement].terms.grace());
        let by = BusinessCalendar::EveryDay.add_business_days(end, grace).pred_opt();
        let opens = match by {
            Some(by) if self.judge.matter.today <= by => Opens::Finish { by },
            Some(_) | None => Opens::Never,
        };
        Ruling::fails(Because::NotEvidenced { work: missing, done }, opens)
    }

    /// Whether rounds of the day of a revocation would do all that a period lacks.
    fn authority_in_doubt(&self, at: usize, missing: &[Work]) -> Option<Because<'a>> {
        let in_doubt = self.judge.work.iter().filter(|placed| {
            placed.standing == work::Standing::InDoubt(at) && placed.on() <= self.on
        });
        let sent: Vec<&Mark> = in_doubt.map(|placed| &placed.done.moment.mark).collect();
        let is_enough =
            missing.len() <= sent.len() && missing.iter().all(|work| *work == Work::DisputeRound);
        let (sent, case) = (sent.first().copied().filter(|_| is_enough)?, self.judge.matter.case);
        let told = &case.authority_told_on(sent.on)?.mark;
        Some(Because::AuthorityInDoubt { sent, told })
    }

    /// Whether a claimed fee's days were over when it was asked for, and were corrected since by up to three.
    fn was_over_as_claimed(&self, end: CivilDate) -> bool {
        let fee = self.fee.map(|fee| &self.judge.matter.case.earned[fee]);
        fee.is_some_and(|fee| {
            let moved = end.signed_duration_since(fee.end).num_days();
            fee.end <= self.on && (1..=DAYS_MOVED_MAX).contains(&moved)
        })
    }

    /// The strict reading: every period of the contract, as far as it estimates, is over and complete, and so is the one
    /// that the fee is asked for: a month without work is earned by no contract.
    pub(super) fn contract_complete(&self, slot: Slot, standing: &Standing<'a>) -> Ruling<'a> {
        let periods = standing.terms.periods;
        let of_contract = self.judge.slots.iter().filter(|other| other.agreement == slot.agreement);
        let mut count = 0;
        for other in of_contract.take(usize::try_from(periods).unwrap_or(usize::MAX)) {
            let found = self.complete(*other);
            if found.answer != Answer::Holds {
                let number = other.period.number;
                let because = Because::OfContract { number, why: Box::new(found.because) };
                return Ruling { because, ..found };
            }
            count += 1;
        }
        if count < periods {
            return Ruling::fails(Because::NotBegun { number: count + 1 }, Opens::PutRight);
        }
        let own = self.complete(slot);
        if own.answer != Answer::Holds {
            return own;
        }
        Ruling::holds(Because::ContractDone { periods })
    }

    fn not_claimed(&self) -> Ruling<'a> {
        let earned = &self.judge.matter.case.earned;
        let standing = self.slot.and_then(|slot| self.judge.fee_standing_for(slot));
        match (self.fee, standing) {
            (Some(fee), Some(standing)) if fee == standing => {
                Ruling::holds(Because::Claimed(&earned[fee].mark))
            }
            (_, Some(standing)) => {
                let fee = &earned[standing];
                let because = Because::ClaimedBefore { fee: &fee.mark, start: fee.start };
                Ruling::fails(because, Opens::Never)
            }
            // It is of days of which the service has none any more.
            (Some(fee), None) if self.slot.is_none() => {
                Ruling::holds(Because::Claimed(&earned[fee].mark))
            }
            (_, None) if self.slot().is_some_and(|of| self.judge.was_claimed(of.period.number)) => {
                Ruling::holds(Because::GivenBack)
            }
            (_, None) => Ruling::holds(Because::NotClaimed),
        }
    }

    fn total(&self, standing: &Standing<'a>) -> Ruling<'a> {
        let total = standing.agreement.total_of_payments;
        let signed = &standing.agreement.signed;
        let own = self.amount.map(|amount| self.fee.map_or(amount, |fee| self.kept_of(fee)));
        let sum = own.and_then(|own| self.claimed_under(own));
        let within = sum
            .is_some_and(|sum| sum.currency() == total.currency() && sum.minor() <= total.minor());
        if !within {
            return Ruling::fails(Because::Total { sum, total, signed }, Opens::PutRight);
        }
        let price = self.slot.and_then(|slot| self.judge.highest_price(slot));
        match (self.amount, price) {
            (Some(amount), Some(price))
                if amount.currency() == price.currency() && amount.minor() > price.minor() =>
            {
                Ruling::fails(Because::AbovePrice { amount, price }, Opens::PutRight)
            }
            (_, _) => Ruling::holds(Because::Total { sum, total, signed }),
        }
    }
}

/// What a gate answers, whichever way the days in doubt are read. Where no agreement governs the days in one reading,
/// there is no fee that the other gates could look at: the gate of the agreement says so alone.
pub(super) fn over_readings(gate: Gate, answer: Answer, readings: &[Asking<'_, '_>]) -> Answer {
    if !gate.looks_at_days() {
        return answer;
    }
    let looks = |asking: &&Asking<'_, '_>| {
        let is_older = asking.judge.edition < ASKED_OF_AGREEMENT_SINCE;
        is_older || gate == Gate::Agreement || asking.is_governed()
    };
    let looked_at = readings.iter().filter(looks);
    over(answer, looked_at.map(|asking| asking.ruling(gate).answer))
}
