//! Comma-separated values as RFC 4180 has them: CRLF after every row, quotes only where needed.

use std::borrow::Cow;
use std::fmt::{Display, Write as _};

use domain::text::{guarded, shown};

use crate::manifest::Format;

/// Writes one row at the end of a table.
pub(crate) struct Row<'a> {
    out: &'a mut String,
    format: Format,
    started: bool,
}

impl<'a> Row<'a> {
    /// Begins a row.
    pub(crate) fn begin(out: &'a mut String, format: Format) -> Self {
        Self { out, format, started: false }
    }

    fn separate(&mut self) {
        if self.started {
            self.out.push(',');
        }
        self.started = true;
    }

    /// A field of any text. Quoted only if it holds a comma, a quote or a line break (RFC 4180
    /// section 2, rules 6 and 7), so that every row has one spelling.
    pub(crate) fn text(mut self, text: &str) -> Self {
        self.separate();
        if self.format.guards_text() {
            self.quoted(&cell(text));
        } else {
            self.quoted(text);
        }
        self
    }

    fn quoted(&mut self, text: &str) {
        if !text.bytes().any(|byte| matches!(byte, b',' | b'"' | b'\r' | b'\n')) {
            self.out.push_str(text);
            return;
        }
        self.out.push('"');
        for part in text.split_inclusive('"') {
            self.out.push_str(part);
            if part.ends_with('"') {
                self.out.push('"');
            }
        }
        self.out.push('"');
    }

    /// A field whose text needs no quotes where the ledger wrote it: a number, a date, a code, an id.
    pub(crate) fn plain(mut self, value: impl Display) -> Self {
        self.separate();
        let start = self.out.len();
        // Writing to a String cannot fail.
        let _ = write!(self.out, "{value}");
        let written = &self.out.as_bytes()[start..];
        let is_word = |byte: &u8| byte.is_ascii_alphanumeric() || b" ._:@-".contains(byte);
        let is_harmless =
            written.first().is_none_or(u8::is_ascii_alphanumeric) && written.iter().all(is_word);
        if self.format.guards_text() && !is_harmless {
            let written = self.out.split_off(start);
            self.quoted(&cell(&written));
        }
        self
    }

    /// A number, faster than through its `Display`: the timeline has several an event.
    pub(crate) fn number(mut self, value: u64) -> Self {
        self.separate();
        let mut digits = [0; 20];
        let (mut at, mut left) = (digits.len(), value);
        loop {
            at -= 1;
            digits[at] = b'0' + u8::try_from(left % 10).unwrap_or(0);
            left /= 10;
            if left == 0 {
                break;
            }
        }
        self.out.push_str(std::str::from_utf8(&digits[at..]).unwrap_or(""));
        self
    }

    /// The same, empty if there is nothing.
    pub(crate) fn maybe(self, value: Option<impl Display>) -> Self {
        match value {
            Some(value) => self.plain(value),
            None => self.empty(),
        }
    }

    /// An empty field.
    pub(crate) fn empty(mut self) -> Self {
        self.separate();
        self
    }

    /// `yes` or `no`.
    pub(crate) fn yes_or_no(self, value: bool) -> Self {
        self.plain(if value { "yes" } else { "no" })
    }

    /// Ends the row.
    pub(crate) fn end(self) {
        self.out.push_str("\r\n");
    }
}

/// Text as it stands in a cell: it hides nothing, and no spreadsheet calculates it. A number is no text.
fn cell(text: &str) -> Cow<'_, str> {
    if is_number(text) {
        return Cow::Borrowed(text);
    }
    match shown(text) {
        Cow::Borrowed(text) => guarded(text),
        Cow::Owned(text) => guarded(&text).into_owned().into(),
    }
}

/// Whether it is digits, perhaps with a minus before them and a point among them.
fn is_number(text: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let text = text.strip_prefix('-').unwrap_or(text);
    match text.split_once('.') {
        Some((whole, part)) => digits(whole) && digits(part),
        None => digits(text),
    }
}

/// Values in one field, with a blank between them.
pub(crate) fn list(values: impl IntoIterator<Item = impl Display>) -> String {
    let mut text = String::new();
    for value in values {
        if !text.is_empty() {
            text.push(' ');
        }
        let _ = write!(text, "{value}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_as_rfc_4180_says() {
        // RFC 4180 section 2: the examples of rules 5, 6 and 7 (from memory).
        let mut out = String::new();
        Row::begin(&mut out, Format::V2).text("aaa").text("bbb").text("ccc").end();
        Row::begin(&mut out, Format::V2).text("aaa").text("b\r\nbb").text("ccc").end();
        Row::begin(&mut out, Format::V2).text("aaa").text("b\"bb").text("").end();
        assert_eq!(out, "aaa,bbb,ccc\r\naaa,\"b\r\nbb\",ccc\r\naaa,\"b\"\"bb\",\r\n");
    }

    #[test]
    fn a_cell_deceives_nobody_and_numbers_stay_numbers() {
        // OWASP, "CSV Injection"; Unicode Standard Annex 9 section 2.
        let written = |text: &str, format| {
            let mut out = String::new();
            Row::begin(&mut out, format).text(text).plain(text).end();
            out
        };
        for (text, field) in [
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("-cmd", "'-cmd"),
            ("'=1", "''=1"),
            ("desk\u{202e}x", "desk\u{fffd}x"),
            ("a\nb", "a\u{fffd}b"),
            ("-12.50", "-12.50"),
            ("7", "7"),
            ("2025-10-08", "2025-10-08"),
            ("12 7@9", "12 7@9"),
        ] {
            assert_eq!(written(text, Format::LAST), format!("{field},{field}\r\n"), "{text:?}");
        }
        assert_eq!(written("=1+1", Format::V2), "=1+1,=1+1\r\n");
        assert_eq!(written("a\u{202e}b", Format::V2), "a\u{202e}b,a\u{202e}b\r\n");
    }

    #[test]
    fn numbers_are_written_as_their_display() {
        for number in [0, 7, 10, 1_234_567_890, u64::MAX] {
            let mut out = String::new();
            Row::begin(&mut out, Format::LAST).number(number).end();
            assert_eq!(out, format!("{number}\r\n"));
        }
    }

    #[test]
    fn a_list_has_blanks_between() {
        assert_eq!(list([1, 22, 3]), "1 22 3");
        assert_eq!(list(Vec::<u8>::new()), "");
    }
}
