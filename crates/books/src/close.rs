//! What has to hold before a month is closed.

use calendar::{BusinessCalendar, CivilDate};
use domain::event::CloseRule;
use domain::firm::Firm;

use crate::reconciled::{BankItem, BankReconciled, ItemKind, Reconciled};
use crate::walk::{has_business_day, next_day};

/// Business days in which what the card processor took reaches the bank (common practice, no source).
pub const TRANSIT_DAYS: u16 = 5;

/// Whether money of a day should have reached the bank by another.
pub(crate) fn is_late(on: CivilDate, by: CivilDate) -> bool {
    BusinessCalendar::FederalReserveBanking.add_business_days(on, TRANSIT_DAYS) <= by
}

/// Several of a kind, each by its name with its amount in minor units.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Several(Vec<(String, i64)>);

impl Several {
    /// One more.
    pub fn add(&mut self, name: String, minor: i64) {
        self.0.push((name, minor));
    }

    /// How many.
    pub fn count(&self) -> u64 {
        u64::try_from(self.0.len()).unwrap_or(u64::MAX)
    }

    /// Their sum.
    pub fn minor(&self) -> i64 {
        self.0.iter().map(|(_, minor)| minor).sum()
    }

    /// Their names.
    pub fn names(&self) -> String {
        let names: Vec<&str> = self.0.iter().map(|(name, _)| name.as_str()).collect();
        names.join(", ")
    }

    /// Each on a line.
    pub fn lines(&self) -> String {
        let mut lines: Vec<String> =
            self.0.iter().map(|(name, minor)| format!("{name} {minor}\n")).collect();
        lines.sort_unstable();
        lines.concat()
    }
}

/// What of a month is not finished, though every figure agrees.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unfinished {
    /// The day of the first entry of an earlier month that is not closed.
    pub earlier_open: Option<CivilDate>,
    /// Bank lines up to the last day that nobody has explained: what came in.
    pub lines_open: Several,
    /// Payouts that should have reached the bank by the last day, and stand behind no line: what they bring.
    pub payouts_late: Several,
    /// Movements that should have reached the bank by then, and that no such payout names.
    pub clearing_late: Several,
    /// Of fees asked for and payments taken by then without a right to it, what is owed or open still.
    pub exposures_open: Several,
    /// Accounts at banks that nobody declared: what the ledger has of each.
    pub bank_undeclared: Several,
    /// Declared accounts without a statement through the last day.
    pub statement_missing: Several,
    /// Statements that do not continue the one before or the declared opening balance: what they have more.
    pub statement_broken: Several,
    /// Lines that only the ledger knows, or only a statement: what the statement has more.
    pub bank_differs: Several,
}

/// The figures a close is judged by. Minor units; a debit above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Controls {
    /// The last day of the month.
    pub through: CivilDate,
    /// Debits less credits of every account.
    pub difference_minor: i64,
    /// Suspense, all days.
    pub suspense_minor: i64,
    /// What came in by bank lines that nobody has explained, all days.
    pub unexplained_minor: i64,
    /// Bank lines up to that day that nobody has explained.
    pub lines_open: u64,
    /// The clearing account, all days.
    pub clearing_minor: i64,
    /// Movements that stand behind no deposit, all days.
    pub undeposited_minor: i64,
    /// The receivable account, all days.
    pub receivable_minor: i64,
    /// What is open on invoices but for what nothing allowed, all days.
    pub open_minor: i64,
    /// The account of what is owed to clients, all days; a credit below zero.
    pub owed_minor: i64,
    /// What payments hold that is unearned, or was collected for what nothing allowed, and was not paid back,
    /// all days.
    pub unearned_minor: i64,
}

