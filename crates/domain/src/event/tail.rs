//! What stands behind the payload of an event: where it stands, and the request it came with.

use super::{StreamId, UtcMicros};
use crate::codec::In;
use crate::ids::RequestId;

/// The first member behind the payload. Inside a string its quotes would be escaped, so that the last one in
/// an event is the envelope's own.
const BEGINS: &[u8] = b",\"position\":";

/// The end of an event's canonical bytes, for whoever needs nothing else of it: it is the same for every
/// type and version, so that it reads where the payload does not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tail {
    /// See [`super::Recorded::position`].
    pub position: u64,
    /// See [`super::Recorded::recorded_at`].
    pub recorded_at: UtcMicros,
    /// See [`super::Recorded::request_id`].
    pub request_id: RequestId,
    /// See [`super::Recorded::stream`].
    pub stream: StreamId,
    /// See [`super::Recorded::stream_version`].
    pub stream_version: u64,
}

impl Tail {
    /// Reads it; nothing if the bytes do not end as an event does.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        let at = bytes.windows(BEGINS.len()).rposition(|window| window == BEGINS)?;
        let mut object = bytes[at..].to_vec();
        object[0] = b'{';
        let mut input = In::new(&object);
        input.open_object().ok()?;
        let tail = Self {
            position: input.member("position").ok()?,
            recorded_at: input.member("recorded_at").ok()?,
            request_id: input.member("request_id").ok()?,
            stream: input.member("stream").ok()?,
            stream_version: input.member("stream_version").ok()?,
        };
        input.close_object().ok()?;
        input.end().ok()?;
        Some(tail)
    }
}
