//! What a statement or a payout file comes to, whatever it was written in.

use std::collections::HashMap;
use std::fmt;

use chrono::NaiveDate;
use sha2::{Digest, Sha256};

/// What is wrong with a file, and where. Nothing of a file is taken that has a fault.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Fault {
    /// The line of a table, or the entry of a statement, counted from 1; nothing if it is the whole.
    pub at: Option<u64>,
    /// The element or column.
    pub place: String,
    /// The rule it breaks. The value is never repeated: it may name people.
    pub rule: String,
}

impl Fault {
    /// Of the whole file.
    pub(crate) fn of_file(rule: impl Into<String>) -> Self {
        Self { at: None, place: String::new(), rule: rule.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(at) = self.at {
            write!(f, "{at}: ")?;
        }
        if !self.place.is_empty() {
            write!(f, "{} ", self.place)?;
        }
        f.write_str(&self.rule)
    }
}

/// A booked line of a bank statement. The bank's free text is left behind: it may name people, and
/// nothing is matched by it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// What came in, minor units; below zero what went out.
    pub amount_minor: i64,
    /// The day the bank booked it.
    pub booked_on: NaiveDate,
    /// The day it counts for interest, if the bank says.
    pub value_on: Option<NaiveDate>,
    /// What it refers to, each once, in the bank's order.
    pub references: Vec<String>,
    /// Why the bank gives it back, as its code says.
    pub return_reason: Option<String>,
    /// SHA-256 of what the line says and of how many lines before it in its file say the same: the
    /// same line read again, from the same file or one that overlaps it by whole days, has the same
    /// hash, and two lines that are alike have different ones.
    pub hash: [u8; 32],
}

/// A statement of one account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Statement {
    /// The account as the file names it.
    pub account: String,
    /// ISO 4217.
    pub currency: String,
    /// Booked lines, in the file's order.
    pub lines: Vec<Line>,
    /// Lines that are not booked, which were left out.
    pub pending: usize,
    /// Its first day, if it says; never after a line's.
    pub from: Option<NaiveDate>,
    /// Its last day, if it says; never before a line's.
    pub through: Option<NaiveDate>,
    /// The balance at the beginning of the first day, minor units, if it says.
    pub opening_minor: Option<i64>,
    /// The balance at the end of the last day, minor units, if it says: the opening balance and the lines.
    pub closing_minor: Option<i64>,
}

impl Statement {
    /// With the days of its lines for what it does not say of its own.
    pub(crate) fn dated(mut self) -> Self {
        let days = || self.lines.iter().map(|line| line.booked_on);
        self.from = self.from.or_else(|| days().min());
        self.through = self.through.or_else(|| days().max());
        self
    }

    /// The first line of a day that is not among those it says it is of.
    pub(crate) fn outside(&self) -> Option<NaiveDate> {
        let mut days = self.lines.iter().map(|line| line.booked_on);
        days.find(|day| {
            self.from.is_some_and(|from| *day < from)
                || self.through.is_some_and(|through| through < *day)
        })
    }

    /// Whether another one goes on where this one ends: its next page, or the next days of the account.
    fn goes_on_in(&self, next: &Self) -> bool {
        let (Some(closing), Some(opening)) = (self.closing_minor, next.opening_minor) else {
            // Pages before the last have no closing balance, and pages after the first no opening one.
            return true;
        };
        let follows = |from: NaiveDate| {
            self.from.is_none_or(|first| first <= from)
                && self
                    .through
                    .is_none_or(|last| last.succ_opt().is_some_and(|next_day| from <= next_day))
        };
        closing == opening && next.from.is_none_or(follows)
    }
}

/// Statements of one account as few as they can be: pages, and days that go on from each other, are one.
pub fn joined(statements: impl IntoIterator<Item = Statement>) -> Vec<Statement> {
    let mut found: Vec<Statement> = Vec::new();
    for next in statements {
        match found.last_mut().filter(|last| last.goes_on_in(&next)) {
            Some(last) => {
                last.lines.extend(next.lines);
                last.pending += next.pending;
                last.through = last.through.max(next.through);
                last.from = last.from.into_iter().chain(next.from).min();
                last.closing_minor = next.closing_minor;
            }
            None => found.push(next),
        }
    }
    found
}

/// Gives hashes to the lines of a file.
#[derive(Default)]
pub(crate) struct Hasher {
    seen: HashMap<[u8; 32], u64>,
}

impl Hasher {
    /// The hash of a line of an account.
    pub(crate) fn hash(&mut self, account: &str, line: &Line) -> [u8; 32] {
        let mut content = Sha256::new();
        let mut field = |text: &str| {
            // Lengths go first, so that no two lists of fields read alike.
            content.update(u64::try_from(text.len()).unwrap_or(u64::MAX).to_be_bytes());
            content.update(text.as_bytes());
        };
        field("counterfoil/bank-line/1");
        field(account);
        field(&line.booked_on.to_string());
        field(&line.value_on.map(|day| day.to_string()).unwrap_or_default());
        field(&line.amount_minor.to_string());
        field(line.return_reason.as_deref().unwrap_or_default());
        line.references.iter().for_each(|reference| field(reference));
        let content: [u8; 32] = content.finalize().into();
        let before = self.seen.entry(content).or_default();
        let hash = Sha256::new().chain_update(content).chain_update(before.to_be_bytes());
        *before += 1;
        hash.finalize().into()
    }
}

/// What one line of a payout is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PayoutLineKind {
    /// A payment came in.
    Payment,
    /// A refund went back.
    Refund,
    /// A client's bank took a payment back.
    Chargeback,
    /// A chargeback was won.
    ChargebackWon,
    /// What the processor keeps or gives back by itself.
    Costs,
}

/// One movement in a payout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PayoutLine {
    /// What it is; never costs, which are in the sums.
    pub kind: PayoutLineKind,
    /// The processor's name for it.
    pub name: String,
    /// Minor units; below zero what went back.
    pub amount_minor: i64,
}

/// A payout: what the processor pays out in one sum.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Payout {
    /// The processor's name for it.
    pub name: String,
    /// The day.
    pub paid_on: NaiveDate,
    /// Every movement in it.
    pub lines: Vec<PayoutLine>,
    /// What the processor kept, minor units.
    pub costs_minor: i64,
}

impl Payout {
    /// What reaches the bank, minor units.
    pub fn net_minor(&self) -> i64 {
        self.lines.iter().map(|line| line.amount_minor).sum::<i64>() - self.costs_minor
    }
}
