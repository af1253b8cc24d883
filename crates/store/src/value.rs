//! The values that columns hold, apart from any engine's types for them.

use calendar::{CivilDate, Clock};
use domain::account::{ChargebackStatus, InvoiceStatus};
use domain::case::{CaseStatus, ListingStatus, Step};
use domain::event::{
    Basis, BookAccount, ExposureKind, FailureReason, ItemKind, MailClass, MatchRule, MovementKind,
    Purpose, UtcMicros,
};
use domain::ids::{
    AccountId, BankCode, BankReference, BureauCode, CaseId, DepositId, EventId, ItemCode, PlanCode,
    ProcessorRef, RequestId,
};
use domain::media::MediaType;
use domain::money::Currency;
use domain::terms::Seat;
use log::StoreError;
use proof::Hash;
use uuid::Uuid;

/// A value as it is bound to a statement or read from a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Value {
    /// No value.
    Null,
    /// Yes or no.
    Bool(bool),
    /// A whole number; money in minor units.
    Integer(i64),
    /// Text.
    Text(String),
    /// An id.
    Id(Uuid),
    /// A SHA-256 hash.
    Hash([u8; 32]),
    /// A civil date.
    Date(CivilDate),
    /// Bytes of any number.
    Bytes(Vec<u8>),
    /// An instant.
    Time(UtcMicros),
    /// Ids that a statement lists, each engine in its own way.
    Ids(Vec<Uuid>),
    /// Hashes, likewise.
    Hashes(Vec<[u8; 32]>),
}

/// What a column holds, so that an engine knows which of its types to read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// See [`Value::Bool`].
    Bool,
    /// See [`Value::Integer`].
    Integer,
    /// See [`Value::Text`].
    Text,
    /// See [`Value::Id`].
    Id,
    /// See [`Value::Hash`].
    Hash,
    /// See [`Value::Date`].
    Date,
    /// See [`Value::Bytes`].
    Bytes,
    /// See [`Value::Time`].
    Time,
}

/// A column that does not hold what this code writes there.
#[derive(Debug, thiserror::Error)]
#[error("a stored value is not {wanted}")]
pub(crate) struct Malformed {
    /// What was wanted.
    pub(crate) wanted: &'static str,
}

/// A column that does not hold what this code writes there, as the engine hears of it.
pub(crate) fn malformed(wanted: &'static str) -> StoreError {
    let source = Malformed { wanted };
    StoreError::Internal { what: "a stored column".into(), source: Some(Box::new(source)) }
}

/// A position or count as a column holds it.
pub(crate) fn signed(number: u64) -> Result<i64, StoreError> {
    i64::try_from(number).map_err(|_| StoreError::internal("a number beyond a column's range"))
}

/// A position or count read back.
pub(crate) fn unsigned(number: i64) -> Result<u64, StoreError> {
    u64::try_from(number).map_err(|_| malformed("a count"))
}

/// The most rows of a page as a parameter.
pub(crate) fn rows_limit(rows: usize) -> Value {
    Value::Integer(i64::try_from(rows).unwrap_or(i64::MAX))
}

/// A Rust type that is one column.
pub(crate) trait Column: Sized {
    /// What the column holds.
    const KIND: Kind;
    /// The value to store.
    fn put(&self) -> Value;
    /// The value read back.
    fn take(value: Value) -> Result<Self, Malformed>;
}

impl<T: Column> Column for Option<T> {
    const KIND: Kind = T::KIND;
    fn put(&self) -> Value {
        self.as_ref().map_or(Value::Null, Column::put)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if value == Value::Null { Ok(None) } else { T::take(value).map(Some) }
    }
}

impl Column for bool {
    const KIND: Kind = Kind::Bool;
    fn put(&self) -> Value {
        Value::Bool(*self)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Bool(value) = value {
            Ok(value)
        } else {
            Err(Malformed { wanted: "yes or no" })
        }
    }
}

impl Column for i64 {
    const KIND: Kind = Kind::Integer;
    fn put(&self) -> Value {
        Value::Integer(*self)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Integer(value) = value {
            Ok(value)
        } else {
            Err(Malformed { wanted: "an integer" })
        }
    }
}

