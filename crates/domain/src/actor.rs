//! Who is named as having recorded something, and which names a person would take for each other.

use unicode_normalization::UnicodeNormalization as _;
use unicode_security::{GeneralSecurityProfile, skeleton};

use crate::event::Author;
use crate::value::Text;

/// What the service calls itself in what it records without a token. No token is labelled like one of these.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ServiceActor {
    /// Whoever holds the database and works inside the process.
    LocalOperator,
    /// The service at an hour it was told.
    DailySchedule,
    /// The service when it compares clients who may be a couple.
    CoupleMatcher,
}

impl ServiceActor {
    /// Every one.
    pub const ALL: [Self; 3] = [Self::LocalOperator, Self::DailySchedule, Self::CoupleMatcher];

    /// The name, as events have it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::LocalOperator => "local operator",
            Self::DailySchedule => "daily schedule",
            Self::CoupleMatcher => "couple matcher",
        }
    }

    /// Itself, as the author of what it records.
    ///
    /// # Panics
    /// Never: the names are short text.
    pub fn author(self) -> Author {
        Author::without_token(Text::parse(self.name()).expect("a constant of ours is short text"))
    }

    /// The one that a label would be taken for, or that it names among other words.
    pub fn seen_in(label: &Text) -> Option<Self> {
        let words = label.as_str().split(|c: char| !c.is_alphanumeric());
        let words: Vec<String> = words.map(sight_of).collect();
        Self::ALL.into_iter().find(|actor| {
            let name = sight_of(actor.name());
            let reads = |from: usize| {
                let read = (from..words.len()).map(|to| words[from..=to].concat());
                read.take_while(|read| read.len() <= name.len()).any(|read| read == name)
            };
            (0..words.len()).any(reads)
        })
    }
}

/// What a person makes out of a text at a glance. Two texts with the same sight may be taken for each other.
///
/// Look-alikes of other scripts are one (UTS #39, the skeleton), forms of compatibility are one (UAX #15, NFKC;
/// it comes second, since it makes other letters of some look-alikes), case does not count, and only letters and digits do: neither spaces and signs nor what cannot
/// be seen. Since case does not count, neither does the difference of `i` and `l`, which a capital I hides.
pub(crate) fn sight_of(text: &str) -> String {
    let folded: String = skeleton(text).nfkc().collect();
    let once = lower(skeleton(&folded));
    // A capital looks like other letters than the small one does.
    lower(skeleton(&once))
        .chars()
        .filter(|c| c.is_alphanumeric() && !is_blank(*c))
        .map(|c| if c == 'i' { 'l' } else { c })
        .collect()
}

/// Whether every letter is of common use (UTS #39, `Identifier_Status`). Letters of phonetic alphabets, of
/// mathematics and of scripts that nobody writes any more look like others that the published list does not
/// name.
pub(crate) fn is_plain(text: &str) -> bool {
    text.chars().filter(|c| c.is_alphanumeric()).all(GeneralSecurityProfile::identifier_allowed)
}

fn lower(text: impl Iterator<Item = char>) -> String {
    text.flat_map(char::to_lowercase).collect()
}

/// Letters that show nothing: the fillers of Hangul, and vowels that Khmer does not write.
const fn is_blank(c: char) -> bool {
    matches!(c, '\u{115f}' | '\u{1160}' | '\u{3164}' | '\u{ffa0}' | '\u{17b4}' | '\u{17b5}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::codec::{from_bytes, to_bytes};

    /// As an event of before may hold it: what is not seen is refused by now.
    fn text(words: &str) -> Text {
        from_bytes(&to_bytes(&words.to_owned())).unwrap()
    }

    #[test]
    fn whatever_looks_like_the_service_is_seen_as_it() {
        for forged in [
            "local operator",
            "Local  Operator",
            " LOCAL-OPERATOR. ",
            "local\u{200b}operator",
            "lo\u{ad}cal\u{2060} oper\u{feff}ator",
            "local\u{3164}operator",
            // Full width, and mathematical bold.
            "\u{ff4c}\u{ff4f}\u{ff43}\u{ff41}\u{ff4c} operator",
            "\u{1d425}\u{1d428}\u{1d41c}\u{1d41a}\u{1d425} operator",
            // Cyrillic o, a, e, p; a capital I and the digit 1 for l; the digit 0 for o.
            "l\u{43e}c\u{430}l \u{43e}p\u{435}rator",
            "loca1 0perator",
            "Iocal operator",
            // Turkish dotted capital and dotless small i have no part in this name; accents do.
            "lóçal öperator",
            // Named among other words.
            "local operator (night)",
            "the local-operator",
            // Greek lunate sigma.
            "lo\u{3f2}al operator",
            "LO\u{3f9}AL OPERATOR",
        ] {
            let seen = ServiceActor::seen_in(&text(forged));
            assert_eq!(seen, Some(ServiceActor::LocalOperator), "{forged:?}");
        }
        for own in ServiceActor::ALL {
            assert_eq!(ServiceActor::seen_in(&text(own.name())), Some(own));
            assert_eq!(own.author(), Author::without_token(text(own.name())));
        }
        assert_eq!(
            ServiceActor::seen_in(&text("da\u{131}ly schedule")),
            Some(ServiceActor::DailySchedule)
        );
    }

    #[test]
    fn names_that_are_told_apart_stay_apart() {
        for label in ["crm", "local operators", "operator", "night schedule", "地方", "क्रम"]
        {
            assert_eq!(ServiceActor::seen_in(&text(label)), None, "{label}");
        }
        let sights =
            ["crm", "crm 2", "crm 3", "front desk", "地方", "本店", "की", "का"].map(sight_of);
        for (at, sight) in sights.iter().enumerate() {
            assert!(!sight.is_empty());
            assert!(!sights[..at].contains(sight), "{sight}");
        }
    }

    #[test]
    fn letters_that_only_look_like_others_are_no_plain_ones() {
        for label in ["\u{1d00}nna Clerk", "\u{a731}ales", "\u{1d425}ead", "ba\u{21b}\u{2c65}"] {
            assert!(!is_plain(label), "{label}");
        }
        for label in ["Anna Clerk", "Zoë Peña", "ірина", "地方", "क्रम", "crm 2 (night)", "O'Hara"]
        {
            assert!(is_plain(label), "{label}");
        }
    }

    #[test]
    fn nothing_is_seen_of_what_has_no_letter() {
        for label in ["...", "\u{200b}\u{200d}", "\u{3164}", "\u{2800} \u{34f}", "★ ☆"] {
            assert_eq!(sight_of(label), "", "{label:?}");
        }
    }

    /// Unicode 16, UTS #39, `confusables.txt`: lines that the skeleton has to make one.
    #[test]
    fn look_alikes_of_the_published_list_are_one() {
        for (one, other) in [
            ("p\u{430}ypa1", "paypal"),
            ("\u{3c1}", "p"),
            ("rn", "m"),
            ("\u{410}", "A"),
            ("\u{2113}", "l"),
        ] {
            assert_eq!(sight_of(one), sight_of(other), "{one} {other}");
        }
    }
}
