//! What is kept beside the bytes of events, as both engines read it: leaves, ends of streams, answers, snapshots.

use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::world::STATE_VERSION;
use log::{AnswerRow, KeptSnapshot, Remembered, StoreError, StreamEnd};
use proof::Hash;

use crate::engine::{Engine, fetch};
use crate::row::{Selected, Values, next};
use crate::statement::statements;
use crate::value::{Column, Kind, Malformed, Value, rows_limit};

statements! {
    ENDS = "SELECT last_position, version, stream FROM stream \
        WHERE firm = $1 AND stream > $2 ORDER BY stream LIMIT $3";
    ANSWERS = "SELECT request_id, fingerprint, checked, first_position, events, answer FROM request \
        WHERE firm = $1 AND request_id >= $2 ORDER BY request_id LIMIT $3";
    SNAPSHOTS = "SELECT stream, version, position, body FROM snapshot \
        WHERE firm = $1 AND stream > $2 AND state_version = $3 ORDER BY stream LIMIT $4";
}

pub(crate) fn corrupt(position: u64, what: &str) -> StoreError {
    StoreError::Corrupt { position, what: what.into() }
}

/// The leaf hash of the event at a position.
pub(crate) fn leaf_of(position: u64, bytes: &[u8]) -> Result<Hash, StoreError> {
    let leaf = <[u8; 32]>::try_from(bytes).ok();
    leaf.map(Hash::from).ok_or_else(|| corrupt(position, "the leaf is no hash"))
}

/// See [`log::LogStore::ends_after`].
pub(crate) async fn ends_after(
    engine: &dyn Engine,
    firm: FirmId,
    after: Option<StreamId>,
    limit: usize,
) -> Result<Vec<StreamEnd>, StoreError> {
    // Nothing is before the shortest value there is.
    let after = after.map_or_else(Vec::new, |after| after.key().to_vec());
    let arguments = vec![Value::Id(firm.0), Value::Bytes(after), rows_limit(limit)];
    let rows: Vec<((u64, u64), Vec<u8>)> = fetch(engine, &ENDS, arguments).await?;
    let end = |((last, version), key): ((u64, u64), Vec<u8>)| {
        let stream = StreamId::from_key(&key);
        let stream =
            stream.ok_or_else(|| corrupt(last, "the stream that ends there has no name"))?;
        Ok(StreamEnd { stream, last, version })
    };
    rows.into_iter().map(end).collect()
}

impl Selected for AnswerRow {
    fn kinds(out: &mut Vec<Kind>) {
        let bytes = <Vec<u8> as Column>::KIND;
        out.extend([bytes, i64::KIND, i64::KIND, i64::KIND, bytes]);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        Ok(Self {
            fingerprint: next(values)?,
            checked: next(values)?,
            first: next(values)?,
            events: next(values)?,
            answer: next(values)?,
        })
    }
}

/// What is kept of answers, of the rows that a statement finds.
pub(crate) async fn remembered<C: FromIterator<(RequestId, Remembered)>>(
    engine: &dyn Engine,
    statement: &'static str,
    arguments: Vec<Value>,
) -> Result<C, StoreError> {
    let rows: Vec<(RequestId, AnswerRow)> = fetch(engine, statement, arguments).await?;
    let read = |(request, row)| Ok((request, Remembered::from_row(request, row)?));
    rows.into_iter().map(read).collect()
}

/// See [`log::LogStore::remembered_from`].
pub(crate) async fn remembered_from(
    engine: &dyn Engine,
    firm: FirmId,
    from: RequestId,
    limit: usize,
) -> Result<Vec<(RequestId, Remembered)>, StoreError> {
    remembered(engine, &ANSWERS, vec![Value::Id(firm.0), from.put(), rows_limit(limit)]).await
}

impl Selected for KeptSnapshot {
    fn kinds(out: &mut Vec<Kind>) {
        out.extend([String::KIND, u64::KIND, u64::KIND, <Vec<u8> as Column>::KIND]);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        Ok(Self {
            stream: next(values)?,
            version: next(values)?,
            position: next(values)?,
            bytes: next(values)?,
        })
    }
}

/// See [`log::LogStore::snapshots_after`]; the bytes are as the engine keeps them.
pub(crate) async fn snapshots_after(
    engine: &dyn Engine,
    firm: FirmId,
    after: &str,
    limit: usize,
) -> Result<Vec<KeptSnapshot>, StoreError> {
    let version = Value::Integer(STATE_VERSION.into());
    let after = Value::Text(after.to_owned());
    fetch(engine, &SNAPSHOTS, vec![Value::Id(firm.0), after, version, rows_limit(limit)]).await
}
