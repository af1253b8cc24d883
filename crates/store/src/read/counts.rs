//! The owner's figures.

use calendar::CivilDate;
use domain::case::{CaseStatus, ListingStatus};
use domain::ids::FirmId;
use log::StoreError;

use crate::Store;
use crate::row::selected;
use crate::statement::{Statement, active};
use crate::value::{Column, Value};

selected! {
    /// A firm in figures. Amounts are minor units of the firm's currency; "in the range" counts both
    /// its days.
    pub struct FirmCounts {
        /// Cases ever enrolled.
        cases: u64,
        /// Cases that enrolled in the range.
        enrolled: u64,
        /// Cases open now.
        open: u64,
        /// Listings that stand deleted by a deletion in the range.
        deleted: u64,
        /// Invoiced in the range: earned fees, and nothing else, make an invoice.
        earned_minor: i64,
        /// Payments that came in in the range.
        collected_minor: i64,
        /// Refunds and chargebacks in the range; a chargeback won is not among them.
        returned_minor: i64,
        /// Open on all invoices now, but for what nothing allowed.
        receivable_minor: i64,
        /// Owed back to clients now: unearned, or collected for what nothing allowed.
        unearned_minor: i64,
        /// Exposures ever found.
        exposures: u64,
        /// Exceptions that wait for a person now.
        exceptions: u64,
    }
}

/// One scalar, so that all of them are read in one statement and of one state.
fn scalar(what: &str, table: &str, condition: &str) -> String {
    format!("(SELECT {what} FROM {table} t WHERE {} {condition})", active("t"))
}

static COUNTS: Statement = Statement::new(|| {
    let sum = |column: &str| format!("CAST(COALESCE(SUM(t.{column}), 0) AS BIGINT)");
    let scalars = [
        scalar("COUNT(*)", "case_status", ""),
        scalar("COUNT(*)", "case_status", "AND t.enrolled_on BETWEEN $2 AND $3"),
        scalar("COUNT(*)", "case_status", "AND t.state = $4"),
        scalar("COUNT(*)", "listing", "AND t.status = $5 AND t.since_on BETWEEN $2 AND $3"),
        scalar(&sum("total_minor"), "invoice", "AND t.issued_on BETWEEN $2 AND $3"),
        scalar(&sum("amount_minor"), "payment", "AND t.received_on BETWEEN $2 AND $3"),
        scalar(
            &sum("amount_minor"),
            "money_back",
            "AND t.happened_on BETWEEN $2 AND $3 AND (t.status IS NULL OR t.status <> $6)",
        ),
        format!(
            "{} - {}",
            scalar(&sum("open_minor"), "account", ""),
            scalar(&sum("open_minor"), "exposure", "")
        ),
        format!(
            "{} + {}",
            scalar(&sum("unearned_minor"), "account", ""),
            scalar(&sum("owed_minor"), "exposure", "")
        ),
        scalar("COUNT(*)", "exposure", ""),
        scalar("COUNT(*)", "exception", "AND t.kind <> 'fee_kept'"),
    ];
    format!("SELECT {}", scalars.join(", "))
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&COUNTS];

impl Store {
    /// The firm in figures, for a range of days that includes both ends.
    pub async fn firm_counts(
        &self,
        firm: FirmId,
        from: CivilDate,
        through: CivilDate,
    ) -> Result<FirmCounts, StoreError> {
        let mut arguments = vec![Value::Id(firm.0), from.put(), through.put()];
        let won = domain::account::ChargebackStatus::Won;
        arguments.extend([CaseStatus::Open.put(), ListingStatus::Deleted.put(), won.put()]);
        let counts = self.fetch_one(&COUNTS, arguments).await?;
        counts.ok_or_else(|| StoreError::internal("a statement of scalars gave no row"))
    }
}
