//! The words of a name, as clients are found by them.

use std::collections::BTreeSet;

use unicode_normalization::UnicodeNormalization as _;

use crate::address;

/// Most words of a name that a client is found by: the first ones.
pub const NAME_WORDS_MAX: usize = 12;

/// The words of a name in one comparable form, each once: compatibility forms taken apart (UAX #15, NFKD),
/// upper case, without accents and apostrophes; a hyphen parts two words. Personal, as the name is.
pub fn words_of(name: &str) -> BTreeSet<String> {
    let name: String = name.nfkd().collect();
    let words = address::words(&name).into_iter();
    words.filter(|word| word.contains(char::is_alphanumeric)).take(NAME_WORDS_MAX).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_one_name_are_the_same_words() {
        let forms = ["José Müller-Groß", "JOSE\u{301}  muller gross", "Ｊｏｓé MÜLLER‐GROSS"];
        for form in forms {
            assert_eq!(words_of(form), words_of("jose muller gross"), "{form}");
        }
        assert_eq!(words_of("O'Brien"), words_of("o\u{2019}brien"));
        // UAX #15, figure 6: the ligature and the Angstrom sign.
        assert_eq!(words_of("ﬁ Å"), words_of("fi \u{212b}"));
        assert_eq!(words_of("Łukasz Øst"), words_of("lukasz ost"));
    }

    #[test]
    fn what_is_no_word_is_none() {
        for nothing in ["", " - ", "%", "_ .* #", "'"] {
            assert_eq!(words_of(nothing), BTreeSet::new(), "{nothing:?}");
        }
        assert_eq!(words_of("%mith_"), words_of("mith"));
        assert_ne!(words_of("Smith"), words_of("Smithson"), "whole words");
        let long = "a b c d e f g h i j k l m n o p";
        assert_eq!(words_of(long).len(), NAME_WORDS_MAX);
    }
}
