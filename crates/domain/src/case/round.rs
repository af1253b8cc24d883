//! Rounds of letters and the statutory clocks that run from them.

use calendar::{BusinessCalendar, CivilDate, Clock};

use super::{Case, Mark, Moment, Reinsertion};
use crate::codec::record;
use crate::event::{Ask, BlockRefusal, BlockRefused, EventRef, ItemOutcome, MailClass, Outcome};
use crate::ids::{BureauCode, ItemCode, RequestId, TrackingCode};

record! {
    /// A bureau's answer to a letter, or the firm's note that none came.
    pub struct Answer {
        /// The day on which the bureau determined that a dispute is frivolous, where it says so.
        determined_on: Option<CivilDate>,
        /// The event.
        moment: Moment,
        /// What was answered, listing by listing.
        outcomes: Vec<ItemOutcome>,
    }
}

record! {
    /// What became of a letter.
    #[derive(Default)]
    pub struct OfLetter {
        /// Answers, by their days.
        answers: Vec<Answer>,
        /// Delivery scans, by their days.
        delivered: Vec<Moment>,
        /// Relevant information the client sent, by its days.
        information: Vec<Moment>,
    }
}

record! {
    /// A letter and what became of it.
    pub struct LetterState {
        /// Answers, by their days.
        answers: Vec<Answer>,
        /// The bureau.
        bureau: BureauCode,
        /// Delivery scans, by their days. The first counts.
        delivered: Vec<Moment>,
        /// Whether the dispute follows the free annual report: 45 days (15 USC 1681j(a)(3)).
        free_report: bool,
        /// Relevant information the client sent, by its days.
        information: Vec<Moment>,
        /// The listings disputed.
        items: Vec<ItemCode>,
        /// How it travelled.
        mail_class: MailClass,
        /// Tracking number.
        tracking: Option<TrackingCode>,
    }
}

record! {
    /// A round.
    pub struct Round {
        /// The contact whose address its letters carry.
        contact: EventRef,
        /// The letters.
        letters: Vec<LetterState>,
        /// The event.
        mark: Mark,
        /// Its number, a label: counted from 1 in the order of telling, and never given twice.
        number: u32,
        /// The request that told it.
        request: RequestId,
    }
}

record! {
    /// Something else asked of a bureau.
    pub struct Asked {
        /// Done.
        answered: Option<Mark>,
        /// What.
        ask: Ask,
        /// The bureau.
        bureau: BureauCode,
        /// The event; its date is the bureau's receipt.
        moment: Moment,
    }
}

impl Asked {
    /// Whether it is open for what a bureau did on a day.
    pub(super) fn is_met_by(&self, ask: Ask, bureau: &BureauCode, on: CivilDate) -> bool {
        self.answered.is_none()
            && self.ask == ask
            && self.bureau == *bureau
            && self.moment.on() <= on
    }
}

record! {
    /// What was asked of a bureau was done.
    pub struct AskAnswered {
        /// What.
        ask: Ask,
        /// The bureau.
        bureau: BureauCode,
        /// The event.
        mark: Mark,
        /// That it refused it.
        refused: Option<BlockRefused>,
    }
}

/// A statutory clock, running or stopped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunningClock {
    /// The bureau it binds.
    pub bureau: BureauCode,
    /// Which clock.
    pub clock: Clock,
    /// The day it stopped.
    pub done_on: Option<CivilDate>,
    /// Last day, on the later reading: a bureau is never called late on the shorter one.
    pub due_on: CivilDate,
    /// Whether the start was estimated from the mailing date.
    pub estimated: bool,
    /// The item, for a reinsertion.
    pub item: Option<ItemCode>,
    /// The round, for a letter.
    pub round: Option<u32>,
    /// The day it started.
    pub started_on: CivilDate,
}

impl RunningClock {
    /// By how many days it was met too late.
    pub fn days_late(&self) -> Option<u32> {
        let late = self.done_on?.signed_duration_since(self.due_on).num_days();
        u32::try_from(late).ok().filter(|days| *days > 0)
    }
}

impl LetterState {
    /// The delivery scan.
    pub fn delivery(&self) -> Option<&Mark> {
        self.delivered.first().map(|moment| &moment.mark)
    }

