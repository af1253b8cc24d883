//! Bank lines and payouts in CSV (RFC 4180), by a mapping that the firm declares: every bank and
//! processor names its columns as it likes.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use domain::money::MINOR_MAX;
use serde::Deserialize;

use crate::amount::{digits_of, loose};
use crate::line::{Fault, Hasher, Line, Payout, PayoutLine, PayoutLineKind, Statement};
use crate::{FILE_BYTES_MAX, LINES_MAX, REFERENCES_MAX};

/// What every table has.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Form {
    /// The character between columns.
    #[serde(default = "comma")]
    pub delimiter: char,
    /// The character before the minor units.
    #[serde(default = "point")]
    pub decimal_mark: char,
    /// How days are written, in `strftime` terms: `%m/%d/%Y`.
    pub date_format: String,
    /// ISO 4217.
    #[serde(default = "dollars")]
    pub currency: String,
    /// Lines before the one with the titles of the columns.
    #[serde(default)]
    pub skip_lines: usize,
}

fn comma() -> char {
    ','
}

fn point() -> char {
    '.'
}

fn dollars() -> String {
    "USD".into()
}

/// The columns of a bank's table. Either one column of amounts, or one of credits and one of debits.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BankMapping {
    /// What every table has.
    pub form: Form,
    /// The column of the booking day.
    pub booked_on: String,
    /// The column of the value day.
    pub value_on: Option<String>,
    /// The column of amounts, below zero for what went out.
    pub amount: Option<String>,
    /// The column of what came in.
    pub credit: Option<String>,
    /// The column of what went out.
    pub debit: Option<String>,
    /// The columns of references.
    #[serde(default)]
    pub references: Vec<String>,
    /// The column of the reason of a return.
    pub return_reason: Option<String>,
}

/// The columns of a processor's table: a row for each movement.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PayoutMapping {
    /// What every table has.
    pub form: Form,
    /// The column of the payout's name.
    pub payout: String,
    /// The column of the day of the payout.
    pub paid_on: String,
    /// The column of the movement's name.
    pub name: String,
    /// The column of what a row is.
    pub kind: String,
    /// What each word in that column means.
    pub kinds: BTreeMap<String, PayoutLineKind>,
    /// The column of amounts before costs: below zero what went back.
    pub amount: String,
    /// The column of what the processor keeps of a row.
    pub costs: Option<String>,
}

/// A table being read.
struct Table<'a> {
    form: &'a Form,
    digits: usize,
    titles: HashMap<String, usize>,
    rows: Vec<(u64, csv::StringRecord)>,
}

impl<'a> Table<'a> {
    fn read(bytes: &[u8], form: &'a Form) -> Result<Self, Fault> {
        if bytes.len() > FILE_BYTES_MAX {
            return Err(Fault::of_file(format!("must be at most {} MiB", FILE_BYTES_MAX >> 20)));
        }
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let text = std::str::from_utf8(bytes).map_err(|_| Fault::of_file("must be UTF-8"))?;
        let mut start = 0;
        for _ in 0..form.skip_lines {
            let end = text[start..].find('\n');
            start += end.ok_or_else(|| Fault::of_file("ends before its titles"))? + 1;
        }
        let delimiter = u8::try_from(form.delimiter)
            .map_err(|_| Fault::of_file("has a mapping whose delimiter is not ASCII"))?;
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(false)
            .from_reader(&text.as_bytes()[start..]);
        let skipped = u64::try_from(form.skip_lines).unwrap_or(u64::MAX);
        let mut titles = HashMap::new();
        let found = reader.headers().map_err(|e| unreadable(&e, skipped))?;
        for (at, title) in found.iter().enumerate() {
            if titles.insert(title.trim().to_owned(), at).is_some() {
                let rule = "stands over two columns";
                return Err(Fault { at: None, place: title.trim().into(), rule: rule.into() });
            }
        }
        let mut rows = Vec::new();
        for row in reader.records() {
            let row = row.map_err(|e| unreadable(&e, skipped))?;
            let line = row.position().map_or(0, csv::Position::line) + skipped;
            if row.iter().all(|cell| cell.trim().is_empty()) {
                continue;
            }
            if rows.len() >= LINES_MAX {
                return Err(Fault::of_file(format!("must have at most {LINES_MAX} rows")));
            }
            rows.push((line, row));
        }
        let digits = digits_of(&form.currency)
            .ok_or_else(|| Fault::of_file("has a mapping whose currency is not of ISO 4217"))?;
        Ok(Self { form, digits, titles, rows })
    }

