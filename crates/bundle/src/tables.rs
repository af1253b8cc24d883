//! The tables of a bundle: their names, their columns, and what each column means.
//!
//! Where the AICPA's Audit Data Standards (Order to Cash, July 2015) have a name for a thing the
//! column has it; every other name is our own.

use crate::manifest::Format;

/// Who re-derives a column from the events.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checked {
    /// Both verifiers.
    Both,
    /// `counterfoil verify` alone.
    Counterfoil,
}

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// In what unit, or of what form.
    pub unit: &'static str,
    /// Where its name is from: `AICPA ADS O2C`, or `own`.
    pub standard: &'static str,
    /// Who re-derives it.
    pub checked: Checked,
}

/// A table.
#[derive(Clone, Copy, Debug)]
pub struct Table {
    /// The name of its file, without folder and ending.
    pub name: &'static str,
    /// What a row is.
    pub row: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
}

/// `name: meaning, unit[, standard][, counterfoil alone];`
macro_rules! columns {
    ($($name:ident: $meaning:literal, $unit:literal $(, $standard:ident)?;)*) => {
        &[$(Column {
            name: stringify!($name),
            meaning: $meaning,
            unit: $unit,
            standard: columns!(@standard $($standard)?),
            checked: columns!(@checked $($standard)?),
        }),*]
    };
    (@standard ads) => { "AICPA ADS O2C" };
    (@standard alone) => { "own" };
    (@standard) => { "own" };
    (@checked alone) => { Checked::Counterfoil };
    (@checked ads) => { Checked::Both };
    (@checked) => { Checked::Both };
}