/// Unsigned numbers: counts, positions and versions, all far below the largest signed 64 bits.
macro_rules! unsigned {
    ($($Type:ty),*) => {$(
        impl Column for $Type {
            const KIND: Kind = Kind::Integer;
            fn put(&self) -> Value {
                Value::Integer(i64::try_from(*self).unwrap_or(i64::MAX))
            }
            fn take(value: Value) -> Result<Self, Malformed> {
                let number = i64::take(value)?;
                Self::try_from(number).map_err(|_| Malformed { wanted: "a count in range" })
            }
        }
    )*};
}

unsigned!(u8, u16, u32, u64);

impl Column for String {
    const KIND: Kind = Kind::Text;
    fn put(&self) -> Value {
        Value::Text(self.clone())
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Text(value) = value { Ok(value) } else { Err(Malformed { wanted: "text" }) }
    }
}

impl Column for CivilDate {
    const KIND: Kind = Kind::Date;
    fn put(&self) -> Value {
        Value::Date(*self)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Date(value) = value { Ok(value) } else { Err(Malformed { wanted: "a date" }) }
    }
}

impl Column for Hash {
    const KIND: Kind = Kind::Hash;
    fn put(&self) -> Value {
        Value::Hash(*self.as_bytes())
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Hash(hash) = value {
            Ok(hash.into())
        } else {
            Err(Malformed { wanted: "a hash" })
        }
    }
}

impl Column for Vec<u8> {
    const KIND: Kind = Kind::Bytes;
    fn put(&self) -> Value {
        Value::Bytes(self.clone())
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Bytes(bytes) = value { Ok(bytes) } else { Err(Malformed { wanted: "bytes" }) }
    }
}

impl Column for UtcMicros {
    const KIND: Kind = Kind::Time;
    fn put(&self) -> Value {
        Value::Time(*self)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Time(time) = value { Ok(time) } else { Err(Malformed { wanted: "a time" }) }
    }
}

impl Column for Uuid {
    const KIND: Kind = Kind::Id;
    fn put(&self) -> Value {
        Value::Id(*self)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Id(id) = value { Ok(id) } else { Err(Malformed { wanted: "an id" }) }
    }
}

/// Ids.
macro_rules! ids {
    ($($Type:ident),*) => {$(
        impl Column for $Type {
            const KIND: Kind = Kind::Id;
            fn put(&self) -> Value {
                Value::Id(self.0)
            }
            fn take(value: Value) -> Result<Self, Malformed> {
                Uuid::take(value).map(Self)
            }
        }
    )*};
}

ids!(CaseId, AccountId, DepositId, EventId, RequestId);

/// Codes that callers choose.
macro_rules! chosen {
    ($($Type:ident),*) => {$(
        impl Column for $Type {
            const KIND: Kind = Kind::Text;
            fn put(&self) -> Value {
                Value::Text(self.as_str().to_owned())
            }
            fn take(value: Value) -> Result<Self, Malformed> {
                Self::parse(&String::take(value)?).map_err(|_| Malformed { wanted: stringify!($Type) })
            }
        }
    )*};
}

chosen!(BankCode, BankReference, BureauCode, ItemCode, PlanCode, ProcessorRef, Currency);

/// Closed sets of words.
macro_rules! words {
    ($($Type:ident by $code:ident),*) => {$(
        impl $crate::value::Column for $Type {
            const KIND: $crate::value::Kind = $crate::value::Kind::Text;
            fn put(&self) -> $crate::value::Value {
                $crate::value::Value::Text(self.$code().to_owned())
            }
            fn take(value: $crate::value::Value) -> Result<Self, $crate::value::Malformed> {
                let word = <String as $crate::value::Column>::take(value)?;
                Self::from_code(&word).ok_or($crate::value::Malformed { wanted: stringify!($Type) })
            }
        }
    )*};
}
pub(crate) use words;

words!(
    CaseStatus by code,
    Seat by code,
    ListingStatus by code,
    ItemKind by code,
    Basis by code,
    MailClass by code,
    MediaType by code,
    Step by code,
    ExposureKind by code,
    FailureReason by code,
    InvoiceStatus by code,
    ChargebackStatus by code,
    BookAccount by code,
    MovementKind by code,
    MatchRule by code,
    Purpose by code,
    Clock by as_code
);
