//! The read model: an index of the folded streams, each row a pure function of one of them.
//!
//! A row holds what a query filters or sorts by, or what a list shows from rows alone; whoever shows more folds the
//! stream. It is no interface: tables come and go with the queries of this program.
//!
//! One file per table or pair of tables: its row, the rows of a state, and the queries. To add one,
//! write the file, name it in `TABLES`, `STATEMENTS` and the function of its stream below, and add
//! a migration; a rebuild fills it.
//!
//! Rows keep dates, never "overdue" or "today": a query is given the day.

mod account;
mod case_status;
mod clock;
mod couple;
mod deposit;
mod due;
mod exception;
mod exposure;
mod held_fee;
mod invoice;
mod journal;
mod month;
mod payment;

use domain::account::Account;
use domain::case::Case;
use domain::deposit::Deposit;
use domain::event::StreamId;
use domain::ids::CaseId;
use domain::world::State;
use log::{ProjectionStep, StoreError, Touched};
use uuid::Uuid;

pub use account::AccountRow;
pub use case_status::{
    CaseFilter, CaseOrder, CaseStatusRow, ChargeRule, ListedCase, PeriodEnded, SealedName,
};
pub use clock::ClockRow;
pub use couple::{
    CoupleCandidate, CoupleCardRow, CoupleContactRow, RefusedLinkRow, SuggestedLinkRow,
};
pub use deposit::{DepositFilter, DepositRow, DepositStatus, MovementFilter, MovementRow};
pub use due::{CHARGES, CLOCKS, DueCount, READY, ROUNDS};
pub use exception::{ExceptionKind, ExceptionRow};
pub use exposure::{ExposureRow, Source};
pub use held_fee::HeldFeeRow;
pub use invoice::{InvoiceFilter, InvoiceRow, InvoiceState};
pub use journal::{
    ControlSums, JournalEntryRow, JournalLineRow, OpenItemRow, PlanRevenue, TrialSums,
};
pub use month::MonthRow;
pub(crate) use payment::found_by_name;
pub use payment::{MoneyBackRow, PaymentRow};

use crate::row::{Changes, Row, Table};
use crate::value::Value;

/// Most rows of one page; a larger limit is taken for this one.
pub const PAGE_ROWS_MAX: u32 = 10_000;

/// Rows of several generations and nothing that says which are read: the program never leaves that.
pub(crate) fn none_active() -> StoreError {
    let what = "no generation of the table projection is the active one; rebuild makes one";
    StoreError::Corrupt { position: 0, what: what.to_owned() }
}

/// Every table of the read model.
pub(crate) static TABLES: &[&Table] = &[
    CaseStatusRow::TABLE,
    ClockRow::TABLE,
    HeldFeeRow::TABLE,
    CoupleContactRow::TABLE,
    CoupleCardRow::TABLE,
    SuggestedLinkRow::TABLE,
    RefusedLinkRow::TABLE,
    AccountRow::TABLE,
    InvoiceRow::TABLE,
    PaymentRow::TABLE,
    MoneyBackRow::TABLE,
    ExposureRow::TABLE,
    ExceptionRow::TABLE,
    JournalEntryRow::TABLE,
    JournalLineRow::TABLE,
    DepositRow::TABLE,
    MovementRow::TABLE,
];

/// Every query, so that a test can prepare them all.
#[cfg(test)]
pub(crate) static STATEMENTS: &[&[&crate::statement::Statement]] = &[
    case_status::STATEMENTS,
    clock::STATEMENTS,
    held_fee::STATEMENTS,
    couple::STATEMENTS,
    account::STATEMENTS,
    invoice::STATEMENTS,
    payment::STATEMENTS,
    exposure::STATEMENTS,
    exception::STATEMENTS,
    journal::STATEMENTS,
    month::STATEMENTS,
    deposit::STATEMENTS,
    due::STATEMENTS,
];

