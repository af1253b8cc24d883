//! The trial balance.

use domain::event::BookAccount;

/// One account of a trial balance. Minor units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TrialRow {
    /// The account.
    pub account: BookAccount,
    /// What stood on it before the first day; a debit above zero.
    pub opening_minor: i64,
    /// Debits of the days.
    pub debit_minor: i64,
    /// Credits of the days, as a number above zero.
    pub credit_minor: i64,
}

impl TrialRow {
    /// What stands on it after the last day.
    pub const fn closing_minor(&self) -> i64 {
        self.opening_minor + self.debit_minor - self.credit_minor
    }
}

/// Every account over some days.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TrialBalance {
    rows: Vec<TrialRow>,
}

impl TrialBalance {
    /// Of sums by account; an account without a sum stands at zero.
    pub fn of(sums: impl IntoIterator<Item = TrialRow>) -> Self {
        let sums: Vec<TrialRow> = sums.into_iter().collect();
        let row = |account: &BookAccount| {
            let none =
                TrialRow { account: *account, opening_minor: 0, debit_minor: 0, credit_minor: 0 };
            sums.iter().find(|row| row.account == *account).copied().unwrap_or(none)
        };
        Self { rows: BookAccount::ALL.iter().map(row).collect() }
    }

    /// The accounts, in the order of their meaning.
    pub fn rows(&self) -> &[TrialRow] {
        &self.rows
    }

    /// What stands on an account after the last day.
    pub fn closing_minor(&self, account: BookAccount) -> i64 {
        self.rows.iter().filter(|row| row.account == account).map(TrialRow::closing_minor).sum()
    }

    /// By how much debits and credits differ; zero, or the books are wrong.
    pub fn difference_minor(&self) -> i64 {
        self.rows.iter().map(TrialRow::closing_minor).sum()
    }
}
