//! The chart of accounts: numbers and names are the firm's, meanings are ours.

use domain::event::{BookAccount, ChartAccount};
use domain::firm::Firm;
use domain::ids::AccountNumber;
use domain::value::Text;

/// A firm's chart of accounts, whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chart {
    accounts: Vec<ChartAccount>,
}

impl Chart {
    /// The chart as the firm has revised it.
    pub fn of(firm: &Firm) -> Self {
        let named = |account: &BookAccount| {
            firm.chart.get(account).cloned().unwrap_or_else(|| usual(*account))
        };
        let mut accounts: Vec<ChartAccount> = BookAccount::ALL.iter().map(named).collect();
        accounts.sort_by(|a, b| a.number.cmp(&b.number));
        Self { accounts }
    }

    /// Every account, by number.
    pub fn accounts(&self) -> &[ChartAccount] {
        &self.accounts
    }

    /// What the firm calls an account.
    ///
    /// # Panics
    /// Never: a chart has every account.
    pub fn account(&self, account: BookAccount) -> &ChartAccount {
        let found = self.accounts.iter().find(|named| named.account == account);
        found.expect("a chart has every account")
    }
}

fn usual(account: BookAccount) -> ChartAccount {
    ChartAccount {
        account,
        accountant_code: None,
        name: Text::parse(account.usual_name()).expect("names of ours are short text"),
        number: AccountNumber::parse(account.usual_number()).expect("numbers of ours are codes"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_account_has_a_number_of_its_own() {
        let chart = Chart::of(&Firm::default());
        let numbers: std::collections::BTreeSet<_> =
            chart.accounts().iter().map(|account| account.number.as_str().to_owned()).collect();
        assert_eq!(numbers.len(), BookAccount::ALL.len());
        assert_eq!(chart.account(BookAccount::FeeRevenue).number.as_str(), "4000");
    }
}
