//! The keys that signed a log, each with the sizes of the log at which it did.
//!
//! A firm rotates its key, and what the old one signed still holds. So whether a checkpoint is the
//! firm's is asked of its size: a key is good from the first size that it signed to the last. The list
//! is under the manifest, and so under the key in force: somebody who stole an old key can put no
//! checkpoint behind its last one.

use std::fmt::Write as _;

use proof::note::{Note, VerifierKey};

/// A key and what it signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeySpan {
    /// The key.
    pub key: VerifierKey,
    /// The size of the first checkpoint that it signed.
    pub first: u64,
    /// The size of the last one up to the bundle's.
    pub last: u64,
    /// Whether the firm took it back since.
    pub is_revoked: bool,
}

impl KeySpan {
    /// Whether a checkpoint of this size may be of this key.
    pub(crate) fn covers(&self, size: u64) -> bool {
        (self.first..=self.last).contains(&size)
    }

    fn read(line: &str) -> Option<Self> {
        let mut parts = line.splitn(4, ' ');
        let (first, last, key) = (parts.next()?, parts.next()?, parts.next()?);
        let is_revoked = match parts.next() {
            None => false,
            Some("revoked") => true,
            Some(_) => return None,
        };
        let (first, last) = (first.parse().ok()?, last.parse().ok()?);
        Some(Self { key: key.parse().ok()?, first, last, is_revoked })
    }
}

/// The list as it is written: one key a line, in the order in which they began to sign.
pub(crate) fn to_lines(spans: &[KeySpan]) -> String {
    let mut text = String::new();
    for KeySpan { key, first, last, is_revoked } in spans {
        let revoked = if *is_revoked { " revoked" } else { "" };
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{first} {last} {key}{revoked}");
    }
    text
}

/// Reads the list; nothing if it is not in its one spelling, or names a size beyond the log's.
pub(crate) fn from_lines(text: &str, size: u64) -> Option<Vec<KeySpan>> {
    let spans: Vec<KeySpan> = text.lines().map(KeySpan::read).collect::<Option<_>>()?;
    let is_placed = |span: &KeySpan| 0 < span.first && span.first <= span.last && span.last <= size;
    let rises = |pair: &[KeySpan]| pair[0].first < pair[1].first;
    let is_one = to_lines(&spans) == text
        && spans.iter().all(is_placed)
        && spans.windows(2).all(rises)
        && spans.iter().enumerate().all(|(at, a)| spans[..at].iter().all(|b| b.key != a.key));
    is_one.then_some(spans)
}

/// The list as it was at a size of the log.
pub(crate) fn up_to(spans: &[KeySpan], size: u64) -> Vec<KeySpan> {
    let mut spans = spans.to_vec();
    spans.retain(|span| span.first <= size);
    for span in &mut spans {
        span.last = span.last.min(size);
    }
    spans
}

/// The keys of a list that may have signed a checkpoint of a size.
pub(crate) fn of_size(spans: &[KeySpan], size: u64) -> Vec<VerifierKey> {
    spans.iter().filter(|span| span.covers(size)).map(|span| span.key.clone()).collect()
}

/// Whether a key of a list that may have signed a checkpoint of a size has, and none of them wrongly.
pub(crate) fn have_signed(spans: &[KeySpan], size: u64, note: &Note) -> bool {
    note.verify(&of_size(spans, size)).is_ok()
}
