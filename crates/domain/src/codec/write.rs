//! Writing canonical JSON.

use calendar::{CivilDate, Datelike as _};

use super::Field;

/// The bytes written so far.
#[derive(Default)]
pub struct Out {
    bytes: Vec<u8>,
    has_odd_day: bool,
}

const HEX: &[u8; 16] = b"0123456789abcdef";

impl Out {
    /// Starts with room for `capacity` bytes.
    pub fn with_capacity(capacity: usize) -> Self {
        Self { bytes: Vec::with_capacity(capacity), has_odd_day: false }
    }

    /// What was written.
    pub fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }

    /// Whether a day was written that is not of the years 0001 to 9999: no four digits name its year.
    pub fn has_odd_day(&self) -> bool {
        self.has_odd_day
    }

    /// Writes a day.
    pub fn day(&mut self, day: CivilDate) {
        self.has_odd_day |= !(1..=9_999).contains(&day.year());
        self.string(&day.to_string());
    }

    /// Begins an object.
    pub fn open_object(&mut self) {
        self.separate();
        self.bytes.push(b'{');
    }

    /// Ends an object.
    pub fn close_object(&mut self) {
        self.bytes.push(b'}');
    }

    /// Begins an array.
    pub fn open_array(&mut self) {
        self.separate();
        self.bytes.push(b'[');
    }

    /// Ends an array.
    pub fn close_array(&mut self) {
        self.bytes.push(b']');
    }

    /// Writes one member of the open object; the caller keeps the keys in order.
    pub fn member<T: Field>(&mut self, key: &str, value: &T) {
        if value.is_absent() {
            return;
        }
        self.key(key);
        value.put(self);
    }

    /// Writes a key; its value must follow.
    pub fn key(&mut self, key: &str) {
        self.string(key);
        self.bytes.push(b':');
    }

    /// Writes bytes that are canonical JSON already.
    pub fn raw(&mut self, canonical: &[u8]) {
        self.separate();
        self.bytes.extend_from_slice(canonical);
    }

    /// Writes a literal: `true`, `false` or `null`.
    pub fn literal(&mut self, word: &str) {
        self.raw(word.as_bytes());
    }

    /// Writes an integer. Beyond ±(2^53 − 1) it could not be read back by every JSON reader
    /// (RFC 8785 numbers are IEEE doubles), and no number of ours gets there: amounts are strings,
    /// what is counted is counted from 1, and what a caller names is bounded where it comes in.
    ///
    /// # Panics
    /// If it is beyond. Bytes that nobody can read again must not be kept.
    pub fn integer(&mut self, value: i64) {
        assert!(value.unsigned_abs() <= super::INTEGER_MAX, "an integer beyond ±(2^53 − 1)");
        self.separate();
        let mut digits = [0u8; 20];
        let mut at = digits.len();
        let mut rest = value.unsigned_abs();
        loop {
            at -= 1;
            digits[at] = HEX[usize::try_from(rest % 10).expect("one digit")];
            rest /= 10;
            if rest == 0 {
                break;
            }
        }
        if value < 0 {
            self.bytes.push(b'-');
        }
        self.bytes.extend_from_slice(&digits[at..]);
    }

    /// Writes a string with the escapes of RFC 8785 section 3.2.2.2.
    pub fn string(&mut self, text: &str) {
        self.separate();
        self.bytes.push(b'"');
        let raw = text.as_bytes();
        let mut from = 0;
        for (at, &byte) in raw.iter().enumerate() {
            if byte >= 0x20 && byte != b'"' && byte != b'\\' {
                continue;
            }
            self.bytes.extend_from_slice(&raw[from..at]);
            from = at + 1;
            let short = match byte {
                b'"' => b'"',
                b'\\' => b'\\',
                0x08 => b'b',
                0x09 => b't',
                0x0a => b'n',
                0x0c => b'f',
                0x0d => b'r',
                _ => {
                    self.bytes.extend_from_slice(b"\\u00");
                    self.bytes.push(HEX[usize::from(byte >> 4)]);
                    self.bytes.push(HEX[usize::from(byte & 15)]);
                    continue;
                }
            };
            self.bytes.extend_from_slice(&[b'\\', short]);
        }
        self.bytes.extend_from_slice(&raw[from..]);
        self.bytes.push(b'"');
    }

    /// A comma, if a value stands before. The last byte tells: nothing opens with another.
    fn separate(&mut self) {
        if let Some(last) = self.bytes.last()
            && !matches!(last, b'{' | b'[' | b':')
        {
            self.bytes.push(b',');
        }
    }
}
