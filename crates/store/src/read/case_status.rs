//! Where every case stands.

use calendar::{CivilDate, Period};
use domain::case::{Case, CaseStatus, Listing, ListingStatus, Step};
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId, PlanCode};
use domain::judge::{Judge, Matter};
use domain::terms::Seat;
use log::StoreError;

use super::{from_id, limit};
use crate::Store;
use crate::row::{Row, row, selected};
use crate::statement::{Statement, active, beside};
use crate::value::{Column, Value};

row! {
    /// A case at a glance.
    pub struct CaseStatusRow in "case_status"
    key {
        /// The case.
        case_id: CaseId,
    }
    values {
        /// Where it stands.
        state: CaseStatus,
        /// The plan enrolled on.
        plan: PlanCode,
        /// Its version.
        plan_version: u32,
        /// Alone or one of a couple.
        seat: Seat,
        /// Enrolled on this day.
        enrolled_on: CivilDate,
        /// The agreement in force was signed on this day.
        signed_on: Option<CivilDate>,
        /// First day on which service may be performed (15 USC 1679d(a)(2)).
        service_from: Option<CivilDate>,
        /// Steps of readiness that are done; the waiting days, which only the day decides, apart.
        steps_done: u32,
        /// The first period neither claimed nor given up that the service lasted to the end of.
        open_period: Option<u32>,
        /// First day after that period; nothing while a pause holds it open.
        next_period_end: Option<CivilDate>,
        /// Fees earned so far.
        periods_earned: u32,
        /// What they come to, minor units.
        earned_minor: i64,
        /// Exposures of the case.
        exposures: u32,
        /// Listings with a basis that a letter could dispute and none does now.
        disputable: u32,
        /// Rounds sent.
        rounds: u32,
        /// The day of the last one.
        last_round_on: Option<CivilDate>,
        /// The last day any unanswered letter's bureau has.
        letters_due_on: Option<CivilDate>,
        /// The first day on which a next round can go out, if nothing more happens; nothing if there
        /// is nothing to dispute or work is not open.
        round_from: Option<CivilDate>,
        /// Pieces of work that were recorded long after they were done.
        late_work: u32,
        /// Events of the case.
        version: u64,
        /// The position of the last one.
        last_position: u64,
    }
}

impl CaseStatusRow {
    /// Where a list of possible rounds goes on after this row.
    pub fn round_cursor(&self) -> String {
        let day = self.round_from.map(|day| day.to_string()).unwrap_or_default();
        format!("{day}|{}", self.case_id)
    }

    /// Steps of readiness done on a day, in whole percent, rounded down.
    pub fn percent_ready(&self, today: CivilDate) -> u32 {
        let waited = self.service_from.is_some_and(|from| from <= today);
        (self.steps_done + u32::from(waited)) * 100 / count(Step::ALL.len())
    }
}

/// The key values that a list of possible rounds begins after; the lowest of all for none.
fn rounds_start(cursor: Option<&str>) -> Option<[Value; 2]> {
    let Some(cursor) = cursor else { return Some(day_start(None)) };
    let (day, case) = cursor.split_once('|')?;
    Some(day_start(Some((day.parse().ok()?, CaseId::parse(case).ok()?))))
}

/// Where a list by day and case goes on, or begins.
fn day_start(after: Option<(CivilDate, CaseId)>) -> [Value; 2] {
    let first = CivilDate::from_ymd_opt(1, 1, 1).expect("the calendar begins there");
    let (day, case) = after.unwrap_or((first, CaseId(uuid::Uuid::nil())));
    [day.put(), case.put()]
}

/// Which cases to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CaseFilter {
    /// Only those that stand here.
    pub state: Option<CaseStatus>,
    /// Only those in the queue of exceptions.
    pub with_exception: bool,
}

selected! {
    /// A case with a period that is over and neither claimed nor given up.
    pub struct PeriodEnded {
        /// The case.
        case_id: CaseId,
        /// The first such period.
        period: u32,
        /// First day after it.
        period_end: CivilDate,
    }
}

