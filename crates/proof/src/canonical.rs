//! Canonical JSON, RFC 8785: the one spelling of a document that is hashed.
//!
//! The library that sorts and writes follows the RFC and turns every number into a double, which
//! would silently round a large integer, and the reader it is fed from keeps the last of two equal
//! keys. Both lose facts, so both are refused here first.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// Largest integer, of either sign, that may appear as a number: 2^53. Beyond it two integers can
/// share one double. Larger values travel as strings.
pub const INTEGER_MAX: i64 = 1 << 53;

/// [`INTEGER_MAX`] as the double it is exactly.
const INTEGER_MAX_DOUBLE: f64 = 9_007_199_254_740_992.0;
/// From here on the canonical form of a number has an exponent and is no integer token any more
/// (RFC 8785 section 3.2.2.3, which takes ECMAScript's number-to-text).
const EXPONENT_FROM: f64 = 1e21;

/// Text that has no canonical form here.
#[derive(Debug, thiserror::Error)]
pub enum CanonicalError {
    /// Not JSON, a key that stands twice in one object, or a number no double can hold.
    #[error("the text is not JSON with unique keys")]
    Json(#[source] serde_json::Error),
    /// A number whose canonical form would be an integer beyond ±2^53, or an integer already
    /// written so large.
    #[error("the number at byte {offset} is an integer beyond 2^53 and would be rounded")]
    IntegerTooLarge {
        /// Where the number starts in the text.
        offset: usize,
    },
}

/// The canonical bytes of a JSON text, RFC 8785.
///
/// Stricter than the RFC in two points: integers beyond ±2^53 (however written, up to where the
/// canonical form takes an exponent) and duplicate keys are refused. What this returns always
/// satisfies [`is_canonical`].
pub fn canonicalize(json: &str) -> Result<Vec<u8>, CanonicalError> {
    let Unique(value) = serde_json::from_str(json).map_err(CanonicalError::Json)?;
    refuse_large_integers(json)?;
    serde_json_canonicalizer::to_vec(&value).map_err(CanonicalError::Json)
}

/// Whether these bytes are their own canonical form.
pub fn is_canonical(bytes: &[u8]) -> bool {
    std::str::from_utf8(bytes)
        .ok()
        .and_then(|json| canonicalize(json).ok())
        .is_some_and(|canonical| canonical == bytes)
}

/// Looks at the number tokens of a text already known to be JSON. The parsed value would be too
/// late: the reader turns integers beyond 64 bits into doubles without a word.
fn refuse_large_integers(json: &str) -> Result<(), CanonicalError> {
    let bytes = json.as_bytes();
    let mut offset = 0;
    while offset < bytes.len() {
        offset += match bytes[offset] {
            b'"' => string_length(&bytes[offset..]),
            b'-' | b'0'..=b'9' => {
                let length = number_length(&bytes[offset..]);
                if is_too_large(&json[offset..offset + length]) {
                    return Err(CanonicalError::IntegerTooLarge { offset });
                }
                length
            }
            _ => 1,
        };
    }
    Ok(())
}

/// Bytes of the string literal at the start, both quotes included.
fn string_length(bytes: &[u8]) -> usize {
    let mut at = 1;
    while at < bytes.len() && bytes[at] != b'"' {
        at += if bytes[at] == b'\\' { 2 } else { 1 };
    }
    at + 1
}

/// Bytes of the number literal at the start.
fn number_length(bytes: &[u8]) -> usize {
    let part = |b: &&u8| matches!(**b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E');
    bytes.iter().take_while(part).count()
}

fn is_too_large(number: &str) -> bool {
    if number.contains(['.', 'e', 'E']) {
        number
            .parse::<f64>()
            .is_ok_and(|value| value.abs() > INTEGER_MAX_DOUBLE && value.abs() < EXPONENT_FROM)
    } else {
        // An integer that does not even fit 64 bits does not parse.
        number
            .parse::<i64>()
            .map_or(true, |value| value.unsigned_abs() > INTEGER_MAX.unsigned_abs())
    }
}

/// A JSON value read so that a key standing twice is an error.
struct Unique(Value);

impl<'de> Deserialize<'de> for Unique {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(UniqueVisitor).map(Self)
    }
}

struct UniqueVisitor;

impl<'de> Visitor<'de> for UniqueVisitor {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value whose objects have unique keys")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: de::Error>(self, value: f64) -> Result<Value, E> {
        let number = Number::from_f64(value).ok_or_else(|| E::custom("number is not finite"))?;
        Ok(Value::Number(number))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(Value::String(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut items = Vec::new();
        while let Some(Unique(item)) = seq.next_element()? {
            items.push(item);
        }
        Ok(Value::Array(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let mut members = BTreeMap::new();
        while let Some((key, Unique(value))) = map.next_entry::<String, Unique>()? {
            if members.insert(key, value).is_some() {
                return Err(de::Error::custom("a key stands twice in one object"));
            }
        }
        Ok(Value::Object(members.into_iter().collect::<Map<_, _>>()))
    }
}
