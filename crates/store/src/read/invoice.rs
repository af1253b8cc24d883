//! Invoices and their lines.

use calendar::CivilDate;
use domain::account::{Account, Invoice, InvoiceStatus};
use domain::event::FailureReason;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::money::Currency;
use log::StoreError;

use super::{PAGE_ROWS_MAX, limit};
use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active, beside};
use crate::value::{Column, Value};

row! {
    /// An invoice and what became of it. Amounts are minor units of its currency.
    pub struct InvoiceRow in "invoice"
    key {
        /// The account that pays.
        account_id: AccountId,
        /// Gapless in the firm, from 1.
        number: u64,
    }
    values {
        /// Issued on this day.
        issued_on: CivilDate,
        /// Due on this day.
        due_on: CivilDate,
        /// The currency.
        currency: Currency,
        /// The sum of the lines.
        total_minor: i64,
        /// Paid, less what was refunded or charged back.
        paid_minor: i64,
        /// Lowered by.
        credited_minor: i64,
        /// Given up.
        written_off_minor: i64,
        /// Taken back by banks and not returned.
        charged_back_minor: i64,
        /// What is open.
        open_minor: i64,
        /// Where it stands.
        status: InvoiceStatus,
        /// Charges asked so far.
        tries: u32,
        /// The attempt that waits for the processor's answer.
        charge_waiting: Option<u32>,
        /// Why the latest charge failed.
        failed: Option<FailureReason>,
        /// The day from which the next charge may be asked for without a person: the due day for
        /// the first, the next try after a failure that allows one.
        charge_on: Option<CivilDate>,
        /// The position of its event.
        position: u64,
        /// The day the charge that waits was asked for. Rows of before this was kept do not say.
        charge_asked_on: Option<CivilDate>,
        /// The position of the event that asked for it.
        charge_asked_at: Option<u64>,
    }
}

row! {
    /// One earned fee on an invoice.
    pub struct InvoiceLineRow in "invoice_line"
    key {
        /// The account that pays.
        account_id: AccountId,
        /// The invoice.
        number: u64,
        /// Counted from 1.
        line: u32,
    }
    values {
        /// The case that earned it.
        case_id: CaseId,
        /// The period.
        period: u32,
        /// First day of the period.
        start_on: CivilDate,
        /// First day after it.
        end_on: CivilDate,
        /// The amount, minor units.
        amount_minor: i64,
    }
}

/// Which invoices to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct InvoiceFilter {
    /// Only those that stand here.
    pub status: Option<InvoiceStatus>,
    /// Only those of one account.
    pub account: Option<AccountId>,
    /// Only those due before this day.
    pub due_before: Option<CivilDate>,
    /// Only those with something open.
    pub open: bool,
}

pub(super) fn rows(id: AccountId, account: &Account) -> Vec<InvoiceRow> {
    let row = |(&number, invoice): (&u64, &Invoice)| InvoiceRow {
        account_id: id,
        number,
        issued_on: invoice.issued.on,
        due_on: invoice.due_on,
        currency: invoice.total.currency(),
        total_minor: invoice.total.minor(),
        paid_minor: invoice.paid.minor(),
        credited_minor: invoice.credited.minor(),
        written_off_minor: invoice.written_off.minor(),
        charged_back_minor: invoice.charged_back.minor(),
        open_minor: invoice.open().minor(),
        status: invoice.status(),
        tries: invoice.tries,
        charge_waiting: invoice.charge_open,
        failed: invoice.failed,
        charge_on: charge_on(invoice),
        position: invoice.issued.at.position,
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

pub(super) fn line_rows(id: AccountId, account: &Account) -> Vec<InvoiceLineRow> {
    let mut rows = Vec::new();
    for (&number, invoice) in account.invoices.iter() {
        rows.extend((1..).zip(&invoice.lines).map(|(line, fee)| InvoiceLineRow {
            account_id: id,
            number,
            line,
            case_id: fee.case,
            period: fee.period,
            start_on: fee.start,
            end_on: fee.end,
            amount_minor: fee.amount.minor(),
        }));
    }
    rows
}

/// What every list filters by; without an account the index by number serves.
fn list(of_account: &str) -> String {
    format!(
        "SELECT {} FROM invoice t WHERE {} AND t.number > $2 AND (t.status = $3 OR $3 IS NULL) \
         AND (t.due_on < $4 OR $4 IS NULL) AND ($5 = 0 OR t.open_minor > 0) {of_account} \
         ORDER BY t.number LIMIT $6",
        InvoiceRow::TABLE.selected("t"),
        active("t")
    )
}

static LIST: Statement = Statement::new(|| list(""));

static LIST_OF_ACCOUNT: Statement = Statement::new(|| list("AND t.account_id = $7"));

static GET: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM invoice t WHERE {} AND t.number = $2",
        InvoiceRow::TABLE.selected("t"),
        active("t")
    )
});