/// The tables in the order of their names, which is the order everything is kept in by table.
pub const TABLES: &[Table] = &[
    Table {
        name: "access",
        row: "one look of an examiner, or one export, at a client's record or at the firm's",
        columns: columns! {
            Position: "position of the event in the firm's log", "count from 1";
            Occurred_On: "the day", "ISO 8601 date";
            Entered_By: "who looked", "text", ads;
            Case_ID: "whose record; empty for the firm's", "UUID";
            What: "how (read, export, open) and by which call", "text";
        },
    },
    Table {
        name: "exposures",
        row: "one thing the firm did, or is told it did, that a rule forbids",
        columns: columns! {
            Position: "position of the event that found it; of a fee, of the last that marked it", "count from 1";
            Found_On: "the day it happened; of a fee, the first since which it stands; of a decision to keep money, its day", "ISO 8601 date";
            Case_ID: "the client's case", "UUID";
            Customer_Account_ID: "the account, if money was taken through it", "UUID", ads;
            Kind: "what happened; fee_kept: counsel decided that money of a fee is kept", "code";
            Citation: "the rule", "text";
            Period: "the service period it concerns", "count from 1";
            Payment_ID: "the payment it concerns", "text";
            Amount: "money at stake, if it is known; of a fee, what is owed to the client; of a decision, how much is kept", "decimal";
            Amount_Currency: "currency of it", "ISO 4217";
            Stands: "whether nothing after it has put it right, of a fee whether any is owed or open, of a decision whether it is in force; empty for a payment", "yes, no";
        },
    },
    Table {
        name: "fee_gates",
        row: "one gate of one row of fees, as of the day that it was judged by",
        columns: columns! {
            Case_ID: "the client's case", "UUID";
            Period: "the service period", "count from 1";
            Gate: "the gate", "G1 to G8";
            Asks: "what it asks", "text", alone;
            Answer: "what it answers; unknown holds a fee back, and leaves a claimed one unproved", "holds, fails, unknown", alone;
            Finding: "the facts", "text", alone;
            Citation: "the statute or rule", "text", alone;
            Evidence_Positions: "positions of the events it rests on", "counts from 1, blank between", alone;
            Not_Before: "the day from which it can hold by time alone", "ISO 8601 date", alone;
        },
    },
    Table {
        name: "fees",
        row: "one fee that was claimed, or one service period that is over and open or was given up",
        columns: columns! {
            Case_ID: "the client's case", "UUID";
            Period: "the service period", "count from 1";
            Period_Start: "its first day", "ISO 8601 date";
            Period_End: "its last day", "ISO 8601 date";
            Status: "of a claimed fee, on all that is known: earned, unproved (a gate is unknown) or exposed (nothing allowed it); of others given_up, claimable or held", "code", alone;
            Amount: "the fee; of a period without one, what it would be", "decimal";
            Amount_Currency: "currency of it", "ISO 4217";
            Judged_As_Of: "the bundle's last day; of a claimed fee, of the days it was asked for on, the one that allowed it least", "ISO 8601 date", alone;
            Settled_On: "the day it was claimed or given up", "ISO 8601 date";
            Settled_Position: "position of the event that says so", "count from 1";
            Customer_Account_ID: "the account that pays", "UUID", ads;
            Invoice_Number: "the invoice it stands on", "count from 1", ads;
            Work_Evidence: "each promised piece of work and the position of the event that evidences it", "work@position, blank between";
            Late_Evidence: "how many of these events were recorded more than 7 days after the day they tell of", "count";
            Rule_Packs: "the rules of its agreement; of a claimed fee, as its claim names them", "code@version, blank between";
        },
    },
    Table {
        name: "invoice_lines",
        row: "one line of an invoice: one claimed fee",
        columns: columns! {
            Invoice_Number: "the invoice", "count from 1", ads;
            Invoice_Line_ID: "the line", "count from 1", ads;
            Case_ID: "the case of that fee", "UUID";
            Period: "the service period", "count from 1";
            Period_Start: "its first day", "ISO 8601 date";
            Period_End: "its last day", "ISO 8601 date";
            Invoice_Line_Amount: "the fee", "decimal", ads;
            Invoice_Line_Amount_Currency: "currency of it", "ISO 4217", ads;
        },
    },
    Table {
        name: "invoices",
        row: "one invoice, as it stands after the bundle's last event",
        columns: columns! {
            Invoice_Number: "gapless in the firm", "count from 1", ads;
            Invoice_Date: "the day it was issued", "ISO 8601 date", ads;
            Invoice_Due_Date: "the day it is due", "ISO 8601 date", ads;
            Customer_Account_ID: "the account that pays", "UUID", ads;
            Invoice_Amount: "the sum of its lines", "decimal", ads;
            Invoice_Amount_Currency: "currency of the amounts", "ISO 4217", ads;
            Amount_Paid: "paid, less what was refunded or charged back", "decimal";
            Amount_Credited: "lowered by, refunds of it included", "decimal";
            Amount_Written_Off: "given up", "decimal";
            Balance_Amount: "open", "decimal", ads;
            Status: "open, partly_paid, paid or written_off", "code";
            Position: "position of the event that issued it", "count from 1";
        },
    },
    Table {
        name: "papers",
        row: "one agreement of a case; a case without one has a row without it",
        columns: columns! {
            Case_ID: "the client's case", "UUID";
            Enrolled_On: "the day of enrolment", "ISO 8601 date";
            Enrolled_Position: "position of that event", "count from 1";
            Sale_Channel: "how the sale was made", "code";
            Disclosure_Delivered_On: "the federal disclosure given (15 USC 1679c)", "ISO 8601 date";
            Disclosure_Delivered_Position: "position of that event", "count from 1";
            Disclosure_Acknowledged_On: "the client signed for it (15 USC 1679c(c))", "ISO 8601 date";
            Disclosure_Acknowledged_Position: "position of that event", "count from 1";
            Disclosure_Document: "SHA-256 of the signed copy", "64 hexadecimal digits";
            Contract_Signed_On: "the agreement signed (15 USC 1679d)", "ISO 8601 date";
            Contract_Position: "position of that event", "count from 1";
            Contract_Document: "SHA-256 of the signed agreement", "64 hexadecimal digits";
            Client_State: "the state the client lived in that day", "USPS code";
            Cancellation_Notice_Given: "copies and the notice of cancellation in duplicate were given (15 USC 1679e(b), (c))", "yes, no";
            Electronic_Consent: "consent to electronic records (15 USC 7001(c))", "yes, no";
            Total_Of_Payments: "the total of all payments that the agreement states (15 USC 1679d(b)(1))", "decimal";
            Amount_Currency: "currency of it", "ISO 4217";
            Cancel_Through: "last day on which the client could cancel without penalty", "ISO 8601 date";
            Service_From: "first day on which service could be performed", "ISO 8601 date";
            Cancelled_On: "the day a cancellation in these days was sent", "ISO 8601 date";
            Cancelled_Position: "position of that event", "count from 1";
            First_Work_On: "the first service of the case: a letter to a bureau, or a request to one", "ISO 8601 date";
            First_Work_Position: "position of that event", "count from 1";
        },
    },
    Table {
        name: "payments",
        row: "one event of money on an account",
        columns: columns! {
            Position: "position of the event", "count from 1";
            Transaction_Date: "the day it happened", "ISO 8601 date", ads;
            Transaction_Type: "what happened: the event's type", "code", ads;
            Customer_Account_ID: "the account", "UUID", ads;
            Transaction_ID: "the processor's name for it", "text", ads;
            Payment_ID: "for money going back: the payment it came from", "text";
            Invoice_Number: "the invoice it is about", "count from 1", ads;
            Amount: "how much", "decimal";
            Amount_Currency: "currency of it", "ISO 4217";
            Applied: "what a payment paid", "invoice@amount, blank between";
            Unearned_Amount: "what of a payment no earned fee stands behind", "decimal";
            Attempt: "the try, for a charge; the request, for a refund", "count from 1";
            Reason: "why a charge or a refund failed", "code";
            Next_Date: "the next try of a failed charge, or the last day to answer a chargeback", "ISO 8601 date";
        },
    },
    Table {
        name: "responses_and_clocks",
        row: "one statutory clock of one bureau, and what the bureau answered",
        columns: columns! {
            Case_ID: "the client's case", "UUID";
            Bureau: "the firm's code for the bureau", "code";
            Clock: "which clock", "code";
            Citation: "the provision that sets it", "text";
            Round: "the round, for a letter", "count from 1";
            Item: "the item, for a reinsertion", "code";
            Started_On: "the day it started", "ISO 8601 date";
            Start_Estimated: "whether that day is estimated from the mailing", "yes, no";
            Due_On: "its last day", "ISO 8601 date";
            Done_On: "the day the duty was met", "ISO 8601 date";
            Answer_Positions: "positions of the bureau's answers to the letter", "counts from 1, blank between";
            Outcomes: "what was answered, in the order answered", "item=outcome, blank between";
        },
    },
    Table {
        name: "rounds_and_letters",
        row: "one letter of a round to one bureau",
        columns: columns! {
            Case_ID: "the client's case", "UUID";
            Round: "the round", "count from 1";
            Sent_On: "the day it was sent", "ISO 8601 date";
            Sent_Position: "position of that event", "count from 1";
            Bureau: "the firm's code for the bureau", "code";
            Mail_Class: "how it travelled", "code";
            Tracking: "tracking number", "code";
            Items: "the items disputed", "codes, blank between";
            Letter_Document: "SHA-256 of the letter", "64 hexadecimal digits";
            Contact_Position: "position of the event with the address it carries", "count from 1";
            Delivered_On: "the delivery scan", "ISO 8601 date";
            Delivered_Position: "position of that event", "count from 1";
            Client_Information_On: "the client sent further information (15 USC 1681i(a)(1)(B))", "ISO 8601 date";
            Client_Information_Position: "position of that event", "count from 1";
        },
    },
    Table {
        name: "timeline",
        row: "one event of the bundle, in the order of the log",
        columns: columns! {
            Position: "position in the firm's log", "count from 1";
            Event_ID: "its id", "UUID";
            Stream: "case/UUID, account/UUID or firm", "text";
            Stream_Version: "its place in the stream", "count from 1";
            Event_Type: "what happened", "code";
            Event_Type_Version: "version of the event's form", "count from 1";
            Occurred_On: "the day it happened, where the firm is", "ISO 8601 date";
            Entered_Date: "the day it was recorded, UTC", "ISO 8601 date", ads;
            Entered_Time: "the time it was recorded, UTC", "hh:mm:ss.ffffff", ads;
            Entered_By: "who recorded it", "text", ads;
            Late_Days: "days between the two, if more than 7", "count";
            Request_ID: "the request that recorded it", "UUID";
            Caused_By: "the event of the same request that led to it", "UUID";
            Leaf_Hash: "its leaf in the log's Merkle tree (RFC 9162)", "64 hexadecimal digits";
        },
    },
];

