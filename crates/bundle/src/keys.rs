//! The keys that signed a log, each with the sizes of the log at which it did.
//!
//! A firm rotates its key, and what the old one signed still holds. So whether a checkpoint is the
//! firm's is asked of its size: a key is good from the first size that it signed to the last. The list
//! of a bundle is as good as the key that signed its manifest: who stole an old one writes a list as he
//! likes. So the keys that somebody got elsewhere come with sizes too, and those are believed.

use std::fmt::Write as _;

use std::str::FromStr;

use proof::note::{NoteError, VerifierKey};

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

/// The sizes of the checkpoints that a key signed, as somebody knows them from elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sizes {
    /// The first; nothing if it had signed none yet.
    pub first: Option<u64>,
    /// The last; nothing if it was in force and may have signed more since.
    pub last: Option<u64>,
}

/// A key that somebody got elsewhere than from the bundle.
///
/// Its text is `FIRST LAST KEY`, with a hyphen for a size that is not known, or the key alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenKey {
    /// The key.
    pub key: VerifierKey,
    /// What it signed, if that is known.
    pub sizes: Option<Sizes>,
}

impl GivenKey {
    /// Whether a checkpoint of this size may be of this key, as far as is known.
    pub fn covers(&self, size: u64) -> bool {
        self.sizes.is_none_or(|Sizes { first, last }| {
            first.is_none_or(|first| first <= size) && last.is_none_or(|last| size <= last)
        })
    }

    /// The size behind which it signs nothing, if that is known.
    pub(crate) fn last(&self) -> Option<u64> {
        self.sizes?.last
    }
}

impl From<VerifierKey> for GivenKey {
    fn from(key: VerifierKey) -> Self {
        Self { key, sizes: None }
    }
}

impl std::fmt::Display for GivenKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some(Sizes { first, last }) = self.sizes {
            for size in [first, last] {
                match size {
                    Some(size) => write!(f, "{size} ")?,
                    None => f.write_str("- ")?,
                }
            }
        }
        write!(f, "{}", self.key)
    }
}

impl FromStr for GivenKey {
    type Err = NoteError;

    fn from_str(text: &str) -> Result<Self, NoteError> {
        let size = |text: &str| match text {
            "-" => Ok(None),
            text => text.parse().map(Some).map_err(|_| NoteError::Key),
        };
        match text.split(' ').collect::<Vec<_>>()[..] {
            [key] => Ok(Self { key: key.parse()?, sizes: None }),
            [first, last, key] => {
                let sizes = Sizes { first: size(first)?, last: size(last)? };
                Ok(Self { key: key.parse()?, sizes: Some(sizes) })
            }
            _ => Err(NoteError::Key),
        }
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

/// Reads the list; nothing if it is not in its one spelling, or names a size beyond the log's if that is known,
/// or has a key that goes on signing behind the first size of the next.
pub(crate) fn from_lines(text: &str, size: Option<u64>) -> Option<Vec<KeySpan>> {
    let spans: Vec<KeySpan> = text.lines().map(KeySpan::read).collect::<Option<_>>()?;
    let is_placed = |span: &KeySpan| {
        0 < span.first && span.first <= span.last && size.is_none_or(|size| span.last <= size)
    };
    let rises = |pair: &[KeySpan]| pair[0].first < pair[1].first && pair[0].last <= pair[1].first;
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
