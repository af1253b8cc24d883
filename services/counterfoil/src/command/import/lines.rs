//! The lines of a file, none longer than a request may be.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use api::JSON_LINE_BYTES_MAX;
use api::json::JsonError;

/// One line that is not blank.
pub(super) struct Line {
    /// Counted from 1, blank ones too.
    pub(super) number: u64,
    /// How far the file is read, in bytes.
    pub(super) end: u64,
    /// The line without its end, or why it cannot be read.
    pub(super) text: Result<String, JsonError>,
}

/// Reads line by line.
pub(super) struct Lines {
    from: Box<dyn BufRead>,
    number: u64,
    end: u64,
}

impl Lines {
    /// Opens a file, or standard input for `-`, and says how long it is, if that is known.
    pub(super) fn open(path: &Path) -> io::Result<(Self, Option<u64>)> {
        if path == Path::new("-") {
            return Ok((Self::over(Box::new(BufReader::new(io::stdin()))), None));
        }
        let file = File::open(path)?;
        let length = file.metadata()?.len();
        Ok((Self::over(Box::new(BufReader::new(file))), Some(length)))
    }

    fn over(from: Box<dyn BufRead>) -> Self {
        Self { from, number: 0, end: 0 }
    }

    /// The next line that is not blank.
    pub(super) fn next(&mut self) -> io::Result<Option<Line>> {
        loop {
            let mut bytes = Vec::new();
            // One more than may be, to tell a line that is too long.
            let most = u64::try_from(JSON_LINE_BYTES_MAX).unwrap_or(u64::MAX).saturating_add(1);
            let read = self.from.by_ref().take(most).read_until(b'\n', &mut bytes)?;
            if read == 0 {
                return Ok(None);
            }
            self.number += 1;
            self.end += u64::try_from(read).unwrap_or(0);
            let too_long = bytes.len() > JSON_LINE_BYTES_MAX && bytes.last() != Some(&b'\n');
            if too_long {
                self.skip_rest()?;
                return Ok(Some(
                    self.line(Err(fault(format!("must be at most {JSON_LINE_BYTES_MAX} bytes")))),
                ));
            }
            let text = match String::from_utf8(bytes) {
                Ok(text) => text.trim().to_owned(),
                Err(_) => return Ok(Some(self.line(Err(fault("must be UTF-8".to_owned()))))),
            };
            if !text.is_empty() {
                return Ok(Some(self.line(Ok(text))));
            }
        }
    }

    fn line(&self, text: Result<String, JsonError>) -> Line {
        Line { number: self.number, end: self.end, text }
    }

    fn skip_rest(&mut self) -> io::Result<()> {
        loop {
            let buffer = self.from.fill_buf()?;
            if buffer.is_empty() {
                return Ok(());
            }
            let end = buffer.iter().position(|byte| *byte == b'\n');
            let used = end.map_or(buffer.len(), |at| at + 1);
            self.from.consume(used);
            self.end += u64::try_from(used).unwrap_or(0);
            if end.is_some() {
                return Ok(());
            }
        }
    }
}

fn fault(reason: String) -> JsonError {
    JsonError { field: "line".to_owned(), reason }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_numbered_as_an_editor_does_and_bad_ones_stop_nothing() {
        let mut file = b"one\n\n  \r\ntwo\r\n".to_vec();
        file.extend([0xff, b'\n']);
        file.extend(vec![b'x'; JSON_LINE_BYTES_MAX + 5]);
        file.extend(b"\nlast");
        let mut lines = Lines::over(Box::new(io::Cursor::new(file.clone())));
        let mut seen = Vec::new();
        let mut end = 0;
        while let Some(line) = lines.next().unwrap() {
            end = line.end;
            seen.push((line.number, line.text.ok()));
        }
        let text = |text: &str| Some(text.to_owned());
        assert_eq!(
            seen,
            [(1, text("one")), (4, text("two")), (5, None), (6, None), (7, text("last"))]
        );
        assert_eq!(end, u64::try_from(file.len()).unwrap());
    }
}
