//! Scores and utilization, then and now.

use calendar::CivilDate;
use domain::case::Case;
use domain::ids::{BureauCode, CaseId, FirmId};
use domain::money::Money;
use log::StoreError;

use super::{PAGE_ROWS_MAX, limit};
use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::value::{Column, Value};

row! {
    /// A bureau's first and latest report. Scores of different models do not compare.
    pub struct ScoreRow in "score"
    key {
        /// The case.
        case_id: CaseId,
        /// The bureau.
        bureau: BureauCode,
    }
    values {
        /// The first report's day of issue.
        first_issued_on: CivilDate,
        /// Its score.
        first_value: Option<u16>,
        /// The model that made it.
        first_model: Option<String>,
        /// The latest report's day of issue.
        latest_issued_on: CivilDate,
        /// Its score.
        latest_value: Option<u16>,
        /// The model that made it.
        latest_model: Option<String>,
        /// Sum of card balances, minor units: over the limits, the utilization.
        card_balance_minor: Option<i64>,
        /// Sum of card limits, minor units.
        card_limit_minor: Option<i64>,
        /// Hard inquiries.
        inquiries: u16,
    }
}

pub(super) fn rows(id: CaseId, case: &Case) -> Vec<ScoreRow> {
    let row = |bureau: &BureauCode, reports: &domain::case::Reports| {
        let (first, latest) = (reports.first(), reports.latest());
        let model = |score: &domain::event::Score| score.model.as_str().to_owned();
        ScoreRow {
            case_id: id,
            bureau: bureau.clone(),
            first_issued_on: first.issued_on,
            first_value: first.score.as_ref().map(|score| score.value),
            first_model: first.score.as_ref().map(model),
            latest_issued_on: latest.issued_on,
            latest_value: latest.score.as_ref().map(|score| score.value),
            latest_model: latest.score.as_ref().map(model),
            card_balance_minor: latest.card_balance.map(Money::minor),
            card_limit_minor: latest.card_limit.map(Money::minor),
            inquiries: latest.inquiries,
        }
    };
    case.reports.iter().map(|(bureau, reports)| row(bureau, reports)).collect()
}

static OF_CASE: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM score t WHERE {} AND t.case_id = $2 ORDER BY t.bureau LIMIT $3",
        ScoreRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&OF_CASE];

impl Store {
    /// The scores of a case, by bureau.
    pub async fn scores(&self, firm: FirmId, case: CaseId) -> Result<Vec<ScoreRow>, StoreError> {
        self.fetch(&OF_CASE, vec![Value::Id(firm.0), case.put(), limit(PAGE_ROWS_MAX)]).await
    }
}
