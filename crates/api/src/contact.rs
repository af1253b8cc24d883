//! People: telephone numbers, contacts and cards.

use std::ops::RangeInclusive;

use domain::event::{Address, Card, Contact};
use domain::ids::StateCode;
use domain::value::{Personal, Text, ValueError};
use phonenumber::{Mode, country};

use crate::field::Fields;
use crate::v1;

const MONTHS: RangeInclusive<u32> = 1..=12;

/// Reads a telephone number as a person writes it and keeps it as E.164 (ITU-T E.164). Without a
/// country code it is a US number.
pub fn phone(text: &str) -> Result<Personal, ValueError> {
    let refused = |_| ValueError::new("must be a telephone number");
    let number = phonenumber::parse(Some(country::US), text).map_err(refused)?;
    if !phonenumber::is_valid(&number) {
        return Err(ValueError::new("must be a telephone number that its country can assign"));
    }
    Personal::phone(&number.format().mode(Mode::E164).to_string())
}

/// Reads an e-mail address: something on both sides of the last `@`, no white space. Whether it
/// reaches anyone only a message can tell.
fn email(text: &str) -> Result<Personal, ValueError> {
    let shaped =
        text.rsplit_once('@').is_some_and(|(local, host)| !local.is_empty() && !host.is_empty())
            && !text.contains(char::is_whitespace);
    if !shaped {
        return Err(ValueError::new("must be an e-mail address"));
    }
    Personal::line(text)
}

/// Reads a ZIP (5 digits) or ZIP+4 (5, a hyphen, 4).
fn zip(text: &str) -> Result<Personal, ValueError> {
    let digits =
        |part: &str, length| part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
    let shaped = match text.split_once('-') {
        None => digits(text, 5),
        Some((five, four)) => digits(five, 5) && digits(four, 4),
    };
    if !shaped {
        return Err(ValueError::new("must be a ZIP of 5 digits, or ZIP+4"));
    }
    Personal::parse(text)
}

/// Reads `YYYY-MM`.
fn month(text: &str) -> Result<Text, ValueError> {
    let shaped = text.split_once('-').is_some_and(|(year, month)| {
        let digits =
            |part: &str, length| part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
        digits(year, 4) && digits(month, 2) && month.parse().is_ok_and(|m| MONTHS.contains(&m))
    });
    if !shaped {
        return Err(ValueError::new("must be a month, YYYY-MM"));
    }
    Text::parse(text)
}

fn last4(text: &str) -> Result<Personal, ValueError> {
    // The same shape: four digits, and no more of the number.
    Personal::ssn_last4(text)
}

fn address(fields: &mut Fields, message: &v1::Address) -> Option<Address> {
    let line1 = fields.parse("line1", &message.line1, Personal::line);
    let line2 = fields.parse_optional("line2", &message.line2, Personal::line);
    let city = fields.parse("city", &message.city, Personal::line);
    let state = fields.parse("state_code", &message.state_code, StateCode::parse);
    let zip = fields.parse("zip", &message.zip, zip);
    Some(Address { city: city?, line1: line1?, line2: line2?, state: state?, zip: zip? })
}

pub(crate) fn contact(fields: &mut Fields, message: &v1::Contact) -> Option<Contact> {
    let name = fields.parse("display_name", &message.display_name, Personal::line);
    let email = fields.parse("email", &message.email, email);
    let phone = fields.parse("phone", &message.phone, phone);
    let address = fields.message("address", message.address.as_ref(), address);
    Some(Contact { address: address?, email: email?, name: name?, phone: phone? })
}

pub(crate) fn card(fields: &mut Fields, message: &v1::Card) -> Option<Card> {
    let token = fields.parse("token", &message.token, Personal::card_token);
    let last4 = fields.parse("last4", &message.last4, last4);
    let expires = fields.parse("expires", &message.expires, month);
    Some(Card { expires: expires?, last4: last4?, token: token? })
}

/// Writes a contact that was opened. Only for callers who may read personal values.
pub fn contact_message(contact: &Contact) -> v1::Contact {
    let address = &contact.address;
    v1::Contact {
        display_name: personal(&contact.name),
        email: personal(&contact.email),
        phone: personal(&contact.phone),
        address: Some(v1::Address {
            line1: personal(&address.line1),
            line2: address.line2.as_ref().map(personal).unwrap_or_default(),
            city: personal(&address.city),
            state_code: address.state.as_str().to_owned(),
            zip: personal(&address.zip),
        }),
    }
}

/// A personal value for a message: empty while it is sealed, which it stays once its person was erased.
pub fn personal(value: &Personal) -> String {
    value.revealed().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phones_are_kept_as_e164() {
        // libphonenumber's examples: a US number with and without country code, and a UK number.
        for (written, kept) in [
            ("(201) 555-0123", "+12015550123"),
            ("201.555.0123", "+12015550123"),
            ("1 201 555 0123", "+12015550123"),
            ("+1 201-555-0123", "+12015550123"),
            ("+44 20 8366 1177", "+442083661177"),
        ] {
            assert_eq!(phone(written).unwrap().revealed(), Some(kept), "{written}");
        }
        for wrong in ["", "555-0123", "12", "none", "+1 201 555 012", "201 555 01234"] {
            assert!(phone(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn small_forms_are_checked() {
        assert!(zip("60601").is_ok() && zip("60601-0123").is_ok());
        assert!(zip("6060").is_err() && zip("60601-").is_err() && zip("606011234").is_err());
        assert!(month("2027-09").is_ok() && month("2027-13").is_err() && month("27-09").is_err());
        assert!(
            email("ada@lark.example").is_ok()
                && email("ada lark@x").is_err()
                && email("@x").is_err()
        );
    }
}
