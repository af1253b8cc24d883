//! Stored events, as the contract shows them.

use domain::event::Recorded;

use crate::scalar::{date_message, int32, int64, timestamp};
use crate::v1;

/// Stored bytes that are not text: they were never canonical JSON.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the event at position {position} is not UTF-8")]
pub struct NotText {
    /// Where.
    pub position: u64,
}

/// Writes an event with the very bytes that are hashed and their leaf hash, and with its payload opened
/// if that may be shown.
pub fn event_message(
    recorded: &Recorded,
    bytes: Vec<u8>,
    leaf_hash: [u8; 32],
    opened_payload: Option<String>,
) -> Result<v1::Event, NotText> {
    let canonical_json =
        String::from_utf8(bytes).map_err(|_| NotText { position: recorded.position })?;
    Ok(v1::Event {
        position: int64(recorded.position),
        stream: recorded.stream.to_string(),
        stream_version: int64(recorded.stream_version),
        event_id: recorded.event_id.to_string(),
        r#type: recorded.event.type_name().to_owned(),
        type_version: int32(recorded.event.type_version()),
        recorded_at: Some(timestamp(recorded.recorded_at)),
        occurred_on: Some(date_message(recorded.occurred_on)),
        occurred_at: recorded.occurred_at.map(timestamp),
        late_days: recorded.late_days.map(int32),
        access: recorded.access.map(|access| access.to_string()).unwrap_or_default(),
        actor: recorded.actor.to_string(),
        request_id: recorded.request_id.to_string(),
        canonical_json,
        leaf_hash: leaf_hash.to_vec(),
        opened_payload_json: opened_payload.unwrap_or_default(),
        changed: Vec::new(),
    })
}
