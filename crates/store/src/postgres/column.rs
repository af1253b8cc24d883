//! Values as this engine takes and gives them: single ones, and columns of many rows as arrays.

use calendar::CivilDate;
use domain::event::UtcMicros;
use log::StoreError;
use sqlx::encode::IsNull;
use sqlx::error::BoxDynError;
use sqlx::postgres::types::Oid;
use sqlx::postgres::{PgArgumentBuffer, PgArguments, PgRow, PgTypeInfo};
use sqlx::types::chrono::{DateTime, Utc};
use sqlx::{Arguments as _, Encode, Row as _, Type};
use uuid::Uuid;

use super::error::failed;
use super::malformed;
use crate::value::{Kind, Value};

/// NULL of whatever type the server finds it to be from where it stands.
struct Untyped;

impl Type<sqlx::Postgres> for Untyped {
    fn type_info() -> PgTypeInfo {
        // "Placing a zero here is equivalent to leaving the type unspecified":
        // <https://www.postgresql.org/docs/current/protocol-message-formats.html>, Parse.
        PgTypeInfo::with_oid(Oid(0))
    }
}

impl Encode<'_, sqlx::Postgres> for Untyped {
    fn encode_by_ref(&self, _: &mut PgArgumentBuffer) -> Result<IsNull, BoxDynError> {
        Ok(IsNull::Yes)
    }
}

pub(super) fn add<'t, T>(arguments: &mut PgArguments, value: T) -> Result<(), StoreError>
where
    T: Encode<'t, sqlx::Postgres> + Type<sqlx::Postgres>,
{
    arguments.add(value).map_err(|source| StoreError::Internal {
        what: "a value to bind".into(),
        source: Some(source),
    })
}

/// Both count whole microseconds, so that nothing is rounded.
pub(super) fn time(micros: UtcMicros) -> Result<DateTime<Utc>, StoreError> {
    DateTime::from_timestamp_micros(micros.0)
        .ok_or_else(|| StoreError::internal("a time beyond a column's range"))
}

/// Values as this engine takes them.
pub(super) fn bind(values: impl IntoIterator<Item = Value>) -> Result<PgArguments, StoreError> {
    let mut arguments = PgArguments::default();
    for value in values {
        match value {
            Value::Null => add(&mut arguments, Untyped),
            Value::Bool(value) => add(&mut arguments, value),
            Value::Integer(value) => add(&mut arguments, value),
            Value::Text(value) => add(&mut arguments, value),
            Value::Id(value) => add(&mut arguments, value),
            Value::Hash(value) => add(&mut arguments, value.as_slice()),
            Value::Date(value) => add(&mut arguments, value),
            Value::Bytes(value) => add(&mut arguments, value),
            Value::Time(value) => add(&mut arguments, time(value)?),
            Value::Ids(ids) => add(&mut arguments, ids),
            Value::Hashes(hashes) => {
                let hashes: Vec<&[u8]> = hashes.iter().map(<[u8; 32]>::as_slice).collect();
                add(&mut arguments, hashes)
            }
        }?;
    }
    Ok(arguments)
}

/// One column of many rows, NULL where a row has nothing.
enum Array {
    Bool(Vec<Option<bool>>),
    Integer(Vec<Option<i64>>),
    Text(Vec<Option<String>>),
    Id(Vec<Option<Uuid>>),
    Date(Vec<Option<CivilDate>>),
    Bytes(Vec<Option<Vec<u8>>>),
    Time(Vec<Option<DateTime<Utc>>>),
}

impl Array {
    fn new(kind: Kind, rows: usize) -> Self {
        match kind {
            Kind::Bool => Self::Bool(Vec::with_capacity(rows)),
            Kind::Integer => Self::Integer(Vec::with_capacity(rows)),
            Kind::Text => Self::Text(Vec::with_capacity(rows)),
            Kind::Id => Self::Id(Vec::with_capacity(rows)),
            Kind::Date => Self::Date(Vec::with_capacity(rows)),
            Kind::Hash | Kind::Bytes => Self::Bytes(Vec::with_capacity(rows)),
            Kind::Time => Self::Time(Vec::with_capacity(rows)),
        }
    }

