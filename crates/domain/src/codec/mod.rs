//! The event codec: canonical JSON (RFC 8785) by construction.
//!
//! Objects are written with their keys already in order, integers only, no floats, no white space,
//! so the bytes written are the bytes hashed and no generic canonicaliser runs on the append path
//! (it costs more than everything else there together). A test holds these bytes equal to an
//! RFC 8785 library for every event. Reading is just as strict: bytes that this codec would not
//! have written are refused, never guessed at.
//!
//! [`record!`] defines a struct together with its stored form, [`codes!`] a closed set of words.

mod person;
mod read;
mod scalar;

mod write;

pub use person::value_of;
pub use read::{DecodeError, In};
pub(crate) use scalar::{hex, unhex};
pub use write::Out;

use crate::ids::DocumentHash;
use crate::value::Personal;

/// The largest integer magnitude that every JSON reader keeps exactly: 2^53 − 1 (RFC 8785 section
/// 3.2.2.3, RFC 7493 section 2.2). Nothing beyond it is ever written as a number.
pub const INTEGER_MAX: u64 = (1 << 53) - 1;

/// A value with exactly one stored form.
pub trait Field: Sized {
    /// Writes the stored form.
    fn put(&self, out: &mut Out);
    /// Reads the stored form back.
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError>;
    /// Whether an object leaves this member out altogether.
    fn is_absent(&self) -> bool {
        false
    }
    /// What a member that was left out stands for, if that is allowed.
    fn absent() -> Option<Self> {
        None
    }
    /// Shows every personal value in this one, in the order they are stored. Whatever may hold one
    /// passes it on; a record does by itself.
    fn each_personal(&mut self, _visit: &mut dyn FnMut(&mut Personal)) {}
    /// Shows every document that this value names. Whatever may name one passes it on, as above.
    fn each_document(&self, _visit: &mut dyn FnMut(DocumentHash)) {}
}

/// The stored form of a value on its own.
pub fn to_bytes<T: Field>(value: &T) -> Vec<u8> {
    let mut out = Out::default();
    value.put(&mut out);
    out.into_bytes()
}

/// Reads one value that must fill `bytes` exactly.
pub fn from_bytes<T: Field>(bytes: &[u8]) -> Result<T, DecodeError> {
    read_whole(In::new(bytes))
}

fn read_whole<T: Field>(mut input: In<'_>) -> Result<T, DecodeError> {
    let value = T::take(&mut input)?;
    input.end()?;
    Ok(value)
}

/// Reads a value from JSON as a person writes it: any order of keys and of sets, any white space. What is
/// written is checked as any text that comes in, which stored bytes were before they were stored.
pub fn from_json<T: Field>(json: &str) -> Result<T, DecodeError> {
    let value =
        value_of(json).map_err(|e| DecodeError::new(e.column(), format!("not JSON: {e}")))?;
    read_whole(In::of_a_person(&to_bytes(&value)))
}

