//! What the bank and the processor say, and what a person makes of it.

use std::collections::BTreeSet;

use calendar::CivilDate;

use crate::event::{
    AccountMovement, MatchRefused, MatchRule, PayoutLine, Purpose, StatementLineSeen,
    StatementSeen, StreamId,
};
use crate::ids::{AccountId, DepositId, ProcessorRef};
use crate::money::Money;
use crate::value::Text;

/// A line of a bank statement, as it was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineNoted {
    /// The day the bank booked it.
    pub booked_on: CivilDate,
    /// What it says.
    pub seen: StatementLineSeen,
}

/// A payout, as the processor reports it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PayoutNoted {
    /// Why it takes the place of what is recorded of the payout, which was told wrongly.
    pub instead_because: Option<Text>,
    /// Every movement in it.
    pub lines: Vec<PayoutLine>,
    /// What reaches the bank.
    pub net: Money,
    /// The day of the payout.
    pub paid_on: CivilDate,
    /// The processor's name for it.
    pub payout: ProcessorRef,
}

/// A statement, as it was read. Its lines are recorded before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatementNoted {
    /// What it says; how many lines it has follows from them.
    pub seen: StatementSeen,
    /// Its last day.
    pub through: CivilDate,
    /// Every line of it.
    pub lines: Vec<DepositId>,
}

/// Something that was recorded by mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakeBack {
    /// The line, statement or payout.
    pub deposit: DepositId,
    /// Of a statement, the lines that only it told: they are taken back with it.
    pub lines: Vec<DepositId>,
    /// Why.
    pub reason: Option<Text>,
}

/// What stands behind a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Match {
    /// Whether no person confirms it: the firm's policy has to allow that.
    pub automatic: bool,
    /// What the processor kept. Said, not guessed: a cent that does not fit is a difference.
    pub costs: Money,
    /// The line.
    pub deposit: DepositId,
    /// Other lines of the same money.
    pub joined: Vec<DepositId>,
    /// Every movement.
    pub movements: Vec<AccountMovement>,
    /// The payout, if the processor reported one.
    pub payout: Option<DepositId>,
    /// How it was found.
    pub rule: MatchRule,
}

/// What a line is that no movement stands behind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BookLine {
    /// The line.
    pub deposit: DepositId,
    /// What for.
    pub note: Option<Text>,
    /// What it is.
    pub purpose: Purpose,
}

/// What the bank and the processor say, and what a person makes of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BankAction {
    /// Lines of a statement; the ones that are known change nothing.
    NoteLines(Vec<LineNoted>),
    /// A payout; one that is known changes nothing.
    NotePayout(PayoutNoted),
    /// A statement; one that is known changes nothing.
    NoteStatement(StatementNoted),
    /// See [`TakeBack`]. Refused while anything rests on it.
    TakeBack(TakeBack),
    /// See [`Match`]. Refused if it does not add up to the cent.
    Match(Match),
    /// Take a match back.
    ReverseMatch {
        /// The line that has it.
        deposit: DepositId,
        /// Every movement that stands behind it.
        movements: Vec<AccountMovement>,
    },
    /// Say that something does not stand behind a line.
    RefuseMatch {
        /// The line.
        deposit: DepositId,
        /// What does not.
        refused: MatchRefused,
    },
    /// See [`BookLine`].
    BookLine(BookLine),
    /// Take back what was said of a line.
    ReverseBooking {
        /// The line.
        deposit: DepositId,
    },
}

impl BankAction {
    /// The streams it is certain to read.
    pub fn streams(&self) -> Vec<StreamId> {
        let of_movements = |movements: &[AccountMovement]| {
            let accounts: BTreeSet<AccountId> = movements.iter().map(|m| m.account).collect();
            accounts.into_iter().map(StreamId::Account).collect::<Vec<_>>()
        };
        match self {
            Self::NoteLines(lines) => lines
                .iter()
                .map(|line| DepositId::of_line(&line.seen.bank, &line.seen.line))
                .map(StreamId::Deposit)
                .collect(),
            Self::NotePayout(payout) => {
                vec![StreamId::Deposit(DepositId::of_payout(&payout.payout))]
            }
            Self::NoteStatement(StatementNoted { seen, lines, .. }) => {
                let statement = DepositId::of_statement(&seen.bank, &seen.file, seen.part);
                lines.iter().copied().chain([statement]).map(StreamId::Deposit).collect()
            }
            Self::TakeBack(TakeBack { deposit, lines, .. }) => {
                lines.iter().copied().chain([*deposit]).map(StreamId::Deposit).collect()
            }
            Self::Match(wanted) => {
                let lines = std::iter::once(wanted.deposit).chain(wanted.joined.iter().copied());
                let deposits = lines.chain(wanted.payout).map(StreamId::Deposit);
                deposits.chain(of_movements(&wanted.movements)).collect()
            }
            Self::ReverseMatch { deposit, movements } => {
                let mut streams = of_movements(movements);
                streams.push(StreamId::Deposit(*deposit));
                streams
            }
            Self::RefuseMatch { deposit, refused } => {
                let lines = std::iter::once(*deposit).chain(refused.joined.iter().copied());
                lines.chain(refused.payout).map(StreamId::Deposit).collect()
            }
            Self::BookLine(BookLine { deposit, .. }) | Self::ReverseBooking { deposit } => {
                vec![StreamId::Deposit(*deposit)]
            }
        }
    }
}
