//! What is still missing before work may open.

use calendar::CivilDate;
use domain::case::{Case, Step};
use domain::ids::{CaseId, FirmId};
use log::StoreError;

use super::{PAGE_ROWS_MAX, limit};
use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::value::{Column, Value};

row! {
    /// A step of readiness.
    pub struct ReadinessRow in "readiness_step"
    key {
        /// The case.
        case_id: CaseId,
        /// The step.
        step: Step,
    }
    values {
        /// Done from this day on. For the waiting days it may lie ahead: compare it with today.
        done_since: Option<CivilDate>,
    }
}

pub(super) fn rows(id: CaseId, case: &Case) -> Vec<ReadinessRow> {
    if case.enrolment.is_none() {
        return Vec::new();
    }
    let steps = case.readiness(CivilDate::MAX).steps.into_iter();
    steps.map(|s| ReadinessRow { case_id: id, step: s.step, done_since: s.since }).collect()
}

static OF_CASE: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM readiness_step t WHERE {} AND t.case_id = $2 ORDER BY t.step LIMIT $3",
        ReadinessRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&OF_CASE];

impl Store {
    /// The steps of a case, in the order of a case's life.
    pub async fn readiness_steps(
        &self,
        firm: FirmId,
        case: CaseId,
    ) -> Result<Vec<ReadinessRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), case.put(), limit(PAGE_ROWS_MAX)];
        let mut rows: Vec<ReadinessRow> = self.fetch(&OF_CASE, arguments).await?;
        rows.sort_by_key(|row| row.step);
        Ok(rows)
    }
}