/// Defines a struct whose members are declared in the order of their names, and its [`Field`].
macro_rules! record {
    ($(#[$meta:meta])* $vis:vis struct $Name:ident { $($(#[$fmeta:meta])* $field:ident : $ty:ty),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq, Eq)]
        #[allow(unreachable_pub, reason = "stored forms of foreign types stay inside the codec")]
        $vis struct $Name { $($(#[$fmeta])* pub $field: $ty),* }

        impl $crate::codec::Field for $Name {
            fn put(&self, out: &mut $crate::codec::Out) {
                out.open_object();
                $(out.member(stringify!($field), &self.$field);)*
                out.close_object();
            }
            fn take(input: &mut $crate::codec::In<'_>) -> Result<Self, $crate::codec::DecodeError> {
                input.open_object()?;
                $(let $field = input.member(stringify!($field))?;)*
                input.close_object()?;
                Ok(Self { $($field),* })
            }
            #[allow(unused_variables, reason = "a record may have no member")]
            fn each_personal(&mut self, visit: &mut dyn FnMut(&mut $crate::value::Personal)) {
                $(self.$field.each_personal(visit);)*
            }
            #[allow(unused_variables, reason = "as above")]
            fn each_document(&self, visit: &mut dyn FnMut($crate::ids::DocumentHash)) {
                $(self.$field.each_document(visit);)*
            }
        }
    };
}

/// Defines a closed set of words; the word is what is stored, shown and sent.
macro_rules! codes {
    ($(#[$meta:meta])* pub enum $Name:ident { $($(#[$vmeta:meta])* $Variant:ident = $code:literal),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $Name { $($(#[$vmeta])* $Variant),* }

        impl $Name {
            /// Every member, in order of declaration.
            pub const ALL: &'static [Self] = &[$(Self::$Variant),*];

            /// The stable word for this member.
            pub const fn code(self) -> &'static str {
                match self { $(Self::$Variant => $code),* }
            }

            /// The member for a word.
            pub fn from_code(code: &str) -> Option<Self> {
                match code { $($code => Some(Self::$Variant),)* _ => None }
            }
        }

        impl std::fmt::Display for $Name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.code())
            }
        }

        impl $crate::codec::Field for $Name {
            fn put(&self, out: &mut $crate::codec::Out) {
                out.string(self.code());
            }
            fn take(input: &mut $crate::codec::In<'_>) -> Result<Self, $crate::codec::DecodeError> {
                let word = input.string()?;
                Self::from_code(&word)
                    .ok_or_else(|| input.error(format!("{word:?} is no {}", stringify!($Name))))
            }
        }
    };
}

pub(crate) use {codes, record};

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    record! {
        /// A record with every shape a member can take.
        pub struct Sample {
            /// A list.
            list: Vec<i64>,
            /// A member that may be left out.
            maybe: Option<String>,
            /// Text.
            text: String,
        }
    }

    fn sample(text: &str) -> Sample {
        Sample { list: vec![1, -2, 0], maybe: None, text: text.into() }
    }

    #[test]
    fn bytes_are_what_an_rfc_8785_library_writes() {
        for text in
            ["plain", "quote \" back \\ tab \t bell \u{7} del \u{7f}", "é€😂\u{fb33}", "</script>"]
        {
            let bytes = to_bytes(&sample(text));
            let value: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
            assert_eq!(bytes, serde_json_canonicalizer::to_vec(&value).unwrap(), "{text:?}");
            assert_eq!(from_bytes::<Sample>(&bytes).unwrap(), sample(text));
        }
    }

    #[test]
    fn bytes_this_codec_would_not_write_are_refused() {
        for bad in [
            r#"{"list":[], "text":"x"}"#,
            r#"{"text":"x","list":[]}"#,
            r#"{"list":[],"text":"x","z":1}"#,
            r#"{"list":[01],"text":"x"}"#,
            r#"{"list":[-0],"text":"x"}"#,
            r#"{"list":[9007199254740993],"text":"x"}"#,
            r#"{"list":[],"text":"\u0041"}"#,
            r#"{"list":[],"text":"x"} "#,
            r#"{"list":[],"text":"x""#,
            r#"{"list":[]}"#,
            "",
        ] {
            assert!(from_bytes::<Sample>(bad.as_bytes()).is_err(), "{bad}");
        }
    }

    #[test]
    fn the_largest_integers_are_read_back_and_no_larger_one_is_written() {
        let most = i64::try_from(INTEGER_MAX).unwrap();
        for value in [most, -most, most - 1, 1 - most] {
            assert_eq!(from_bytes::<i64>(&to_bytes(&value)).unwrap(), value);
        }
        for beyond in [most + 1, -most - 1, i64::MAX, i64::MIN] {
            let written = std::panic::catch_unwind(|| to_bytes(&beyond));
            assert!(written.is_err(), "{beyond} was written");
        }
        for beyond in [INTEGER_MAX + 1, u64::MAX] {
            assert!(
                std::panic::catch_unwind(|| to_bytes(&beyond)).is_err(),
                "{beyond} was written"
            );
        }
    }

    #[test]
    fn a_set_has_one_spelling_though_people_may_write_it_in_any_order() {
        type Pairs = std::collections::BTreeMap<String, i64>;
        let set: BTreeSet<i64> = from_bytes(b"[1,2]").unwrap();
        assert_eq!(from_json::<BTreeSet<i64>>("[2, 1, 2]").unwrap(), set);
        for bad in ["[2,1]", "[1,1]", "[1,2,1]"] {
            assert!(from_bytes::<BTreeSet<i64>>(bad.as_bytes()).is_err(), "{bad}");
        }
        assert!(from_bytes::<Pairs>(br#"[["a",1],["b",1]]"#).is_ok());
        for bad in [r#"[["b",1],["a",1]]"#, r#"[["a",1],["a",2]]"#] {
            assert!(from_bytes::<Pairs>(bad.as_bytes()).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_person_may_write_it_loosely() {
        let loose = "{ \"text\": \"x\",\n \"list\": [ 1, 2 ] }";
        let value: Sample = from_json(loose).unwrap();
        assert_eq!(value.list, [1, 2]);
    }
}
