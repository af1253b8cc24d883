//! The reconciliation of accounts at banks: from the balance that a statement shows to the balance of the ledger.
//!
//! A statement's balance on a day is its opening balance and its lines up to that day. Where days are covered by two
//! statements, the one that begins first speaks for them, and one that says otherwise of them is named; but on one day several
//! may go on from each other, each with the balance at which the one before it ends. On days that none covers, the ledger's lines stand for
//! themselves, and the next statement's opening balance says whether they were all. So every cent between the two
//! balances is an item with a name: [`BankReconciled::difference_minor`] is their sum, and nothing is left over.
//!
//! Amounts are minor units of the firm's currency; days of entries are those they count for.

use calendar::CivilDate;
use domain::event::MovementKind;
use domain::ids::{AccountId, BankCode, DepositId, ProcessorRef};

/// Why a balance of a statement and the ledger's differ by an amount.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ItemKind {
    /// The first statement does not begin with what the declared opening balance and the lines before it come to.
    Opening,
    /// A statement does not begin with the balance at which the one before it ends.
    Broken,
    /// A statement says otherwise of days of which another one speaks.
    Contradicts,
    /// Days between two statements that none covers.
    Gap,
    /// The declared opening balance counts in the ledger for a later day.
    OpeningLater,
    /// The line is on the statement, and counts in the ledger for a later day.
    Later,
    /// The line was taken back, and that counts in the ledger for a later day.
    TakenBackLater,
    /// The line is on the statement alone: it is not recorded, or was taken back.
    StatementOnly,
    /// The line is in the ledger, and not on the statement of its day.
    LedgerOnly,
    /// The line was booked before the day of the declared opening balance, which holds it.
    BeforeOpening,
    /// The line was booked after the last day of the last statement.
    AfterStatement,
}

impl ItemKind {
    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Opening => "opening_differs",
            Self::Broken => "statement_does_not_continue",
            Self::Contradicts => "statement_contradicts",
            Self::Gap => "days_without_statement",
            Self::OpeningLater => "opening_counts_later",
            Self::Later => "counts_later",
            Self::TakenBackLater => "taken_back_later",
            Self::StatementOnly => "on_statement_only",
            Self::LedgerOnly => "in_ledger_only",
            Self::BeforeOpening => "before_opening",
            Self::AfterStatement => "after_last_statement",
        }
    }
}

/// One item between the balance of a statement and the ledger's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BankItem {
    /// What it is.
    pub kind: ItemKind,
    /// By how much the statement has more than the ledger.
    pub minor: i64,
    /// The day: of a line that on which the bank booked it, of a statement its first, of a gap its first.
    pub on: CivilDate,
    /// The last day of a gap.
    pub through: Option<CivilDate>,
    /// The line or statement it is about.
    pub deposit: Option<DepositId>,
}

/// A bank line that nobody had explained by the last day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnexplainedLine {
    /// The line.
    pub deposit: DepositId,
    /// The day the bank booked it.
    pub on: CivilDate,
    /// What came in by it and is not explained; below zero what went out.
    pub minor: i64,
    /// Whether it is explained by now.
    pub is_explained_since: bool,
}

/// A statement in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatementKnown {
    /// Its own stream.
    pub id: DepositId,
    /// Its first day.
    pub from: CivilDate,
    /// Its last day.
    pub through: CivilDate,
    /// Its opening balance.
    pub opening_minor: i64,
    /// Its closing balance.
    pub closing_minor: i64,
    /// How many lines it has.
    pub lines: u32,
}

/// The balance that a statement shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StatementBalance {
    /// The day at whose end it stood there: the last one asked for, or that of the last statement before.
    pub on: CivilDate,
    /// The balance.
    pub minor: i64,
}

/// One account at a bank, reconciled at the end of a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BankReconciled {
    /// The firm's code for it.
    pub bank: BankCode,
    /// Whether it is declared.
    pub is_declared: bool,
    /// The last day through which a statement is wanted: the day asked for, or the account's last; nothing if it is not
    /// declared, or opened later.
    pub wanted_through: Option<CivilDate>,
    /// What the statement shows; nothing without one.
    pub statement: Option<StatementBalance>,
    /// What the ledger shows.
    pub ledger_minor: i64,
    /// Every item between the two; none without a statement.
    pub items: Vec<BankItem>,
    /// Lines in the ledger that stood in suspense.
    pub unexplained: Vec<UnexplainedLine>,
    /// How many lines the ledger has of it up to that day.
    pub lines: u64,
    /// Statements that begin on that day or before, by their days.
    pub statements: Vec<StatementKnown>,
}

impl BankReconciled {
    /// What the statement has more than the ledger: the sum of the items.
    pub fn difference_minor(&self) -> i64 {
        self.items.iter().map(|item| item.minor).sum()
    }

    /// The items that no later entry explains.
    pub fn unanswered(&self) -> impl Iterator<Item = &BankItem> {
        self.items.iter().filter(|item| match item.kind {
            ItemKind::OpeningLater | ItemKind::Later | ItemKind::TakenBackLater => false,
            ItemKind::Opening
            | ItemKind::Broken
            | ItemKind::Contradicts
            | ItemKind::Gap
            | ItemKind::StatementOnly
            | ItemKind::LedgerOnly
            | ItemKind::BeforeOpening
            | ItemKind::AfterStatement => true,
        })
    }
}

/// Money on its way through the card processor at the end of a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InTransit {
    /// What it is; nothing for what a match of a line took that was taken back later.
    pub kind: Option<MovementKind>,
    /// The processor's name for it.
    pub name: Option<ProcessorRef>,
    /// Whose it is.
    pub account: Option<AccountId>,
    /// The day it was taken.
    pub on: Option<CivilDate>,
    /// How much; below zero what went back.
    pub minor: i64,
    /// The line at the bank it stands behind by now.
    pub arrived: Option<DepositId>,
}

/// Every account at a bank of a firm, and what is on its way there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reconciled {
    /// The day at whose end.
    pub through: CivilDate,
    /// By code.
    pub banks: Vec<BankReconciled>,
    /// Deposits in transit: each movement taken and not at the bank.
    pub in_transit: Vec<InTransit>,
    /// What the ledger shows of the card processor's clearing account: the sum of what is in transit.
    pub clearing_minor: i64,
}
