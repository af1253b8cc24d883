//! What of a bundle of an earlier edition of the rules is compared: everything that the events alone make.
//!
//! That edition judged fees by rules that are not kept. Its verdicts are left out line by line, of what is found
//! as of what is expected, and a remark says so.

use std::io::{self, BufRead, BufReader, Read};

use crate::derive::report::{CHARGED, EXPOSED, FIRST_WORK};
use crate::manifest::Format;
use crate::spool::{Digest, Digester};
use crate::tables::{TABLES, at};

/// Most bytes of a line that is compared: beyond that it is cut.
const LINE_BYTES_MAX: u64 = 1 << 20;

/// What is left out of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum LeftOut {
    /// Nothing.
    Nothing,
    /// All of it: what gates said, and clocks, which went by the order of telling.
    Everything,
    /// Periods that were not settled, and of those given up all but that they were.
    OpenPeriods,
    /// Whether an exposure stood.
    Stands,
    /// Sections and a sentence of a page.
    Sections,
}

impl LeftOut {
    /// Of a derived file of a bundle of a format.
    pub(super) fn of(format: Format, name: &str) -> Self {
        if format.judges_fees() {
            return Self::Nothing;
        }
        let is = |place: usize| TABLES[place].file() == name;
        match name {
            _ if is(at::FEE_GATES) || is(at::RESPONSES_AND_CLOCKS) => Self::Everything,
            _ if is(at::FEES) => Self::OpenPeriods,
            _ if is(at::EXPOSURES) => Self::Stands,
            _ if name.starts_with("report/") => Self::Sections,
            _ => Self::Nothing,
        }
    }

    /// A line as it is compared; nothing if it is left out.
    fn line(self, line: Vec<u8>, is_skipping: &mut bool) -> Option<Vec<u8>> {
        match self {
            Self::Nothing => Some(line),
            Self::Everything => None,
            Self::OpenPeriods => settled(line),
            Self::Stands => Some(without_verdict(line)),
            Self::Sections => {
                let is_heading = line.starts_with(b"<h2>");
                if is_heading || line.starts_with(b"<footer>") {
                    let is = |of: &str| line == format!("<h2>{of}</h2>\n").as_bytes();
                    *is_skipping = is(CHARGED) || is(EXPOSED);
                    return Some(line);
                }
                let first_work = format!("<p>{FIRST_WORK}");
                let is_judged = *is_skipping || line.starts_with(first_work.as_bytes());
                (!is_judged).then_some(line)
            }
        }
    }

    /// The digest of what is compared of a file.
    pub(super) fn digest(self, found: impl Read) -> io::Result<Digest> {
        let mut lines = Lines::of(self, found);
        let mut digester = Digester::default();
        while let Some((_, line)) = lines.next()? {
            digester.take(&line);
        }
        Ok(digester.finish())
    }
}

/// A row of fees. What is neither open nor given up is compared as it stands.
fn settled(line: Vec<u8>) -> Option<Vec<u8>> {
    const STATUS: usize = 4;
    /// The case, the period, the status, and the day and position of the event that says so.
    const OF_GIVEN_UP: [usize; 5] = [0, 1, STATUS, 8, 9];
    let row = line.strip_suffix(b"\r\n").unwrap_or(&line);
    let fields: Vec<&[u8]> = row.split(|byte| *byte == b',').collect();
    match fields.get(STATUS) {
        Some(&b"held" | &b"claimable") => None,
        Some(&b"given_up") => {
            let kept = fields.iter().enumerate();
            let kept = kept.map(|(at, field)| if OF_GIVEN_UP.contains(&at) { *field } else { b"" });
            Some([kept.collect::<Vec<_>>().join(&b','), b"\r\n".to_vec()].concat())
        }
        Some(_) | None => Some(line),
    }
}

/// A row without its last field, if that is a verdict.
fn without_verdict(line: Vec<u8>) -> Vec<u8> {
    let without = [&b",yes\r\n"[..], b",no\r\n"].iter().find_map(|end| line.strip_suffix(*end));
    without.map(|row| [row, b",\r\n"].concat()).unwrap_or(line)
}

/// The lines of a file that are compared, each with its number in the file.
pub(super) struct Lines<R> {
    from: BufReader<R>,
    row: u64,
    left_out: LeftOut,
    is_skipping: bool,
}

impl<R: Read> Lines<R> {
    pub(super) fn of(left_out: LeftOut, from: R) -> Self {
        Self { from: BufReader::new(from), row: 0, left_out, is_skipping: false }
    }

    pub(super) fn next(&mut self) -> io::Result<Option<(u64, Vec<u8>)>> {
        loop {
            let mut line = Vec::new();
            let read = (&mut self.from).take(LINE_BYTES_MAX).read_until(b'\n', &mut line)?;
            self.row += 1;
            if read == 0 {
                return Ok(None);
            }
            if let Some(line) = self.left_out.line(line, &mut self.is_skipping) {
                return Ok(Some((self.row, line)));
            }
        }
    }

    /// The number of the line that was read last.
    pub(super) fn row(&self) -> u64 {
        self.row
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn compared(left_out: LeftOut, text: &str) -> Vec<(u64, String)> {
        let mut lines = Lines::of(left_out, text.as_bytes());
        let mut all = Vec::new();
        while let Some((row, line)) = lines.next().unwrap() {
            all.push((row, String::from_utf8(line).unwrap()));
        }
        all
    }

    #[test]
    fn only_verdicts_are_left_out() {
        let fees = "h,h,h,h,Status\r\nc,1,s,e,earned,9,U,a,o,7,x\r\nc,2,s,e,held,9,U,a,,,x\r\n\
                    c,3,s,e,given_up,9,U,a,o,8,x\r\nc,4,s,e,blessed,9,U,a,,,x\r\n";
        assert_eq!(
            compared(LeftOut::OpenPeriods, fees),
            [
                (1, "h,h,h,h,Status\r\n".to_owned()),
                (2, "c,1,s,e,earned,9,U,a,o,7,x\r\n".to_owned()),
                (4, "c,3,,,given_up,,,,o,8,\r\n".to_owned()),
                (5, "c,4,s,e,blessed,9,U,a,,,x\r\n".to_owned()),
            ]
        );
        assert_eq!(
            compared(LeftOut::Stands, "1,a,yes\r\n2,b,maybe\r\n"),
            [(1, "1,a,\r\n".to_owned()), (2, "2,b,maybe\r\n".to_owned())]
        );
        assert_eq!(compared(LeftOut::Everything, "a\r\nb\r\n"), []);
        let page = format!(
            "<h2>Who</h2>\na\n<p>{FIRST_WORK}a Monday</p>\n<h2>{CHARGED}</h2>\nb\n<h2>Invoices</h2>\nc\n"
        );
        let lines: Vec<u64> =
            compared(LeftOut::Sections, &page).into_iter().map(|(row, _)| row).collect();
        assert_eq!(lines, [1, 2, 4, 6, 7]);
    }
}
