//! The journal: an entry for each event that moves money and each day that it counts for, and what is summed from its lines.

use books::{Entry, OpenItem, Poster, TrialRow};
use calendar::CivilDate;
use domain::State;
use domain::event::{BookAccount, StreamId, UtcMicros};
use domain::ids::{AccountId, DepositId, EventId, FirmId, PlanCode};
use log::{Fault, ProjectionStep, StoreError};
use std::collections::HashMap;

use super::limit;
use crate::row::{Row, row, selected};
use crate::statement::{Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value};

row! {
    /// An entry.
    pub struct JournalEntryRow in "journal_entry"
    key {
        /// The position of its event: the entry's number.
        position: u64,
        /// The day it counts for.
        posted_on: CivilDate,
    }
    values {
        /// The event's type.
        kind: String,
        /// The event.
        event_id: EventId,
        /// The day it happened; before `posted_on` if that month was closed when it was told.
        occurred_on: CivilDate,
        /// When it was told, UTC.
        recorded_at: UtcMicros,
        /// The client account it is about.
        account_id: Option<AccountId>,
        /// The line of a bank statement it is about.
        deposit_id: Option<DepositId>,
        /// The processor's name for the payment, refund or chargeback.
        reference: Option<String>,
        /// The event whose entry it takes back.
        reverses: Option<EventId>,
    }
}

row! {
    /// A line of an entry.
    pub struct JournalLineRow in "journal_line"
    key {
        /// The position of the entry's event.
        position: u64,
        /// Counted from 1 through all entries of the event.
        line: u32,
    }
    values {
        /// The account of the books.
        book_account: BookAccount,
        /// The day the entry counts for.
        posted_on: CivilDate,
        /// Minor units; a debit above zero, a credit below.
        amount_minor: i64,
        /// The client account it is about.
        account_id: Option<AccountId>,
        /// The invoice, on lines of the receivable account.
        invoice: Option<u64>,
        /// The plan, on lines of fee revenue.
        plan: Option<PlanCode>,
    }
}

selected! {
    /// Sums of one account of the books, minor units.
    pub struct TrialSums {
        /// The account.
        book_account: BookAccount,
        /// Before the first day.
        opening_minor: i64,
        /// Debits of the days.
        debit_minor: i64,
        /// Credits of the days, above zero.
        credit_minor: i64,
    }
}

selected! {
    /// What is open on an invoice on some day.
    pub struct OpenItemRow {
        /// The account.
        account_id: AccountId,
        /// The invoice.
        invoice: u64,
        /// The day it is due.
        due_on: CivilDate,
        /// Minor units.
        open_minor: i64,
    }
}

selected! {
    /// Revenue of one plan.
    pub struct PlanRevenue {
        /// The plan; nothing for fees claimed before it was kept.
        plan: Option<PlanCode>,
        /// How many fees were earned.
        fees: u64,
        /// Minor units, less what was taken off because nothing allowed it.
        amount_minor: i64,
    }
}

selected! {
    /// What payments, invoices and bank lines say, to hold the books against.
    pub struct ControlSums {
        /// Movements that stand behind no deposit, minor units.
        undeposited_minor: i64,
        /// Open on invoices but for what nothing allowed, minor units.
        open_minor: i64,
        /// Unearned, or collected for what nothing allowed, and not paid back, minor units.
        unearned_minor: i64,
        /// Bank lines up to a day that nobody has explained.
        lines_open: u64,
        /// What came in by bank lines that nobody has explained, minor units.
        unexplained_minor: i64,
        /// Exposures ever found.
        exposures: u64,
    }
}

impl From<TrialSums> for TrialRow {
    fn from(sums: TrialSums) -> Self {
        Self {
            account: sums.book_account,
            opening_minor: sums.opening_minor,
            debit_minor: sums.debit_minor,
            credit_minor: sums.credit_minor,
        }
    }
}

impl From<OpenItemRow> for OpenItem {
    fn from(row: OpenItemRow) -> Self {
        let OpenItemRow { account_id: account, invoice, due_on, open_minor } = row;
        Self { account, invoice, due_on, open_minor }
    }
}