    /// Where a column stands.
    fn column(&self, title: &str) -> Result<usize, Fault> {
        self.titles.get(title).copied().ok_or_else(|| Fault {
            at: None,
            place: title.to_owned(),
            rule: "is a column that the mapping names and the file does not have".into(),
        })
    }

    fn optional(&self, title: Option<&String>) -> Result<Option<usize>, Fault> {
        title.map(|title| self.column(title)).transpose()
    }

    fn fault(&self, line: u64, column: usize, rule: &str) -> Fault {
        let title = self.titles.iter().find(|(_, at)| **at == column);
        let place = title.map(|(title, _)| title.clone()).unwrap_or_default();
        Fault { at: Some(line), place, rule: rule.to_owned() }
    }

    fn day(&self, (line, row): (u64, &csv::StringRecord), at: usize) -> Result<NaiveDate, Fault> {
        let text = cell(row, at);
        let day = NaiveDate::parse_from_str(text, &self.form.date_format);
        let rule = format!("must be a day written as {}", self.form.date_format);
        day.map_err(|_| self.fault(line, at, &rule))
    }

    fn amount(&self, (line, row): (u64, &csv::StringRecord), at: usize) -> Result<i64, Fault> {
        let amount = loose(cell(row, at), self.form.decimal_mark, self.digits);
        amount.ok_or_else(|| {
            let rule = format!("must be an amount of at most {MINOR_MAX} whole minor units");
            self.fault(line, at, &rule)
        })
    }

    fn amount_if_any(
        &self,
        row: (u64, &csv::StringRecord),
        at: Option<usize>,
    ) -> Result<Option<i64>, Fault> {
        match at.filter(|at| !cell(row.1, *at).is_empty()) {
            Some(at) => self.amount(row, at).map(Some),
            None => Ok(None),
        }
    }
}

fn cell(row: &csv::StringRecord, at: usize) -> &str {
    row.get(at).unwrap_or_default().trim()
}

fn unreadable(error: &csv::Error, skipped: u64) -> Fault {
    let at = error.position().map(|position| position.line() + skipped);
    let rule = match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("has {len} columns where the titles have {expected_len}")
        }
        _ => "is not a row of CSV".to_owned(),
    };
    Fault { at, place: String::new(), rule }
}

/// Reads a bank's table as a statement of an account, which the table itself does not name.
///
/// # Errors
/// [`Fault`] names the line, the column and the rule; nothing of the file is taken then.
pub fn bank(bytes: &[u8], account: &str, mapping: &BankMapping) -> Result<Statement, Fault> {
    let table = Table::read(bytes, &mapping.form)?;
    let booked_on = table.column(&mapping.booked_on)?;
    let value_on = table.optional(mapping.value_on.as_ref())?;
    let amount = table.optional(mapping.amount.as_ref())?;
    let credit = table.optional(mapping.credit.as_ref())?;
    let debit = table.optional(mapping.debit.as_ref())?;
    let reason = table.optional(mapping.return_reason.as_ref())?;
    if amount.is_some() == (credit.is_some() || debit.is_some()) {
        let rule = "has a mapping that must name either amount, or credit and debit";
        return Err(Fault::of_file(rule));
    }
    let references: Vec<usize> =
        mapping.references.iter().map(|title| table.column(title)).collect::<Result<_, _>>()?;
    let mut hasher = Hasher::default();
    let mut lines = Vec::with_capacity(table.rows.len());
    for (at, row) in &table.rows {
        let row = (*at, row);
        let amount_minor = match amount {
            Some(column) => table.amount(row, column)?,
            None => signed(&table, row, (credit, debit))?,
        };
        let day = |column: usize| table.day(row, column);
        let mut line = Line {
            amount_minor,
            booked_on: day(booked_on)?,
            value_on: value_on.filter(|at| !cell(row.1, *at).is_empty()).map(day).transpose()?,
            references: Vec::new(),
            return_reason: reason
                .map(|at| cell(row.1, at).to_owned())
                .filter(|text| !text.is_empty()),
            hash: [0; 32],
        };
        for reference in references.iter().map(|at| cell(row.1, *at)) {
            let known = line.references.iter().any(|known| known == reference);
            if !reference.is_empty() && !known && line.references.len() < REFERENCES_MAX {
                line.references.push(reference.to_owned());
            }
        }
        line.hash = hasher.hash(account, &line);
        lines.push(line);
    }
    let currency = mapping.form.currency.clone();
    let statement = Statement {
        account: account.to_owned(),
        currency,
        lines,
        pending: 0,
        from: None,
        through: None,
        opening_minor: None,
        closing_minor: None,
    };
    Ok(statement.dated())
}

