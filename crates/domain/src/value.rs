//! Text that was checked once, at the edge, and personal values that neither print nor serialise.

use std::fmt;

use crate::codec::{DecodeError, Field, In, Out};
use crate::door;
use crate::ids::CODE_LENGTH_MAX;

/// Most bytes of a [`Text`].
pub const TEXT_LENGTH_MAX: usize = 1_000;
/// Most bytes of a [`Personal`] value. The event with the most of them, an enrolment, has eight, and
/// must stay under 65,535 bytes even if every byte is one that JSON escapes.
pub const PERSONAL_LENGTH_MAX: usize = 4_000;

/// Why a value was refused: the rule, never the value.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{rule}")]
pub struct ValueError {
    rule: String,
}

impl ValueError {
    /// States the rule that was broken.
    pub fn new(rule: impl Into<String>) -> Self {
        Self { rule: rule.into() }
    }
}

/// Refuses what may never be kept: full card numbers, card codes, full SSNs.
fn check_door(text: &str) -> Result<(), ValueError> {
    match door::inspect(text) {
        Some(finding) => Err(ValueError::new(finding.rule())),
        None => Ok(()),
    }
}

fn check_text(text: &str, length_max: usize) -> Result<(), ValueError> {
    if text.trim().is_empty() {
        return Err(ValueError::new("must not be empty"));
    }
    if text.len() > length_max {
        return Err(ValueError::new(format!("must be at most {length_max} bytes")));
    }
    if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        return Err(ValueError::new("must not hold control characters"));
    }
    check_door(text)
}

pub(crate) fn check_code(text: &str) -> Result<(), ValueError> {
    let allowed = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b':' | b'-');
    if text.is_empty() || text.len() > CODE_LENGTH_MAX || !text.bytes().all(allowed) {
        return Err(ValueError::new(format!(
            "must be 1 to {CODE_LENGTH_MAX} letters, digits or any of . _ : -"
        )));
    }
    check_door(text)
}

/// Short text of the firm's own, not about a person: a plan's name, a citation, a reason code's words.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Text(Box<str>);

impl Text {
    /// Checks text of 1 to 1,000 bytes without control characters, and nothing the door refuses.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        check_text(text, TEXT_LENGTH_MAX)?;
        Ok(Self(text.into()))
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Field for Text {
    fn put(&self, out: &mut Out) {
        out.string(&self.0);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        Ok(Self(input.string()?.into()))
    }
}

/// A value about a person: a name, a contact, a birth date, the last four of an SSN, free text.
///
/// It has no `Display` and no `Serialize`, and `Debug` shows dots: the only way out is [`reveal`],
/// and the only stored form is the event codec's, which is where sealing belongs.
///
/// [`reveal`]: Personal::reveal
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Personal(Box<str>);

impl Personal {
    /// Checks a personal value: 1 to 4,000 bytes, no control characters, nothing the door refuses.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        check_text(text, PERSONAL_LENGTH_MAX)?;
        Ok(Self(text.into()))
    }

    /// A telephone number in E.164 form (ITU-T E.164: `+`, 2 to 15 digits, the first not 0).
    pub fn phone(text: &str) -> Result<Self, ValueError> {
        let digits = text.strip_prefix('+').unwrap_or("");
        let shaped = (2..=15).contains(&digits.len())
            && digits.bytes().all(|b| b.is_ascii_digit())
            && !digits.starts_with('0');
        if shaped {
            Ok(Self(text.into()))
        } else {
            Err(ValueError::new("must be an E.164 telephone number"))
        }
    }

    /// The last four digits of an SSN, the most of it that may be kept.
    pub fn ssn_last4(text: &str) -> Result<Self, ValueError> {
        let shaped = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
        if shaped {
            Ok(Self(text.into()))
        } else {
            Err(ValueError::new("must be the last four digits and no more"))
        }
    }

    /// The value itself. Call this only where a person or the log is served.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Personal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("····")
    }
}

impl Field for Personal {
    fn put(&self, out: &mut Out) {
        out.string(&self.0);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        Ok(Self(input.string()?.into()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_personal_value_does_not_print() {
        let name = Personal::parse("Ada Lark").unwrap();
        assert_eq!(format!("{name:?}"), "····");
    }

    #[test]
    fn the_door_is_every_text() {
        // A published test card number (from memory).
        let card = "pays with 4111 1111 1111 1111";
        for refused in [Text::parse(card).err(), Personal::parse(card).err()] {
            let rule = refused.unwrap().to_string();
            assert!(!rule.contains("4111"), "the value must not be echoed: {rule}");
        }
        assert!(crate::ids::ItemCode::parse("4111111111111111").is_err());
    }

    #[test]
    fn phones_are_e164() {
        // Check values for ITU-T E.164, agreed with the PyPI package phonenumbers 9.0.43.
        for good in ["+12015550123", "+442083661177"] {
            assert!(Personal::phone(good).is_ok(), "{good}");
        }
        for bad in ["2015550123", "+0201555012", "+1201555012345678", "+", "+1 201"] {
            assert!(Personal::phone(bad).is_err(), "{bad}");
        }
    }
}