/// The entries that a step makes. They are made once and never change.
pub(super) fn rows(
    step: &ProjectionStep<'_>,
) -> Result<(Vec<JournalEntryRow>, Vec<JournalLineRow>), StoreError> {
    let before: HashMap<StreamId, &State> = step
        .touched
        .iter()
        .filter_map(|touched| Some((touched.stream, touched.before.as_ref()?)))
        .collect();
    let poster = Poster::new(step.firm_state);
    let entries = poster.entries(|stream| before.get(&stream).copied(), step.events);
    let entries = entries.map_err(Fault::from)?;
    let lines = entries.iter().flat_map(line_rows).collect();
    Ok((entries.into_iter().map(entry_row).collect(), lines))
}

fn entry_row(entry: Entry) -> JournalEntryRow {
    JournalEntryRow {
        position: entry.position,
        kind: entry.kind.to_owned(),
        event_id: entry.event_id,
        posted_on: entry.posted_on,
        occurred_on: entry.occurred_on,
        recorded_at: entry.recorded_at,
        account_id: entry.account,
        deposit_id: entry.deposit,
        reference: entry.reference,
        reverses: entry.reverses,
    }
}

fn line_rows(entry: &Entry) -> Vec<JournalLineRow> {
    let lines = (entry.first_line..).zip(entry.lines());
    lines
        .map(|(line, of)| JournalLineRow {
            position: entry.position,
            line,
            book_account: of.account,
            posted_on: entry.posted_on,
            amount_minor: of.amount_minor,
            account_id: entry.account,
            invoice: of.invoice,
            plan: of.plan,
        })
        .collect()
}

static LIST: Statement = Statement::new(|| listed(""));

static LIST_OF_ACCOUNT: Statement = Statement::new(|| listed("AND t.account_id = $6"));

/// A page of entries, of those that `which` leaves.
fn listed(which: &str) -> String {
    format!(
        "SELECT {}, {} FROM (SELECT * FROM journal_entry t WHERE {} {which} \
         AND t.posted_on <= $4 AND (t.posted_on, t.position) > ($2, $3) ORDER BY t.posted_on, t.position LIMIT $5) page \
         JOIN journal_line l ON {} AND l.position = page.position AND l.posted_on = page.posted_on \
         ORDER BY page.posted_on, page.position, l.line",
        JournalEntryRow::TABLE.selected("page"),
        JournalLineRow::TABLE.selected("l"),
        active("t"),
        beside("l", "page")
    )
}

static TRIAL: Statement = Statement::new(|| {
    let sum = |of: &str| format!("CAST(SUM(CASE WHEN {of} ELSE 0 END) AS bigint)");
    format!(
        "SELECT t.book_account, {}, {}, {} FROM journal_line t WHERE {} AND t.posted_on <= $3 \
         GROUP BY t.book_account ORDER BY t.book_account",
        sum("t.posted_on < $2 THEN t.amount_minor"),
        sum("t.posted_on >= $2 AND t.amount_minor > 0 THEN t.amount_minor"),
        sum("t.posted_on >= $2 AND t.amount_minor < 0 THEN -t.amount_minor"),
        active("t")
    )
});

// In the order of an index, so that it stops at a page.
static OPEN_ITEMS: Statement = Statement::new(|| {
    format!(
        "SELECT t.account_id, t.invoice, (SELECT i.due_on FROM invoice i \
         WHERE {} AND i.account_id = t.account_id AND i.number = t.invoice), \
         CAST(SUM(t.amount_minor) AS bigint) FROM journal_line t \
         WHERE {} AND t.book_account = 'receivable' AND t.posted_on <= $2 AND t.account_id >= $3 \
         GROUP BY t.firm, t.generation, t.account_id, t.invoice HAVING SUM(t.amount_minor) <> 0 \
         ORDER BY t.firm, t.generation, t.account_id, t.invoice LIMIT $4",
        beside("i", "t"),
        active("t")
    )
});

static REVENUE: Statement = Statement::new(|| {
    format!(
        "SELECT t.plan, COUNT(CASE WHEN e.kind = 'fee_earned' THEN 1 END), CAST(SUM(-t.amount_minor) AS bigint) \
         FROM journal_line t JOIN journal_entry e ON {} AND e.position = t.position AND e.posted_on = t.posted_on \
         WHERE {} AND t.book_account = 'fee_revenue' AND t.posted_on >= $2 AND t.posted_on <= $3 \
         GROUP BY t.plan ORDER BY t.plan",
        beside("e", "t"),
        active("t")
    )
});