    /// The client's information that extends the reinvestigation, once.
    pub fn extension(&self) -> Option<&Mark> {
        self.information.first().map(|moment| &moment.mark)
    }

    /// What bureaus answered: not the firm's own notes that nothing came.
    fn heard(&self) -> impl DoubleEndedIterator<Item = (&Mark, &ItemOutcome)> {
        let outcomes = self.answers.iter().flat_map(|answer| {
            answer.outcomes.iter().map(move |outcome| (&answer.moment.mark, outcome))
        });
        outcomes.filter(|(_, said)| said.outcome != Outcome::NoAnswer)
    }

    /// The bureau's latest answer.
    pub fn answered(&self) -> Option<&Mark> {
        self.heard().next_back().map(|(mark, _)| mark)
    }

    /// What was answered, listing by listing: the latest of each; a note that nothing came only where nothing did.
    pub fn outcomes(&self) -> Vec<&ItemOutcome> {
        let all = || self.answers.iter().flat_map(|answer| &answer.outcomes);
        let of = |item: &ItemCode| {
            let heard = self.heard().rev().map(|(_, said)| said).find(|said| said.item == *item);
            heard.or_else(|| all().find(|said| said.item == *item))
        };
        self.items.iter().filter_map(of).collect()
    }

    /// The day the bureau received it, and whether that is an estimate.
    pub fn received_on(&self, sent_on: CivilDate, transit_days: u16) -> (CivilDate, bool) {
        match (self.delivery(), self.mail_class) {
            (Some(mark), _) => (mark.on, false),
            (None, MailClass::Portal | MailClass::Fax) => (sent_on, true),
            (None, MailClass::FirstClass | MailClass::Certified) => {
                (BusinessCalendar::EveryDay.add_business_days(sent_on, transit_days), true)
            }
        }
    }

    /// The clock of its reinvestigation. Relevant information extends the 30 days once, if it was
    /// sent inside them and nothing was found yet (15 USC 1681i(a)(1)(B), (C)).
    pub fn clock(&self, received_on: CivilDate) -> Clock {
        if self.free_report {
            return Clock::FreeReportReinvestigation;
        }
        let in_time = |mark: &Mark| {
            mark.on <= Clock::Reinvestigation.due_on(received_on)
                && self.answered().is_none_or(|answer| mark.on <= answer.on)
        };
        match self.extension() {
            Some(mark) if in_time(mark) => Clock::ReinvestigationExtended,
            _ => Clock::Reinvestigation,
        }
    }

    /// Last day for the reinvestigation.
    pub fn due_on(&self, sent_on: CivilDate, transit_days: u16) -> CivilDate {
        let (received, _) = self.received_on(sent_on, transit_days);
        self.clock(received).due_on(received)
    }

    /// The day from which every listing in it was answered by the bureau. That the firm noted that nothing came
    /// answers nothing.
    pub fn answered_on(&self) -> Option<CivilDate> {
        let first = |item: &ItemCode| {
            let mut heard = self.heard();
            heard.find(|(_, said)| said.item == *item).map(|(mark, _)| mark.on)
        };
        let days: Option<Vec<CivilDate>> = self.items.iter().map(first).collect();
        days?.into_iter().max()
    }

    /// The day from which nobody waits for more: the bureau answered every listing in it, or the firm noted that
    /// nothing came.
    pub fn settled_on(&self) -> Option<CivilDate> {
        let latest = self.answers.last().map(|answer| answer.moment.on());
        latest.filter(|_| self.outcomes().len() == self.items.len())
    }
}

impl Case {
    /// A round's letter to a bureau.
    pub fn letter(&self, round: u32, bureau: &BureauCode) -> Option<(&Round, &LetterState)> {
        let round = self.rounds.iter().find(|r| r.number == round)?;
        Some((round, round.letters.iter().find(|l| l.bureau == *bureau)?))
    }

    /// Every clock that runs or ran in this case.
    pub fn clocks(&self, transit_days: u16) -> Vec<RunningClock> {
        let mut clocks = Vec::new();
        for round in self.rounds.iter() {
            for letter in &round.letters {
                clocks.extend(letter_clocks(round, letter, transit_days));
                let frivolous = letter.answers.iter();
                clocks
                    .extend(frivolous.filter_map(|answer| frivolous_clock(round, letter, answer)));
            }
        }
        clocks.extend(self.asked.iter().map(asked_clock));
        clocks.extend(self.block_notices());
        clocks.extend(self.listings.iter().flat_map(|((item, bureau), listing)| {
            let back = listing.reinsertions.iter();
            back.map(move |back| reinsertion_clock(item, bureau, back))
        }));
        clocks
    }
}

