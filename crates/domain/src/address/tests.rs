//! Publication 28 pair by pair, and whole addresses.

use super::normalise;
use super::tables::{DIRECTIONALS, SUFFIX_VARIANTS, SUFFIXES, UNITS_ALONE, UNITS_WITH_NUMBER};

fn key(line1: &str, line2: &str) -> String {
    normalise(line1, line2, "Springfield", "IL", "62701")
}

fn assert_one(spellings: &[(&str, &str)]) {
    for (line1, line2) in spellings {
        assert_eq!(key(line1, line2), key(spellings[0].0, spellings[0].1), "{line1} / {line2}");
    }
}

fn assert_different(spellings: &[(&str, &str)]) {
    for (at, one) in spellings.iter().enumerate() {
        for other in &spellings[at + 1..] {
            assert_ne!(key(one.0, one.1), key(other.0, other.1), "{one:?} {other:?}");
        }
    }
}

#[test]
fn every_suffix_equals_its_abbreviation() {
    for (long, short) in SUFFIXES.iter().chain(&SUFFIX_VARIANTS) {
        let expected = format!("12 MAPLE {short}||SPRINGFIELD|IL|62701");
        assert_eq!(key(&format!("12 Maple {long}"), ""), expected);
        assert_eq!(key(&format!("12 Maple {short}."), ""), expected);
    }
}

#[test]
fn every_directional_equals_its_abbreviation() {
    for (long, short) in DIRECTIONALS {
        let before = format!("12 {short} MAPLE ST||SPRINGFIELD|IL|62701");
        assert_eq!(key(&format!("12 {long} Maple Street"), ""), before);
        assert_eq!(key(&format!("12 {short} Maple St"), ""), before);
        let after = format!("12 MAPLE ST {short}||SPRINGFIELD|IL|62701");
        assert_eq!(key(&format!("12 Maple Street {long}"), ""), after);
        assert_eq!(key(&format!("12 Maple St {short}"), ""), after);
    }
}

#[test]
fn every_designator_with_a_number_equals_the_number_sign() {
    let expected = key("12 Maple St", "# 4B");
    assert_eq!(expected, "12 MAPLE ST|4B|SPRINGFIELD|IL|62701");
    for designator in UNITS_WITH_NUMBER.iter().flat_map(|(long, short)| [long, short]) {
        for unit in ["4B", "# 4B", "#4B", "4-b", "4 B"].map(|n| format!("{designator} {n}")) {
            assert_eq!(key("12 Maple St", &unit), expected, "{unit}");
            assert_eq!(key(&format!("12 Maple St, {unit}"), ""), expected, "{unit}");
        }
        assert_eq!(key(&format!("12 Maple St {designator}4B"), ""), expected);
    }
}

#[test]
fn every_designator_without_number_keeps_its_word() {
    for (long, short) in UNITS_ALONE {
        let expected = format!("12 MAPLE ST|{short}|SPRINGFIELD|IL|62701");
        for unit in [long, short] {
            assert_eq!(key("12 Maple St", unit), expected);
            assert_eq!(key(&format!("12 Maple St {unit}"), ""), expected);
        }
        assert_ne!(key("12 Maple St", &format!("{long} 2")), expected);
        assert_eq!(
            key("12 Maple St", &format!("{long} 2")),
            key(&format!("12 Maple St {short} #2"), "")
        );
    }
}

