//! Fees of a bundle of an earlier edition of the rules: what the events alone say of them.
//!
//! How that edition judged is not made again here. Nothing is written of periods that it held or would have
//! let be claimed, and of one that was given up only that it was.

use std::collections::BTreeMap;

use super::fees::{Fee, check};
use super::{Rows, Told};
use crate::csv::Row;
use crate::tables::at;

/// Columns of a period that was given up that only its judgement fills: from the first day to the day it was
/// judged on, its status between, and from its account to its packs.
const JUDGED_BEFORE: usize = 2;
const JUDGED_BETWEEN: usize = 3;
const JUDGED_AFTER: usize = 5;

/// Adds the fees that were claimed and the periods that were given up, by their numbers as told.
pub(super) fn rows(told: &Told<'_>, rows: &mut Rows) {
    let mut settled = BTreeMap::new();
    for earned in &told.earned {
        check(told, earned, rows);
        settled.insert(earned.fee.period, Some(earned));
    }
    for note in &told.case.given_up {
        settled.entry(note.period).or_insert(None);
    }
    let invoices = invoices(told);
    for (period, earned) in settled {
        if let Some(earned) = earned {
            let invoice = invoices.get(&period).copied();
            Fee::claimed(earned.recorded, earned.fee, invoice).write(told, rows);
            continue;
        }
        let Some(note) = told.case.given_up.iter().find(|note| note.period == period) else {
            continue;
        };
        let empty = |row, columns: usize| (0..columns).fold(row, |row: Row<'_>, _| row.empty());
        let out = &mut rows.tables[at::FEES];
        let row = Row::begin(out, rows.format).plain(told.id).plain(period);
        let row = empty(row, JUDGED_BEFORE).plain("given_up");
        let mark = &note.moment.mark;
        let row = empty(row, JUDGED_BETWEEN).plain(mark.on).plain(mark.at.position);
        empty(row, JUDGED_AFTER).end();
    }
}

/// The invoices that this case's fees stand on, by the number of the period.
fn invoices(told: &Told<'_>) -> BTreeMap<u32, u64> {
    let mut numbers = BTreeMap::new();
    for account in told.accounts.values() {
        for (number, invoice) in account.invoices.iter() {
            for line in invoice.lines.iter().filter(|line| line.case == told.id) {
                numbers.insert(line.period, *number);
            }
        }
    }
    numbers
}