impl Case {
    /// For each block that was declined or rescinded the notice that the client is owed (15 USC 1681c-2(c)(2)).
    fn block_notices(&self) -> Vec<RunningClock> {
        let mut found: Vec<(BlockRefusal, RunningClock)> = Vec::new();
        for answer in &self.asks_answered {
            let Some(refused) = &answer.refused else { continue };
            let started_on = refused.determined_on;
            let is_same = |(how, clock): &&mut (BlockRefusal, RunningClock)| {
                (*how, &clock.bureau, clock.started_on) == (refused.how, &answer.bureau, started_on)
            };
            let done_on = refused.is_notice.then_some(answer.mark.on);
            if let Some((_, clock)) = found.iter_mut().find(is_same) {
                clock.done_on = clock.done_on.or(done_on);
                continue;
            }
            let clock = RunningClock {
                bureau: answer.bureau.clone(),
                clock: Clock::BlockNotice,
                done_on,
                due_on: Clock::BlockNotice.due_on(started_on),
                estimated: false,
                item: None,
                round: None,
                started_on,
            };
            found.push((refused.how, clock));
        }
        found.into_iter().map(|(_, clock)| clock).collect()
    }
}

/// The reinvestigation, and after it the results notice: only when both are over is a bureau late.
fn letter_clocks(round: &Round, letter: &LetterState, transit_days: u16) -> [RunningClock; 2] {
    let (started_on, estimated) = letter.received_on(round.mark.on, transit_days);
    let clock = letter.clock(started_on);
    let due_on = clock.due_on(started_on);
    let done_on = letter.answered_on();
    let reinvestigation = RunningClock {
        bureau: letter.bureau.clone(),
        clock,
        done_on,
        due_on,
        estimated,
        item: None,
        round: Some(round.number),
        started_on,
    };
    let notice = RunningClock {
        clock: Clock::ResultsNotice,
        due_on: Clock::ResultsNotice.due_on(due_on),
        started_on: due_on,
        ..reinvestigation.clone()
    };
    [reinvestigation, notice]
}

fn asked_clock(asked: &Asked) -> RunningClock {
    let clock = match asked.ask {
        Ask::ProcedureDescription => Clock::ProcedureDescription,
        Ask::TheftBlock => Clock::TheftBlock,
    };
    RunningClock {
        bureau: asked.bureau.clone(),
        clock,
        done_on: asked.answered.as_ref().map(|mark| mark.on),
        due_on: clock.due_on(asked.moment.on()),
        estimated: false,
        item: None,
        round: None,
        started_on: asked.moment.on(),
    }
}

/// A dispute found frivolous: the bureau says so in five business days of its determination
/// (15 USC 1681i(a)(3)(B)). The answer is that notice; without the day of the determination no clock is known.
fn frivolous_clock(round: &Round, letter: &LetterState, answer: &Answer) -> Option<RunningClock> {
    let is_refused = |said: &ItemOutcome| said.outcome == Outcome::Frivolous;
    let started_on = answer.determined_on.filter(|_| answer.outcomes.iter().any(is_refused))?;
    Some(RunningClock {
        bureau: letter.bureau.clone(),
        clock: Clock::FrivolousNotice,
        done_on: Some(answer.moment.on()),
        due_on: Clock::FrivolousNotice.due_on(started_on),
        estimated: false,
        item: None,
        round: Some(round.number),
        started_on,
    })
}

/// A reinsertion: the bureau owes a notice (15 USC 1681i(a)(5)(B)(ii)).
fn reinsertion_clock(item: &ItemCode, bureau: &BureauCode, back: &Reinsertion) -> RunningClock {
    RunningClock {
        bureau: bureau.clone(),
        clock: Clock::ReinsertionNotice,
        done_on: back.notice.as_ref().map(|notice| notice.on),
        due_on: Clock::ReinsertionNotice.due_on(back.since.on),
        estimated: true,
        item: Some(item.clone()),
        round: None,
        started_on: back.since.on,
    }
}
