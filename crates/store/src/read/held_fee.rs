//! Fees that a billing run found held.

use calendar::CivilDate;
use domain::case::Case;
use domain::event::FeeHeld;
use domain::ids::{CaseId, FirmId};
use log::StoreError;

use super::limit;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::store::Store;
use crate::value::{Column, Value};

row! {
    /// A period that is over and cannot be billed, as the last billing run found it.
    pub struct HeldFeeRow in "held_fee"
    key {
        /// The case.
        case_id: CaseId,
        /// The period.
        period: u32,
    }
    values {
        /// First day after it.
        end_on: Option<CivilDate>,
    }
}

pub(super) fn rows(id: CaseId, case: &Case) -> Vec<HeldFeeRow> {
    let row = |held: &FeeHeld| HeldFeeRow { case_id: id, period: held.period, end_on: held.end };
    // One that the service did not last to the end of earns nothing: it is not waited for.
    let next = case.over_on().and_then(|last| last.succ_opt());
    let is_whole = |held: &&FeeHeld| next.zip(held.end).is_none_or(|(next, end)| end <= next);
    case.held.values().filter(is_whole).map(row).collect()
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM held_fee t WHERE {} AND (t.case_id, t.period) > ($2, $3) \
         ORDER BY t.case_id, t.period LIMIT $4",
        HeldFeeRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST];

impl Store {
    /// Held fees, by case and period; `after` is the last of the page before.
    pub async fn list_held_fees(
        &self,
        firm: FirmId,
        after: Option<(CaseId, u32)>,
        rows: u32,
    ) -> Result<Vec<HeldFeeRow>, StoreError> {
        let (case, period) = after.unwrap_or((CaseId(uuid::Uuid::nil()), 0));
        self.fetch(&LIST, vec![Value::Id(firm.0), case.put(), period.put(), limit(rows)]).await
    }
}
