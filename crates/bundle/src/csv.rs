//! Comma-separated values as RFC 4180 has them: CRLF after every row, quotes only where needed.

use std::fmt::{Display, Write as _};

/// Writes one row at the end of a table.
pub(crate) struct Row<'a> {
    out: &'a mut String,
    started: bool,
}

impl<'a> Row<'a> {
    /// Begins a row.
    pub(crate) fn begin(out: &'a mut String) -> Self {
        Self { out, started: false }
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
        if !text.bytes().any(|byte| matches!(byte, b',' | b'"' | b'\r' | b'\n')) {
            self.out.push_str(text);
            return self;
        }
        self.out.push('"');
        for part in text.split_inclusive('"') {
            self.out.push_str(part);
            if part.ends_with('"') {
                self.out.push('"');
            }
        }
        self.out.push('"');
        self
    }

    /// A field whose text never needs quotes: a number, a date, a code, an id.
    pub(crate) fn plain(mut self, value: impl Display) -> Self {
        self.separate();
        // Writing to a String cannot fail.
        let _ = write!(self.out, "{value}");
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
        Row::begin(&mut out).text("aaa").text("bbb").text("ccc").end();
        Row::begin(&mut out).text("aaa").text("b\r\nbb").text("ccc").end();
        Row::begin(&mut out).text("aaa").text("b\"bb").text("").end();
        assert_eq!(out, "aaa,bbb,ccc\r\naaa,\"b\r\nbb\",ccc\r\naaa,\"b\"\"bb\",\r\n");
    }

    #[test]
    fn numbers_are_written_as_their_display() {
        for number in [0, 7, 10, 1_234_567_890, u64::MAX] {
            let mut out = String::new();
            Row::begin(&mut out).number(number).end();
            assert_eq!(out, format!("{number}\r\n"));
        }
    }

    #[test]
    fn a_list_has_blanks_between() {
        assert_eq!(list([1, 22, 3]), "1 22 3");
        assert_eq!(list(Vec::<u8>::new()), "");
    }
}
