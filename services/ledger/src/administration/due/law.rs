//! What the packs that the firm adopted say of what is due: they are not in the rows that it is listed from.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::case::Case;
use domain::event::{ExposureKind, StreamId};
use domain::ids::CaseId;
use domain::judge::{Judge, Matter, MoneyBack};
use store::{CaseStatusRow, ExceptionKind, ExceptionRow, RowsAt};

use super::List;
use crate::ledger::as_case;
use crate::present::against_law::{AgainstLaw, is_judged};
use crate::present::{cited, day};

/// Most of what stood against signings and work of a client that a line names.
const NAMED_MAX: usize = 5;

impl List<'_> {
    /// Adds to money that is owed back by when a state asks for it, and to what was against the law of a state what stood against it.
    pub(super) async fn with_law(
        &self,
        found: &RowsAt<ExceptionRow>,
        items: &mut [(String, v1::DueItem)],
    ) -> Result<(), Failure> {
        let of_law = |row: &ExceptionRow| {
            let kind = ExposureKind::from_code(&row.detail).filter(|kind| is_judged(*kind));
            kind.filter(|_| row.kind == ExceptionKind::Exposure)
        };
        let is_owed = |row: &ExceptionRow| {
            matches!(row.kind, ExceptionKind::UnearnedMoney | ExceptionKind::FeeExposed)
        };
        let asked = found.rows.iter().filter(|row| of_law(row).is_some() || is_owed(row));
        let cases = self.cases(asked.map(|row| row.case_id), found.position).await?;
        for (row, (_, item)) in found.rows.iter().zip(items) {
            let Some(case) = cases.get(&row.case_id) else { continue };
            let matter = Matter {
                id: row.case_id,
                case,
                accounts: &[],
                firm: self.state,
                today: self.today,
            };
            if let Some(kind) = of_law(row) {
                let broken = AgainstLaw::of(&Judge::of(matter)).details_of(kind);
                item.detail = against_law(&broken, &item.detail);
            } else if is_owed(row)
                && let Some(came_on) = came_on(case, row)
                && let Some(back) = Judge::of(matter).money_back(came_on)
            {
                item.due_on = day(back.by);
                item.detail = format!("{}; {}", item.detail, self.by(&back));
            }
        }
        Ok(())
    }

    /// Adds to rounds that may go out what holds them, and what a clerk sees to before they leave.
    pub(super) async fn with_letters(
        &self,
        found: &RowsAt<CaseStatusRow>,
        items: &mut [(String, v1::DueItem)],
    ) -> Result<(), Failure> {
        let cases = self.cases(found.rows.iter().map(|row| row.case_id), found.position).await?;
        for (row, (_, item)) in found.rows.iter().zip(items) {
            let Some(case) = cases.get(&row.case_id) else { continue };
            for against in case.against_letters(self.state, self.today) {
                let held = cited(&against.detail, &against.cites);
                item.detail = format!("{}; it is held: {held}", item.detail);
            }
            for duty in case.before_letters(self.state, self.today) {
                let duty = cited(&duty.says, &duty.cites);
                item.detail = format!("{}; before it leaves, {duty}", item.detail);
            }
        }
        Ok(())
    }

    /// Cases as they stood where their rows were read.
    async fn cases(
        &self,
        ids: impl Iterator<Item = CaseId>,
        position: Option<u64>,
    ) -> Result<BTreeMap<CaseId, Arc<Case>>, Failure> {
        let ids: BTreeSet<CaseId> = ids.collect();
        let streams: Vec<StreamId> = ids.iter().copied().map(StreamId::Case).collect();
        let Some(position) = position.filter(|_| !streams.is_empty()) else {
            return Ok(BTreeMap::new());
        };
        let states = self.view.states_at(self.page.firm, &streams, position).await?;
        let cases = ids.into_iter().zip(states);
        Ok(cases.filter_map(|(id, state)| Some((id, as_case(state)?))).collect())
    }

    fn by(&self, back: &MoneyBack) -> String {
        let MoneyBack { by, cites } = back;
        if *by < self.today {
            format!("late: it was to be given back by {by} ({cites})")
        } else {
            format!("it is to be given back by {by} ({cites})")
        }
    }
}

fn against_law(broken: &[String], words: &str) -> String {
    if broken.is_empty() {
        "by the packs and papers on record now nothing stood against it".to_owned()
    } else {
        let (named, more) = broken.split_at(broken.len().min(NAMED_MAX));
        let more =
            if more.is_empty() { String::new() } else { format!("; and {} more", more.len()) };
        format!("{}{more}: {words}", named.join("; "))
    }
}

/// The day on which the money of a row came in, or on which the fee was asked for.
fn came_on(case: &Case, row: &ExceptionRow) -> Option<CivilDate> {
    if row.kind == ExceptionKind::UnearnedMoney {
        return Some(row.since_on);
    }
    let marked = case.marks.values().find(|marked| marked.mark.at.position == row.position)?;
    let is_it = |at: u64| at == marked.said.fee.position;
    case.earned.iter().find(|fee| is_it(fee.mark.at.position)).map(|fee| fee.mark.on)
}
