//! How much needs a person, by why.

use calendar::CivilDate;
use domain::case::CaseStatus;
use domain::ids::FirmId;
use log::StoreError;

use super::{case_status, clock, exception, invoice};
use crate::row::selected;
use crate::statement::Statement;
use crate::store::Store;
use crate::value::{Column, Value};

selected! {
    /// How many entries of a list there are.
    pub struct DueCount {
        /// The kind of exception, or [`CLOCKS`], [`CHARGES`], [`READY`] or [`ROUNDS`].
        what: String,
        /// How many.
        count: u64,
    }
}

/// Overdue clocks.
pub const CLOCKS: &str = "clock";
/// Charges that wait for their answer.
pub const CHARGES: &str = "charge";
/// Cases in which work can be opened.
pub const READY: &str = "ready";
/// Cases in which a next round can go out.
pub const ROUNDS: &str = "round";

/// All lists in one statement, so that they are counted at one moment.
static COUNTS: Statement = Statement::new(|| {
    let count = |what: &str, of: String| format!("SELECT '{what}' AS what, COUNT(*) AS count {of}");
    [
        format!(
            "SELECT t.kind AS what, COUNT(*) AS count {} GROUP BY t.kind",
            exception::standing("$6")
        ),
        count(CLOCKS, clock::overdue("$2", ["$3", "$4"])),
        count(CHARGES, invoice::waiting("$2")),
        count(READY, case_status::ready("$2", "", "$5")),
        count(ROUNDS, case_status::round_possible("$2")),
    ]
    .join(" UNION ALL ")
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&COUNTS];

impl Store {
    /// How many entries each list of what needs a person has on a day; one that has none may be left out.
    pub async fn count_due(
        &self,
        firm: FirmId,
        today: CivilDate,
    ) -> Result<Vec<DueCount>, StoreError> {
        let states = [CaseStatus::Open, CaseStatus::Paused];
        let mut arguments = vec![Value::Id(firm.0), today.put()];
        arguments.extend(states.map(|state| state.put()));
        arguments.push(case_status::steps_before_waiting());
        arguments.push(exception::ahead_through(today).put());
        self.fetch(&COUNTS, arguments).await
    }
}