/// Places in [`TABLES`].
pub(crate) mod at {
    pub(crate) const ACCESS: usize = 0;
    pub(crate) const EXPOSURES: usize = 1;
    pub(crate) const FEE_GATES: usize = 2;
    pub(crate) const FEES: usize = 3;
    pub(crate) const INVOICE_LINES: usize = 4;
    pub(crate) const INVOICES: usize = 5;
    pub(crate) const PAPERS: usize = 6;
    pub(crate) const PAYMENTS: usize = 7;
    pub(crate) const RESPONSES_AND_CLOCKS: usize = 8;
    pub(crate) const ROUNDS_AND_LETTERS: usize = 9;
    pub(crate) const TIMELINE: usize = 10;
}

impl Table {
    /// The name of its file in the bundle.
    pub fn file(&self) -> String {
        format!("tables/{}.csv", self.name)
    }

    /// Its first row.
    pub(crate) fn header(&self) -> String {
        let names: Vec<&str> = self.columns.iter().map(|column| column.name).collect();
        names.join(",") + "\r\n"
    }
}

/// The place in [`TABLES`] of the table that has this file.
pub(crate) fn place_of(file: &str) -> Option<usize> {
    let name = file.strip_prefix("tables/")?.strip_suffix(".csv")?;
    TABLES.iter().position(|table| table.name == name)
}

