//! Every statutory clock, running or stopped.

use std::collections::HashMap;

use calendar::{CivilDate, Clock};
use domain::case::{Case, CaseStatus};
use domain::ids::{BureauCode, CaseId, FirmId, ItemCode};
use log::StoreError;

use super::{PAGE_ROWS_MAX, limit};
use crate::row::{Row, row};
use crate::statement::{Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value};

row! {
    /// A clock that binds a bureau.
    pub struct ClockRow in "clock"
    key {
        /// The case.
        case_id: CaseId,
        /// Which clock.
        clock: Clock,
        /// The bureau it binds.
        bureau: BureauCode,
        /// The round; 0 where it belongs to none.
        round: u32,
        /// The item; empty where it belongs to none.
        item: String,
        /// Counted from 0 among clocks that are otherwise alike: the same thing asked again.
        nth: u32,
    }
    values {
        /// The day it started.
        started_on: CivilDate,
        /// Last day, on the later reading.
        due_on: CivilDate,
        /// Whether the start is an estimate from the mailing date.
        estimated: bool,
        /// The day it stopped.
        done_on: Option<CivilDate>,
    }
}

pub(super) fn rows(id: CaseId, case: &Case, transit_days: u16) -> Vec<ClockRow> {
    let mut seen: HashMap<(Clock, BureauCode, Option<u32>, Option<ItemCode>), u32> = HashMap::new();
    let row = |running: domain::case::RunningClock| {
        let alike = (running.clock, running.bureau.clone(), running.round, running.item.clone());
        let nth = seen.entry(alike).or_default();
        let nth = std::mem::replace(nth, *nth + 1);
        ClockRow {
            case_id: id,
            clock: running.clock,
            bureau: running.bureau,
            round: running.round.unwrap_or_default(),
            item: running.item.map_or_else(String::new, |item| item.as_str().to_owned()),
            nth,
            started_on: running.started_on,
            due_on: running.due_on,
            estimated: running.estimated,
            done_on: running.done_on,
        }
    };
    case.clocks(transit_days).into_iter().map(row).collect()
}

/// Stands between the parts of a cursor: no code holds it.
const SEPARATOR: char = '|';

impl ClockRow {
    /// Where a list of overdue clocks goes on after this row.
    pub fn cursor(&self) -> String {
        let parts = [
            self.due_on.to_string(),
            self.case_id.to_string(),
            self.clock.as_code().to_owned(),
            self.bureau.as_str().to_owned(),
            self.round.to_string(),
            self.item.clone(),
            self.nth.to_string(),
        ];
        parts.join("|")
    }
}

/// The key values of a cursor; the lowest key of all for none.
fn start(cursor: Option<&str>) -> Option<Vec<Value>> {
    let Some(cursor) = cursor else {
        let mut lowest =
            vec![CivilDate::from_ymd_opt(1, 1, 1)?.put(), Value::Id(uuid::Uuid::nil())];
        lowest.extend([
            String::new().put(),
            String::new().put(),
            0_u32.put(),
            String::new().put(),
            0_u32.put(),
        ]);
        return Some(lowest);
    };
    let parts: Vec<&str> = cursor.split(SEPARATOR).collect();
    let [due_on, case, clock, bureau, round, item, nth] = parts.as_slice() else { return None };
    Some(vec![
        due_on.parse::<CivilDate>().ok()?.put(),
        CaseId::parse(case).ok()?.put(),
        Clock::from_code(clock)?.put(),
        BureauCode::parse(bureau).ok()?.put(),
        round.parse::<u32>().ok()?.put(),
        (*item).to_owned().put(),
        nth.parse::<u32>().ok()?.put(),
    ])
}

/// What is overdue on a day: clocks that run, of cases that are open or paused.
pub(super) fn overdue(today: &str, [open, paused]: [&str; 2]) -> String {
    format!(
        "FROM clock t JOIN case_status s ON {} AND s.case_id = t.case_id \
         WHERE {} AND t.done_on IS NULL AND t.due_on < {today} AND s.state IN ({open}, {paused})",
        beside("s", "t"),
        active("t")
    )
}

static OVERDUE: Statement = Statement::new(|| {
    format!(
        "SELECT {} {} \
         AND (t.due_on, t.case_id, t.clock, t.bureau, t.round, t.item, t.nth) > ($6, $7, $8, $9, $10, $11, $12) \
         ORDER BY t.due_on, t.case_id, t.clock, t.bureau, t.round, t.item, t.nth LIMIT $5",
        ClockRow::TABLE.selected("t"),
        overdue("$2", ["$3", "$4"])
    )
});

static OVERDUE_COUNT: Statement = Statement::new(|| {
    let overdue = overdue("$2", ["$3", "$4"]);
    format!("SELECT COUNT(*) FROM (SELECT t.due_on {overdue} LIMIT $5) overdue")
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&OVERDUE, &OVERDUE_COUNT];

/// What the statements over overdue clocks begin with.
fn overdue_on(firm: FirmId, today: CivilDate, rows: u32) -> Vec<Value> {
    let states = [CaseStatus::Open.put(), CaseStatus::Paused.put()];
    let mut arguments = vec![Value::Id(firm.0), today.put()];
    arguments.extend(states);
    arguments.push(limit(rows));
    arguments
}

impl Store {
    /// Clocks of open and paused cases whose last day is over, the oldest first. `after` is
    /// [`ClockRow::cursor`] of the last row of the page before.
    pub async fn overdue_clocks(
        &self,
        firm: FirmId,
        today: CivilDate,
        after: Option<&str>,
        rows: u32,
    ) -> Result<Vec<ClockRow>, StoreError> {
        let from = start(after).ok_or_else(|| StoreError::internal("a cursor of another list"))?;
        let mut arguments = overdue_on(firm, today, rows);
        arguments.extend(from);
        self.fetch(&OVERDUE, arguments).await
    }

    /// How many [`Store::overdue_clocks`] there are; it stops counting at [`PAGE_ROWS_MAX`].
    pub async fn count_overdue_clocks(
        &self,
        firm: FirmId,
        today: CivilDate,
    ) -> Result<u64, StoreError> {
        let arguments = overdue_on(firm, today, PAGE_ROWS_MAX);
        Ok(self.fetch_one(&OVERDUE_COUNT, arguments).await?.unwrap_or(0))
    }
}
