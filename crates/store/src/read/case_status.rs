//! Where every case stands.

use std::sync::Arc;

use calendar::{CivilDate, Period};
use domain::case::{Case, CaseStatus, Listing, ListingStatus, Step};
use domain::event::Circumstance;
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId, FirmId, PlanCode};
use domain::judge::{Judge, Matter};
use domain::terms::Seat;
use log::StoreError;

use super::{exception, from_id, limit};
use crate::row::{Row, RowsAt, row, selected};
use crate::statement::{POSITION, Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value, words};

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
        /// Alone or one of a couple.
        seat: Seat,
        /// The client's name, sealed under the client's key as the events have it.
        name_sealed: Option<String>,
        /// Enrolled on this day.
        enrolled_on: CivilDate,
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
        /// Exposures of the case.
        exposures: u32,
        /// Listings that are not deleted.
        listed: u32,
        /// Listings that are.
        deleted: u32,
        /// Listings with a basis that a letter could dispute and none does now.
        disputable: u32,
        /// Rounds sent.
        rounds: u32,
        /// The first day on which a next round can go out, if nothing more happens; nothing if there
        /// is nothing to dispute or work is not open.
        round_from: Option<CivilDate>,
        /// The earliest day on which a running clock is due.
        next_due_on: Option<CivilDate>,
        /// Events of the case.
        version: u64,
        /// What stands before charges of the client's card, beside the gates.
        charge_rule: ChargeRule,
    }
}

/// What stands before charges of a client's card, beside the gates of the fees.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ChargeRule {
    /// Nothing.
    Nothing,
    /// What the client authorized, or that the card draws on a bank account (12 CFR 1005.10).
    Authorization,
    /// The client died: no card is charged (common law of agency).
    Death,
}

impl ChargeRule {
    fn of(case: &Case) -> Self {
        let is_of_charges = |kind: Circumstance| {
            matches!(kind, Circumstance::ChargeMandate | Circumstance::DebitCard)
        };
        if case.died_on().is_some() {
            Self::Death
        } else if case.circumstances.iter().any(|told| is_of_charges(told.said.kind)) {
            Self::Authorization
        } else {
            Self::Nothing
        }
    }

    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::Authorization => "authorization",
            Self::Death => "death",
        }
    }

    /// The member for a word.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Nothing, Self::Authorization, Self::Death].into_iter().find(|of| of.code() == code)
    }
}

words!(ChargeRule by code);

/// A case of a list, with what other streams say of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListedCase {
    /// The case.
    pub case: CaseStatusRow,
    /// The account that pays.
    pub account: AccountId,
    /// What of it needs a person.
    pub exceptions: u64,
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
    let (day, case) = after.unwrap_or((first_day(), CaseId(uuid::Uuid::nil())));
    [day.put(), case.put()]
}

/// Which cases to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CaseFilter {
    /// Only those that stand here.
    pub state: Option<CaseStatus>,
    /// Only those with, or without, something that needs a person.
    pub has_exception: Option<bool>,
}

/// In which order cases are listed; after it by id.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CaseOrder {
    /// By id.
    #[default]
    Id,
    /// By the next day on which a clock is due; where none runs, last.
    NextDue,
    /// By the day of enrolment.
    Enrolled,
}

impl CaseOrder {
    /// The day that a row is listed by.
    pub fn day(self, row: &CaseStatusRow) -> CivilDate {
        match self {
            Self::Id => first_day(),
            Self::NextDue => row.next_due_on.unwrap_or_else(no_due_day),
            Self::Enrolled => row.enrolled_on,
        }
    }
}

fn first_day() -> CivilDate {
    CivilDate::from_ymd_opt(1, 1, 1).expect("the calendar begins there")
}

