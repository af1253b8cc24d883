//! Invoices.

use calendar::CivilDate;
use domain::account::{Account, Invoice, InvoiceStatus};
use domain::ids::{AccountId, FirmId};
use log::StoreError;

use super::limit;
use crate::row::{Row, RowsAt, row};
use crate::statement::{POSITION, Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value, words};

/// Where an invoice stands, as lists filter it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum InvoiceState {
    /// Something is open on it.
    Open,
    /// Money paid it.
    Paid,
    /// Credits and write-offs closed it.
    Closed,
}

impl InvoiceState {
    /// Where an invoice stands.
    pub fn of(invoice: &Invoice) -> Self {
        match invoice.status() {
            InvoiceStatus::Open | InvoiceStatus::PartlyPaid => Self::Open,
            InvoiceStatus::Paid if invoice.paid.is_positive() => Self::Paid,
            InvoiceStatus::Paid | InvoiceStatus::WrittenOff => Self::Closed,
        }
    }

    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Paid => "paid",
            Self::Closed => "closed",
        }
    }

    /// The member for a word.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Open, Self::Paid, Self::Closed].into_iter().find(|state| state.code() == code)
    }
}

words!(InvoiceState by code);

row! {
    /// Where an invoice is found, and by what lists choose it.
    pub struct InvoiceRow in "invoice"
    key {
        /// The account that pays.
        account_id: AccountId,
        /// Gapless in the firm, from 1.
        number: u64,
    }
    values {
        /// Due on this day.
        due_on: CivilDate,
        /// What is open, minor units.
        open_minor: i64,
        /// Where it stands.
        state: InvoiceState,
        /// The day from which the next charge may be asked for without a person: the due day for
        /// the first, the next try after a failure that allows one.
        charge_on: Option<CivilDate>,
        /// The day the charge that waits for the processor's answer was asked for.
        charge_asked_on: Option<CivilDate>,
        /// The position of the event that asked for it.
        charge_asked_at: Option<u64>,
    }
}

/// Which invoices to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct InvoiceFilter {
    /// Only those that stand here.
    pub state: Option<InvoiceState>,
    /// Only those of one account.
    pub account: Option<AccountId>,
    /// Only those due on this day or before.
    pub due_by: Option<CivilDate>,
}

pub(super) fn rows(id: AccountId, account: &Account) -> Vec<InvoiceRow> {
    let row = |(&number, invoice): (&u64, &Invoice)| InvoiceRow {
        account_id: id,
        number,
        due_on: invoice.due_on,
        open_minor: invoice.open().minor(),
        state: InvoiceState::of(invoice),
        charge_on: charge_on(invoice),
        charge_asked_on: invoice.charge_asked.as_ref().map(|asked| asked.on),
        charge_asked_at: invoice.charge_asked.as_ref().map(|asked| asked.at.position),
    };
    account.invoices.iter().map(row).collect()
}

/// What a bank took back is not charged again unasked.
fn charge_on(invoice: &Invoice) -> Option<CivilDate> {
    if !invoice.open().is_positive() || invoice.charge_open.is_some() {
        None
    } else if invoice.tries == 0 && invoice.failed.is_none() && invoice.charged_back.is_zero() {
        Some(invoice.due_on)
    } else {
        invoice.next_try_on
    }
}

/// What every list filters by. Each list has an index: by number, by state, or the key by the account.
fn list(chosen: &str) -> String {
    format!(
        "SELECT {}, {POSITION} FROM invoice t WHERE {} AND t.number > $2 AND (t.due_on <= $3 OR $3 IS NULL) \
         {chosen} ORDER BY t.number LIMIT $4",
        InvoiceRow::TABLE.selected("t"),
        active("t")
    )
}

static LIST: Statement = Statement::new(|| list(""));

static LIST_OF_STATE: Statement = Statement::new(|| list("AND t.state = $5"));

static LIST_OF_ACCOUNT: Statement =
    Statement::new(|| list("AND t.account_id = $5 AND (t.state = $6 OR $6 IS NULL)"));

static ACCOUNT: Statement = Statement::new(|| {
    format!("SELECT t.account_id FROM invoice t WHERE {} AND t.number = $2", active("t"))
});