pub(crate) fn count(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

/// The row of a case that has enrolled.
pub(crate) fn rows(transit_days: u16, id: CaseId, case: &Case, at: u64) -> Vec<CaseStatusRow> {
    let Some(enrolment) = &case.enrolment else { return Vec::new() };
    let open = open_period(id, case);
    let agreement = case.agreement();
    let waiting = |round: &domain::case::Round| {
        let unanswered = round.letters.iter().filter(|letter| letter.settled_on().is_none());
        unanswered.map(|l| l.due_on(round.mark.on, transit_days)).max()
    };
    let letters_due_on = case.rounds.iter().filter_map(waiting).max();
    vec![CaseStatusRow {
        case_id: id,
        state: case.status(),
        plan: enrolment.plan.clone(),
        plan_version: enrolment.plan_version,
        seat: enrolment.seat,
        enrolled_on: enrolment.mark.on,
        signed_on: agreement.map(|a| a.signed.on()),
        service_from: agreement.map(|a| a.service_from),
        steps_done: steps_done(case),
        open_period: open.map(|period| period.number),
        next_period_end: open.map(|period| period.end),
        periods_earned: count(case.earned.len()),
        earned_minor: case.earned_minor(),
        exposures: count(case.exposure_count()),
        disputable: count(disputable(case).count()),
        rounds: count(case.rounds.len()),
        last_round_on: case.rounds.last().map(|round| round.mark.on),
        letters_due_on,
        round_from: round_from(case, letters_due_on),
        late_work: count(case.work.iter().filter(|work| work.moment.mark.late).count()),
        version: case.version,
        last_position: at,
    }]
}

fn disputable(case: &Case) -> impl Iterator<Item = &Listing> {
    case.listings.values().map(AsRef::as_ref).filter(|l| l.basis.is_some() && may_go_out(l.status))
}

/// Work is open, a listing can be disputed and has a basis, and no bureau has time left to answer the
/// letters before: the day on which the last of these came true.
fn round_from(case: &Case, letters_due_on: Option<CivilDate>) -> Option<CivilDate> {
    let opened = case.opened.as_ref()?.on;
    let first = disputable(case).map(|l| l.basis_on.unwrap_or(l.since.on).max(l.since.on)).min()?;
    let waited = letters_due_on.and_then(|last| last.succ_opt());
    let letters = case.rounds.iter().flat_map(|round| &round.letters);
    let answered = letters.filter_map(domain::case::LetterState::settled_on).max();
    [Some(opened.max(first)), waited, answered].into_iter().flatten().max()
}

fn steps_done(case: &Case) -> u32 {
    let steps = case.readiness(CivilDate::MAX).steps;
    count(steps.iter().filter(|s| s.step != Step::WaitingDays && s.since.is_some()).count())
}

/// Whether a listing is one for the next letter (common practice, no source): not gone, not put
/// right, not in a letter now.
const fn may_go_out(status: ListingStatus) -> bool {
    match status {
        ListingStatus::Listed
        | ListingStatus::Verified
        | ListingStatus::Refused
        | ListingStatus::Reinserted
        | ListingStatus::Unanswered => true,
        ListingStatus::InDispute | ListingStatus::Deleted | ListingStatus::Corrected => false,
    }
}

/// The first period whose fee may still be claimed one day, by the cancellation days told at the signing.
/// A row follows from its case alone: were it made with the packs that the firm has adopted by then, one made
/// anew after the next adoption would differ from one that was kept.
fn open_period(id: CaseId, case: &Case) -> Option<Period> {
    let (firm, today) = (Firm::default(), case.settled_through());
    Judge::of(Matter { id, case, accounts: &[], firm: &firm, today }).first_open()
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM case_status t WHERE {} AND t.case_id >= $2 AND (t.state = $3 OR $3 IS NULL) \
         AND ($4 = 0 OR EXISTS (SELECT 1 FROM exception e WHERE {} AND e.case_id = t.case_id \
         AND e.kind <> 'fee_kept')) \
         ORDER BY t.case_id LIMIT $5",
        CaseStatusRow::TABLE.selected("t"),
        active("t"),
        beside("e", "t")
    )
});

static WITHIN: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM case_status t WHERE {} AND t.case_id >= $2 AND t.case_id <= $3 \
         ORDER BY t.case_id LIMIT $4",
        CaseStatusRow::TABLE.selected("t"),
        active("t")
    )
});

