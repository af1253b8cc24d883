//! Text that was checked once, at the edge, and personal values that neither print nor serialise.

use std::fmt;

use compact_str::CompactString;

use crate::codec::{DecodeError, Field, In, Out};
use crate::door;
use crate::ids::CODE_LENGTH_MAX;
use crate::text::{is_hidden, is_seen, is_unknown, is_unseen};

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

const UNSEEN: &str = "must not hold characters that are not seen or turn the direction of text";

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
    if text.contains(is_hidden) {
        return Err(ValueError::new(UNSEEN));
    }
    check_door(text)
}

/// Refuses more than one line: a name is read in lists, where a second line is another entry.
fn check_line(text: &str) -> Result<(), ValueError> {
    if text.contains(char::is_control) {
        return Err(ValueError::new("must be one line without control characters"));
    }
    if text.contains(is_unseen) {
        return Err(ValueError::new(UNSEEN));
    }
    if text.contains(is_unknown) {
        return Err(ValueError::new("must not hold characters that Unicode gives no meaning"));
    }
    if !text.trim().is_empty() && !text.contains(is_seen) {
        return Err(ValueError::new("must hold something that is seen"));
    }
    Ok(())
}

pub(crate) fn check_code(text: &str) -> Result<(), ValueError> {
    check_code_letters(text)?;
    check_door(text)
}

/// What every code ever taken keeps to. What the door refuses has grown since the first of them.
pub(crate) fn check_code_letters(text: &str) -> Result<(), ValueError> {
    let allowed = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b':' | b'-');
    if text.is_empty() || text.len() > CODE_LENGTH_MAX || !text.bytes().all(allowed) {
        return Err(ValueError::new(format!(
            "must be 1 to {CODE_LENGTH_MAX} letters, digits or any of . _ : -"
        )));
    }
    Ok(())
}

/// Short text of the firm's own, not about a person: a plan's name, a citation, a reason code's words.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Text(CompactString);

impl Text {
    /// Checks text of 1 to 1,000 bytes without control characters (but line feeds and tabs), without
    /// what is not seen ([`is_hidden`]), and nothing the door refuses.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        check_text(text, TEXT_LENGTH_MAX)?;
        Ok(Self(text.into()))
    }

    /// The same on one line: a name, a label.
    pub fn line(text: &str) -> Result<Self, ValueError> {
        check_line(text)?;
        Self::parse(text)
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
        input.checked(|text| check_text(text, TEXT_LENGTH_MAX)).map(Self)
    }
}

/// A value about a person: a name, a contact, a birth date, the last four of an SSN, free text.
///
/// It has no `Display` and no `Serialize`, and `Debug` shows dots: the only way out is [`revealed`],
/// and the only stored form is the event codec's. It comes from a caller in the clear, is sealed when
/// the event that holds it is drafted, and stays sealed in states, snapshots and on disk until it is
/// opened for somebody who may see it. Of a person who was erased it stays sealed for ever.
///
/// [`revealed`]: Personal::revealed
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Personal(Held);

#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Held {
    Clear(Box<str>),
    /// The text that [`crate::sealing::Sealer::seal`] made of it.
    Sealed(Box<str>),
}

impl Personal {
    /// Checks a personal value: 1 to 4,000 bytes, no control characters (but line feeds and tabs), nothing
    /// that is not seen ([`is_hidden`]), nothing the door refuses.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        check_text(text, PERSONAL_LENGTH_MAX)?;
        Ok(Self::clear(text))
    }

    /// The same on one line: a name, a line of an address.
    pub fn line(text: &str) -> Result<Self, ValueError> {
        check_line(text)?;
        Self::parse(text)
    }

    /// A telephone number in E.164 form (ITU-T E.164: `+`, 2 to 15 digits, the first not 0).
    pub fn phone(text: &str) -> Result<Self, ValueError> {
        let digits = text.strip_prefix('+').unwrap_or("");
        let shaped = (2..=15).contains(&digits.len())
            && digits.bytes().all(|b| b.is_ascii_digit())
            && !digits.starts_with('0');
        if shaped {
            Ok(Self::clear(text))
        } else {
            Err(ValueError::new("must be an E.164 telephone number"))
        }
    }

    /// The last four digits of an SSN, the most of it that may be kept.
    pub fn ssn_last4(text: &str) -> Result<Self, ValueError> {
        let shaped = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
        if shaped {
            Ok(Self::clear(text))
        } else {
            Err(ValueError::new("must be the last four digits and no more"))
        }
    }

    /// A processor's token of a card: a code, as [`crate::ids::CardToken`] is.
    pub fn card_token(text: &str) -> Result<Self, ValueError> {
        crate::ids::CardToken::parse(text).map(|token| Self::clear(token.as_str()))
    }

    /// A value that was opened. It was checked when it came in.
    pub fn clear(text: &str) -> Self {
        Self(Held::Clear(text.into()))
    }

    /// A value that was sealed.
    pub fn from_sealed(sealed: &str) -> Self {
        Self(Held::Sealed(sealed.into()))
    }

    /// The value itself; nothing while it is sealed. Call this only where a person is served.
    pub fn revealed(&self) -> Option<&str> {
        match &self.0 {
            Held::Clear(text) => Some(text),
            Held::Sealed(_) => None,
        }
    }

    /// The sealed form; nothing while it is in the clear.
    pub fn sealed(&self) -> Option<&str> {
        match &self.0 {
            Held::Clear(_) => None,
            Held::Sealed(sealed) => Some(sealed),
        }
    }
}