static CHARGES_DUE: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM invoice t JOIN account a ON {} AND a.account_id = t.account_id \
         WHERE {} AND t.number > $2 AND t.charge_on IS NOT NULL AND t.charge_on <= $3 AND a.card_on_file \
         ORDER BY t.number LIMIT $4",
        InvoiceRow::TABLE.selected("t"),
        beside("a", "t"),
        active("t")
    )
});

/// The same of clients whose card is charged by what they authorized.
static CHARGES_BOUND: Statement = Statement::new(|| {
    format!(
        "SELECT {}, {POSITION} FROM invoice t JOIN account a ON {} AND a.account_id = t.account_id \
         JOIN case_status s ON {} AND s.case_id = t.account_id \
         WHERE {} AND t.number > $2 AND t.charge_on IS NOT NULL AND t.charge_on <= $3 AND a.card_on_file \
         AND s.charge_rule = 'authorization' ORDER BY t.number LIMIT $4",
        InvoiceRow::TABLE.selected("t"),
        beside("a", "t"),
        beside("s", "t"),
        active("t")
    )
});

/// Invoices with a charge that waits and was asked for before a day, or ever.
pub(super) fn waiting(before: &str) -> String {
    format!(
        "FROM invoice t WHERE {} AND t.charge_asked_at IS NOT NULL \
         AND (t.charge_asked_on < {before} OR {before} IS NULL)",
        active("t")
    )
}

static CHARGES_WAITING: Statement = Statement::new(|| {
    format!(
        "SELECT {} {} AND t.number > $2 ORDER BY t.number LIMIT $4",
        InvoiceRow::TABLE.selected("t"),
        waiting("$3")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[
    &LIST,
    &LIST_OF_STATE,
    &LIST_OF_ACCOUNT,
    &ACCOUNT,
    &CHARGES_DUE,
    &CHARGES_BOUND,
    &CHARGES_WAITING,
];

impl Store {
    /// Invoices, by number; `after` is the last one of the page before, or 0.
    pub async fn list_invoices(
        &self,
        firm: FirmId,
        filter: InvoiceFilter,
        after: u64,
        rows: u32,
    ) -> Result<RowsAt<InvoiceRow>, StoreError> {
        let mut arguments = vec![Value::Id(firm.0), after.put(), filter.due_by.put(), limit(rows)];
        let statement = match (filter.account, filter.state) {
            (None, None) => &LIST,
            (None, Some(state)) => {
                arguments.push(state.put());
                &LIST_OF_STATE
            }
            (Some(account), state) => {
                arguments.extend([account.put(), state.put()]);
                &LIST_OF_ACCOUNT
            }
        };
        self.fetch_at(statement, arguments).await
    }

    /// The account that an invoice was issued to.
    pub async fn account_of_invoice(
        &self,
        firm: FirmId,
        number: u64,
    ) -> Result<Option<AccountId>, StoreError> {
        self.fetch_one(&ACCOUNT, vec![Value::Id(firm.0), number.put()]).await
    }

    /// Invoices whose card may be charged on a day without a person: something is open, a card is
    /// on file, no charge waits for its answer, and the due day or the next try is reached. By number.
    pub async fn charges_due(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        after: u64,
        rows: u32,
    ) -> Result<Vec<InvoiceRow>, StoreError> {
        self.fetch(&CHARGES_DUE, vec![Value::Id(firm.0), after.put(), as_of.put(), limit(rows)])
            .await
    }

    /// Those of them whose client authorized charges, or whose card draws on a bank account. By number.
    pub async fn charges_bound(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        after: u64,
        rows: u32,
    ) -> Result<RowsAt<InvoiceRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), after.put(), as_of.put(), limit(rows)];
        self.fetch_at(&CHARGES_BOUND, arguments).await
    }

    /// Invoices with a charge that waits for the processor's answer, asked for before a day if one is
    /// named. By number.
    pub async fn charges_waiting(
        &self,
        firm: FirmId,
        asked_before: Option<CivilDate>,
        after: u64,
        rows: u32,
    ) -> Result<Vec<InvoiceRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), after.put(), asked_before.put(), limit(rows)];
        self.fetch(&CHARGES_WAITING, arguments).await
    }
}