static GET: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM case_status t WHERE {} AND t.case_id = $2",
        CaseStatusRow::TABLE.selected("t"),
        active("t")
    )
});

static PERIOD_ENDED: Statement = Statement::new(|| {
    format!(
        "SELECT t.case_id, t.open_period, t.next_period_end FROM case_status t \
         WHERE {} AND t.next_period_end <= $2 AND (t.next_period_end, t.case_id) > ($3, $4) \
         ORDER BY t.next_period_end, t.case_id LIMIT $5",
        active("t")
    )
});

static READY: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM case_status t WHERE {} AND t.case_id >= $2 AND t.state = $3 \
         AND t.steps_done >= $4 AND t.service_from <= $5 ORDER BY t.case_id LIMIT $6",
        CaseStatusRow::TABLE.selected("t"),
        active("t")
    )
});

static ROUNDS: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM case_status t WHERE {} AND t.state = $2 AND t.round_from <= $3 \
         AND (t.round_from, t.case_id) > ($4, $5) ORDER BY t.round_from, t.case_id LIMIT $6",
        CaseStatusRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] =
    &[&LIST, &WITHIN, &GET, &PERIOD_ENDED, &READY, &ROUNDS];

impl Store {
    /// Cases, by id; `after` is the last one of the page before.
    pub async fn list_cases(
        &self,
        firm: FirmId,
        filter: CaseFilter,
        after: Option<CaseId>,
        rows: u32,
    ) -> Result<Vec<CaseStatusRow>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(Vec::new()) };
        let wanted = Value::Integer(i64::from(filter.with_exception));
        self.fetch(&LIST, vec![Value::Id(firm.0), from, filter.state.put(), wanted, limit(rows)])
            .await
    }

    /// Cases from one id to another, both included, by id.
    pub async fn cases_within(
        &self,
        firm: FirmId,
        first: CaseId,
        last: CaseId,
        rows: u32,
    ) -> Result<Vec<CaseStatusRow>, StoreError> {
        self.fetch(&WITHIN, vec![Value::Id(firm.0), first.put(), last.put(), limit(rows)]).await
    }

    /// One case.
    pub async fn get_case(
        &self,
        firm: FirmId,
        case: CaseId,
    ) -> Result<Option<CaseStatusRow>, StoreError> {
        self.fetch_one(&GET, vec![Value::Id(firm.0), case.put()]).await
    }

    /// Cases with a period that is over by a day and neither claimed nor given up, by the end of the
    /// first such period, then by id; `after` is both of the last one of the page before.
    pub async fn cases_with_period_ended(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        after: Option<(CivilDate, CaseId)>,
        rows: u32,
    ) -> Result<Vec<PeriodEnded>, StoreError> {
        let [end, case] = day_start(after);
        let arguments = vec![Value::Id(firm.0), as_of.put(), end, case, limit(rows)];
        self.fetch(&PERIOD_ENDED, arguments).await
    }

    /// Signed cases for which everything is there and the cancellation days are over, by id.
    pub async fn ready_to_open(
        &self,
        firm: FirmId,
        today: CivilDate,
        after: Option<CaseId>,
        rows: u32,
    ) -> Result<Vec<CaseStatusRow>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(Vec::new()) };
        let steps = count(Step::ALL.len() - 1).put();
        let state = CaseStatus::Signed.put();
        self.fetch(&READY, vec![Value::Id(firm.0), from, state, steps, today.put(), limit(rows)])
            .await
    }

    /// Open cases that can have a next round: something to dispute, and no bureau that still has
    /// time to answer the letters before. By the day since when, then by id; `after` is
    /// [`CaseStatusRow::round_cursor`] of the last row of the page before.
    pub async fn rounds_possible(
        &self,
        firm: FirmId,
        today: CivilDate,
        after: Option<&str>,
        rows: u32,
    ) -> Result<Vec<CaseStatusRow>, StoreError> {
        let from = rounds_start(after);
        let from = from.ok_or_else(|| StoreError::internal("a cursor of another list"))?;
        let mut arguments = vec![Value::Id(firm.0), CaseStatus::Open.put(), today.put()];
        arguments.extend(from);
        arguments.push(limit(rows));
        self.fetch(&ROUNDS, arguments).await
    }
}
