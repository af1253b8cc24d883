//! Folding stored bytes into states, where the bytes are not trusted.

use domain::event::{Event, Recorded, StreamId};
use domain::ids::FirmId;
use domain::world::{Impossible, STATE_VERSION, State};

use crate::error::StoreError;
use crate::ports::LoadedStream;
use crate::stored::Stored;

/// A stored event that cannot be taken in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("position {position}: {what}")]
pub struct Fault {
    /// Where.
    pub position: u64,
    /// What is wrong, without personal values.
    pub what: String,
}

impl From<Fault> for StoreError {
    fn from(fault: Fault) -> Self {
        Self::Corrupt { position: fault.position, what: fault.what }
    }
}

impl From<Impossible> for Fault {
    fn from(Impossible { position, what }: Impossible) -> Self {
        Self { position, what }
    }
}

impl Fault {
    pub(crate) fn new(position: u64, what: impl Into<String>) -> Self {
        Self { position, what: what.into() }
    }
}

/// Reads one stored event and holds it against where it was found.
pub(crate) fn decode(firm: FirmId, stored: &Stored) -> Result<Recorded, Fault> {
    let position = stored.position;
    let recorded = Recorded::from_bytes(&stored.bytes)
        .map_err(|error| Fault::new(position, error.to_string()))?;
    if recorded.position != position {
        let what = format!("the event says it stands at position {}", recorded.position);
        return Err(Fault::new(position, what));
    }
    if recorded.firm != firm {
        return Err(Fault::new(position, "the event is of another firm"));
    }
    if !belongs(recorded.stream, &recorded.event) {
        let what = format!("{} does not belong to its stream", recorded.event.type_name());
        return Err(Fault::new(position, what));
    }
    Ok(recorded)
}

/// Whether an event is of its stream's kind.
fn belongs(stream: StreamId, event: &Event) -> bool {
    match stream {
        StreamId::Case(_) => matches!(event, Event::Case(_)),
        StreamId::Account(_) => matches!(event, Event::Account(_)),
        StreamId::Deposit(_) => matches!(event, Event::Deposit(_)),
        StreamId::Firm => matches!(event, Event::Firm(_)),
        StreamId::Looks(_) => matches!(event, Event::Look(_)),
    }
}

/// Folds one decoded event into the state of its stream.
pub(crate) fn apply(state: &mut State, recorded: &Recorded) -> Result<(), Fault> {
    Ok(state.fold(recorded)?)
}

/// Whether the last event of a stream says all that folds from it, so that no other is loaded.
pub const fn folds_from_last(stream: StreamId) -> bool {
    matches!(stream, StreamId::Looks(_))
}

/// The state of a loaded stream, and the version of the snapshot it started from (0 without one).
///
/// A snapshot of another version, or one that does not read, is ignored when the events from the
/// first on are there; otherwise the missing version is reported.
pub fn state_of(firm: FirmId, loaded: &LoadedStream) -> Result<(State, u64), Fault> {
    let stream = loaded.stream;
    let start = loaded
        .snapshot
        .as_ref()
        .filter(|snapshot| snapshot.state_version == STATE_VERSION)
        .and_then(|snapshot| State::from_snapshot(stream, &snapshot.bytes).ok());
    let mut state = start.unwrap_or_else(|| State::empty(stream));
    let snapshot_version = state.version();
    for stored in &loaded.events {
        let recorded = decode(firm, stored)?;
        if recorded.stream != stream {
            return Err(Fault::new(stored.position, "the event is of another stream"));
        }
        if let State::Looks(count @ 0) = &mut state {
            // Nothing folds from looks but their number, which the last says: it may come alone.
            *count = recorded.stream_version.saturating_sub(1);
        }
        apply(&mut state, &recorded)?;
    }
    Ok((state, snapshot_version))
}
