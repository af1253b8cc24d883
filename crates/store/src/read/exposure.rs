//! What the firm is exposed by: facts on record that a rule forbids.

use calendar::CivilDate;
use domain::account::{Account, Payment};
use domain::case::{Case, ExposureSeen, FeeMark};
use domain::event::ExposureKind;
use domain::ids::{CaseId, EventId, FirmId};
use domain::money::Money;
use log::StoreError;

use super::limit;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
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
    /// An exposure.
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
        /// The id of that event.
        event_id: EventId,
        /// What.
        kind: ExposureKind,
        /// Money at stake, minor units.
        amount_minor: Option<i64>,
        /// The period it concerns.
        period: Option<u32>,
        /// The day it happened.
        found_on: CivilDate,
        /// The rule it breaks.
        cites: String,
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
        event_id: seen.mark.at.id,
        kind: seen.found.kind,
        amount_minor: seen.found.amount.map(Money::minor),
        owed_minor: 0,
        open_minor: 0,
        period: seen.found.period,
        found_on: seen.mark.on,
        cites: seen.found.cites.as_str().to_owned(),
    };
    let exposed = case.marks.values().filter(|marked| marked.said.exposed.is_positive());
    case.exposures.iter().map(row).chain(exposed.map(|marked| fee_row(id, case, marked))).collect()
}

/// A claimed fee of which a part is exposed.
fn fee_row(id: CaseId, case: &Case, marked: &FeeMark) -> ExposureRow {
    let FeeMark { mark, said, since } = marked;
    let claim = case.earned.iter().find(|fee| fee.mark.at.position == said.fee.position);
    ExposureRow {
        case_id: id,
        source: Source::Case,
        position: mark.at.position,
        event_id: mark.at.id,
        kind: ExposureKind::FeeAskedUnearned,
        amount_minor: Some(said.exposed.minor()),
        owed_minor: said.owed.minor(),
        open_minor: said.open.minor(),
        period: claim.map(|fee| fee.period),
        found_on: since.on,
        cites: ExposureKind::cites_of_fee(&said.gates).to_owned(),
    }
}

/// A payment that was taken for nothing earned stays an exposure after the money went back.
pub(super) fn account_rows(owner: CaseId, account: &Account) -> Vec<ExposureRow> {
    let row = |payment: &Payment| ExposureRow {
        case_id: owner,
        source: Source::Account,
        position: payment.mark.at.position,
        event_id: payment.mark.at.id,
        kind: ExposureKind::PaymentUnearned,
        amount_minor: Some(payment.unearned.minor()),
        // The account says what payments hold that is unearned.
        owed_minor: 0,
        open_minor: 0,
        period: None,
        found_on: payment.mark.on,
        cites: ExposureKind::PaymentUnearned.cites().to_owned(),
    };
    account.payments.values().filter(|payment| payment.unearned.is_positive()).map(row).collect()
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM exposure t WHERE {} AND (t.found_on, t.position) > ($2, $3) \
         AND (t.case_id = $4 OR $4 IS NULL) AND (t.kind = $5 OR $5 IS NULL) \
         ORDER BY t.found_on, t.position LIMIT $6",
        ExposureRow::TABLE.selected("t"),
        active("t")
    )
});

/// Before any day that is recorded.
const BEFORE_ALL: CivilDate = match CivilDate::from_ymd_opt(1, 1, 1) {
    Some(day) => day,
    None => CivilDate::MIN,
};

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST];

impl Store {
    /// Exposures of one client or all, of one kind or all, by the day they were found and then in the order recorded;
    /// `after` is day and position of the last of the page before.
    pub async fn list_exposures(
        &self,
        firm: FirmId,
        (case, kind): (Option<CaseId>, Option<ExposureKind>),
        after: Option<(CivilDate, u64)>,
        rows: u32,
    ) -> Result<Vec<ExposureRow>, StoreError> {
        let (day, position) = after.unwrap_or((BEFORE_ALL, 0));
        let mut arguments = vec![Value::Id(firm.0), day.put(), position.put(), case.put()];
        arguments.extend([kind.put(), limit(rows)]);
        self.fetch(&LIST, arguments).await
    }
}
