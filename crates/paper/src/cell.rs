//! Tables, their columns, and what stands in a cell.

use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};
use domain::money::Money;
use domain::text::guarded;

/// A column of a table.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its title.
    pub title: &'static str,
    /// What it means, for the data dictionary.
    pub means: &'static str,
}

/// A table of the package.
#[derive(Clone, Copy, Debug)]
pub struct Table {
    /// Its name: that of the file without its ending, and of the sheet.
    pub name: &'static str,
    /// What it holds.
    pub means: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
}

/// What stands in a cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// Text.
    Text(String),
    /// A whole number.
    Number(i64),
    /// An amount.
    Amount(Money),
    /// A civil date.
    Day(NaiveDate),
    /// The day of an instant, UTC.
    InstantDay(DateTime<Utc>),
    /// Its time of day, UTC.
    InstantTime(DateTime<Utc>),
}

impl Cell {
    /// Text; nothing if it is empty.
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        if text.is_empty() { Self::Empty } else { Self::Text(text) }
    }
}

impl fmt::Display for Cell {
    /// As it stands in a CSV file: text is guarded against being calculated.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => Ok(()),
            Self::Text(text) => f.write_str(&guarded(text)),
            Self::Number(number) => write!(f, "{number}"),
            Self::Amount(amount) => write!(f, "{}", amount.decimal()),
            Self::Day(day) => write!(f, "{day}"),
            Self::InstantDay(at) => write!(f, "{}", at.format("%Y-%m-%d")),
            Self::InstantTime(at) => write!(f, "{}", at.format("%H:%M:%S")),
        }
    }
}
