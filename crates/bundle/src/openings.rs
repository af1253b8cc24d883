//! Sealed personal values, and the keys that open single ones of them.
//!
//! A value is sealed as `{"sealed":"TOKEN"}`, the token being base64url (RFC 4648 section 5) without
//! padding of nonce (24 bytes), commitment (32), ciphertext and tag (16): XChaCha20-Poly1305
//! (draft-irtf-cfrg-xchacha) under the value's own key. The nonce names the event and which of its
//! values this is, the associated data the firm and the stream, and the commitment the key; so one
//! key opens exactly one value, and no other text can be shown for it.

use std::collections::BTreeMap;
use std::fmt;

use domain::ids::{EventId, FirmId};
use serde_json::{Value, json};
use vault::SealedError;

use crate::envelope::Envelope;

/// Most openings of a bundle.
pub const OPENINGS_MAX: usize = 100_000;

/// The key of one sealed value.
#[derive(Clone, PartialEq, Eq)]
pub struct ValueKey(pub [u8; 32]);

impl fmt::Debug for ValueKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("····")
    }
}

/// Keys by the position of the event and the ordinal of the value among those sealed in it, from
/// zero in the order of the canonical bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Openings(BTreeMap<(u64, u64), ValueKey>);

/// A line of `openings.jsonl` that is not one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OpeningsError {
    /// Not the canonical form of an opening.
    #[error("line {line} is not an opening in canonical form")]
    Line {
        /// Counted from 1.
        line: usize,
    },
    /// Lines do not rise by position and ordinal.
    #[error("line {line} does not come after the line before it")]
    Order {
        /// Counted from 1.
        line: usize,
    },
    /// Beyond [`OPENINGS_MAX`].
    #[error("there are more than {OPENINGS_MAX} openings")]
    TooMany,
}

impl Openings {
    /// Adds the key of a value; nothing changes beyond [`OPENINGS_MAX`].
    pub fn insert(
        &mut self,
        position: u64,
        ordinal: u64,
        key: ValueKey,
    ) -> Result<(), OpeningsError> {
        if self.0.len() >= OPENINGS_MAX {
            return Err(OpeningsError::TooMany);
        }
        self.0.insert((position, ordinal), key);
        Ok(())
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }

    /// The keys of one event's values.
    pub(crate) fn of_event(&self, position: u64) -> impl Iterator<Item = (u64, &ValueKey)> {
        let of_event = self.0.range((position, 0)..=(position, u64::MAX));
        of_event.map(|((_, ordinal), key)| (*ordinal, key))
    }

    /// `openings.jsonl`: one line each, by position and ordinal.
    pub(crate) fn to_lines(&self) -> String {
        let mut lines = String::new();
        for ((position, ordinal), key) in &self.0 {
            lines.push_str(&line(*position, *ordinal, key));
            lines.push('\n');
        }
        lines
    }

    /// Reads `openings.jsonl`.
    pub(crate) fn from_lines(text: &str) -> Result<Self, OpeningsError> {
        let mut openings = Self::default();
        let mut last = None;
        for (number, text) in text.split_terminator('\n').enumerate() {
            let at = number + 1;
            let (place, key) = parse(text).ok_or(OpeningsError::Line { line: at })?;
            if last.is_some_and(|last| last >= place) {
                return Err(OpeningsError::Order { line: at });
            }
            last = Some(place);
            openings.insert(place.0, place.1, key)?;
        }
        Ok(openings)
    }
}

fn line(position: u64, ordinal: u64, key: &ValueKey) -> String {
    // serde_json keeps members in the order of their names: this is the canonical form.
    json!({"ordinal": ordinal, "position": position, "value_key": hex::encode(key.0)}).to_string()
}

fn parse(text: &str) -> Option<((u64, u64), ValueKey)> {
    let value: Value = serde_json::from_str(text).ok()?;
    let place = (value.get("position")?.as_u64()?, value.get("ordinal")?.as_u64()?);
    let mut key = [0; 32];
    hex::decode_to_slice(value.get("value_key")?.as_str()?, &mut key).ok()?;
    let key = ValueKey(key);
    (line(place.0, place.1, &key) == text).then_some((place, key))
}

/// Why a key does not open a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// The event has no such value.
    #[error("the event has no sealed value of this ordinal")]
    NoValue,
    /// The token is not one.
    #[error("the value is not sealed as the format says")]
    Form,
    /// The nonce is of another event or value.
    #[error("the value was sealed for another place")]
    Place,
    /// The commitment is to another key.
    #[error("the key is not the one the value is committed to")]
    Commitment,
    /// The key, the place or the bytes are not those that were sealed.
    #[error("the value does not open under this key")]
    Sealed,
}

/// A value that was opened.
pub(crate) struct Opened {
    path: String,
    pub(crate) text: String,
}

impl Opened {
    /// Whether it is the client's name.
    pub(crate) fn is_name(&self) -> bool {
        self.path == "/contact/name"
    }
}

