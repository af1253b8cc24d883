//! Text of a bundle where a person reads it.

use std::fmt::Write as _;

/// Most bytes of a text that are shown; no file of the format has a longer name.
const SHOWN_MAX: usize = 500;

/// The text with everything escaped that a terminal might obey or show in another order: whatever is not
/// printable ASCII. What is longer than anything of the format is cut.
pub fn plain(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for character in text.chars() {
        if plain.len() >= SHOWN_MAX {
            plain.push_str("...");
            break;
        }
        if matches!(character, ' '..='~') {
            plain.push(character);
        } else {
            // Writing to a String cannot fail.
            let _ = write!(plain, "\\u{{{:x}}}", u32::from(character));
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::plain;

    #[test]
    fn nothing_is_left_that_a_terminal_obeys() {
        // Unicode Standard Annex 9 section 2: the characters that change the direction of a text.
        for wrong in ['\u{202e}', '\u{2066}', '\u{200f}', '\u{1b}', '\n', '\u{9b}', 'ש'] {
            let text = plain(&format!("a{wrong}b"));
            assert!(text.bytes().all(|byte| (b' '..=b'~').contains(&byte)), "{text:?}");
            assert!(text.contains(&format!("{:x}", u32::from(wrong))), "{text}");
        }
        assert_eq!(plain("tables/fees.csv"), "tables/fees.csv");
        assert_eq!(plain(&"x".repeat(65_536)).len(), 503);
    }
}