/// `data-dictionary.csv`: every column of every table, explained.
pub fn data_dictionary() -> String {
    let mut out = String::from("Table,Row,Column,Meaning,Unit,Standard,Checked_By\r\n");
    for table in TABLES {
        for column in table.columns {
            let checked = match column.checked {
                Checked::Both => "verify.py and counterfoil verify",
                Checked::Counterfoil => "counterfoil verify",
            };
            crate::csv::Row::begin(&mut out, Format::LAST)
                .text(table.name)
                .text(table.row)
                .text(column.name)
                .text(column.meaning)
                .text(column.unit)
                .text(column.standard)
                .text(checked)
                .end();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_stand_where_the_code_looks_for_them() {
        for (place, name) in [
            (at::EXPOSURES, "exposures"),
            (at::FEE_GATES, "fee_gates"),
            (at::FEES, "fees"),
            (at::INVOICE_LINES, "invoice_lines"),
            (at::INVOICES, "invoices"),
            (at::PAPERS, "papers"),
            (at::PAYMENTS, "payments"),
            (at::RESPONSES_AND_CLOCKS, "responses_and_clocks"),
            (at::ROUNDS_AND_LETTERS, "rounds_and_letters"),
            (at::TIMELINE, "timeline"),
        ] {
            assert_eq!(TABLES[place].name, name);
        }
        assert!(TABLES.is_sorted_by_key(|table| table.name));
    }

    #[test]
    fn tables_are_found_by_their_files() {
        for (place, table) in TABLES.iter().enumerate() {
            assert_eq!(place_of(&table.file()), Some(place));
        }
        assert_eq!(place_of("fees.csv"), None);
        assert_eq!(place_of("tables/fees"), None);
        assert_eq!(place_of("tables/.csv"), None);
    }
}
