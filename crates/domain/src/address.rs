//! One comparable key per postal address, after USPS Publication 28, for matching couples.
//!
//! The key is for comparing, never for printing on a letter. What it does:
//!
//! - Letters in upper case without accents (É is E, ß is SS, ø is O); letters of other scripts stay
//!   as they are. Punctuation is dropped, white space collapsed; a hyphen, full stop or slash
//!   between two digits stays, because `12-34` and `1234` are different houses (section 233).
//! - The last word of the street, before unit and trailing directional, is abbreviated when it is a
//!   street suffix (Appendix C1). Any other word stays, so `St` in front of a name is the saint;
//!   `Saint` and `St` are equal there and in city names.
//! - A directional before the name or at the end is abbreviated (section 233); a directional that
//!   is the whole name, as in `North Street`, stays a name.
//! - Secondary units (Appendix C2) are part of the key, from either line. Publication 28 writes `#`
//!   when the designator is unknown, so `#` must equal any designator with the same number. A key
//!   can only hold that by dropping the word and keeping the number: `APT 4`, `# 4`, `UNIT 4` and
//!   `FL 4` are one key; different numbers never are. Designators that need no number (`REAR`,
//!   `PH`, …) keep their word. A bare `4B` as the whole second line is a unit.
//! - The state in upper case as given; the ZIP code's first five digits.
//!
//! Not attempted: spelled-out street numbers (`Fifth`), highway and rural route forms (Appendix F,
//! section 24), corrections of misspelt names. Two spellings of those give two keys, so the couple
//! is suggested rather than linked.

mod tables;

use tables::{
    BASE_LETTERS, DIRECTIONALS, SUFFIX_VARIANTS, SUFFIXES, UNITS_ALONE, UNITS_WITH_NUMBER,
};

const ZIP_DIGITS: usize = 5;
/// Between the parts of a key; punctuation never survives inside one.
const PART_SEPARATOR: &str = "|";
const NUMBER_SIGN: &str = "#";

/// The key of an address: equal for two spellings of one address, different for different units.
///
/// `123 North Main Street, Apartment 4B` and `123 N MAIN ST # 4B` have one key. Lines may be empty.
/// The key is personal data, as the address is.
pub fn normalise(line1: &str, line2: &str, city: &str, state: &str, zip: &str) -> String {
    let (first, first_unit) = split_unit(words(line1), 2);
    let (second, second_unit) = split_unit(words(line2), 1);
    let (second, second_unit) = bare_unit(second, second_unit);
    // A second line beside a street (care of, attention) is compared as it is.
    let (street, extra) = if first.is_empty() { (second, first) } else { (first, second) };
    let parts = [
        [street_words(street), extra].concat().join(" "),
        [first_unit, second_unit].concat().join(" "),
        words(city).into_iter().map(saint).collect::<Vec<_>>().join(" "),
        words(state).concat(),
        zip.chars().filter(char::is_ascii_digit).take(ZIP_DIGITS).collect(),
    ];
    parts.join(PART_SEPARATOR)
}

/// The words of a line: upper case, without marks and punctuation; `#` is a word of its own.
pub(crate) fn words(line: &str) -> Vec<String> {
    let chars: Vec<char> = line.chars().flat_map(char::to_uppercase).collect();
    let mut text = String::with_capacity(line.len());
    for (at, c) in chars.iter().enumerate() {
        let between_digits = at > 0
            && chars[at - 1].is_ascii_digit()
            && chars.get(at + 1).is_some_and(char::is_ascii_digit);
        match c {
            '#' => text.push_str(" # "),
            '-' | '.' | '/' if between_digits => text.push(*c),
            // These stand inside words: N.E., O'Brien. Combining marks go the way of accents.
            '.' | '\'' | '’' | '\u{300}'..='\u{36f}' => {}
            c if c.is_ascii_alphanumeric() => text.push(*c),
            c if c.is_alphanumeric() => push_base_letter(&mut text, *c),
            _ => text.push(' '),
        }
    }
    text.split_whitespace().map(str::to_owned).collect()
}

fn push_base_letter(text: &mut String, letter: char) {
    match BASE_LETTERS.iter().find(|(marked, _)| marked.contains(letter)) {
        Some((_, base)) => text.push_str(base),
        None => text.push(letter),
    }
}

/// Splits the units off the end of a line: the longest tail that is nothing but units. It may be
/// the whole line, and otherwise leaves at least `kept_min` words.
fn split_unit(mut line: Vec<String>, kept_min: usize) -> (Vec<String>, Vec<String>) {
    // `BOX # 12` is the box, not a unit.
    let end = if post_office_box(&line).is_some() { 0 } else { line.len() };
    let starts = std::iter::once(0).chain(kept_min..line.len()).take_while(|start| *start < end);
    for start in starts {
        if let Some(units) = units_of(&line[start..]) {
            line.truncate(start);
            return (line, units);
        }
    }
    (line, Vec::new())
}

/// A second line that is one word with a digit is a unit without designator.
fn bare_unit(line: Vec<String>, units: Vec<String>) -> (Vec<String>, Vec<String>) {
    match line.as_slice() {
        [word] if units.is_empty() && has_digit(word) => (Vec::new(), line),
        _ => (line, units),
    }
}

/// The words read as one or more units from first to last; `None` when any word is something else.
fn units_of(mut words: &[String]) -> Option<Vec<String>> {
    let mut units = Vec::new();
    while !words.is_empty() {
        let (unit, rest) = next_unit(words)?;
        units.push(unit);
        words = rest;
    }
    Some(units)
}

