//! What has to hold before a month is closed.

use calendar::CivilDate;

/// The figures a close is judged by. Minor units; a debit above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Controls {
    /// The last day of the month.
    pub through: CivilDate,
    /// Debits less credits of every account.
    pub difference_minor: i64,
    /// Suspense on that day.
    pub suspense_minor: i64,
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
    /// Suspense is not zero.
    Suspense,
    /// Clearing is not what payments say that the processor still holds.
    Clearing,
    /// The receivable account is not what invoices say.
    Receivable,
    /// What is owed to clients is not what payments say.
    Owed,
    /// What is shown of the books is not what the log says.
    Rows,
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
        }
    }
}

impl Controls {
    /// Those of a firm that nothing happened to.
    pub const fn nothing(through: CivilDate) -> Self {
        Self {
            through,
            difference_minor: 0,
            suspense_minor: 0,
            lines_open: 0,
            clearing_minor: 0,
            undeposited_minor: 0,
            receivable_minor: 0,
            open_minor: 0,
            owed_minor: 0,
            unearned_minor: 0,
        }
    }

    /// Everything that stands in the way, with the difference in minor units.
    pub fn blocks(&self) -> Vec<(Block, i64)> {
        let lines = i64::try_from(self.lines_open).unwrap_or(i64::MAX);
        [
            (Block::Unbalanced, self.difference_minor),
            (Block::LinesOpen, lines),
            (Block::Suspense, self.suspense_minor),
            (Block::Clearing, self.clearing_minor - self.undeposited_minor),
            (Block::Receivable, self.receivable_minor - self.open_minor),
            (Block::Owed, -self.owed_minor - self.unearned_minor),
        ]
        .into_iter()
        .filter(|(_, difference)| *difference != 0)
        .collect()
    }
}
