//! Every letter of every round.

use calendar::CivilDate;
use domain::case::Case;
use domain::event::MailClass;
use domain::ids::{BureauCode, CaseId, FirmId};
use log::StoreError;

use super::case_status::count;
use super::{PAGE_ROWS_MAX, limit};
use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::value::{Column, Value};

row! {
    /// One bureau's letter of a round.
    pub struct RoundLetterRow in "round_letter"
    key {
        /// The case.
        case_id: CaseId,
        /// The round, from 1.
        round: u32,
        /// The bureau.
        bureau: BureauCode,
    }
    values {
        /// Sent on this day.
        sent_on: CivilDate,
        /// How it travelled.
        mail_class: MailClass,
        /// Tracking number.
        tracking: Option<String>,
        /// The delivery scan.
        delivered_on: Option<CivilDate>,
        /// Relevant information sent after it (15 USC 1681i(a)(1)(B)).
        information_on: Option<CivilDate>,
        /// The latest answer.
        answered_on: Option<CivilDate>,
        /// Listings it disputes.
        items: u32,
        /// Listings of them that have an outcome.
        outcomes: u32,
        /// Whether it follows the free annual report: 45 days (15 USC 1681j(a)(3)).
        free_report: bool,
    }
}

pub(super) fn rows(id: CaseId, case: &Case) -> Vec<RoundLetterRow> {
    let mut rows = Vec::new();
    for round in case.rounds.iter() {
        rows.extend(round.letters.iter().map(|letter| RoundLetterRow {
            case_id: id,
            round: round.number,
            bureau: letter.bureau.clone(),
            sent_on: round.mark.on,
            mail_class: letter.mail_class,
            tracking: letter.tracking.as_ref().map(|code| code.as_str().to_owned()),
            delivered_on: letter.delivery().map(|mark| mark.on),
            information_on: letter.extension().map(|mark| mark.on),
            answered_on: letter.answered().map(|mark| mark.on),
            items: count(letter.items.len()),
            outcomes: count(letter.outcomes().len()),
            free_report: letter.free_report,
        }));
    }
    rows
}

static OF_CASE: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM round_letter t WHERE {} AND t.case_id = $2 ORDER BY t.round, t.bureau LIMIT $3",
        RoundLetterRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&OF_CASE];

impl Store {
    /// The letters of a case, by round and bureau.
    pub async fn round_letters(
        &self,
        firm: FirmId,
        case: CaseId,
    ) -> Result<Vec<RoundLetterRow>, StoreError> {
        self.fetch(&OF_CASE, vec![Value::Id(firm.0), case.put(), limit(PAGE_ROWS_MAX)]).await
    }
}
