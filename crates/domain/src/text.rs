//! What text may look like to whoever reads it: on a terminal, on a page, in a spreadsheet.
//!
//! Names that look like another name, and cells that a spreadsheet calculates, are how text lies. New
//! text of that kind is refused ([`crate::value`]); what was recorded before that is shown so that it
//! cannot.

use std::borrow::Cow;

use icu_properties::props::{DefaultIgnorableCodePoint, GeneralCategory as Category};
use icu_properties::{CodePointMapData, CodePointSetData};

/// Stands for a character that is not shown (Unicode's REPLACEMENT CHARACTER).
const NOT_SHOWN: char = '\u{fffd}';

/// Whether a character changes what a reader sees without being seen: what turns the direction of text
/// (Unicode Standard Annex #9 section 2, the explicit and implicit directional formatting characters),
/// what has no width, what ends a line without being a control character, and tags (Unicode Technical
/// Standard #39 section 3.1, which allows none of them in identifiers).
pub const fn is_hidden(c: char) -> bool {
    matches!(c,
        '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

/// Whether a character shows nothing where a name is read: what [`is_hidden`] tells of, whatever Unicode lets
/// a reader leave out (fillers, joiners, variation selectors: Unicode Standard Annex #44,
/// `Default_Ignorable_Code_Point`), and the two signs whose drawing is empty.
pub fn is_unseen(c: char) -> bool {
    const EMPTY: [char; 2] = ['\u{2800}', '\u{1d159}'];
    is_hidden(c)
        || EMPTY.contains(&c)
        || CodePointSetData::new::<DefaultIgnorableCodePoint>().contains(c)
}

/// Whether Unicode says nothing of a character: each reader sees something else, or an empty box. What it
/// assigns later is known once this program is built with newer tables.
pub fn is_unknown(c: char) -> bool {
    let category = CodePointMapData::<Category>::new().get(c);
    matches!(category, Category::Unassigned | Category::PrivateUse)
}

/// Whether a character is seen by itself: no space, and no mark that needs a letter to stand on.
pub fn is_seen(c: char) -> bool {
    let on_its_own = match CodePointMapData::<Category>::new().get(c) {
        Category::Unassigned
        | Category::NonspacingMark
        | Category::SpacingMark
        | Category::EnclosingMark
        | Category::SpaceSeparator
        | Category::LineSeparator
        | Category::ParagraphSeparator
        | Category::Control
        | Category::Format
        | Category::PrivateUse
        | Category::Surrogate => false,
        Category::UppercaseLetter
        | Category::LowercaseLetter
        | Category::TitlecaseLetter
        | Category::ModifierLetter
        | Category::OtherLetter
        | Category::DecimalNumber
        | Category::LetterNumber
        | Category::OtherNumber
        | Category::DashPunctuation
        | Category::OpenPunctuation
        | Category::ClosePunctuation
        | Category::ConnectorPunctuation
        | Category::InitialPunctuation
        | Category::FinalPunctuation
        | Category::OtherPunctuation
        | Category::MathSymbol
        | Category::CurrencySymbol
        | Category::ModifierSymbol
        | Category::OtherSymbol => true,
    };
    on_its_own && !is_unseen(c)
}

/// Text on one line that neither drives a terminal nor hides anything on a page.
pub fn shown(text: &str) -> Cow<'_, str> {
    let lies = |c: char| c.is_control() || is_hidden(c);
    if text.contains(lies) {
        text.chars().map(|c| if lies(c) { NOT_SHOWN } else { c }).collect::<String>().into()
    } else {
        text.into()
    }
}

/// Text for a cell of a CSV file or workbook. What a spreadsheet would take for a formula gets an
/// apostrophe before it (OWASP, "CSV Injection": `=`, `+`, `-`, `@`, tab, carriage return, line feed,
/// and the full-width forms that some read as these). So does what looks like such a guard already, so
/// that one apostrophe taken away always gives the text back. Numbers and amounts are no text: they are
/// never guarded.
pub fn guarded(text: &str) -> Cow<'_, str> {
    let first = text.trim_start_matches('\'').chars().next();
    match first {
        Some(
            '=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '\u{ff1d}' | '\u{ff0b}' | '\u{ff0d}'
            | '\u{ff20}',
        ) => format!("'{text}").into(),
        Some(_) | None => text.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_hides_or_drives_is_not_shown() {
        assert_eq!(
            shown("Ana Peña \u{5d0}\u{5d1} \u{65e5}\u{672c}"),
            "Ana Peña \u{5d0}\u{5d1} \u{65e5}\u{672c}"
        );
        for c in ["\u{1b}", "\u{9b}", "\n", "\r", "\u{202e}", "\u{2066}", "\u{200b}", "\u{feff}"] {
            assert_eq!(shown(&format!("a{c}b")), "a\u{fffd}b", "{c:?}");
        }
    }

    #[test]
    fn a_guard_goes_on_once_and_comes_off_once() {
        for formula in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\u{ff1d}1", "'=1"]
        {
            let cell = guarded(formula);
            assert_eq!(cell.strip_prefix('\''), Some(formula));
        }
        for plain in ["", "Ada Lark", "a=b", "'", "''s", "5", " =1"] {
            assert_eq!(guarded(plain), plain);
        }
    }
}