/// What one step changes, in the order of the streams so that neighbouring rows are written together.
pub(crate) fn changes(step: &ProjectionStep<'_>) -> Result<Changes, StoreError> {
    let registered = step.firm_state.registered.as_ref();
    // Days a letter travels when no delivery scan says; fixed when the firm is registered.
    let transit_days = registered.map_or(0, |registered| registered.transit_days);
    let mut changes = Changes::default();
    let mut order: Vec<&Touched> = step.touched.iter().collect();
    order.sort_by_key(|touched| touched.stream);
    for touched in order {
        match (touched.stream, &touched.after) {
            (StreamId::Case(id), State::Case(after)) => {
                let before = touched.before.as_ref().and_then(as_case);
                case_changes(&mut changes, transit_days, id, (before, after));
            }
            (StreamId::Account(id), State::Account(after)) => {
                let before = touched.before.as_ref().and_then(as_account);
                account_changes(&mut changes, id.owner(), (before, after));
            }
            (StreamId::Deposit(id), State::Deposit(after)) => {
                let before = touched.before.as_ref().and_then(as_deposit);
                compare(&mut changes, before, after.as_ref(), |deposit| deposit::rows(id, deposit));
            }
            // Who looked at a client, and what a firm told of itself, is read from the log.
            (StreamId::Looks(_), State::Looks(_)) | (StreamId::Firm, State::Firm(_)) => {}
            (
                StreamId::Case(_)
                | StreamId::Account(_)
                | StreamId::Deposit(_)
                | StreamId::Firm
                | StreamId::Looks(_),
                _,
            ) => {
                unreachable!("a stream folds into the state of its own kind")
            }
        }
    }
    let (entries, lines) = journal::rows(step)?;
    changes.compare(Vec::new(), entries);
    changes.compare(Vec::new(), lines);
    Ok(changes)
}

fn as_case(state: &State) -> Option<&Case> {
    if let State::Case(case) = state { Some(case) } else { None }
}

fn as_account(state: &State) -> Option<&Account> {
    if let State::Account(account) = state { Some(account) } else { None }
}

fn as_deposit(state: &State) -> Option<&Deposit> {
    if let State::Deposit(deposit) = state { Some(deposit) } else { None }
}

/// Rows before and after, of a state that may not have been there before.
fn compare<S, R: Row>(
    changes: &mut Changes,
    before: Option<&S>,
    after: &S,
    rows: impl Fn(&S) -> Vec<R>,
) {
    changes.compare(before.map_or(Vec::new(), &rows), rows(after));
}

fn case_changes(
    changes: &mut Changes,
    transit_days: u16,
    id: CaseId,
    (before, after): (Option<&Case>, &Case),
) {
    // The status row carries the version, so it differs whatever the event was.
    changes.compare(Vec::new(), case_status::rows(transit_days, id, after));
    let timed = |case: &Case| (case.rounds.clone(), case.listings.clone(), case.asked.clone());
    if before.is_none_or(|before| timed(before) != timed(after)) {
        compare(changes, before, after, |case| clock::rows(id, case, transit_days));
    }
    compare(changes, before, after, |case| held_fee::rows(id, case));
    compare(changes, before, after, |case| couple::contact_rows(id, case));
    compare(changes, before, after, |case| exposure::case_rows(id, case));
    compare(changes, before, after, |case| exception::case_rows(id, case));
}

fn account_changes(
    changes: &mut Changes,
    owner: CaseId,
    (before, after): (Option<&Account>, &Account),
) {
    let id = owner.own_account();
    compare(changes, before, after, |account| account::rows(id, account));
    if before.is_none_or(|before| before.invoices != after.invoices) {
        compare(changes, before, after, |account| invoice::rows(id, account));
    }
    if before.is_none_or(|before| before.payments != after.payments) {
        compare(changes, before, after, |account| payment::rows(id, account));
    }
    compare(changes, before, after, |account| payment::back_rows(id, account));
    if before.is_none_or(|before| {
        before.payments != after.payments || before.money_back != after.money_back
    }) {
        compare(changes, before, after, |account| deposit::movement_rows(id, account));
    }
    compare(changes, before, after, |account| couple::card_rows(id, account));
    compare(changes, before, after, |account| couple::suggested_rows(id, account));
    compare(changes, before, after, |account| couple::refused_rows(id, account));
    compare(changes, before, after, |account| exposure::account_rows(owner, account));
    compare(changes, before, after, |account| exception::account_rows(owner, account));
}

/// The first id that comes after one, or the first of all: where a page of ids begins. Nothing comes
/// after the last id there is.
pub(crate) fn from_id(after: Option<Uuid>) -> Option<Value> {
    match after {
        None => Some(Value::Id(Uuid::nil())),
        Some(id) => id.as_u128().checked_add(1).map(|next| Value::Id(Uuid::from_u128(next))),
    }
}

/// The limit of a page, bounded.
pub(crate) fn limit(wanted: u32) -> Value {
    Value::Integer(i64::from(wanted.min(PAGE_ROWS_MAX)))
}
