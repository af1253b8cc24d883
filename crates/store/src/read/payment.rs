//! Money that came in, and money that went back.

use domain::account::{Account, ChargebackStatus, MoneyBack, Payment};
use domain::ids::{AccountId, FirmId, ProcessorRef};
use domain::named::{MovementName, NameFound};
use log::StoreError;

use super::limit;
use crate::engine::{Engine, fetch};
use crate::row::{Row, RowsAt, row};
use crate::statement::{POSITION, Statement, active};
use crate::store::Store;
use crate::value::{Column, Value};

row! {
    /// Where a payment is found.
    pub struct PaymentRow in "payment"
    key {
        /// The account it came in on.
        account_id: AccountId,
        /// The processor's name for it.
        payment: ProcessorRef,
    }
    values {
        /// The position of its event.
        position: u64,
    }
}

row! {
    /// Where a refund or a chargeback is found.
    pub struct MoneyBackRow in "money_back"
    key {
        /// The account.
        account_id: AccountId,
        /// The processor's name for it.
        reference: ProcessorRef,
    }
    values {
        /// Where a chargeback stands; nothing for a refund.
        status: Option<ChargebackStatus>,
    }
}

pub(super) fn rows(id: AccountId, account: &Account) -> Vec<PaymentRow> {
    let row = |(name, payment): (&ProcessorRef, &Payment)| PaymentRow {
        account_id: id,
        payment: name.clone(),
        position: payment.mark.at.position,
    };
    account.payments.iter().map(row).collect()
}

pub(super) fn back_rows(id: AccountId, account: &Account) -> Vec<MoneyBackRow> {
    let row = |(name, back): (&ProcessorRef, &MoneyBack)| MoneyBackRow {
        account_id: id,
        reference: name.clone(),
        status: back.status,
    };
    account.money_back.iter().map(row).collect()
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {}, {POSITION} FROM payment t WHERE {} AND t.position > $2 \
         ORDER BY t.position LIMIT $3",
        PaymentRow::TABLE.selected("t"),
        active("t")
    )
});

/// Those of an account are few, and found by the key: the signs keep SQLite from going through those of everybody in their order.
static LIST_OF_ACCOUNT: Statement = Statement::new(|| {
    format!(
        "SELECT {}, {POSITION} FROM payment t WHERE {} AND +t.position > $2 AND t.account_id = $4 \
         ORDER BY +t.position LIMIT $3",
        PaymentRow::TABLE.selected("t"),
        active("t")
    )
});

static ACCOUNTS: Statement = Statement::new(|| {
    format!(
        "SELECT DISTINCT t.account_id FROM payment t WHERE {} AND t.payment = $2 \
         ORDER BY t.account_id LIMIT $3",
        active("t")
    )
});

static ACCOUNTS_BACK: Statement = Statement::new(|| {
    format!(
        "SELECT DISTINCT t.account_id FROM money_back t WHERE {} AND t.reference = $2 \
         AND t.status IS NOT NULL ORDER BY t.account_id LIMIT $3",
        active("t")
    )
});

/// How far the rows are, and the accounts that have a movement of a name: one row at least.
static NAMED: Statement = Statement::new(|| {
    let of = |table: &str, name: &str| {
        format!(
            "SELECT p.position, t.account_id FROM projection p LEFT JOIN {table} t ON t.firm = p.firm \
             AND t.generation = p.generation AND t.{name} = $2 WHERE p.firm = $1 AND p.active"
        )
    };
    format!("{} UNION {}", of("payment", "payment"), of("money_back", "reference"))
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] =
    &[&LIST, &LIST_OF_ACCOUNT, &ACCOUNTS, &ACCOUNTS_BACK, &NAMED];

/// Where the rows have a movement of a name, and how far they are.
pub(crate) async fn found_by_name(
    engine: &dyn Engine,
    firm: FirmId,
    name: &MovementName,
) -> Result<NameFound, StoreError> {
    let arguments = vec![Value::Id(firm.0), name.reference().put()];
    let rows: Vec<(u64, Option<AccountId>)> = fetch(engine, &NAMED, arguments).await?;
    let up_to = rows.first().map_or(0, |(position, _)| *position);
    let accounts = rows.into_iter().filter_map(|(_, account)| account).collect();
    Ok(NameFound { name: name.clone(), accounts, up_to })
}

impl Store {
    /// Payments, in the order recorded; `after` is the position of the last of the page before, or 0.
    pub async fn list_payments(
        &self,
        firm: FirmId,
        account: Option<AccountId>,
        after: u64,
        rows: u32,
    ) -> Result<RowsAt<PaymentRow>, StoreError> {
        let mut arguments = vec![Value::Id(firm.0), after.put(), limit(rows)];
        arguments.extend(account.map(|account| account.put()));
        let list = if account.is_some() { &LIST_OF_ACCOUNT } else { &LIST };
        self.fetch_at(list, arguments).await
    }

    /// The accounts that have a payment of this name, by id. There is one, unless the firm's
    /// processor gives a name twice.
    pub async fn accounts_of_payment(
        &self,
        firm: FirmId,
        payment: &ProcessorRef,
        rows: u32,
    ) -> Result<Vec<AccountId>, StoreError> {
        self.fetch(&ACCOUNTS, vec![Value::Id(firm.0), payment.put(), limit(rows)]).await
    }

    /// The accounts that have a chargeback of this name, as for [`Store::accounts_of_payment`].
    pub async fn accounts_of_chargeback(
        &self,
        firm: FirmId,
        chargeback: &ProcessorRef,
        rows: u32,
    ) -> Result<Vec<AccountId>, StoreError> {
        self.fetch(&ACCOUNTS_BACK, vec![Value::Id(firm.0), chargeback.put(), limit(rows)]).await
    }
}
