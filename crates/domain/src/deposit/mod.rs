//! A deposit folded: what a line of a bank statement says and what it was found to be, what a statement
//! lists, or what a payout of the card processor names.

mod decide;
mod told;

pub(crate) use decide::bank;
pub use decide::{LINES_MAX, MOVEMENTS_MAX, REFUSALS_MAX, REFUSED_MOVEMENTS_MAX};
pub use told::{PAYOUT_LINES_MAX, REFERENCES_MAX, STATEMENT_LINES_MAX};

use crate::case::Mark;
use crate::codec::record;
use crate::event::{
    DepositEvent, DepositMatched, LineBooked, MatchRefused, PayoutLine, PayoutReported, Recorded,
    StatementLine, StatementLineSeen, StatementSeen,
};
use crate::ids::DepositId;

record! {
    /// A line of a bank statement.
    pub struct Line {
        /// The event; its day is the day the bank booked it.
        mark: Mark,
        /// What it says.
        seen: StatementLineSeen,
    }
}

record! {
    /// A statement.
    pub struct Statement {
        /// Its lines.
        lines: Vec<StatementLine>,
        /// The event; its day is the statement's last.
        mark: Mark,
        /// What it says.
        seen: StatementSeen,
    }
}

record! {
    /// A payout.
    pub struct Payout {
        /// What it names.
        lines: Vec<PayoutLine>,
        /// The event; its day is the day of the payout.
        mark: Mark,
        /// Its sums.
        reported: PayoutReported,
    }
}

record! {
    /// What stands behind a line.
    pub struct Matched {
        /// The event.
        mark: Mark,
        /// The match.
        matched: DepositMatched,
    }
}

record! {
    /// A line that is a piece of another one's money.
    pub struct Joined {
        /// The event.
        mark: Mark,
        /// The other line.
        to: DepositId,
    }
}

record! {
    /// What a person said that a line is.
    pub struct Booked {
        /// What was said.
        booked: LineBooked,
        /// The event.
        mark: Mark,
    }
}

record! {
    /// A line, a statement or a payout.
    #[derive(Default)]
    pub struct Deposit {
        /// What a person said that the line is.
        booked: Option<Booked>,
        /// The line whose match proves this one.
        joined: Option<Joined>,
        /// The line, if it is one.
        line: Option<Line>,
        /// What stands behind the line.
        matched: Option<Matched>,
        /// The payout, if it is one.
        payout: Option<Payout>,
        /// What a person said does not stand behind the line.
        refused: Vec<MatchRefused>,
        /// The statement, if it is one.
        statement: Option<Statement>,
        /// How many matches a person took back.
        taken_back: u32,
        /// Events folded.
        version: u64,
    }
}

impl Deposit {
    /// Whether it is a line that nobody has explained.
    pub fn is_open(&self) -> bool {
        self.line.is_some()
            && self.matched.is_none()
            && self.joined.is_none()
            && self.booked.is_none()
    }

    /// How often a person said no: to something proposed, or to a match that was made.
    pub fn refusals(&self) -> u32 {
        u32::try_from(self.refused.len()).unwrap_or(u32::MAX).saturating_add(self.taken_back)
    }

    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &DepositEvent) {
        self.version = recorded.stream_version;
        let mark = Mark::of(recorded);
        match event {
            DepositEvent::StatementLineSeen(e) => {
                self.line = Some(Line { mark, seen: e.clone() });
            }
            DepositEvent::PayoutReported(e) => {
                self.payout = Some(Payout { lines: Vec::new(), mark, reported: e.clone() });
            }
            DepositEvent::PayoutLinesReported(e) => {
                if let Some(payout) = &mut self.payout {
                    payout.lines.extend(e.lines.iter().cloned());
                }
            }
            DepositEvent::DepositMatched(e) => {
                self.matched = Some(Matched { mark, matched: e.clone() });
            }
            DepositEvent::MatchJoined(e) => self.joined = Some(Joined { mark, to: e.to }),
            DepositEvent::MatchReversed(_) => {
                self.matched = None;
                self.taken_back = self.taken_back.saturating_add(1);
            }
            DepositEvent::MatchRefused(e) => self.refused.push(e.clone()),
            DepositEvent::MatchLeft(_) => self.joined = None,
            DepositEvent::LineBooked(e) => self.booked = Some(Booked { booked: e.clone(), mark }),
            DepositEvent::BookingReversed(_) => self.booked = None,
            DepositEvent::LineTakenBack(_) => self.line = None,
            DepositEvent::PayoutTakenBack(_) => self.payout = None,
            DepositEvent::StatementSeen(e) => {
                self.statement = Some(Statement { lines: Vec::new(), mark, seen: e.clone() });
            }
            DepositEvent::StatementLinesListed(e) => {
                if let Some(statement) = &mut self.statement {
                    statement.lines.extend(e.lines.iter().cloned());
                }
            }
            DepositEvent::StatementTakenBack(_) => self.statement = None,
        }
    }
}