/// What stands in the way of closing a month.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Block {
    /// Debits and credits differ: the books are wrong.
    Unbalanced,
    /// Bank lines that nobody has explained.
    LinesOpen,
    /// Suspense is not what bank lines say that nobody has explained.
    Suspense,
    /// Clearing is not what payments say that the processor still holds.
    Clearing,
    /// The receivable account is not what invoices say.
    Receivable,
    /// What is owed to clients is not what payments say.
    Owed,
    /// What is shown of the books is not what the log says.
    Rows,
    /// The month is not over.
    NotOver,
    /// An earlier month is open.
    EarlierOpen,
    /// Claimed fees were not judged again since the firm told something.
    ReviewDue,
    /// Payouts that should have reached the bank.
    PayoutsLate,
    /// Money of clients that should have.
    ClearingLate,
    /// Fees earned by its last day that may be asked for and were not.
    FeesUnbilled,
    /// What nothing allowed, and nobody gave back, put right or kept.
    ExposuresOpen,
    /// Lines of accounts at banks that nobody declared.
    BankUndeclared,
    /// Declared accounts without a statement through the last day.
    StatementMissing,
    /// Statements that do not continue the one before, or the declared opening balance.
    StatementBroken,
    /// Lines that only the ledger knows, or only a statement.
    BankDiffers,
}

/// Something that stands in the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InTheWay {
    /// What.
    pub block: Block,
    /// How many, where they are counted.
    pub count: u64,
    /// By how much, or the sum, in minor units; nothing where no amount is known.
    pub minor: Option<i64>,
    /// What there is, a line each, where it may be accepted.
    pub items: String,
}

impl InTheWay {
    /// Some of a kind.
    pub fn some(block: Block, of: &Several) -> Self {
        Self { block, count: of.count(), minor: Some(of.minor()), items: of.lines() }
    }

    /// Something without an amount.
    pub const fn that(block: Block) -> Self {
        Self { block, count: 0, minor: None, items: String::new() }
    }
}

impl Block {
    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Unbalanced => "unbalanced",
            Self::LinesOpen => "lines_open",
            Self::Suspense => "suspense",
            Self::Clearing => "clearing",
            Self::Receivable => "receivable",
            Self::Owed => "owed_to_clients",
            Self::Rows => "rows",
            Self::NotOver => "not_over",
            Self::EarlierOpen => "earlier_open",
            Self::ReviewDue => "review_due",
            Self::PayoutsLate => "payouts_late",
            Self::ClearingLate => "clearing_late",
            Self::FeesUnbilled => "fees_unbilled",
            Self::ExposuresOpen => "exposures_open",
            Self::BankUndeclared => "bank_undeclared",
            Self::StatementMissing => "statement_missing",
            Self::StatementBroken => "statement_broken",
            Self::BankDiffers => "bank_differs",
        }
    }

    /// As what a person may accept it: what is not finished is a matter of judgement, figures that differ are not.
    pub const fn accepted_as(self) -> Option<CloseRule> {
        match self {
            Self::LinesOpen => Some(CloseRule::LinesOpen),
            Self::PayoutsLate => Some(CloseRule::PayoutsLate),
            Self::ClearingLate => Some(CloseRule::ClearingLate),
            Self::FeesUnbilled => Some(CloseRule::FeesUnbilled),
            Self::ExposuresOpen => Some(CloseRule::ExposuresOpen),
            Self::BankUndeclared => Some(CloseRule::BankUndeclared),
            Self::StatementMissing => Some(CloseRule::StatementMissing),
            Self::StatementBroken => Some(CloseRule::StatementBroken),
            Self::BankDiffers => Some(CloseRule::BankDiffers),
            Self::Unbalanced
            | Self::Suspense
            | Self::Clearing
            | Self::Receivable
            | Self::Owed
            | Self::Rows
            | Self::NotOver
            | Self::EarlierOpen
            | Self::ReviewDue => None,
        }
    }
}

