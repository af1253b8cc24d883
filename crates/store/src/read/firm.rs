//! The firm itself.

use domain::firm::Firm;
use domain::ids::FirmId;
use domain::money::Currency;
use log::StoreError;

use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::value::Value;

row! {
    /// What was registered.
    pub struct FirmRow in "firm"
    key {}
    values {
        /// Its name.
        name: String,
        /// Where its civil dates are: an IANA zone.
        zone: String,
        /// The one currency of its books.
        currency: Currency,
        /// Days a letter is assumed to travel when no delivery scan says.
        transit_days: u16,
        /// Days after issue on which an invoice is due.
        invoice_due_days: u16,
        /// Events of the firm's own stream.
        version: u64,
    }
}

pub(super) fn rows(firm: &Firm) -> Vec<FirmRow> {
    let row = |registered: &domain::event::FirmRegistered| FirmRow {
        name: registered.name.as_str().to_owned(),
        zone: registered.zone.name().to_owned(),
        currency: registered.currency,
        transit_days: registered.transit_days,
        invoice_due_days: registered.invoice_due_days,
        version: firm.version,
    };
    firm.registered.iter().map(row).collect()
}

static GET: Statement = Statement::new(|| {
    format!("SELECT {} FROM firm t WHERE {}", FirmRow::TABLE.selected("t"), active("t"))
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&GET];

impl Store {
    /// The firm, if it is registered.
    pub async fn get_firm(&self, firm: FirmId) -> Result<Option<FirmRow>, StoreError> {
        self.fetch_one(&GET, vec![Value::Id(firm.0)]).await
    }
}
