//! What the firm is exposed by: facts on record that a rule forbids.

use calendar::CivilDate;
use domain::account::{Account, Payment};
use domain::case::{Case, ExposureSeen, FeeMark};
use domain::event::ExposureKind;
use domain::ids::{CaseId, FirmId};
use log::StoreError;

use super::limit;
use crate::row::{Row, RowsAt, row};
use crate::statement::{POSITION, Statement, active};
use crate::store::Store;
use crate::value::{Column, Value, words};

/// Which stream of a client a row comes from. Case and account share one id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// The case.
    Case,
    /// The account that the case opened.
    Account,
}

impl Source {
    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Case => "case",
            Self::Account => "account",
        }
    }

    /// The member for a word.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Case, Self::Account].into_iter().find(|source| source.code() == code)
    }
}

words!(Source by code);

row! {
    /// Where an exposure is found, and by what lists choose and months sum it.
    pub struct ExposureRow in "exposure"
    key {
        /// The case, or the case that opened the account.
        case_id: CaseId,
        /// Where it was found.
        source: Source,
        /// The position of the event that found it.
        position: u64,
    }
    values {
        /// What.
        kind: ExposureKind,
        /// The day it happened.
        found_on: CivilDate,
        /// What was collected for a fee that nothing allowed, and not given back, minor units.
        owed_minor: i64,
        /// What of such a fee is open, minor units.
        open_minor: i64,
    }
}

pub(super) fn case_rows(id: CaseId, case: &Case) -> Vec<ExposureRow> {
    let row = |seen: &ExposureSeen| ExposureRow {
        case_id: id,
        source: Source::Case,
        position: seen.mark.at.position,
        kind: seen.found.kind,
        found_on: seen.mark.on,
        owed_minor: 0,
        open_minor: 0,
    };
    let exposed = case.marks.values().filter(|marked| marked.said.exposed.is_positive());
    case.exposures.iter().map(row).chain(exposed.map(|marked| fee_row(id, marked))).collect()
}

/// A claimed fee of which a part is exposed.
fn fee_row(id: CaseId, marked: &FeeMark) -> ExposureRow {
    let FeeMark { mark, said, since } = marked;
    ExposureRow {
        case_id: id,
        source: Source::Case,
        position: mark.at.position,
        kind: ExposureKind::FeeAskedUnearned,
        found_on: since.on,
        owed_minor: said.owed.minor(),
        open_minor: said.open.minor(),
    }
}

/// A payment that was taken for nothing earned stays an exposure after the money went back.
pub(super) fn account_rows(owner: CaseId, account: &Account) -> Vec<ExposureRow> {
    let row = |payment: &Payment| ExposureRow {
        case_id: owner,
        source: Source::Account,
        position: payment.mark.at.position,
        kind: ExposureKind::PaymentUnearned,
        found_on: payment.mark.on,
        // The account says what payments hold that is unearned.
        owed_minor: 0,
        open_minor: 0,
    };
    account.payments.values().filter(|payment| payment.unearned.is_positive()).map(row).collect()
}

/// Each list has an index: by day, by kind and day, or the key by the client, of whom there are few.
fn list(chosen: &str) -> String {
    format!(
        "SELECT {}, {POSITION} FROM exposure t WHERE {} {chosen} \
         AND (t.found_on, t.position) > ($2, $3) ORDER BY t.found_on, t.position LIMIT $4",
        ExposureRow::TABLE.selected("t"),
        active("t")
    )
}

static LIST: Statement = Statement::new(|| list(""));

static LIST_OF_KIND: Statement = Statement::new(|| list("AND t.kind = $5"));

static LIST_OF_CASE: Statement =
    Statement::new(|| list("AND t.case_id = $5 AND (t.kind = $6 OR $6 IS NULL)"));

/// Before any day that is recorded.
const BEFORE_ALL: CivilDate = match CivilDate::from_ymd_opt(1, 1, 1) {
    Some(day) => day,
    None => CivilDate::MIN,
};

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST, &LIST_OF_KIND, &LIST_OF_CASE];

impl Store {
    /// Exposures of one client or all, of one kind or all, by the day they were found and then in the order recorded;
    /// `after` is day and position of the last of the page before.
    pub async fn list_exposures(
        &self,
        firm: FirmId,
        (case, kind): (Option<CaseId>, Option<ExposureKind>),
        after: Option<(CivilDate, u64)>,
        rows: u32,
    ) -> Result<RowsAt<ExposureRow>, StoreError> {
        let (day, position) = after.unwrap_or((BEFORE_ALL, 0));
        let mut arguments = vec![Value::Id(firm.0), day.put(), position.put(), limit(rows)];
        let statement = match (case, kind) {
            (None, None) => &LIST,
            (None, Some(kind)) => {
                arguments.push(kind.put());
                &LIST_OF_KIND
            }
            (Some(case), kind) => {
                arguments.extend([case.put(), kind.put()]);
                &LIST_OF_CASE
            }
        };
        self.fetch_at(statement, arguments).await
    }
}
