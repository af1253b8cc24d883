//! The door under random numbers: every number that could be a card's or a person's is refused however
//! it is written, and the numbers of daily work pass.
//!
//! Card numbers are made by ISO/IEC 7812-1 (Luhn's check digit, 13 to 19 digits, PCI DSS 4.0.1
//! requirement 3.5.1), card codes by requirement 3.3.1, Social Security numbers by the ranges that were
//! ever issued (from memory: no area 000, 666 or from 900 on, no group 00, no serial 0000).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use counterfoil_domain::door::{DoorFinding, inspect};
use counterfoil_domain::text::is_hidden;
use counterfoil_domain::value::{Personal, Text};
use proptest::prelude::*;
use proptest::sample::select;

/// The digit that makes Luhn's sum a multiple of ten.
fn check_digit(digits: &[u8]) -> u8 {
    let sum: u32 = digits
        .iter()
        .rev()
        .enumerate()
        .map(|(at, digit)| {
            let digit = u32::from(*digit);
            if at % 2 == 0 { digit * 2 / 10 + digit * 2 % 10 } else { digit }
        })
        .sum();
    u8::try_from((10 - sum % 10) % 10).unwrap()
}

/// The digits of a card number.
fn card() -> impl Strategy<Value = String> {
    prop::collection::vec(0_u8..10, 12..=18)
        .prop_map(|mut digits| {
            digits.push(check_digit(&digits));
            digits.iter().map(|digit| char::from(b'0' + digit)).collect::<String>()
        })
        .prop_filter("digits all alike are no card", |card| {
            card.chars().any(|digit| !card.starts_with(digit))
        })
}

fn grouped(digits: &str, size: usize, separator: &str) -> String {
    let digits: Vec<char> = digits.chars().collect();
    let groups: Vec<String> = digits.chunks(size).map(|group| group.iter().collect()).collect();
    groups.join(separator)
}

/// A number as people write one: bare, or in groups with one kind of separator.
fn written(digits: impl Strategy<Value = String>) -> impl Strategy<Value = String> {
    let separator = select(vec![" ", "-", ".", "\u{a0}", "\u{2013}", "\u{2009}", "\u{200b}"]);
    (digits, select(vec![1_usize, 4, 5, 99]), separator)
        .prop_map(|(digits, size, separator)| grouped(&digits, size, separator))
}

/// Words around it, without digits.
fn words() -> impl Strategy<Value = String> {
    "[a-zA-Z ,;:()'é]{0,24}"
}

fn refused_everywhere(text: &str) {
    let rule = inspect(text).unwrap_or_else(|| panic!("it passes: {text:?}")).rule();
    let digits: String = text.chars().filter(char::is_ascii_digit).collect();
    for error in [
        Text::parse(text).err().map(|e| e.to_string()),
        Personal::parse(text).err().map(|e| e.to_string()),
    ] {
        let said = error.unwrap_or_else(|| panic!("it passes: {text:?}"));
        // What cannot be seen is refused before anybody looks for numbers.
        let rule = if text.contains(is_hidden) { "that are not seen" } else { rule };
        assert!(said.contains(rule), "{said}");
        assert!(!said.contains(&digits) && !said.contains(text), "the value is repeated: {said}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 2_000,
        max_global_rejects: 200_000,
        max_local_rejects: 200_000,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn no_card_number_passes((before, card, after) in (words(), written(card()), words())) {
        refused_everywhere(&format!("{before} {card} {after}"));
    }

    /// In a longer row of groups a card is known by how cards are printed.
    #[test]
    fn no_card_as_printed_passes_beside_a_day_or_an_expiry(
        (card, size, separator, beside) in (
            card().prop_filter("a card of today", |card| card.len() == 16 && ('2'..='6').any(|d| card.starts_with(d))),
            select(vec![4_usize, 99]),
            select(vec![" ", "-", ".", "\u{a0}", "\u{2013}"]),
            select(vec!["2026-03-02 {} ok", "{} 12/27", "{}; 03/2028", "on 3/2/26: {}", "{} 123"]),
        )
    ) {
        refused_everywhere(&beside.replace("{}", &grouped(&card, size, separator)));
    }

    /// Any other grouping is known where its separator, or a day, tells it from what stands beside it.
    #[test]
    fn no_card_in_another_grouping_passes_beside_a_day_or_an_expiry(
        (card, separator, beside) in (
            card().prop_filter("a card of today", |card| card.len() == 16 && ('2'..='6').any(|d| card.starts_with(d))),
            select(vec!["-", ".", "\u{2013}"]),
            select(vec!["2026-03-02 {} ok", "{} 12/27", "{}; 03/2028", "03/02/2026/{}", "{} 123"]),
        )
    ) {
        refused_everywhere(&beside.replace("{}", &grouped(&card, 5, separator)));
    }

    #[test]
    fn no_card_code_passes(
        (word, gap, code) in (
            select(vec!["CVV", "cvc", "Cvv2", "security code", "CID", "card code", "verification code"]),
            select(vec![" ", ": ", " is ", "=", " (back) "]),
            "[0-9]{3,4}",
        )
    ) {
        let text = format!("the {word}{gap}{code}, as told");
        prop_assert_eq!(inspect(&text), Some(DoorFinding::CardCode), "{}", text);
        refused_everywhere(&text);
    }

    #[test]
    fn no_social_security_number_passes(
        (area, group, serial, separator, before, after) in (
            (1_u16..900).prop_filter("never issued", |area| *area != 666),
            1_u8..100,
            1_u16..10_000,
            select(vec!["", "-", " ", "\u{2013}", "."]),
            words(),
            words(),
        )
    ) {
        let number = format!("{area:03}{separator}{group:02}{separator}{serial:04}");
        refused_everywhere(&format!("{before} {number} {after}"));
    }

    #[test]
    fn numbers_of_daily_work_pass(
        (area, line, zip, plus, day, cents, bytes, before) in (
            201_u16..990, 100_u16..200, 10_000_u32..99_999, 1_000_u16..10_000,
            (1990_u16..2040, 1_u8..13, 1_u8..29), 0_u64..100_000_000, any::<[u8; 32]>(),
            // Letters that spell no word for a card's code.
            "[aeoklmn ,;:()]{0,24}",
        )
    ) {
        let [first, second] = [&bytes[..16], &bytes[16..]]
            .map(|half| u128::from_be_bytes(half.try_into().unwrap()));
        let hex = format!("{first:032x}{second:032x}");
        let uuid = uuid::Builder::from_random_bytes(bytes[..16].try_into().unwrap()).into_uuid();
        let (year, month, of) = day;
        for text in [
            format!("{before} +1{area}555{line:04}"),
            format!("{before} ({area}) 555-{line:04}"),
            format!("{before} {zip}-{plus}"),
            format!("{before} {year}-{month:02}-{of:02}, {month}/{of}/{year}"),
            format!("{before} USD {}.{:02}", cents / 100, cents % 100),
            format!("{before} {hex}"),
            format!("{before} {uuid}"),
        ] {
            prop_assert_eq!(inspect(&text), None, "{}", text);
        }
    }
}