/// What came in less what went out; one of the two is there. Banks write what went out with a minus
/// sign or without.
fn signed(
    table: &Table<'_>,
    row: (u64, &csv::StringRecord),
    (credit, debit): (Option<usize>, Option<usize>),
) -> Result<i64, Fault> {
    let came = table.amount_if_any(row, credit)?.filter(|minor| *minor != 0);
    let went = table.amount_if_any(row, debit)?.filter(|minor| *minor != 0);
    match (came, went) {
        (Some(came), None) => Ok(came),
        (None, Some(went)) => Ok(-went.abs()),
        (Some(_), Some(_)) | (None, None) => {
            let rule = "must have an amount in one of the columns of credits and debits";
            Err(Fault { at: Some(row.0), place: String::new(), rule: rule.into() })
        }
    }
}

/// Reads a processor's table. Rows of one payout may stand anywhere in it.
///
/// # Errors
/// As for [`bank`].
pub fn payouts(bytes: &[u8], mapping: &PayoutMapping) -> Result<Vec<Payout>, Fault> {
    let table = Table::read(bytes, &mapping.form)?;
    let payout = table.column(&mapping.payout)?;
    let paid_on = table.column(&mapping.paid_on)?;
    let name = table.column(&mapping.name)?;
    let kind = table.column(&mapping.kind)?;
    let amount = table.column(&mapping.amount)?;
    let costs = table.optional(mapping.costs.as_ref())?;
    let mut found: BTreeMap<String, Payout> = BTreeMap::new();
    for (at, cells) in &table.rows {
        let row = (*at, cells);
        let said = cell(cells, payout);
        if said.is_empty() {
            return Err(table.fault(*at, payout, "must name the payout"));
        }
        let day = table.day(row, paid_on)?;
        let entry = found.entry(said.to_owned()).or_insert_with(|| Payout {
            name: said.to_owned(),
            paid_on: day,
            lines: Vec::new(),
            costs_minor: 0,
        });
        if entry.paid_on != day {
            return Err(table.fault(*at, paid_on, "must be the day of the payout's other rows"));
        }
        let Some(&kind) = mapping.kinds.get(cell(cells, kind)) else {
            return Err(table.fault(*at, kind, "must be a word that the mapping knows"));
        };
        let amount_minor = table.amount(row, amount)?;
        entry.costs_minor += table.amount_if_any(row, costs)?.unwrap_or(0);
        if kind == PayoutLineKind::Costs {
            entry.costs_minor -= amount_minor;
            continue;
        }
        let name_of = cell(cells, name);
        if name_of.is_empty() {
            return Err(table.fault(*at, name, "must name the movement"));
        }
        let goes_back = matches!(kind, PayoutLineKind::Refund | PayoutLineKind::Chargeback);
        if amount_minor == 0 || goes_back != (amount_minor < 0) {
            let rule = "must be above zero for what came in and below for what went back";
            return Err(table.fault(*at, amount, rule));
        }
        entry.lines.push(PayoutLine { kind, name: name_of.to_owned(), amount_minor });
    }
    Ok(found.into_values().collect())
}