/// Stands for no day: after every one.
fn no_due_day() -> CivilDate {
    CivilDate::from_ymd_opt(9999, 12, 31).expect("the calendar has that day")
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
pub(crate) fn rows(transit_days: u16, id: CaseId, case: &Case) -> Vec<CaseStatusRow> {
    let Some(enrolment) = &case.enrolment else { return Vec::new() };
    let open = open_period(id, case);
    let agreement = case.agreement();
    let waiting = |round: &domain::case::Round| {
        let unanswered = round.letters.iter().filter(|letter| letter.settled_on().is_none());
        unanswered.map(|l| l.due_on(round.mark.on, transit_days)).max()
    };
    let letters_due_on = case.rounds.iter().filter_map(waiting).max();
    let clocks = case.clocks(transit_days);
    let is_deleted = |listing: &&Arc<Listing>| listing.status == ListingStatus::Deleted;
    let deleted = count(case.listings.values().filter(is_deleted).count());
    let name = case.contact().and_then(|contact| contact.contact.name.sealed());
    vec![CaseStatusRow {
        case_id: id,
        state: case.status(),
        plan: case.plan().map_or_else(|| enrolment.plan.clone(), |plan| plan.code),
        seat: enrolment.seat,
        name_sealed: name.map(str::to_owned),
        enrolled_on: enrolment.mark.on,
        service_from: agreement.map(|a| a.service_from),
        steps_done: steps_done(case),
        open_period: open.map(|period| period.number),
        next_period_end: open.map(|period| period.end),
        periods_earned: count(case.earned.len()),
        exposures: count(case.exposure_count()),
        listed: count(case.listings.len()) - deleted,
        deleted,
        disputable: count(disputable(case).count()),
        rounds: count(case.rounds.len()),
        round_from: round_from(case, letters_due_on),
        charge_rule: ChargeRule::of(case),
        next_due_on: clocks.iter().filter(|c| c.done_on.is_none()).map(|c| c.due_on).min(),
        version: case.version,
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

/// Cases with what is listed of them: those of an order, or of some ids.
fn list(wanted: &str) -> String {
    format!(
        "SELECT {}, COALESCE(a.moved_to, t.case_id), (SELECT COUNT(*) {waiting}) FROM case_status t \
         LEFT JOIN account a ON {} AND a.account_id = t.case_id WHERE {} AND {wanted}",
        CaseStatusRow::TABLE.selected("t"),
        beside("a", "t"),
        active("t"),
        waiting = exception::waiting("t"),
    )
}

/// A page in an order by a day, or by nothing before the id.
fn page(day: &str) -> String {
    let (begins, by) = match day {
        // The day is the first of all, and says nothing.
        "" => ("t.case_id > $3 AND $2 >= '0001-01-01'".to_owned(), String::new()),
        day => (format!("({day}, t.case_id) > ($2, $3)"), format!("{day}, ")),
    };
    let filtered = format!(
        "{begins} AND (t.state = $4 OR $4 IS NULL) AND ($5 < 0 OR EXISTS (SELECT 1 {}) = ($5 = 1)) \
         ORDER BY {by}t.case_id LIMIT $6",
        exception::waiting("t")
    );
    list(&filtered)
}

static LIST: Statement = Statement::new(|| page(""));

static LIST_BY_DUE: Statement = Statement::new(|| page("COALESCE(t.next_due_on, '9999-12-31')"));

static LIST_BY_ENROLMENT: Statement = Statement::new(|| page("t.enrolled_on"));

/// Ids of one statement; those it has no use for are named twice.
const IDS_AT_ONCE: usize = 50;

static OF_IDS: Statement = Statement::new(|| {
    let ids: Vec<String> = (2..2 + IDS_AT_ONCE).map(|at| format!("${at}")).collect();
    list(&format!("t.case_id IN ({})", ids.join(", ")))
});

static NAMES: Statement = Statement::new(|| {
    let ids: Vec<String> = (2..2 + IDS_AT_ONCE).map(|at| format!("${at}")).collect();
    format!(
        "SELECT t.case_id, t.name_sealed FROM case_status t WHERE {} AND t.case_id IN ({})",
        active("t"),
        ids.join(", ")
    )
});

static IDS: Statement = Statement::new(|| {
    format!(
        "SELECT t.case_id, {POSITION} FROM case_status t WHERE {} AND t.case_id >= $2 AND t.case_id <= $3 \
         ORDER BY t.case_id LIMIT $4",
        active("t")
    )
});

static EARNED: Statement = Statement::new(|| {
    format!(
        "SELECT t.case_id, {POSITION} FROM case_status t WHERE {} AND t.case_id >= $2 AND t.periods_earned > 0 \
         ORDER BY t.case_id LIMIT $3",
        active("t")
    )
});

static DIED: Statement = Statement::new(|| {
    format!(
        "SELECT t.case_id, {POSITION} FROM case_status t WHERE {} AND t.case_id >= $2 AND t.charge_rule = 'death' \
         ORDER BY t.case_id LIMIT $3",
        active("t")
    )
});

static PERIOD_ENDED: Statement = Statement::new(|| {
    format!(
        "SELECT t.case_id, t.open_period, t.next_period_end, {POSITION} FROM case_status t \
         WHERE {} AND t.next_period_end <= $2 AND (t.next_period_end, t.case_id) > ($3, $4) \
         ORDER BY t.next_period_end, t.case_id LIMIT $5",
        active("t")
    )
});

/// Cases for which everything is there and the cancellation days are over on a day.
pub(super) fn ready(today: &str, first: &str, steps: &str) -> String {
    format!(
        "FROM case_status t WHERE {} AND t.case_id IN (SELECT s.case_id FROM case_status s WHERE {} \
         AND s.state = 'signed' {first}) AND t.steps_done >= {steps} AND t.service_from <= {today}",
        active("t"),
        active("s")
    )
}

/// How many steps there are besides waiting.
pub(super) fn steps_before_waiting() -> Value {
    count(Step::ALL.len() - 1).put()
}

static READY: Statement = Statement::new(|| {
    format!(
        "SELECT {} {} ORDER BY t.case_id LIMIT $5",
        CaseStatusRow::TABLE.selected("t"),
        ready("$4", "AND s.case_id >= $2", "$3")
    )
});

/// Open cases that can have a next round on a day.
pub(super) fn round_possible(today: &str) -> String {
    format!(
        "FROM case_status t WHERE {} AND t.state = 'open' AND t.round_from <= {today}",
        active("t")
    )
}

static ROUNDS: Statement = Statement::new(|| {
    format!(
        "SELECT {}, {POSITION} {} AND (t.round_from, t.case_id) > ($3, $4) ORDER BY t.round_from, t.case_id LIMIT $5",
        CaseStatusRow::TABLE.selected("t"),
        round_possible("$2")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[
    &LIST,
    &LIST_BY_DUE,
    &LIST_BY_ENROLMENT,
    &OF_IDS,
    &NAMES,
    &IDS,
    &EARNED,
    &DIED,
    &PERIOD_ENDED,
    &READY,
    &ROUNDS,
];

selected! {
    /// What a client is called.
    pub struct SealedName {
        /// The case.
        case_id: CaseId,
        /// The name, sealed under the client's key.
        name_sealed: Option<String>,
    }
}

type Listed = (CaseStatusRow, (AccountId, u64));

fn listed((case, (account, exceptions)): Listed) -> ListedCase {
    ListedCase { case, account, exceptions }
}

/// The parameters of a statement of so many ids.
fn ids(firm: FirmId, some: &[CaseId]) -> Vec<Value> {
    let last = some.last().copied();
    let filled = some.iter().copied().chain(last.into_iter().cycle()).take(IDS_AT_ONCE);
    std::iter::once(Value::Id(firm.0)).chain(filled.map(|id| id.put())).collect()
}

impl Store {
    /// Cases in an order; `after` is the day and the id of the last one of the page before.
    pub async fn list_cases(
        &self,
        firm: FirmId,
        (filter, order): (CaseFilter, CaseOrder),
        after: Option<(CivilDate, CaseId)>,
        rows: u32,
    ) -> Result<Vec<ListedCase>, StoreError> {
        let statement = match order {
            CaseOrder::Id => &LIST,
            CaseOrder::NextDue => &LIST_BY_DUE,
            CaseOrder::Enrolled => &LIST_BY_ENROLMENT,
        };
        let wanted = Value::Integer(filter.has_exception.map_or(-1, i64::from));
        let mut arguments = vec![Value::Id(firm.0)];
        arguments.extend(day_start(after));
        arguments.extend([filter.state.put(), wanted, limit(rows)]);
        let found: Vec<Listed> = self.fetch(statement, arguments).await?;
        Ok(found.into_iter().map(listed).collect())
    }

    /// These cases, as far as the rows have them, in no order.
    pub async fn cases_of(
        &self,
        firm: FirmId,
        cases: &[CaseId],
    ) -> Result<Vec<ListedCase>, StoreError> {
        let mut found = Vec::with_capacity(cases.len());
        for some in cases.chunks(IDS_AT_ONCE) {
            let rows: Vec<Listed> = self.fetch(&OF_IDS, ids(firm, some)).await?;
            found.extend(rows.into_iter().map(listed));
        }
        Ok(found)
    }

    /// What the clients of these cases are called, as far as the rows have them, in no order.
    pub async fn names_of(
        &self,
        firm: FirmId,
        cases: &[CaseId],
    ) -> Result<Vec<SealedName>, StoreError> {
        let mut found = Vec::with_capacity(cases.len());
        for some in cases.chunks(IDS_AT_ONCE) {
            found.extend(self.fetch::<SealedName>(&NAMES, ids(firm, some)).await?);
        }
        Ok(found)
    }

    /// The ids of cases from one to another, both included.
    pub async fn case_ids(
        &self,
        firm: FirmId,
        first: CaseId,
        last: CaseId,
        rows: u32,
    ) -> Result<RowsAt<CaseId>, StoreError> {
        self.fetch_at(&IDS, vec![Value::Id(firm.0), first.put(), last.put(), limit(rows)]).await
    }

    /// The ids of cases of which a fee was claimed; `after` is the last one of the page before.
    pub async fn cases_with_fees(
        &self,
        firm: FirmId,
        after: Option<CaseId>,
        rows: u32,
    ) -> Result<RowsAt<CaseId>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(RowsAt::none()) };
        self.fetch_at(&EARNED, vec![Value::Id(firm.0), from, limit(rows)]).await
    }

    /// The ids of cases whose clients died; `after` is the last one of the page before.
    pub async fn cases_of_the_dead(
        &self,
        firm: FirmId,
        after: Option<CaseId>,
        rows: u32,
    ) -> Result<RowsAt<CaseId>, StoreError> {
        let Some(from) = from_id(after.map(|id| id.0)) else { return Ok(RowsAt::none()) };
        self.fetch_at(&DIED, vec![Value::Id(firm.0), from, limit(rows)]).await
    }

    /// Cases with a period that is over by a day and neither claimed nor given up, by the end of the
    /// first such period, then by id; `after` is both of the last one of the page before.
    pub async fn cases_with_period_ended(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        after: Option<(CivilDate, CaseId)>,
        rows: u32,
    ) -> Result<RowsAt<PeriodEnded>, StoreError> {
        let [end, case] = day_start(after);
        let arguments = vec![Value::Id(firm.0), as_of.put(), end, case, limit(rows)];
        self.fetch_at(&PERIOD_ENDED, arguments).await
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
        let steps = steps_before_waiting();
        self.fetch(&READY, vec![Value::Id(firm.0), from, steps, today.put(), limit(rows)]).await
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
    ) -> Result<RowsAt<CaseStatusRow>, StoreError> {
        let from = rounds_start(after);
        let from = from.ok_or_else(|| StoreError::internal("a cursor of another list"))?;
        let mut arguments = vec![Value::Id(firm.0), today.put()];
        arguments.extend(from);
        arguments.push(limit(rows));
        self.fetch_at(&ROUNDS, arguments).await
    }
}
