//! Stored events and canonical JSON.

use domain::event::{Recorded, StreamId};
use proof::canonical::{canonicalize, is_canonical};

/// What is read is written back as the same bytes, which are those of RFC 8785; anything else is
/// refused and says why.
pub(crate) fn event(bytes: &[u8]) {
    let recorded = match Recorded::from_bytes(bytes) {
        Ok(recorded) => recorded,
        Err(error) => return crate::check_words(&error.to_string()),
    };
    let value: serde_json::Value =
        serde_json::from_slice(bytes).expect("another reader takes what the codec takes");
    let written = recorded.to_bytes();
    if value["event_version"] == recorded.event.type_version() {
        assert_eq!(String::from_utf8_lossy(bytes), String::from_utf8_lossy(&written));
        assert!(is_canonical(bytes), "{value}");
    }
    assert_eq!(Recorded::from_bytes(&written).as_ref(), Ok(&recorded));
    assert_eq!(StreamId::parse(&recorded.stream.to_string()), Some(recorded.stream));
}

/// The canonical form is its own, and says what the text said.
pub(crate) fn canonical(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        assert!(!is_canonical(bytes));
        return;
    };
    match canonicalize(text) {
        Ok(canonical) => {
            assert!(is_canonical(&canonical), "{text}");
            let said: serde_json::Value = serde_json::from_str(text).expect("it was read");
            let kept: serde_json::Value = serde_json::from_slice(&canonical).expect("it is JSON");
            assert!(is_same(&said, &kept), "{said} became {kept}");
        }
        Err(error) => crate::check_words(&error.to_string()),
    }
}

/// Whether two values are the same to a reader whose numbers are doubles.
fn is_same(one: &serde_json::Value, other: &serde_json::Value) -> bool {
    use serde_json::Value::{Array, Object};
    match (one, other) {
        (Array(one), Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(a, b)| is_same(a, b))
        }
        (Object(one), Object(other)) => {
            one.len() == other.len()
                && one.iter().all(|(key, a)| other.get(key).is_some_and(|b| is_same(a, b)))
        }
        _ if one.is_number() && other.is_number() => one.as_f64() == other.as_f64(),
        _ => one == other,
    }
}
