//! The package of a closed month for the firm's accountant.
//!
//! Names of tables and columns are those of the AICPA's Audit Data Standards where they have one:
//! General Ledger (July 2015) for `GL_Detail`, `Trial_Balance` and `Chart_Of_Accounts`, Order to Cash
//! (July 2015) for `Open_Accounts_Receivable`. Columns that the firm has nothing for are there and
//! empty; what is ours alone stands in segments, as the standard wants it, and in tables of our own.
//! Every column is explained in `Data_Dictionary`.

use std::io::Write;

use chrono::{DateTime, Datelike as _, NaiveDate, Utc};
use domain::money::Money;

use crate::PaperError;
use crate::cell::{Cell, Column, Table};

macro_rules! table {
    ($(#[$meta:meta])* $NAME:ident, $name:literal, $means:literal, [$($title:literal: $column:literal),* $(,)?]) => {
        $(#[$meta])*
        pub static $NAME: Table = Table {
            name: $name,
            means: $means,
            columns: &[$(Column { title: $title, means: $column }),*],
        };
    };
}

table!(
    /// The journal.
    GL_DETAIL, "GL_Detail", "One row for each line of an entry that counts for the month.", [
    "Journal_ID": "Number of the entry: the position of its event in the firm's log",
    "Journal_ID_Line_Number": "Counted from 1 through all entries of the number, which is of several days where money was put in the order of its days",
    "JE_Header_Description": "The event's type",
    "JE_Line_Description": "What the account means",
    "Source": "Where the entry comes from: always the firm's log",
    "Business_Unit_Code": "Not used",
    "Effective_Date": "The day the entry counts for",
    "Fiscal_Year": "Calendar year of the effective date",
    "Period": "Calendar month of the effective date",
    "GL_Account_Number": "The account, by the firm's number",
    "Amount": "Above zero; the indicator says which side",
    "Amount_Credit_Debit_Indicator": "D or C",
    "Amount_Currency": "ISO 4217",
    "Reporting_Amount": "Not used: one currency",
    "Reporting_Amount_Currency": "Not used",
    "Local_Amount": "Not used",
    "Local_Amount_Currency": "Not used",
    "Entered_By": "Not kept in the journal; the log has it for each event",
    "Entered_Date": "The day the event was recorded, UTC",
    "Entered_Time": "The time of that day, UTC",
    "Approved_By": "Not used",
    "Approved_Date": "Not used",
    "Last_Modified_By": "Empty: a posted entry never changes",
    "Last_Modified_Date": "Empty, as above",
    "Reversal_Indicator": "1 if the entry takes another one back",
    "Reversal_Journal_ID": "UUID of the event whose entry it takes back",
    "Segment01": "The day it happened, if its month was closed by the time it was told",
    "Segment02": "The client account, by its UUID",
    "Segment03": "The invoice, on lines of the receivable account",
    "Segment04": "The plan, on lines of fee revenue",
    "Segment05": "The bank line's UUID, or the processor's name for the payment, refund or chargeback",
]);

table!(
    /// The trial balance.
    TRIAL_BALANCE, "Trial_Balance", "One row for each account. Debits are above zero.", [
    "GL_Account_Number": "The account, by the firm's number",
    "Business_Unit_Code": "Not used",
    "Balance_As_Of_Date": "The last day of the month",
    "Fiscal_Year": "Its calendar year",
    "Period": "Its calendar month",
    "Amount_Beginning": "Before the first day of the month",
    "Amount_Ending": "After its last day",
    "Amount_Currency": "ISO 4217",
    "Activity_Debit": "Debits of the month (ours: beginning + debit - credit = ending)",
    "Activity_Credit": "Credits of the month, above zero (ours)",
]);

table!(
    /// The chart of accounts.
    CHART, "Chart_Of_Accounts", "One row for each account.", [
    "GL_Account_Number": "The firm's number",
    "GL_Account_Name": "The firm's name",
    "GL_Account_Description": "What the account means in this program",
    "Account_Type": "Assets, Liabilities, Equity, Revenue or Expenses",
    "Account_Subtype": "Not used",
    "FS_Caption": "Not used",
    "Parent_GL_Account_Number": "Not used",
    "Accountant_Code": "The code the accountant knows it by (ours)",
]);

table!(
    /// What clients owe.
    OPEN_RECEIVABLE, "Open_Accounts_Receivable", "One row for each invoice with something open at the end of the month.", [
    "Customer_Account_ID": "The client account, by its UUID",
    "Transaction_ID": "The invoice's number",
    "Invoice_ID": "The invoice's number",
    "Transaction_Type": "Always invoice",
    "Transaction_Due_Date": "The day it was due",
    "Balance_Amount": "What is open; below zero the firm owes it back",
    "Balance_Amount_Currency": "ISO 4217",
    "Amount_Credit_Debit_Indicator": "D, or C below zero",
    "Days_Past_Due": "Calendar days from the due date to the last day of the month; 0 if not past due (ours)",
]);

table!(
    /// How old what clients owe is.
    AGING, "Aging", "One row for each account with something open. Calendar days past the due date; day 30 belongs to 1-30 (common practice, no source).", [
    "Customer_Account_ID": "The client account, by its UUID",
    "Current": "Not yet due, or due on the last day",
    "Days_1_30": "1 to 30 days past due",
    "Days_31_60": "31 to 60",
    "Days_61_90": "61 to 90",
    "Days_Over_90": "More than 90",
    "Total": "The sum",
    "Amount_Currency": "ISO 4217",
]);

table!(
    /// Every bank line and what stands behind it.
    DEPOSITS, "Deposit_Proof", "One row for each bank line of the month. Gross - costs = what came in, to the cent.", [
    "Deposit_ID": "UUID of the bank line",
    "Bank": "The firm's own code for its account at a bank",
    "Booked_On": "The day the bank booked it",
    "Amount": "What came in; below zero what went out",
    "State": "open, matched, joined (a piece of another line's money) or booked",
    "Movements": "How many payments, refunds and chargebacks stand behind it",
    "Gross": "Their sum",
    "Costs": "What the processor kept",
    "Matched_To": "UUID of the payout, or of the line that a piece belongs to",
    "Purpose": "What a person said it is",
    "Amount_Currency": "ISO 4217",
]);

table!(
    /// From each statement's balance to the ledger's.
    RECONCILIATION, "Bank_Reconciliation", "For each account at a bank: the balance per statement, every item, the balance per ledger. Then what is on its way through the card processor.", [
    "Bank": "The firm's own code for its account at a bank; empty for what is on its way",
    "Day": "The day",
    "What": "What it is",
    "About": "UUID of the bank line or statement, or the processor's name for a movement",
    "Amount": "Items add up from the balance per statement to the balance per ledger",
    "Amount_Currency": "ISO 4217",
]);

table!(
    /// Revenue, by plan.
    REVENUE, "Revenue_By_Plan", "Fees earned in the month (ASC 606, work billed in arrears), less what was taken off in it because nothing allowed it.", [
    "Plan": "The plan's code; empty for fees claimed before it was kept",
    "Fees": "How many were earned",
    "Amount": "Their sum, less what was taken off",
    "Amount_Currency": "ISO 4217",
]);

table!(
    /// What was checked.
    CONTROLS, "Controls", "What was checked before the package was written, and whose it is.", [
    "Name": "What",
    "Value": "How much, or who",
]);

table!(
    /// What every column means.
    DICTIONARY, "Data_Dictionary", "Every column of the package.", [
    "Table": "The table",
    "Column": "The column",
    "Meaning": "What it means",
]);

/// Every table of the package, in the order of its sheets.
pub static TABLES: [&Table; 10] = [
    &GL_DETAIL,
    &TRIAL_BALANCE,
    &CHART,
    &OPEN_RECEIVABLE,
    &AGING,
    &DEPOSITS,
    &RECONCILIATION,
    &REVENUE,
    &CONTROLS,
    &DICTIONARY,
];

/// The rows of the data dictionary.
pub fn dictionary() -> impl Iterator<Item = [Cell; 3]> {
    TABLES.iter().flat_map(|table| {
        let of_table = [Cell::text(table.name), Cell::Empty, Cell::text(table.means)];
        let columns = table.columns.iter().map(|column| {
            [Cell::text(table.name), Cell::text(column.title), Cell::text(column.means)]
        });
        std::iter::once(of_table).chain(columns)
    })
}

/// A line of an entry, as it stands in the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JournalRow {
    /// Number of the entry.
    pub number: i64,
    /// Counted from 1 through the entries of its number.
    pub line: i64,
    /// The event's type.
    pub kind: String,
    /// What the account means.
    pub meaning: String,
    /// The day the entry counts for.
    pub posted_on: NaiveDate,
    /// The day it happened, if it is another.
    pub happened_on: Option<NaiveDate>,
    /// When it was recorded.
    pub recorded_at: Option<DateTime<Utc>>,
    /// The account, by the firm's number.
    pub account: String,
    /// A debit above zero, a credit below.
    pub amount: Money,
    /// UUID of the event whose entry it takes back; empty if it takes none.
    pub reverses: String,
    /// The client account.
    pub client: String,
    /// The invoice.
    pub invoice: String,
    /// The plan.
    pub plan: String,
    /// The bank line, or the processor's name.
    pub about: String,
}

impl JournalRow {
    /// The cells of [`GL_DETAIL`].
    pub fn cells(&self) -> Vec<Cell> {
        let [size, side] = side(self.amount);
        let reversed = if self.reverses.is_empty() { Cell::Empty } else { Cell::Number(1) };
        let mut cells = vec![
            Cell::Number(self.number),
            Cell::Number(self.line),
            Cell::text(&self.kind),
            Cell::text(&self.meaning),
            Cell::text("counterfoil"),
            Cell::Empty,
            Cell::Day(self.posted_on),
            Cell::Number(self.posted_on.year().into()),
            Cell::Number(self.posted_on.month().into()),
            Cell::text(&self.account),
            size,
            side,
            Cell::text(self.amount.currency().as_str()),
        ];
        // Reporting and local amounts, and who entered it.
        cells.extend([const { Cell::Empty }; 5]);
        cells.push(self.recorded_at.map_or(Cell::Empty, Cell::InstantDay));
        cells.push(self.recorded_at.map_or(Cell::Empty, Cell::InstantTime));
        // Approvals and changes.
        cells.extend([const { Cell::Empty }; 4]);
        cells.extend([
            reversed,
            Cell::text(&self.reverses),
            self.happened_on.map_or(Cell::Empty, Cell::Day),
            Cell::text(&self.client),
            Cell::text(&self.invoice),
            Cell::text(&self.plan),
            Cell::text(&self.about),
        ]);
        cells
    }
}

/// One account of a trial balance, as it stands in [`TRIAL_BALANCE`].
pub fn trial_cells(
    (number, last): (&str, NaiveDate),
    [opening, debits, credits, closing]: [Money; 4],
) -> [Cell; 10] {
    [
        Cell::text(number),
        Cell::Empty,
        Cell::Day(last),
        Cell::Number(last.year().into()),
        Cell::Number(last.month().into()),
        Cell::Amount(opening),
        Cell::Amount(closing),
        Cell::text(closing.currency().as_str()),
        Cell::Amount(debits),
        Cell::Amount(credits),
    ]
}

/// What is open on an invoice on a day, as it stands in [`OPEN_RECEIVABLE`].
pub fn open_cells(
    (client, invoice): (&str, &str),
    (due_on, as_of): (NaiveDate, NaiveDate),
    open: Money,
) -> [Cell; 9] {
    let past = as_of.signed_duration_since(due_on).num_days().max(0);
    [
        Cell::text(client),
        Cell::text(invoice),
        Cell::text(invoice),
        Cell::text("invoice"),
        Cell::Day(due_on),
        Cell::Amount(open),
        Cell::text(open.currency().as_str()),
        Cell::text(if open.minor() < 0 { "C" } else { "D" }),
        Cell::Number(past),
    ]
}

/// A table as a CSV file (RFC 4180: commas, CRLF, UTF-8).
pub struct File<W: Write> {
    writer: csv::Writer<W>,
    columns: usize,
}

impl<W: Write> File<W> {
    /// Begins a file with its titles.
    ///
    /// # Errors
    /// [`PaperError::Csv`] if they cannot be written.
    pub fn begin(table: &Table, to: W) -> Result<Self, PaperError> {
        let terminator = csv::Terminator::CRLF;
        let mut writer = csv::WriterBuilder::new().terminator(terminator).from_writer(to);
        writer.write_record(table.columns.iter().map(|column| column.title))?;
        Ok(Self { writer, columns: table.columns.len() })
    }

    /// Adds a row.
    ///
    /// # Errors
    /// [`PaperError::Csv`] if it cannot be written.
    ///
    /// # Panics
    /// If it has another number of cells than the table has columns.
    pub fn row(&mut self, cells: &[Cell]) -> Result<(), PaperError> {
        assert_eq!(cells.len(), self.columns, "a row has a cell for every column");
        for cell in cells {
            self.writer.write_field(cell.to_string())?;
        }
        self.writer.write_record(None::<&[u8]>)?;
        Ok(())
    }

    /// Ends the file and gives back what it was written to.
    ///
    /// # Errors
    /// [`PaperError::Io`] if the last of it cannot be written.
    pub fn finish(self) -> Result<W, PaperError> {
        self.writer.into_inner().map_err(|error| PaperError::Io(error.into_error()))
    }
}

/// Above zero, and the side it is on.
fn side(amount: Money) -> [Cell; 2] {
    if amount.minor() < 0 {
        [Cell::Amount(amount.negated()), Cell::text("C")]
    } else {
        [Cell::Amount(amount), Cell::text("D")]
    }
}
