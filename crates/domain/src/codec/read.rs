//! Reading canonical JSON, and nothing else.

use std::borrow::Cow;

use super::{Field, INTEGER_MAX};
use crate::value::ValueError;

/// Stored bytes that do not say what they should.
///
/// The text names what was expected and where, never a value: the bytes may be personal.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("at byte {at}: {expected}")]
pub struct DecodeError {
    at: usize,
    expected: String,
}

impl DecodeError {
    /// An error at a byte offset.
    pub fn new(at: usize, expected: impl Into<String>) -> Self {
        Self { at, expected: expected.into() }
    }

    fn under(self, key: &str) -> Self {
        Self { expected: format!("{key}: {}", self.expected), ..self }
    }
}

/// A reader over stored bytes.
pub struct In<'a> {
    bytes: &'a [u8],
    at: usize,
    /// Whether a value was just read, so that a comma must come before the next.
    after_value: bool,
    /// Whether a person wrote them: the elements of a set in any order, texts unchecked.
    of_a_person: bool,
    /// Whether a code has to be one that a caller could have chosen.
    strict: bool,
}

impl<'a> In<'a> {
    /// Reads from the start of `bytes`.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0, after_value: false, of_a_person: false, strict: false }
    }

    /// Reads what a person wrote, whose keys were put in order.
    pub(super) fn of_a_person(bytes: &'a [u8]) -> Self {
        Self { of_a_person: true, ..Self::new(bytes) }
    }

    /// A string that has to keep a rule before it is stored. A stored one stays as it is.
    pub(crate) fn checked<T: for<'s> From<&'s str>>(
        &mut self,
        check: impl FnOnce(&str) -> Result<(), ValueError>,
    ) -> Result<T, DecodeError> {
        let text = self.string()?;
        if self.of_a_person {
            check(&text).map_err(|rule| self.error(rule.to_string()))?;
        }
        Ok(T::from(&text))
    }

    /// Takes no code that no caller could have chosen: what somebody else than the ledger may have written.
    pub(crate) fn strictly(mut self) -> Self {
        self.strict = true;
        self
    }

    /// Whether codes are held against their rule.
    pub(crate) const fn is_strict(&self) -> bool {
        self.strict
    }

    /// Whether an element of a set, or the key of a map, may stand after the last one.
    pub(super) fn may_follow<T: Ord>(&self, last: Option<&T>, next: &T) -> bool {
        self.of_a_person || last.is_none_or(|last| last < next)
    }

    /// An error at the place reached.
    pub fn error(&self, expected: impl Into<String>) -> DecodeError {
        DecodeError::new(self.at, expected)
    }

    /// Requires that everything was read.
    pub fn end(&self) -> Result<(), DecodeError> {
        if self.at == self.bytes.len() { Ok(()) } else { Err(self.error("the end")) }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn expect(&mut self, byte: u8) -> Result<(), DecodeError> {
        if self.peek() == Some(byte) {
            self.at += 1;
            Ok(())
        } else {
            Err(self.error(format!("{:?}", char::from(byte))))
        }
    }

    fn open(&mut self, byte: u8) -> Result<(), DecodeError> {
        self.expect(byte)?;
        self.after_value = false;
        Ok(())
    }

    fn close(&mut self, byte: u8) -> Result<(), DecodeError> {
        self.expect(byte)?;
        self.after_value = true;
        Ok(())
    }

    /// Enters an object.
    pub fn open_object(&mut self) -> Result<(), DecodeError> {
        self.open(b'{')
    }

    /// Leaves an object; a member nobody asked for is an error here.
    pub fn close_object(&mut self) -> Result<(), DecodeError> {
        self.close(b'}')
    }

    /// Enters an array.
    pub fn open_array(&mut self) -> Result<(), DecodeError> {
        self.open(b'[')
    }

    /// Whether the open array has another element; steps to it, or leaves the array.
    pub fn more(&mut self) -> Result<bool, DecodeError> {
        if self.peek() == Some(b']') {
            self.close(b']')?;
            return Ok(false);
        }
        self.separate()?;
        Ok(true)
    }

    fn separate(&mut self) -> Result<(), DecodeError> {
        if self.after_value {
            self.expect(b',')?;
            self.after_value = false;
        }
        Ok(())
    }

    /// The next key of the open object; its value must be read next.
    pub fn key(&mut self) -> Result<Cow<'a, str>, DecodeError> {
        self.separate()?;
        let key = self.string()?;
        self.expect(b':')?;
        self.after_value = false;
        Ok(key)
    }

    /// The member called `key`, or what its absence stands for.
    pub fn member<T: Field>(&mut self, key: &str) -> Result<T, DecodeError> {
        if self.skip_key(key) {
            self.after_value = false;
            let of_a_person = self.of_a_person;
            // A person finds a member by its name, and a byte in stored bytes by its number.
            return T::take(self).map_err(|e| if of_a_person { e.under(key) } else { e });
        }
        T::absent().ok_or_else(|| self.error(format!("the member {key:?}")))
    }

    /// Steps over `key` and its colon if they stand next.
    fn skip_key(&mut self, key: &str) -> bool {
        let mut at = self.at;
        if self.after_value {
            if self.bytes.get(at) != Some(&b',') {
                return false;
            }
            at += 1;
        }
        let end = at + key.len();
        let matches = self.bytes.get(at) == Some(&b'"')
            && self.bytes.get(at + 1..=end) == Some(key.as_bytes())
            && self.bytes.get(end + 1..end + 3) == Some(b"\":".as_slice());
        if matches {
            self.at = end + 3;
        }
        matches
    }

    /// A literal word, if it stands here.
    pub fn literal(&mut self, word: &str) -> bool {
        let end = self.at + word.len();
        let found = self.bytes.get(self.at..end) == Some(word.as_bytes());
        if found {
            self.at = end;
            self.after_value = true;
        }
        found
    }

    /// An integer within ±(2^53 − 1), written the one canonical way.
    pub fn integer(&mut self) -> Result<i64, DecodeError> {
        let start = self.at;
        let negative = self.peek() == Some(b'-');
        if negative {
            self.at += 1;
        }
        let value = self.digits(INTEGER_MAX)?;
        if negative && value == 0 {
            return Err(DecodeError::new(start, "an integer"));
        }
        let value = i64::try_from(value).map_err(|_| DecodeError::new(start, "an integer"))?;
        Ok(if negative { -value } else { value })
    }

    /// Digits of a number up to `most`, without a leading zero.
    pub(crate) fn digits(&mut self, most: u64) -> Result<u64, DecodeError> {
        let start = self.at;
        let mut value: Option<u64> = Some(0);
        while let Some(digit @ b'0'..=b'9') = self.peek() {
            let next = |value: u64| value.checked_mul(10)?.checked_add(u64::from(digit - b'0'));
            value = value.and_then(next);
            self.at += 1;
        }
        let digits = &self.bytes[start..self.at];
        let canonical = !digits.is_empty() && (digits[0] != b'0' || digits.len() == 1);
        let value = value.filter(|value| canonical && *value <= most);
        self.after_value = value.is_some();
        value.ok_or_else(|| DecodeError::new(start, "an integer"))
    }

    /// A string.
    pub fn string(&mut self) -> Result<Cow<'a, str>, DecodeError> {
        self.expect(b'"')?;
        let start = self.at;
        loop {
            match self.peek() {
                None | Some(0..=0x1f) => return Err(self.error("a string")),
                Some(b'"') => break,
                Some(b'\\') => return self.escaped(start).map(Cow::Owned),
                Some(_) => self.at += 1,
            }
        }
        let text = self.utf8(start)?;
        self.at += 1;
        self.after_value = true;
        Ok(Cow::Borrowed(text))
    }

    fn utf8(&self, start: usize) -> Result<&'a str, DecodeError> {
        std::str::from_utf8(&self.bytes[start..self.at])
            .map_err(|_| DecodeError::new(start, "UTF-8"))
    }

    /// The rest of a string that has escapes, from the first of them.
    fn escaped(&mut self, start: usize) -> Result<String, DecodeError> {
        let mut text = self.utf8(start)?.to_owned();
        let mut from = self.at;
        loop {
            match self.peek() {
                None | Some(0..=0x1f) => return Err(self.error("a string")),
                Some(b'"') => break,
                Some(b'\\') => {
                    text.push_str(self.utf8(from)?);
                    text.push(self.escape()?);
                    from = self.at;
                }
                Some(_) => self.at += 1,
            }
        }
        text.push_str(self.utf8(from)?);
        self.at += 1;
        self.after_value = true;
        Ok(text)
    }

    /// One escape, in the only spelling RFC 8785 allows for it.
    fn escape(&mut self) -> Result<char, DecodeError> {
        let rest = &self.bytes[self.at + 1..];
        let (character, length) = match rest.first() {
            Some(b'"') => ('"', 1),
            Some(b'\\') => ('\\', 1),
            Some(b'b') => ('\u{8}', 1),
            Some(b't') => ('\t', 1),
            Some(b'n') => ('\n', 1),
            Some(b'f') => ('\u{c}', 1),
            Some(b'r') => ('\r', 1),
            Some(b'u') => (self.control(rest)?, 5),
            _ => return Err(self.error("an escape")),
        };
        self.at += 1 + length;
        Ok(character)
    }

    fn control(&self, rest: &[u8]) -> Result<char, DecodeError> {
        let digits = rest.get(1..5).and_then(|d| std::str::from_utf8(d).ok());
        let lower = digits.filter(|d| d.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f')));
        let byte = lower.and_then(|d| u8::from_str_radix(d, 16).ok());
        match byte {
            Some(b) if b < 0x20 && !matches!(b, 8 | 9 | 10 | 12 | 13) => Ok(char::from(b)),
            _ => Err(self.error("a control character's escape")),
        }
    }

    /// The kind of value that stands here, by its first byte.
    pub(crate) fn next_byte(&self) -> Option<u8> {
        self.peek()
    }
}
