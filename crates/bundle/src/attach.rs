//! Documents that go along with a bundle, and an archive that leaves room for them.
//!
//! A document is opened when its turn comes and is never put down: the archive is written with a gap
//! where its bytes belong, and whoever sends the archive opens it once more for the gap. So nothing of
//! it lies unsealed in the temporary file that the archive is made in, and one is held at a time.

use std::cell::Cell;
use std::io::{self, Seek, SeekFrom, Write};
use std::rc::Rc;

use domain::ids::{CaseId, DocumentHash};
use sha2::{Digest as _, Sha256};

use crate::spool::Digest;

/// A document of a case.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Document {
    /// The case whose event names it.
    pub case: CaseId,
    /// SHA-256 of its bytes.
    pub hash: DocumentHash,
    /// How many bytes it has.
    pub bytes: u64,
}

impl Document {
    pub(crate) fn digest(&self) -> Digest {
        Digest { bytes: self.bytes, sha256: self.hash.0 }
    }

    /// Whether these are its bytes.
    pub fn is(&self, bytes: &[u8]) -> bool {
        u64::try_from(bytes.len()) == Ok(self.bytes)
            && <[u8; 32]>::from(Sha256::digest(bytes)) == self.hash.0
    }
}

/// What opens a document, whole.
pub type Open<'a> = dyn FnMut(&Document) -> io::Result<Vec<u8>> + 'a;

/// The documents of a bundle, and how they are opened.
pub struct Documents<'a> {
    pub(crate) list: Vec<Document>,
    pub(crate) open: &'a mut Open<'a>,
}

impl<'a> Documents<'a> {
    /// These, each once.
    pub fn new(mut list: Vec<Document>, open: &'a mut Open<'a>) -> Self {
        list.sort_unstable();
        list.dedup();
        Self { list, open }
    }
}

/// Where a document belongs in an archive that was written with gaps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// How many bytes of what was written come before it, counted without gaps.
    pub after: u64,
    /// The document.
    pub document: Document,
}

/// What becomes of what is written now.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
pub(crate) enum Fate {
    #[default]
    Kept,
    /// It is left out, and counted all the same.
    LeftOut,
    /// The archive was given up: the library ends one in any case, and this keeps it from the file.
    Dropped,
}

/// What becomes of what is written, as whoever writes has it.
#[derive(Clone, Default)]
pub(crate) struct Leaving(Rc<Cell<Fate>>);

impl Leaving {
    pub(crate) fn set(&self, fate: Fate) {
        self.0.set(fate);
    }

    pub(crate) fn is_dropped(&self) -> bool {
        self.0.get() == Fate::Dropped
    }
}

/// A writer that leaves out what is written while it is told to, and counts it all the same.
pub(crate) struct Gapped<W> {
    inner: W,
    leaving: Leaving,
    /// Where the next byte goes, counted with what was left out.
    at: u64,
    /// Runs that were left out: where each begins, counted with what was left out, and its length.
    left_out: Vec<(u64, u64)>,
}

impl<W: Write + Seek> Gapped<W> {
    pub(crate) fn new(inner: W, leaving: Leaving) -> Self {
        Self { inner, leaving, at: 0, left_out: Vec::new() }
    }

    pub(crate) fn into_inner(self) -> W {
        self.inner
    }

    /// What was left out before a place.
    fn missing_before(&self, at: u64) -> u64 {
        let before = self.left_out.iter().take_while(|(start, _)| *start < at);
        before.map(|(_, length)| length).sum()
    }

    /// Where each run belongs, counted without any.
    pub(crate) fn gaps(&self) -> Vec<u64> {
        self.left_out.iter().map(|(start, _)| start - self.missing_before(*start)).collect()
    }
}

impl<W: Write + Seek> Write for Gapped<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = match self.leaving.0.get() {
            Fate::Kept => self.inner.write(bytes).inspect_err(|error| {
                // Whoever writes is told once. What is tried again behind it would only fail again.
                if error.kind() != io::ErrorKind::Interrupted {
                    self.leaving.set(Fate::Dropped);
                }
            })?,
            Fate::LeftOut => {
                let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
                match self.left_out.last_mut() {
                    Some((start, left)) if *start + *left == self.at => *left += length,
                    _ => self.left_out.push((self.at, length)),
                }
                bytes.len()
            }
            Fate::Dropped => bytes.len(),
        };
        self.at += u64::try_from(written).unwrap_or(u64::MAX);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.leaving.is_dropped() { Ok(()) } else { self.inner.flush() }
    }
}

impl<W: Write + Seek> Seek for Gapped<W> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let left_out: u64 = self.left_out.iter().map(|(_, length)| length).sum();
        let is_dropped = self.leaving.is_dropped();
        let at = match to {
            SeekFrom::End(_) if is_dropped => Some(self.at),
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => {
                (self.inner.seek(SeekFrom::End(0))? + left_out).checked_add_signed(by)
            }
        };
        let at = at.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        // No place inside a gap is ever sought: an archive seeks to its entries' headers and its end.
        if !is_dropped {
            self.inner.seek(SeekFrom::Start(at - self.missing_before(at)))?;
        }
        self.at = at;
        Ok(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    #[test]
    fn what_is_left_out_is_counted_and_its_place_is_known() {
        let leaving = Leaving::default();
        let mut to = Gapped::new(Cursor::new(Vec::new()), leaving.clone());
        to.write_all(b"head").unwrap();
        for part in [b"first ", b"gap..."] {
            leaving.set(Fate::LeftOut);
            to.write_all(part).unwrap();
            leaving.set(Fate::Kept);
        }
        to.write_all(b"tail").unwrap();
        leaving.set(Fate::LeftOut);
        to.write_all(b"second").unwrap();
        leaving.set(Fate::Kept);
        assert_eq!(to.stream_position().unwrap(), 4 + 12 + 4 + 6);
        // A header is put right behind its file, as the archive does.
        to.seek(SeekFrom::Start(16)).unwrap();
        to.write_all(b"TAIL").unwrap();
        assert_eq!(to.seek(SeekFrom::End(0)).unwrap(), 26);
        to.write_all(b"end").unwrap();
        assert_eq!(to.gaps(), [4, 8]);
        assert_eq!(to.inner.into_inner(), b"headTAILend");
    }
}