/// Opens the values of one event that keys are given for.
pub(crate) fn open_event<'k>(
    firm: FirmId,
    envelope: &Envelope<'_>,
    keys: impl Iterator<Item = (u64, &'k ValueKey)>,
) -> Vec<(u64, Result<Opened, OpenError>)> {
    let mut keys = keys.peekable();
    if keys.peek().is_none() {
        return Vec::new();
    }
    let mut values = Vec::new();
    if let Ok(payload) = serde_json::from_str(envelope.payload) {
        sealed_values(&payload, String::new(), &mut values);
    }
    let event = EventId::parse(envelope.event_id).ok();
    let data = format!("{firm}/{}", envelope.stream);
    let open = |(ordinal, key): (u64, &ValueKey)| {
        let value = usize::try_from(ordinal).ok().and_then(|place| values.get(place));
        let opened = match (value, event) {
            (Some((path, token)), Some(event)) => open(token, key, event, ordinal, &data)
                .map(|text| Opened { path: path.clone(), text }),
            (None, _) | (_, None) => Err(OpenError::NoValue),
        };
        (ordinal, opened)
    };
    keys.map(open).collect()
}

/// Every sealed value with its path, in the order of the canonical bytes.
fn sealed_values(value: &Value, path: String, found: &mut Vec<(String, String)>) {
    match value {
        Value::Object(members) => {
            if let (1, Some(Value::String(token))) = (members.len(), members.get("sealed")) {
                found.push((path, token.clone()));
                return;
            }
            for (key, member) in members {
                sealed_values(member, format!("{path}/{key}"), found);
            }
        }
        Value::Array(list) => {
            for (place, element) in list.iter().enumerate() {
                sealed_values(element, format!("{path}/{place}"), found);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Opens one token.
fn open(
    token: &str,
    key: &ValueKey,
    event: EventId,
    ordinal: u64,
    data: &str,
) -> Result<String, OpenError> {
    let place = vault::place_of(token).map_err(|_| OpenError::Form)?;
    if place != (event.0.into_bytes(), ordinal) {
        return Err(OpenError::Place);
    }
    match vault::ValueKey::from_bytes(key.0).open(data, token) {
        Ok(text) => Ok(text.as_str().to_owned()),
        Err(SealedError::Malformed) => Err(OpenError::Form),
        Err(SealedError::OtherKey) => Err(OpenError::Commitment),
        Err(SealedError::Altered) => Err(OpenError::Sealed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    /// A sealed value and its key.
    fn seal(text: &str, event: EventId, ordinal: u64, data: &str) -> (String, ValueKey) {
        let person = vault::PersonKey::from_bytes([9; 32]);
        let place = vault::Place { scope: data, event: event.0.into_bytes(), ordinal };
        let token = person.seal(&place, text);
        let key = person.value_key(&token).unwrap().to_bytes();
        (token, ValueKey(key))
    }

    #[test]
    fn one_key_opens_one_value_in_its_place() {
        let event = EventId(Uuid::from_u128(7));
        let data = "00000000-0000-0000-0000-0000000000f1/case/00000000-0000-0000-0000-00000000c000";
        let (token, key) = seal("Ada Lark", event, 3, data);
        assert_eq!(open(&token, &key, event, 3, data).unwrap(), "Ada Lark");
        assert_eq!(open(&token, &key, event, 4, data), Err(OpenError::Place));
        let other = EventId(Uuid::from_u128(8));
        assert_eq!(open(&token, &key, other, 3, data), Err(OpenError::Place));
        assert_eq!(open(&token, &ValueKey([8; 32]), event, 3, data), Err(OpenError::Commitment));
        assert_eq!(open(&token, &key, event, 3, "elsewhere"), Err(OpenError::Sealed));
        assert_eq!(open("AAAA", &key, event, 3, data), Err(OpenError::Form));
    }

    #[test]
    fn values_are_counted_in_the_order_of_the_bytes() {
        let payload = serde_json::json!({
            "birth_date": {"sealed": "a"},
            "contact": {"address": {"city": {"sealed": "b"}}, "name": {"sealed": "c"}},
            "list": [{"sealed": "d"}, {"sealed": "e", "other": 1}],
        });
        let mut found = Vec::new();
        sealed_values(&payload, String::new(), &mut found);
        let paths: Vec<&str> = found.iter().map(|(path, _)| path.as_str()).collect();
        assert_eq!(paths, ["/birth_date", "/contact/address/city", "/contact/name", "/list/0"]);
    }

    #[test]
    fn lines_have_one_spelling_and_one_order() {
        let mut openings = Openings::default();
        openings.insert(12, 1, ValueKey([0xab; 32])).unwrap();
        openings.insert(12, 0, ValueKey([0xcd; 32])).unwrap();
        let lines = openings.to_lines();
        assert!(
            lines.starts_with("{\"ordinal\":0,\"position\":12,\"value_key\":\"cdcd"),
            "{lines}"
        );
        assert_eq!(Openings::from_lines(&lines).unwrap(), openings);
        let twice = format!("{lines}{lines}");
        assert_eq!(Openings::from_lines(&twice), Err(OpeningsError::Order { line: 3 }));
        let loose = lines.replacen(',', ", ", 1);
        assert_eq!(Openings::from_lines(&loose), Err(OpeningsError::Line { line: 1 }));
    }
}
