//! Paying accounts.

use calendar::CivilDate;
use domain::account::Account;
use domain::ids::{AccountId, CaseId, FirmId};
use log::StoreError;

use super::{from_id, limit};
use crate::row::{RowsAt, Selected, Values, row};
use crate::statement::{POSITION, Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Kind, Malformed, Value};

row! {
    /// An account at a glance. Its first member is the case of the same id.
    pub struct AccountRow in "account"
    key {
        /// The account.
        account_id: AccountId,
    }
    values {
        /// The other one of a couple that pays through it.
        member2: Option<CaseId>,
        /// The account that pays in its stead.
        moved_to: Option<AccountId>,
        /// Whether a card is on file.
        card_on_file: bool,
        /// What is open on all invoices, minor units.
        open_minor: i64,
        /// Money taken that nothing earned stands behind, minor units: owed back (15 USC 1679b(b)).
        unearned_minor: i64,
    }
}

impl Selected for AccountId {
    fn kinds(out: &mut Vec<Kind>) {
        out.push(<Self as Column>::KIND);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        crate::row::next(values)
    }
}

pub(super) fn rows(id: AccountId, account: &Account) -> Vec<AccountRow> {
    if account.members.is_empty() {
        return Vec::new();
    }
    vec![AccountRow {
        account_id: id,
        member2: account.members.get(1).copied(),
        moved_to: account.moved_to,
        card_on_file: account.card.is_some(),
        open_minor: account.open_minor(),
        unearned_minor: account.unearned_minor(),
    }]
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT t.account_id, {POSITION} FROM account t WHERE {} AND t.account_id >= $2 \
         ORDER BY t.account_id LIMIT $3",
        active("t")
    )
});

static WITH_OPEN: Statement = Statement::new(|| {
    // Written so that SQLite begins with the invoices, by their state, and not with every account.
    format!(
        "SELECT t.account_id, {POSITION} FROM account t WHERE {} AND NOT t.account_id < $2 \
         AND t.open_minor > 0 AND t.account_id IN \
         (SELECT i.account_id FROM invoice i WHERE {} AND i.state = 'open') \
         ORDER BY t.account_id LIMIT $3",
        active("t"),
        active("i")
    )
});

static TO_BILL: Statement = Statement::new(|| {
    format!(
        "SELECT t.account_id FROM account t WHERE {} AND t.account_id >= $2 AND t.moved_to IS NULL \
         AND EXISTS (SELECT 1 FROM case_status s WHERE {} AND s.case_id IN (t.account_id, t.member2) \
         AND s.next_period_end <= $3) ORDER BY t.account_id LIMIT $4",
        active("t"),
        beside("s", "t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST, &WITH_OPEN, &TO_BILL];

impl Store {
    /// Accounts, or those with something open, by id; `after` is the last one of the page before.
    pub async fn list_accounts(
        &self,
        firm: FirmId,
        with_open_amount: bool,
        after: Option<AccountId>,
        rows: u32,
    ) -> Result<RowsAt<AccountId>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(RowsAt::none()) };
        let list = if with_open_amount { &WITH_OPEN } else { &LIST };
        self.fetch_at(list, vec![Value::Id(firm.0), from, limit(rows)]).await
    }

    /// Paying accounts with a member whose period is over by a day and neither claimed nor given
    /// up, by id.
    pub async fn accounts_to_bill(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        after: Option<AccountId>,
        rows: u32,
    ) -> Result<Vec<AccountId>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(Vec::new()) };
        self.fetch(&TO_BILL, vec![Value::Id(firm.0), from, as_of.put(), limit(rows)]).await
    }
}