impl fmt::Debug for Personal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("····")
    }
}

/// `{"sealed":"…"}`, or plain text where nothing was sealed: in what a caller sent, and in tests.
impl Field for Personal {
    fn put(&self, out: &mut Out) {
        match &self.0 {
            Held::Clear(text) => out.string(text),
            Held::Sealed(sealed) => {
                out.open_object();
                out.key("sealed");
                out.string(sealed);
                out.close_object();
            }
        }
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        if input.next_byte() != Some(b'{') {
            return Ok(Self::clear(&input.string()?));
        }
        input.open_object()?;
        let sealed: String = input.member("sealed")?;
        input.close_object()?;
        Ok(Self::from_sealed(&sealed))
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        visit(self);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_personal_value_does_not_print() {
        let name = Personal::parse("Ada Lark").unwrap();
        assert_eq!(format!("{name:?}"), "····");
        assert_eq!(format!("{:?}", Personal::from_sealed("abc")), "····");
    }

    #[test]
    fn a_sealed_value_is_stored_as_such_and_reveals_nothing() {
        let sealed = Personal::from_sealed("abc");
        let bytes = crate::codec::to_bytes(&vec![sealed.clone(), Personal::clear("x")]);
        assert_eq!(bytes, br#"[{"sealed":"abc"},"x"]"#);
        let read: Vec<Personal> = crate::codec::from_bytes(&bytes).unwrap();
        assert_eq!(read[0], sealed);
        assert_eq!((read[0].revealed(), read[1].revealed()), (None, Some("x")));
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
    fn what_is_not_seen_is_no_text_and_a_name_is_one_line() {
        // UAX #9's embeddings, overrides and isolates; zero width; a control character of C1.
        for hidden in ["\u{202e}", "\u{2066}", "\u{200b}", "\u{200f}", "\u{feff}", "\u{9b}"] {
            let text = format!("Ada{hidden} Lark");
            for refused in [Text::parse(&text).err(), Personal::parse(&text).err()] {
                assert!(refused.unwrap().to_string().starts_with("must not hold"), "{hidden:?}");
            }
        }
        for lines in ["Ada\nLark", "Ada\tLark"] {
            assert!(Text::parse(lines).is_ok() && Personal::parse(lines).is_ok());
            assert!(Text::line(lines).is_err() && Personal::line(lines).is_err());
        }
        // Fillers and blanks that are letters or symbols to Unicode, a joiner, a selector; what it
        // assigns to nobody, or to anybody.
        for hidden in [
            '\u{115f}',
            '\u{2800}',
            '\u{3164}',
            '\u{34f}',
            '\u{fe0f}',
            '\u{17b4}',
            '\u{1d159}',
            '\u{e000}',
            '\u{378}',
            '\u{10fffd}',
        ] {
            for name in [hidden.to_string(), format!("Ada{hidden} Lark")] {
                for refused in [Text::line(&name).err(), Personal::line(&name).err()] {
                    let said = refused.unwrap_or_else(|| panic!("it passes: {name:?}")).to_string();
                    assert!(said.starts_with("must not hold characters"), "{name:?}: {said}");
                }
            }
        }
        // Marks alone stand on nothing.
        assert!(Personal::line("\u{301} \u{302}").is_err());
        for name in ["Ana-María O'Neill", "Zoë", "李小龙", "محمد", "กมล", "Ada \u{1f426}"]
        {
            assert!(Personal::line(name).is_ok(), "{name}");
        }
        // A letter to a client may have a heart with its selector.
        assert!(Personal::parse("thanks \u{2764}\u{fe0f}").is_ok());
        assert!(Text::line("Ana Peña").is_ok() && Personal::line("Nguyễn Ánh").is_ok());
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