fn next_unit(words: &[String]) -> Option<(String, &[String])> {
    let (word, rest) = words.split_first()?;
    if word == NUMBER_SIGN {
        return identifier(rest);
    }
    if let Some(alone) = abbreviation(&UNITS_ALONE, word) {
        return Some(match identifier(without_number_sign(rest)) {
            Some((number, rest)) => (format!("{alone} {number}"), rest),
            None => (alone.to_owned(), rest),
        });
    }
    if abbreviation(&UNITS_WITH_NUMBER, word).is_some() {
        return identifier(without_number_sign(rest));
    }
    if let Some(number) = fused_number(word) {
        return Some((number.to_owned(), rest));
    }
    // Floors are often counted in front: 2nd Floor.
    let (floor, rest) = rest.split_first()?;
    let number = ordinal(word)?;
    matches!(floor.as_str(), "FLOOR" | "FL").then(|| (number.to_owned(), rest))
}

fn without_number_sign(words: &[String]) -> &[String] {
    match words {
        [sign, rest @ ..] if sign == NUMBER_SIGN => rest,
        _ => words,
    }
}

/// The number of a unit: words with a digit and single letters, run together (`4 B` is `4B`).
fn identifier(words: &[String]) -> Option<(String, &[String])> {
    let part = |word: &&String| has_digit(word) && fused_number(word).is_none() || is_letter(word);
    let length = words.iter().take_while(part).count();
    let (number, rest) = words.split_at(length);
    (length > 0).then(|| (number.concat(), rest))
}

/// The number of a designator written without a space: `APT4B`.
fn fused_number(word: &str) -> Option<&str> {
    UNITS_WITH_NUMBER
        .iter()
        .flat_map(|(word, short)| [word, short])
        .filter_map(|designator| word.strip_prefix(designator))
        .find(|number| number.starts_with(|c: char| c.is_ascii_digit()))
}

fn ordinal(word: &str) -> Option<&str> {
    ["ST", "ND", "RD", "TH"]
        .iter()
        .filter_map(|ending| word.strip_suffix(ending))
        .find(|number| !number.is_empty() && number.chars().all(|c| c.is_ascii_digit()))
}

fn has_digit(word: &str) -> bool {
    word.contains(|c: char| c.is_ascii_digit())
}

fn is_letter(word: &str) -> bool {
    word.len() == 1 && word.chars().all(|c| c.is_ascii_alphabetic())
}

/// The abbreviation of a word that stands in the table, written out or already short.
fn abbreviation<'t>(table: &[(&str, &'t str)], word: &str) -> Option<&'t str> {
    table.iter().find(|(long, short)| *long == word || *short == word).map(|(_, short)| *short)
}

fn suffix(word: &str) -> Option<&'static str> {
    abbreviation(&SUFFIXES, word).or_else(|| abbreviation(&SUFFIX_VARIANTS, word))
}

/// Saint and its abbreviation are one, wherever the word is no street suffix.
fn saint(word: String) -> String {
    if word == "SAINT" { "ST".to_owned() } else { word }
}

/// The street line with suffix and directionals abbreviated.
fn street_words(mut street: Vec<String>) -> Vec<String> {
    street.retain(|word| word != NUMBER_SIGN);
    if let Some(number) = post_office_box(&street) {
        return [vec!["PO".to_owned(), "BOX".to_owned()], number.to_vec()].concat();
    }
    let house = usize::from(street.first().is_some_and(|word| has_digit(word)));
    let mut name = street.split_off(house);
    let trailing = take_trailing_directional(&mut name);
    let suffix = take_suffix(&mut name);
    let leading = take_leading_directional(&mut name);
    street.extend(leading.map(str::to_owned));
    street.extend(name.into_iter().map(saint));
    street.extend(suffix.into_iter().chain(trailing).map(str::to_owned));
    street
}

/// What follows the words of a post office box, Publication 28 section 28.
fn post_office_box(street: &[String]) -> Option<&[String]> {
    const FORMS: [&[&str]; 4] =
        [&["PO", "BOX"], &["P", "O", "BOX"], &["POST", "OFFICE", "BOX"], &["POBOX"]];
    FORMS.iter().find_map(|form| {
        let begins = street.len() > form.len() && street.iter().zip(*form).all(|(a, b)| a == b);
        begins.then(|| &street[form.len()..])
    })
}

/// Takes a directional off the end, unless it is all there is of the name.
fn take_trailing_directional(name: &mut Vec<String>) -> Option<&'static str> {
    let directional = abbreviation(&DIRECTIONALS, name.last()?).filter(|_| name.len() > 1)?;
    name.pop();
    Some(directional)
}

/// Takes the suffix off the end, unless it is all there is of the name.
fn take_suffix(name: &mut Vec<String>) -> Option<&'static str> {
    let suffix = suffix(name.last()?).filter(|_| name.len() > 1)?;
    name.pop();
    Some(suffix)
}

/// Takes a directional off the front, unless it is all there is of the name. `NORTH EAST` is `NE`.
fn take_leading_directional(name: &mut Vec<String>) -> Option<&'static str> {
    let first = abbreviation(&DIRECTIONALS, name.first()?).filter(|_| name.len() > 1)?;
    name.remove(0);
    let second = name.first().filter(|_| name.len() > 1).and_then(|word| {
        let both = format!("{first}{}", abbreviation(&DIRECTIONALS, word)?);
        abbreviation(&DIRECTIONALS, &both)
    });
    if second.is_some() {
        name.remove(0);
    }
    Some(second.unwrap_or(first))
}

#[cfg(test)]
mod tests;