    fn push(&mut self, value: Value) -> Result<(), StoreError> {
        match (self, value) {
            (Self::Bool(values), Value::Bool(value)) => values.push(Some(value)),
            (Self::Integer(values), Value::Integer(value)) => values.push(Some(value)),
            (Self::Text(values), Value::Text(value)) => values.push(Some(value)),
            (Self::Id(values), Value::Id(value)) => values.push(Some(value)),
            (Self::Bytes(values), Value::Hash(value)) => values.push(Some(value.to_vec())),
            (Self::Date(values), Value::Date(value)) => values.push(Some(value)),
            (Self::Bytes(values), Value::Bytes(value)) => values.push(Some(value)),
            (Self::Time(values), Value::Time(value)) => values.push(Some(time(value)?)),
            (Self::Bool(values), Value::Null) => values.push(None),
            (Self::Integer(values), Value::Null) => values.push(None),
            (Self::Text(values), Value::Null) => values.push(None),
            (Self::Id(values), Value::Null) => values.push(None),
            (Self::Date(values), Value::Null) => values.push(None),
            (Self::Bytes(values), Value::Null) => values.push(None),
            (Self::Time(values), Value::Null) => values.push(None),
            (
                Self::Bool(_)
                | Self::Integer(_)
                | Self::Text(_)
                | Self::Id(_)
                | Self::Date(_)
                | Self::Bytes(_)
                | Self::Time(_),
                Value::Bool(_)
                | Value::Integer(_)
                | Value::Text(_)
                | Value::Id(_)
                | Value::Hash(_)
                | Value::Date(_)
                | Value::Bytes(_)
                | Value::Time(_)
                | Value::Ids(_)
                | Value::Hashes(_),
            ) => return Err(StoreError::internal("a value of another kind than its column")),
        }
        Ok(())
    }

    fn add_to(self, arguments: &mut PgArguments) -> Result<(), StoreError> {
        match self {
            Self::Bool(values) => add(arguments, values),
            Self::Integer(values) => add(arguments, values),
            Self::Text(values) => add(arguments, values),
            Self::Id(values) => add(arguments, values),
            Self::Date(values) => add(arguments, values),
            Self::Bytes(values) => add(arguments, values),
            Self::Time(values) => add(arguments, values),
        }
    }
}

/// Adds rows, one after the other, as one array per column.
pub(super) fn add_rows(
    arguments: &mut PgArguments,
    kinds: &[Kind],
    values: Vec<Value>,
) -> Result<(), StoreError> {
    let rows = values.len().checked_div(kinds.len()).unwrap_or(0);
    let mut arrays: Vec<Array> = kinds.iter().map(|kind| Array::new(*kind, rows)).collect();
    let mut values = values.into_iter();
    for _ in 0..rows {
        for (array, value) in arrays.iter_mut().zip(values.by_ref()) {
            array.push(value)?;
        }
    }
    arrays.into_iter().try_for_each(|array| array.add_to(arguments))
}

/// The value of a column, read as the kind wanted of it.
pub(super) fn column(row: &PgRow, at: usize, kind: Kind) -> Result<Value, StoreError> {
    let value = match kind {
        Kind::Bool => row.try_get::<Option<bool>, _>(at).map_err(failed)?.map(Value::Bool),
        Kind::Integer => row.try_get::<Option<i64>, _>(at).map_err(failed)?.map(Value::Integer),
        Kind::Text => row.try_get::<Option<String>, _>(at).map_err(failed)?.map(Value::Text),
        Kind::Id => row.try_get::<Option<Uuid>, _>(at).map_err(failed)?.map(Value::Id),
        Kind::Date => row.try_get::<Option<CivilDate>, _>(at).map_err(failed)?.map(Value::Date),
        Kind::Bytes => row.try_get::<Option<Vec<u8>>, _>(at).map_err(failed)?.map(Value::Bytes),
        Kind::Time => {
            let time = row.try_get::<Option<DateTime<Utc>>, _>(at).map_err(failed)?;
            time.map(|time| Value::Time(UtcMicros(time.timestamp_micros())))
        }
        Kind::Hash => match row.try_get::<Option<&[u8]>, _>(at).map_err(failed)? {
            None => None,
            Some(bytes) => {
                Some(Value::Hash(bytes.try_into().map_err(|_| malformed("a value of its length"))?))
            }
        },
    };
    Ok(value.unwrap_or(Value::Null))
}