static CONTROLS: Statement = Statement::new(|| {
    let of = |what: &str, table: &str, which: &str| {
        format!(
            "COALESCE((SELECT CAST({what} AS bigint) FROM {table} x WHERE {} {which}), 0)",
            beside("x", "p")
        )
    };
    format!(
        "SELECT {}, {} - {}, {} + {}, {}, {}, {} FROM projection p WHERE p.firm = $1 AND p.active",
        of("SUM(x.amount_minor)", "movement", "AND x.deposit_id IS NULL"),
        of("SUM(x.open_minor)", "invoice", ""),
        of("SUM(x.open_minor)", "exposure", ""),
        of("SUM(x.unearned_minor)", "account", ""),
        of("SUM(x.owed_minor)", "exposure", ""),
        of("COUNT(*)", "deposit", "AND x.status = 'open' AND x.booked_on <= $2"),
        of("SUM(x.amount_minor)", "deposit", "AND x.status = 'open'"),
        of("COUNT(*)", "exposure", "")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] =
    &[&LIST, &LIST_OF_ACCOUNT, &TRIAL, &OPEN_ITEMS, &REVENUE, &CONTROLS];

impl Store {
    /// Entries with their lines, by the day they count for and their position, from after one entry
    /// (day and position) through a day: at most `entries` of them, of one account or of all.
    pub async fn list_journal(
        &self,
        firm: FirmId,
        account: Option<AccountId>,
        after: (CivilDate, u64),
        through: CivilDate,
        entries: u32,
    ) -> Result<Vec<(JournalEntryRow, Vec<JournalLineRow>)>, StoreError> {
        let mut arguments =
            vec![Value::Id(firm.0), after.0.put(), after.1.put(), through.put(), limit(entries)];
        let statement = match account {
            Some(account) => {
                arguments.push(account.put());
                &LIST_OF_ACCOUNT
            }
            None => &LIST,
        };
        let pairs: Vec<(JournalEntryRow, JournalLineRow)> =
            self.fetch(statement, arguments).await?;
        let mut list: Vec<(JournalEntryRow, Vec<JournalLineRow>)> = Vec::new();
        for (entry, line) in pairs {
            let names = |of: &JournalEntryRow| (of.position, of.posted_on);
            match list.last_mut().filter(|(last, _)| names(last) == names(&entry)) {
                Some((_, lines)) => lines.push(line),
                None => list.push((entry, vec![line])),
            }
        }
        Ok(list)
    }

    /// Sums by account of the books, from a day through another. Accounts without a line are left out.
    pub async fn trial_sums(
        &self,
        firm: FirmId,
        from: CivilDate,
        through: CivilDate,
    ) -> Result<Vec<TrialSums>, StoreError> {
        self.fetch(&TRIAL, vec![Value::Id(firm.0), from.put(), through.put()]).await
    }

    /// What is open on each invoice on a day, by account and invoice, from one account on.
    pub async fn open_items(
        &self,
        firm: FirmId,
        as_of: CivilDate,
        from: AccountId,
        rows: u32,
    ) -> Result<Vec<OpenItemRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), as_of.put(), from.put(), limit(rows)];
        self.fetch(&OPEN_ITEMS, arguments).await
    }

    /// Fees earned from a day through another, by plan.
    pub async fn revenue_by_plan(
        &self,
        firm: FirmId,
        from: CivilDate,
        through: CivilDate,
    ) -> Result<Vec<PlanRevenue>, StoreError> {
        self.fetch(&REVENUE, vec![Value::Id(firm.0), from.put(), through.put()]).await
    }

    /// What the books are held against; open bank lines are counted up to a day.
    pub async fn control_sums(
        &self,
        firm: FirmId,
        through: CivilDate,
    ) -> Result<Option<ControlSums>, StoreError> {
        self.fetch_one(&CONTROLS, vec![Value::Id(firm.0), through.put()]).await
    }
}
