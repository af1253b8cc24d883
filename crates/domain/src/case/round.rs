//! Rounds of letters and the statutory clocks that run from them.

use calendar::{BusinessCalendar, CivilDate, Clock};

use super::{Case, Listing, ListingStatus, Mark};
use crate::codec::record;
use crate::event::{Ask, EventRef, ItemOutcome, MailClass};
use crate::ids::{BureauCode, ItemCode, TrackingCode};

record! {
    /// A letter and what became of it.
    pub struct LetterState {
        /// The bureau's latest answer.
        answered: Option<Mark>,
        /// The bureau.
        bureau: BureauCode,
        /// The delivery scan.
        delivered: Option<Mark>,
        /// Whether the dispute follows the free annual report: 45 days (15 USC 1681j(a)(3)).
        free_report: bool,
        /// Relevant information the client sent in the 30 days.
        information: Option<Mark>,
        /// The listings disputed.
        items: Vec<ItemCode>,
        /// How it travelled.
        mail_class: MailClass,
        /// What was answered, listing by listing.
        outcomes: Vec<ItemOutcome>,
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
        /// Counted from 1.
        number: u32,
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
        mark: Mark,
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

impl LetterState {
    /// The day the bureau received it, and whether that is an estimate.
    pub fn received_on(&self, sent_on: CivilDate, transit_days: u16) -> (CivilDate, bool) {
        match (&self.delivered, self.mail_class) {
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
                && self.answered.as_ref().is_none_or(|answer| mark.on <= answer.on)
        };
        match &self.information {
            Some(mark) if in_time(mark) => Clock::ReinvestigationExtended,
            _ => Clock::Reinvestigation,
        }
    }

    /// Last day for the reinvestigation.
    pub fn due_on(&self, sent_on: CivilDate, transit_days: u16) -> CivilDate {
        let (received, _) = self.received_on(sent_on, transit_days);
        self.clock(received).due_on(received)
    }

    /// Whether every listing in it has an outcome.
    pub fn is_answered(&self) -> bool {
        self.items.iter().all(|item| self.outcomes.iter().any(|o| o.item == *item))
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
            }
        }
        clocks.extend(self.asked.iter().map(asked_clock));
        clocks.extend(
            self.listings
                .iter()
                .filter_map(|((item, bureau), listing)| reinsertion_clock(item, bureau, listing)),
        );
        clocks
    }
}

/// The reinvestigation, and after it the results notice: only when both are over is a bureau late.
fn letter_clocks(round: &Round, letter: &LetterState, transit_days: u16) -> [RunningClock; 2] {
    let (started_on, estimated) = letter.received_on(round.mark.on, transit_days);
    let clock = letter.clock(started_on);
    let due_on = clock.due_on(started_on);
    let done_on = letter.answered.as_ref().filter(|_| letter.is_answered()).map(|mark| mark.on);
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
        due_on: clock.due_on(asked.mark.on),
        estimated: false,
        item: None,
        round: None,
        started_on: asked.mark.on,
    }
}

/// A reinsertion that only an import shows: the bureau owed a notice (15 USC 1681i(a)(5)(B)(ii)).
fn reinsertion_clock(
    item: &ItemCode,
    bureau: &BureauCode,
    listing: &Listing,
) -> Option<RunningClock> {
    (listing.status == ListingStatus::Reinserted).then(|| RunningClock {
        bureau: bureau.clone(),
        clock: Clock::ReinsertionNotice,
        done_on: listing.notice_seen.then_some(listing.since.on),
        due_on: Clock::ReinsertionNotice.due_on(listing.since.on),
        estimated: true,
        item: Some(item.clone()),
        round: None,
        started_on: listing.since.on,
    })
}
