//! A firm's money month by month, summed from the rows of the books, movements, exposures and held fees.

use calendar::{CivilDate, add_months_clamped, first_of_month};
use domain::ids::FirmId;
use log::StoreError;

use crate::row::selected;
use crate::statement::{Statement, active};
use crate::store::Store;
use crate::value::{Column, Value};

selected! {
    /// A month, in minor units of the firm's currency.
    pub struct MonthRow {
        /// The month, YYYY-MM.
        month: String,
        /// Fees earned, less what was taken out of revenue.
        revenue_minor: i64,
        /// Payments that came in.
        collected_minor: i64,
        /// Refunds, and chargebacks that were not won.
        given_back_minor: i64,
        /// What clients owed at its end.
        receivable_minor: i64,
        /// What was owed to clients at its end.
        owed_minor: i64,
        /// Collected or open for what nothing allowed, as it stands now, of what was found in it.
        at_risk_minor: i64,
        /// Fees that the last billing run found held, of periods that were over in it.
        held: u64,
    }
}

impl MonthRow {
    /// The month after, as far as nothing happens in it.
    fn next(&self, month: String) -> Self {
        Self {
            month,
            revenue_minor: 0,
            collected_minor: 0,
            given_back_minor: 0,
            at_risk_minor: 0,
            held: 0,
            ..self.clone()
        }
    }
}

/// What each month adds, of months that anything was in.
static ADDED: Statement = Statement::new(|| {
    const COLUMNS: [&str; 7] =
        ["revenue", "collected", "given_back", "receivable", "owed", "at_risk", "held"];
    let of = |table: &str, day: &str, sums: &[(&str, String)]| {
        let columns = COLUMNS.map(|column| {
            let sum = sums.iter().find(|(name, _)| *name == column);
            format!("{} AS {column}", sum.map_or("0", |(_, sum)| sum))
        });
        format!(
            "SELECT SUBSTR(CAST(t.{day} AS text), 1, 7) AS month, {} FROM {table} t \
             WHERE {} AND t.{day} <= $2",
            columns.join(", "),
            active("t")
        )
    };
    let when = |is: &str, then: &str| format!("CASE WHEN {is} THEN {then} ELSE 0 END");
    let book = |account: &str, then: &str| when(&format!("t.book_account = '{account}'"), then);
    let parts = [
        of(
            "journal_line",
            "posted_on",
            &[
                ("revenue", book("fee_revenue", "-t.amount_minor")),
                ("receivable", book("receivable", "t.amount_minor")),
                ("owed", book("owed_to_clients", "-t.amount_minor")),
            ],
        ),
        of(
            "movement",
            "happened_on",
            &[
                ("collected", when("t.kind = 'payment'", "t.amount_minor")),
                ("given_back", when("t.kind <> 'payment'", "-t.amount_minor")),
            ],
        ),
        of("exposure", "found_on", &[("at_risk", "t.owed_minor + t.open_minor".to_owned())]),
        of("held_fee", "end_on", &[("held", "1".to_owned())]),
    ];
    let sums = COLUMNS.map(|column| format!("CAST(SUM(m.{column}) AS bigint)"));
    format!(
        "SELECT m.month, {} FROM ({}) m GROUP BY m.month ORDER BY m.month",
        sums.join(", "),
        parts.join(" UNION ALL ")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&ADDED];

impl Store {
    /// Every month from that of one day, but not before the first in which anything was, through that of
    /// another: at most so many.
    pub async fn list_months(
        &self,
        firm: FirmId,
        from: CivilDate,
        through: CivilDate,
        rows: u32,
    ) -> Result<Vec<MonthRow>, StoreError> {
        let [from, last] = [from, through].map(first_of_month);
        let end = add_months_clamped(last, 1).pred_opt().unwrap_or(last);
        let added: Vec<MonthRow> = self.fetch(&ADDED, vec![Value::Id(firm.0), end.put()]).await?;
        let mut added = added.into_iter().peekable();
        let first = added.peek().map(|first| format!("{}-01", first.month));
        let Some(mut day) = first.and_then(|day| day.parse().ok()) else { return Ok(Vec::new()) };
        let (mut months, rows) = (Vec::new(), usize::try_from(rows).unwrap_or(usize::MAX));
        let mut so_far: Option<MonthRow> = None;
        while day <= last && months.len() < rows {
            let name = month_of(day);
            let found = added.next_if(|added| added.month == name);
            let month = match (so_far, found) {
                (Some(so_far), None) => so_far.next(name),
                (Some(MonthRow { receivable_minor, owed_minor, .. }), Some(mut found)) => {
                    found.receivable_minor += receivable_minor;
                    found.owed_minor += owed_minor;
                    found
                }
                (None, Some(found)) => found,
                (None, None) => break,
            };
            if day >= from {
                months.push(month.clone());
            }
            so_far = Some(month);
            day = add_months_clamped(day, 1);
        }
        Ok(months)
    }
}

fn month_of(day: CivilDate) -> String {
    day.format("%Y-%m").to_string()
}
