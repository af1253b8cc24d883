//! Where two texts part.

use std::io::{self, Read};

use super::earlier::{LeftOut, Lines};
use crate::tables::Table;

/// Most bytes of a value that a finding repeats.
const SHOWN_BYTES_MAX: usize = 80;

/// The first line, counted from 1, in which two texts differ.
pub(super) fn first_line(expected: &[u8], found: &[u8]) -> u64 {
    let same = expected.iter().zip(found).take_while(|(a, b)| a == b).count();
    let newlines = expected[..same].split(|byte| *byte == b'\n').count() - 1;
    u64::try_from(newlines).unwrap_or(u64::MAX).saturating_add(1)
}

/// A line of each text, where they differ, and its number in the one that was found; nothing where one has ended.
type Parting = (u64, Option<Vec<u8>>, Option<Vec<u8>>);

fn part(expected: impl Read, mut found: Lines<impl Read>) -> io::Result<Parting> {
    let mut expected = Lines::of(LeftOut::Nothing, expected);
    loop {
        let (a, b) = (expected.next()?.map(|(_, line)| line), found.next()?.map(|(_, line)| line));
        if a != b || a.is_none() {
            return Ok((found.row(), a, b));
        }
    }
}

/// The first line in which two files differ.
pub(super) fn line_of(expected: impl Read, found: Lines<impl Read>) -> io::Result<u64> {
    Ok(part(expected, found)?.0)
}

/// The first row in which two tables differ, and how.
pub(super) fn in_table(
    table: &Table,
    expected: impl Read,
    found: Lines<impl Read>,
) -> io::Result<(u64, String)> {
    let (row, expected, found) = part(expected, found)?;
    let what = match (expected, found) {
        (Some(expected), Some(found)) => in_row(table, &expected, &found),
        (Some(_), None) => "rows are missing from here on".to_owned(),
        (None, _) => "there are more rows than the events make".to_owned(),
    };
    Ok((row, what))
}

fn in_row(table: &Table, expected: &[u8], found: &[u8]) -> String {
    let unknown = "the row is not what the events make".to_owned();
    let (Ok(expected), Ok(found)) = (std::str::from_utf8(expected), std::str::from_utf8(found))
    else {
        return unknown;
    };
    let (expected, found) = (fields(expected), fields(found));
    let mut columns = table.columns.iter().zip(expected.iter().zip(&found));
    match columns.find(|(_, (expected, found))| expected != found) {
        Some((column, (expected, found))) if expected.len().max(found.len()) <= SHOWN_BYTES_MAX => {
            format!("{} is {found:?}; the events make it {expected:?}", column.name)
        }
        Some((column, _)) => format!("{} is not what the events make", column.name),
        None => unknown,
    }
}

/// The fields of one line. A field that spans lines is cut where the line is.
fn fields(line: &str) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    for character in line.trim_end_matches(['\r', '\n']).chars() {
        match character {
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            other => {
                if let Some(field) = fields.last_mut() {
                    field.push(other);
                }
            }
        }
    }
    fields
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::TABLES;

    #[test]
    fn the_first_difference_is_named() {
        let table = &TABLES[crate::tables::at::INVOICE_LINES];
        let expected = "a\r\n1,1,c,2,s,e,119.00,USD\r\n";
        let found = "a\r\n1,1,c,2,s,e,118.00,USD\r\n";
        let held = |found: &str| {
            let found = Lines::of(LeftOut::Nothing, found.as_bytes());
            in_table(table, expected.as_bytes(), found).unwrap()
        };
        let (row, what) = held(found);
        assert_eq!(row, 2);
        assert_eq!(what, "Invoice_Line_Amount is \"118.00\"; the events make it \"119.00\"");
        let (row, what) = held(&expected[..3]);
        assert_eq!((row, what.as_str()), (2, "rows are missing from here on"));
        assert_eq!(first_line(b"a\nb\n", b"a\nc\n"), 2);
    }
}
