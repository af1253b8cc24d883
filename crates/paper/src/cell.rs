//! Tables, their columns, and what stands in a cell.

use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};

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

/// An amount in minor units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Amount {
    /// Minor units.
    pub minor: i64,
    /// Digits of the currency's minor unit (ISO 4217).
    pub digits: u32,
}

impl fmt::Display for Amount {
    /// A decimal number with a point, a minus sign for what is below zero, and no grouping.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = 10_u64.pow(self.digits);
        let size = self.minor.unsigned_abs();
        let sign = if self.minor < 0 { "-" } else { "" };
        write!(f, "{sign}{}", size / unit)?;
        let digits = usize::try_from(self.digits).unwrap_or(0);
        if digits > 0 { write!(f, ".{:0digits$}", size % unit) } else { Ok(()) }
    }
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
    Amount(Amount),
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
    /// As it stands in a CSV file.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => Ok(()),
            Self::Text(text) => f.write_str(text),
            Self::Number(number) => write!(f, "{number}"),
            Self::Amount(amount) => write!(f, "{amount}"),
            Self::Day(day) => write!(f, "{day}"),
            Self::InstantDay(at) => write!(f, "{}", at.format("%Y-%m-%d")),
            Self::InstantTime(at) => write!(f, "{}", at.format("%H:%M:%S")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_written_exactly() {
        let text = |minor, digits| Amount { minor, digits }.to_string();
        assert_eq!(text(-5, 2), "-0.05");
        assert_eq!(text(123_456, 2), "1234.56");
        assert_eq!(text(500, 0), "500");
        assert_eq!(text(-1_001, 3), "-1.001");
        assert_eq!(text(i64::MIN, 2), "-92233720368547758.08");
    }
}