#[test]
fn spellings_of_one_address_have_one_key() {
    assert_one(&[
        ("123 North Main Street, Apartment 4B", ""),
        ("123 N MAIN ST # 4B", ""),
        ("123 n. main st.", "Apt. 4-B"),
        ("123  N Main St #4B", ""),
        ("123 N Main St", "4b"),
        ("123 N Main Str", "Unit 4 B"),
        ("Apt 4B", "123 N Main St"),
    ]);
    assert_one(&[("5 Oak Ave Bldg 2 Apt 7", ""), ("5 Oak Avenue", "Building 2, # 7")]);
    assert_one(&[("5 Oak Ave", "2nd Floor"), ("5 Oak Ave Fl 2", ""), ("5 Oak Ave", "FL 2")]);
    assert_one(&[("P.O. Box 12", ""), ("PO Box #12", ""), ("Post Office Box 12", "")]);
    assert_one(&[("7 North East Elm Rd", ""), ("7 N.E. Elm Road", ""), ("7 Northeast Elm Rd", "")]);
    assert_one(&[("9 O'Brien Ct", ""), ("9 OBRIEN COURT", ""), ("9 O’Brien Ct.", "")]);
    assert_one(&[
        ("3 Peña Café Ln", ""),
        ("3 PENA CAFE LANE", ""),
        ("3 Pen\u{303}a Cafe\u{301} Ln", ""),
    ]);
}

#[test]
fn different_units_have_different_keys() {
    assert_different(&[
        ("12 Maple St", ""),
        ("12 Maple St", "Apt 4"),
        ("12 Maple St", "Apt 5"),
        ("12 Maple St", "Apt 4B"),
        ("12 Maple St", "Apt 44"),
        ("12 Maple St", "Bldg 4 Apt 4"),
        ("12 Maple St", "Rear"),
        ("12 Maple St", "Rear 4"),
        ("12 Maple St", "Front"),
        ("12 Maple St", "PH"),
    ]);
}

#[test]
fn different_streets_have_different_keys() {
    assert_different(&[
        ("12-34 Maple St", ""),
        ("1234 Maple St", ""),
        ("12 1/2 Maple St", ""),
        ("12 Maple St", ""),
        ("12 Maple Ave", ""),
        ("12 N Maple St", ""),
        ("12 Maple St N", ""),
    ]);
    assert_different(&[("12 North St", ""), ("12 N St", "")]);
}

#[test]
fn only_the_last_street_word_is_a_suffix() {
    assert_one(&[("12 St James Street", ""), ("12 Saint James St", ""), ("12 St. James St", "")]);
    assert_eq!(key("12 Street James", ""), "12 STREET JAMES||SPRINGFIELD|IL|62701");
    assert_eq!(key("12 Park Place Drive", ""), "12 PARK PLACE DR||SPRINGFIELD|IL|62701");
    assert_eq!(key("12 Avenue", ""), "12 AVENUE||SPRINGFIELD|IL|62701");
    assert_eq!(key("12 Lower River Road", ""), "12 LOWER RIVER RD||SPRINGFIELD|IL|62701");
    assert_eq!(key("12 Key West Dr", ""), "12 KEY WEST DR||SPRINGFIELD|IL|62701");
    assert_eq!(key("12 Front Street", ""), "12 FRONT ST||SPRINGFIELD|IL|62701");
}

#[test]
fn city_state_and_zip_are_part_of_the_key() {
    let of = |city, state, zip| normalise("1 Elm St", "", city, state, zip);
    let expected = of("ST LOUIS", "MO", "63101");
    assert_eq!(of("Saint  Louis", "mo", "63101-1234"), expected);
    assert_eq!(of("St. Louis", " Mo ", "631011234"), expected);
    assert_ne!(of("St. Charles", "MO", "63101"), expected);
    assert_ne!(of("St. Louis", "IL", "63101"), expected);
    assert_ne!(of("St. Louis", "MO", "63102"), expected);
}

#[test]
fn a_second_line_that_is_no_unit_is_compared_as_it_is() {
    assert_eq!(key("1 Elm St", "c/o Doe"), "1 ELM ST C O DOE||SPRINGFIELD|IL|62701");
    assert_ne!(key("1 Elm St", "c/o Doe"), key("1 Elm St", ""));
}

#[test]
fn odd_input_has_a_key_too() {
    assert_eq!(normalise("", "", "", "", ""), "||||");
    assert_eq!(normalise("###", "|", "北京", "", "x"), "||北京||");
    assert_eq!(key("Apt", "Unit"), "APT UNIT||SPRINGFIELD|IL|62701");
}