impl Unfinished {
    /// What is not finished of accounts at banks. What lies in a month that was closed with it accepted is answered.
    pub(crate) fn of_banks(&mut self, firm: &Firm, reconciled: &Reconciled) {
        for bank in &reconciled.banks {
            if !bank.is_declared {
                if bank.lines > 0 {
                    self.bank_undeclared.add(bank.bank.to_string(), bank.ledger_minor);
                }
                continue;
            }
            if let Some(wanted) = bank.wanted_through {
                let last = bank.statement.map(|statement| statement.on);
                // A bank books on business days: a statement may end before a weekend.
                if last.is_none_or(|last| has_business_day(next_day(last), wanted)) {
                    let ends = last.map_or_else(String::new, |day| format!(", last one to {day}"));
                    self.statement_missing.add(format!("{}{ends}", bank.bank), 0);
                }
            }
            for item in bank.unanswered() {
                self.of_item(firm, bank, item);
            }
        }
    }

    fn of_item(&mut self, firm: &Firm, bank: &BankReconciled, item: &BankItem) {
        let (rule, several) = match item.kind {
            ItemKind::Opening | ItemKind::Broken | ItemKind::Contradicts | ItemKind::Gap => {
                (CloseRule::StatementBroken, &mut self.statement_broken)
            }
            ItemKind::StatementOnly | ItemKind::LedgerOnly | ItemKind::BeforeOpening => {
                (CloseRule::BankDiffers, &mut self.bank_differs)
            }
            // A later entry explains these; the last is of a statement that is missing.
            ItemKind::OpeningLater
            | ItemKind::Later
            | ItemKind::TakenBackLater
            | ItemKind::AfterStatement => return,
        };
        if !firm.closed_accepting(item.on, rule) {
            let what = item.kind.code().replace('_', " ");
            several.add(format!("{} {} {what}", bank.bank, item.on), item.minor);
        }
    }

    /// Everything that is not.
    pub fn blocks(&self) -> Vec<InTheWay> {
        let some = [
            (Block::PayoutsLate, &self.payouts_late),
            (Block::ClearingLate, &self.clearing_late),
            (Block::ExposuresOpen, &self.exposures_open),
            (Block::BankUndeclared, &self.bank_undeclared),
            (Block::StatementMissing, &self.statement_missing),
            (Block::StatementBroken, &self.statement_broken),
            (Block::BankDiffers, &self.bank_differs),
        ];
        let some = some.into_iter().filter(|(_, of)| of.count() > 0);
        let some = some.map(|(block, of)| InTheWay::some(block, of));
        self.earlier_open
            .map(|_| InTheWay::that(Block::EarlierOpen))
            .into_iter()
            .chain(some)
            .collect()
    }
}

impl Controls {
    /// Those of a firm that nothing happened to.
    pub const fn nothing(through: CivilDate) -> Self {
        Self {
            through,
            difference_minor: 0,
            suspense_minor: 0,
            unexplained_minor: 0,
            lines_open: 0,
            clearing_minor: 0,
            undeposited_minor: 0,
            receivable_minor: 0,
            open_minor: 0,
            owed_minor: 0,
            unearned_minor: 0,
        }
    }

    /// Everything that stands in the way.
    pub fn blocks(&self) -> Vec<InTheWay> {
        let lines = InTheWay { count: self.lines_open, ..InTheWay::that(Block::LinesOpen) };
        let differing = [
            (Block::Unbalanced, self.difference_minor),
            (Block::Suspense, -self.suspense_minor - self.unexplained_minor),
            (Block::Clearing, self.clearing_minor - self.undeposited_minor),
            (Block::Receivable, self.receivable_minor - self.open_minor),
            (Block::Owed, -self.owed_minor - self.unearned_minor),
        ];
        let differing = differing.into_iter().filter(|(_, difference)| *difference != 0);
        let differing = differing.map(|(block, difference)| InTheWay {
            minor: Some(difference),
            ..InTheWay::that(block)
        });
        Some(lines).filter(|lines| lines.count > 0).into_iter().chain(differing).collect()
    }
}
