//! What stands behind a deposit.
//!
//! Rules, strongest first: a payout or movements that the line names; a payout of the same amount in
//! the days before; one movement of the same amount; all movements of one day; a combination of
//! movements. Only what is named and adds up to the cent is *certain*, and may be matched without a
//! person. Everything else is proposed, and says whether it is the only answer. What a person said no
//! to is not proposed again, and nothing about such a line is certain any more.
//!
//! A combination is looked for among at most [`COMBINED_MAX`] movements: the sums of two halves are
//! met in the middle, which finds every answer. Among more there are as good as always several, so
//! none is proposed and the line says so.

mod combination;
mod search;

use chrono::NaiveDate;

use search::Search;

/// Most movements that a combination is looked for among: 2 × 2^12 sums.
pub const COMBINED_MAX: usize = 24;

/// A bank line that nobody has explained.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Deposit {
    /// What came in, minor units; below zero what went out.
    pub amount_minor: i64,
    /// The day the bank booked it.
    pub booked_on: NaiveDate,
    /// What it refers to.
    pub references: Vec<String>,
    /// What a person said does not stand behind it.
    pub refused: Vec<Refused>,
    /// Whether a person ever said no to what was found for it: then nothing about it is certain.
    pub doubted: bool,
}

/// What a person said does not stand behind a line, by places.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Other lines that it would have been matched with, in order.
    pub joined: Vec<usize>,
    /// The payout.
    pub payout: Option<usize>,
    /// The movements, in order; not looked at with a payout.
    pub movements: Vec<usize>,
}

/// A movement that stands behind nothing yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Movement {
    /// Minor units; below zero what went back.
    pub amount_minor: i64,
    /// The day it happened.
    pub happened_on: NaiveDate,
    /// The processor's name for it.
    pub name: String,
}

/// A payout whose movements all stand behind nothing yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Payout {
    /// The processor's name for it.
    pub name: String,
    /// What reaches the bank, minor units.
    pub net_minor: i64,
    /// The day of the payout.
    pub paid_on: NaiveDate,
    /// Its movements, by their places in the list of movements.
    pub movements: Vec<usize>,
}

/// How far back is looked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Days between a movement or payout and its bank line.
    pub days: u16,
}

impl Default for Window {
    /// Ten days: three business days to pay out, and weekends and holidays between (common practice,
    /// no source).
    fn default() -> Self {
        Self { days: 10 }
    }
}

impl Window {
    /// Whether something of a day may be behind a line. A day more, for what is dated in another zone.
    fn reaches(self, from: NaiveDate, booked_on: NaiveDate) -> bool {
        let days = booked_on.signed_duration_since(from).num_days();
        (-1..=i64::from(self.days)).contains(&days)
    }
}

/// By which rule something was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// The line names the payout, or every movement.
    Reference,
    /// A payout of the same amount.
    PayoutAmount,
    /// One movement of the same amount.
    Amount,
    /// All movements of one day.
    WholeDay,
    /// A combination of movements.
    Combination,
}

/// How sure an answer is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Certainty {
    /// Named, and to the cent: may be matched without a person.
    Certain,
    /// The only answer by its rule, in its window: a person confirms.
    Only,
    /// One of several answers: a person chooses.
    OneOfSeveral,
    /// Named, and it does not add up: a person looks.
    DoesNotAddUp,
    /// Too many movements to look through, or none that fit: a person looks.
    Open,
}

/// What may stand behind a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proposal {
    /// The line, by its place.
    pub deposit: usize,
    /// Other lines of the same money, by their places.
    pub joined: Vec<usize>,
    /// The payout, by its place.
    pub payout: Option<usize>,
    /// The movements, by their places.
    pub movements: Vec<usize>,
    /// What the line has more than the movements less the payout's costs, minor units; zero for
    /// whatever adds up.
    pub difference_minor: i64,
    /// By which rule; nothing for an open one.
    pub rule: Option<Rule>,
    /// How sure.
    pub certainty: Certainty,
    /// Why, in words.
    pub because: String,
}

/// Proposes what stands behind each line, each line once and in their order. No movement is behind two
/// lines that are certain.
pub fn propose(
    deposits: &[Deposit],
    movements: &[Movement],
    payouts: &[Payout],
    window: Window,
) -> Vec<Proposal> {
    Search::new(deposits, movements, payouts, window).run()
}
