//! What may never enter as text.

use domain::door::inspect;

/// A plain card number or Social Security number is refused wherever it stands, and no spelling of the
/// same digits passes where another is refused.
pub(crate) fn door(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let found = inspect(text);
    if text.split(is_end).any(|word| is_card_number(word) || is_social_security_number(word)) {
        assert!(found.is_some(), "{text:?} was let in");
    }
    let digits_at = |zero: u32| {
        let digit = |c: char| c.to_digit(10).and_then(|value| char::from_u32(zero + value));
        text.chars().map(|c| digit(c).unwrap_or(c)).collect::<String>()
    };
    let apart: String = text.chars().flat_map(|c| [c, '\u{200b}']).collect();
    let spellings = [digits_at(0xFF10), digits_at(0x0660), apart, text.to_ascii_uppercase()];
    for spelling in spellings {
        assert_eq!(inspect(&spelling), found, "{text:?} as {spelling:?}");
    }
    if let Some(finding) = found {
        crate::check_words(finding.rule());
    }
}

/// Punctuation that stands in no number.
fn is_end(c: char) -> bool {
    matches!(c, ',' | ';' | ':' | '(' | ')' | '"' | '!' | '?')
}

/// 13 to 19 digits, not all alike, with Luhn's check digit (ISO/IEC 7812-1 annex B).
fn is_card_number(word: &str) -> bool {
    let digits: Option<Vec<u32>> = word.chars().map(|c| c.to_digit(10)).collect();
    let Some(digits) = digits.filter(|digits| (13..=19).contains(&digits.len())) else {
        return false;
    };
    let places = digits.iter().rev().enumerate();
    let sum: u32 = places
        .map(|(place, digit)| if place % 2 == 0 { *digit } else { digit * 2 / 10 + digit * 2 % 10 })
        .sum();
    sum.is_multiple_of(10) && digits.iter().any(|digit| *digit != digits[0])
}

/// `ddd-dd-dddd`, of numbers that were ever issued.
fn is_social_security_number(word: &str) -> bool {
    let parts: Vec<&str> = word.split('-').collect();
    let [area, group, serial] = parts.as_slice() else { return false };
    let is_digits =
        |part: &str, count| part.len() == count && part.bytes().all(|byte| byte.is_ascii_digit());
    is_digits(area, 3)
        && is_digits(group, 2)
        && is_digits(serial, 4)
        && !matches!(*area, "000" | "666")
        && !area.starts_with('9')
        && *group != "00"
        && *serial != "0000"
}
