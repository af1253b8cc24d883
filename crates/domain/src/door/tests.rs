//! What is refused at the door, and what must pass.

use super::{DoorFinding, ZEROS, digit_value, inspect};

/// Numbers that card processors publish for tests (from memory).
const TEST_CARDS: [&str; 12] = [
    "4111111111111111",
    "4012888888881881",
    "4222222222222",
    "378282246310005",
    "371449635398431",
    "6011111111111117",
    "6011000990139424",
    "5555555555554444",
    "5105105105105100",
    "2223003122003222",
    "30569309025904",
    "3530111333300000",
];

fn assert_all(texts: &[&str], finding: Option<DoorFinding>) {
    for text in texts {
        assert_eq!(inspect(text), finding, "{text}");
    }
}

fn grouped(number: &str, size: usize, separator: &str) -> String {
    let digits: Vec<char> = number.chars().collect();
    let groups: Vec<String> = digits.chunks(size).map(|group| group.iter().collect()).collect();
    groups.join(separator)
}

#[test]
fn published_test_cards_are_refused_bare_and_inside_text() {
    for card in TEST_CARDS {
        let texts = [
            card.to_owned(),
            format!("charged card {card}, thanks"),
            format!("card{card}exp"),
            format!("2026-03-02 {card} 12/27"),
            format!("{card} 123"),
        ];
        for text in texts {
            assert_eq!(inspect(&text), Some(DoorFinding::CardNumber), "{text}");
        }
    }
}

#[test]
fn cards_are_refused_with_any_separator() {
    for card in TEST_CARDS {
        for separator in [" ", "-", ".", "\u{a0}", "\u{2013}", "\u{2009}", " \u{200b}", "\u{b7}"] {
            for size in [1, 4, 5] {
                let text = grouped(card, size, separator);
                assert_eq!(inspect(&text), Some(DoorFinding::CardNumber), "{text}");
            }
        }
    }
}

#[test]
fn cards_as_printed_are_refused_among_other_numbers() {
    assert_all(
        &[
            "3782 822463 10005",
            "4111 - 1111 - 1111 - 1111",
            "4111-1111 1111-1111",
            "4111\n1111\n1111\n1111",
            "4111 1111 1111 1111 12/27",
            "4111 1111 1111 1111 12 27 123",
            "4111-1111-1111-1111 5555-5555-5555-4445",
            "5555 5555 5555 4445 4111 1111 1111 1111",
            "2026-03-02 4111 1111 1111 1111",
            "411111-1111111111",
        ],
        Some(DoorFinding::CardNumber),
    );
}

#[test]
fn digits_of_other_scripts_and_hidden_characters_do_not_slip_past() {
    for zero in ZEROS {
        let foreign: String = "4111111111111111"
            .chars()
            .map(|c| char::from_u32(zero + c.to_digit(10).unwrap()).unwrap())
            .collect();
        assert_eq!(inspect(&foreign), Some(DoorFinding::CardNumber), "zero at {zero:x}");
    }
    for hidden in ['\u{200b}', '\u{200d}', '\u{2060}', '\u{feff}', '\u{ad}', '\u{fe0f}'] {
        let text = grouped("4111111111111111", 1, &hidden.to_string());
        assert_eq!(inspect(&text), Some(DoorFinding::CardNumber), "{hidden:?}");
    }
    let keycaps = grouped("123456789", 1, "\u{fe0f}\u{20e3}");
    assert_eq!(inspect(&keycaps), Some(DoorFinding::SocialSecurityNumber));
    assert_eq!(inspect("ＣＶＶ：１２３"), Some(DoorFinding::CardCode));
    assert_eq!(
        inspect("\u{b9}\u{b2}\u{b3}-\u{2084}\u{2085}-6789"),
        Some(DoorFinding::SocialSecurityNumber)
    );
}

#[test]
fn every_digit_of_every_script_has_its_value() {
    assert!(ZEROS.is_sorted());
    for zero in ZEROS {
        let values: Vec<_> =
            (zero..zero + 10).map(|c| digit_value(char::from_u32(c).unwrap())).collect();
        assert_eq!(values, (0..10).map(Some).collect::<Vec<_>>());
    }
    for other in ['a', 'é', '\u{65f}', '\u{66a}', '\u{ff0f}', '\u{ff1a}', '½'] {
        assert_eq!(digit_value(other), None, "{other}");
    }
}