static ACCOUNT: Statement = Statement::new(|| {
    format!("SELECT t.account_id FROM invoice t WHERE {} AND t.number = $2", active("t"))
});

static LINES: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM invoice_line t WHERE {} AND t.account_id = $2 AND t.number = $3 \
         ORDER BY t.line LIMIT $4",
        InvoiceLineRow::TABLE.selected("t"),
        active("t")
    )
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

static CHARGES_WAITING: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM invoice t WHERE {} AND t.number > $2 AND t.charge_waiting IS NOT NULL \
         AND (t.charge_asked_on < $3 OR t.charge_asked_on IS NULL OR $3 IS NULL) \
         ORDER BY t.number LIMIT $4",
        InvoiceRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] =
    &[&LIST, &LIST_OF_ACCOUNT, &GET, &ACCOUNT, &LINES, &CHARGES_DUE, &CHARGES_WAITING];

impl Store {
    /// Invoices, by number; `after` is the last one of the page before, or 0.
    pub async fn list_invoices(
        &self,
        firm: FirmId,
        filter: InvoiceFilter,
        after: u64,
        rows: u32,
    ) -> Result<Vec<InvoiceRow>, StoreError> {
        let open = Value::Integer(i64::from(filter.open));
        let mut arguments = vec![Value::Id(firm.0), after.put(), filter.status.put()];
        arguments.extend([filter.due_before.put(), open, limit(rows)]);
        match filter.account {
            None => self.fetch(&LIST, arguments).await,
            Some(account) => {
                arguments.push(account.put());
                self.fetch(&LIST_OF_ACCOUNT, arguments).await
            }
        }
    }

    /// One invoice with its lines.
    pub async fn get_invoice(
        &self,
        firm: FirmId,
        number: u64,
    ) -> Result<Option<(InvoiceRow, Vec<InvoiceLineRow>)>, StoreError> {
        let invoice = self.fetch_one(&GET, vec![Value::Id(firm.0), number.put()]).await?;
        let Some(invoice): Option<InvoiceRow> = invoice else { return Ok(None) };
        let lines = self.invoice_lines(firm, invoice.account_id, number).await?;
        Ok(Some((invoice, lines)))
    }

    /// The account that an invoice was issued to.
    pub async fn account_of_invoice(
        &self,
        firm: FirmId,
        number: u64,
    ) -> Result<Option<AccountId>, StoreError> {
        self.fetch_one(&ACCOUNT, vec![Value::Id(firm.0), number.put()]).await
    }

    /// The lines of an account's invoice. They never change once it is issued.
    pub async fn invoice_lines(
        &self,
        firm: FirmId,
        account: AccountId,
        number: u64,
    ) -> Result<Vec<InvoiceLineRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), account.put(), number.put(), limit(PAGE_ROWS_MAX)];
        self.fetch(&LINES, arguments).await
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