#[test]
fn numbers_that_fail_luhn_or_have_another_length_pass() {
    assert_all(
        &[
            "4111111111111112",
            "4111 1111 1111 1112",
            "0000000000000000",
            "1111 1111 1111 1111",
            "411111111111",
            "41111111111111111111",
        ],
        None,
    );
}

#[test]
fn card_codes_are_refused() {
    assert_all(
        &[
            "CVV 123",
            "cvv:1234",
            "CVV123",
            "cvv2 is 123",
            "CVV2: 987.",
            "cvc=000",
            "CSC - 999",
            "her cid (front) 1234",
            "Card code: 321",
            "security-code 123",
            "Security  Code on the back: 123",
            "verification code was 123, exp 12/27",
            "CVV\n123",
            "cvv/cvc 123",
        ],
        Some(DoorFinding::CardCode),
    );
}

#[test]
fn numbers_near_other_words_are_no_card_codes() {
    assert_all(
        &[
            "incident 123",
            "decided 1234",
            "placid 123",
            "verification code 123456",
            "CVV 12",
            "cvv not given; called 2026-03-02",
            "CVV mismatch. Letter 123 sent",
            "cvv 2026-03-02",
            "cvv fee $123",
            "cvvx 123",
            "Schedule C ID 1234",
            "the security code was not asked for, room 123",
        ],
        None,
    );
}

#[test]
fn social_security_numbers_are_refused() {
    assert_all(
        &[
            "123-45-6789",
            "123 45 6789",
            "123.45.6789",
            "123\u{2011}45\u{2013}6789",
            "123456789",
            "SSN:123456789",
            "SSN123456789.",
            "899-99-9999",
            "123-45-6789 2026-03-02",
            "born 1980 123 45 6789",
            "+12015550123 123-45-6789",
        ],
        Some(DoorFinding::SocialSecurityNumber),
    );
}

#[test]
fn numbers_never_issued_are_no_social_security_numbers() {
    assert_all(
        &[
            "000-45-6789",
            "666-45-6789",
            "900-45-6789",
            "999456789",
            "123-00-6789",
            "123-45-0000",
            "1234567890",
            "12345678",
            "12-345-6789",
        ],
        None,
    );
}

#[test]
fn numbers_of_daily_work_pass() {
    assert_all(
        &[
            "",
            "no digits at all",
            "Apt 12",
            "+12015550123",
            "(201) 555-0123",
            "1 201 555 0123",
            "201.555.0123",
            "called 2026-03-02 201-555-0123",
            "201 555 0123 201 555 0124",
            "+44 201 55 5012",
            "12345-6789",
            "1200 Main St, Springfield, IL 62701-1234",
            "2026-03-02",
            "03/02/2026 10:15:30",
            "2026-03-02T10:15:30.123456Z",
            "550e8400-e29b-41d4-a716-446655440000",
            "41111111-1111-1111-a111-111111111111",
            "01890000-0000-7000-8000-000000000000",
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            "94001000000000000000000",
            "9400 1111 1111 1111 1111 11",
            "RA123456789US",
            "1Z999AA10123456784",
            "card ending 1111, exp 12/27",
            "$1,234.56 and $49.00",
            "account ****6789, last four 6789",
            "SSN last four 6789",
        ],
        None,
    );
}

#[test]
fn the_rule_never_carries_a_digit_of_the_value() {
    let rule = inspect("4111 1111 1111 1111").unwrap().rule();
    assert!(rule.contains("PCI DSS") && !rule.contains("4111"));
}

#[test]
fn long_hostile_texts_take_no_long_time() {
    // A quadratic search would take minutes for each.
    for piece in ["cvv ", "security ", "c-", "1 ", "1234-", "4111 1111 ", "0-0.", "a1"] {
        let text = piece.repeat(100_000 / piece.len());
        let _ = inspect(&text);
    }
}
