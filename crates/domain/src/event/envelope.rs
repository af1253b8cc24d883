//! The envelope: what is hashed, stored byte for byte, and proved.

use std::fmt;

use calendar::CivilDate;
use uuid::Uuid;

use super::{Event, upcast};
use crate::codec::{DecodeError, Field, In, Out, record};
use crate::ids::{AccessId, AccountId, CaseId, DepositId, EventId, FirmId, RequestId};
use crate::value::Text;

/// An instant: microseconds since the Unix epoch, UTC. Both engines keep it exactly.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UtcMicros(pub i64);

impl UtcMicros {
    /// The last instant that can be written: 2^53 − 1 microseconds, in the year 2255.
    pub const MAX: Self = Self((1 << 53) - 1);
}

impl Field for UtcMicros {
    fn put(&self, out: &mut Out) {
        out.integer(self.0);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.integer().map(Self)
    }
}

/// The stream an event belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StreamId {
    /// `case/<id>`
    Case(CaseId),
    /// `account/<id>`
    Account(AccountId),
    /// `deposit/<id>`
    Deposit(DepositId),
    /// `firm`
    Firm,
    /// `looks/<id>`: who looked at a case's client.
    Looks(CaseId),
}

impl StreamId {
    /// Reads the written form.
    pub fn parse(text: &str) -> Option<Self> {
        match text.split_once('/') {
            Some(("case", id)) => CaseId::parse(id).ok().map(Self::Case),
            Some(("account", id)) => AccountId::parse(id).ok().map(Self::Account),
            Some(("deposit", id)) => DepositId::parse(id).ok().map(Self::Deposit),
            Some(("looks", id)) => CaseId::parse(id).ok().map(Self::Looks),
            None if text == "firm" => Some(Self::Firm),
            _ => None,
        }
        .filter(|stream| stream.to_string() == text)
    }

    /// What names it where it is looked up: the id, so that a client's streams lie beside each other, and
    /// behind it a byte for the kind. Their order is that of the bytes.
    pub fn key(self) -> [u8; StreamId::KEY_BYTES] {
        let (id, kind) = match self {
            Self::Firm => (Uuid::nil(), 0),
            Self::Case(id) => (id.0, 1),
            Self::Account(id) => (id.0, 2),
            Self::Deposit(id) => (id.0, 3),
            Self::Looks(id) => (id.0, 4),
        };
        let mut key = [kind; Self::KEY_BYTES];
        key[..16].copy_from_slice(id.as_bytes());
        key
    }

    /// Bytes of a [`StreamId::key`].
    pub const KEY_BYTES: usize = 17;

    /// The stream of a key.
    pub fn from_key(key: &[u8]) -> Option<Self> {
        let (id, kind) = key.split_first_chunk::<16>()?;
        let id = Uuid::from_bytes(*id);
        match kind {
            [0] if id.is_nil() => Some(Self::Firm),
            [1] => Some(Self::Case(CaseId(id))),
            [2] => Some(Self::Account(AccountId(id))),
            [3] => Some(Self::Deposit(DepositId(id))),
            [4] => Some(Self::Looks(CaseId(id))),
            _ => None,
        }
    }
}

impl fmt::Display for StreamId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Case(id) => write!(f, "case/{id}"),
            Self::Account(id) => write!(f, "account/{id}"),
            Self::Deposit(id) => write!(f, "deposit/{id}"),
            Self::Firm => f.write_str("firm"),
            Self::Looks(id) => write!(f, "looks/{id}"),
        }
    }
}

impl Field for StreamId {
    fn put(&self, out: &mut Out) {
        out.string(&self.to_string());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let text = input.string()?;
        Self::parse(&text).ok_or_else(|| input.error("a stream"))
    }
}

record! {
    /// An event named by where it stands and by its id.
    pub struct EventRef {
        /// The id.
        id: EventId,
        /// The position in the firm's log.
        position: u64,
    }
}

/// Days after which a fact told late is marked late.
pub const LATE_AFTER_DAYS: i64 = 7;

/// Who records: what every event of a request says of its origin.
///
/// A label is what a firm called a token, and an earlier or a later token may be called the same: what tells
/// tokens apart is the id. A person behind a token, once there are any, is one more member, `person`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Author {
    /// The token that it came with; none for the process itself and for what the service does by the clock.
    pub access: Option<AccessId>,
    /// The token's label, or what the service calls itself.
    pub actor: Text,
}

impl Author {
    /// Who has no token: the process that serves, or the service itself.
    pub const fn without_token(actor: Text) -> Self {
        Self { access: None, actor }
    }
}

/// An event as it stands in the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recorded {
    /// The token that recorded it, by its id. None for the process itself and the service by the clock, and
    /// in events from before tokens were named.
    pub access: Option<AccessId>,
    /// Who recorded it: a token's label or the service itself.
    pub actor: Text,
    /// The event of the same request that led to this one.
    pub causation: Option<EventId>,
    /// What happened.
    pub event: Event,
    /// Its id.
    pub event_id: EventId,
    /// Whose log.
    pub firm: FirmId,
    /// How many days after it happened it was told, if that is more than [`LATE_AFTER_DAYS`]:
    /// back-dating is the first thing an examiner looks for.
    pub late_days: Option<u32>,
    /// The moment it happened, UTC, where somebody said so: what happened on one day stands in this order.
    pub occurred_at: Option<UtcMicros>,
    /// The civil day it happened, in the firm's zone. Rules count in this.
    pub occurred_on: CivilDate,
    /// Dense from 1 in the firm's log.
    pub position: u64,
    /// When we were told, UTC. Trust counts in this.
    pub recorded_at: UtcMicros,
    /// The request that recorded it.
    pub request_id: RequestId,
    /// Its stream.
    pub stream: StreamId,
    /// Dense from 1 in its stream.
    pub stream_version: u64,
}

impl Recorded {
    /// The type's stable name in canonical bytes, for whoever passes most events by; nothing if they do
    /// not begin as an event does.
    pub fn kind_of(bytes: &[u8]) -> Option<String> {
        let mut input = In::new(bytes);
        input.open_object().ok()?;
        input.member::<Option<AccessId>>("access").ok()?;
        input.member::<Text>("actor").ok()?;
        input.member::<Option<EventId>>("causation").ok()?;
        input.member("event").ok()
    }

    /// The canonical bytes of a stored event, whatever days older versions let into it.
    pub fn to_bytes(&self) -> Vec<u8> {
        self.write().into_bytes()
    }

    /// The same for an event that is recorded now, or is shown to others as a stored form: nothing if a
    /// day of it is not of the years 0001 to 9999, which are written in four digits.
    pub fn to_bytes_of_plain_days(&self) -> Option<Vec<u8>> {
        let out = self.write();
        (!out.has_odd_day()).then(|| out.into_bytes())
    }

    fn write(&self) -> Out {
        let mut out = Out::with_capacity(768);
        out.open_object();
        out.member("access", &self.access);
        out.member("actor", &self.actor);
        out.member("causation", &self.causation);
        out.key("event");
        out.string(self.event.type_name());
        out.member("event_id", &self.event_id);
        out.member("event_version", &self.event.type_version());
        out.member("firm", &self.firm);
        out.member("late_days", &self.late_days);
        out.member("occurred_at", &self.occurred_at);
        out.member("occurred_on", &self.occurred_on);
        out.key("payload");
        self.event.put_payload(&mut out);
        out.member("position", &self.position);
        out.member("recorded_at", &self.recorded_at);
        out.member("request_id", &self.request_id);
        out.member("stream", &self.stream);
        out.member("stream_version", &self.stream_version);
        out.close_object();
        out
    }

    /// Reads stored bytes, lifting an old version to what this code knows. A type or version it
    /// does not know is an error, never skipped: silent skipping is how books stop balancing.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, DecodeError> {
        Self::read(In::new(bytes))
    }

    /// The same of bytes that somebody else may have written: a code in them is one that a caller could
    /// have chosen.
    pub fn from_bytes_strictly(bytes: &[u8]) -> Result<Self, DecodeError> {
        Self::read(In::new(bytes).strictly())
    }

    fn read(mut input: In<'_>) -> Result<Self, DecodeError> {
        input.open_object()?;
        let access = input.member("access")?;
        let actor = input.member("actor")?;
        let causation = input.member("causation")?;
        let name: String = input.member("event")?;
        let event_id = input.member("event_id")?;
        let version: u32 = input.member("event_version")?;
        let firm = input.member("firm")?;
        let late_days = input.member("late_days")?;
        let occurred_at = input.member("occurred_at")?;
        let occurred_on = input.member("occurred_on")?;
        let key = input.key()?;
        if key != "payload" {
            return Err(input.error("the member \"payload\""));
        }
        let event = read_payload(&name, version, &mut input)?;
        let recorded = Self {
            access,
            actor,
            causation,
            event,
            event_id,
            firm,
            late_days,
            occurred_at,
            occurred_on,
            position: input.member("position")?,
            recorded_at: input.member("recorded_at")?,
            request_id: input.member("request_id")?,
            stream: input.member("stream")?,
            stream_version: input.member("stream_version")?,
        };
        input.close_object()?;
        input.end()?;
        Ok(recorded)
    }

    /// The payload alone, as canonical JSON.
    pub fn payload_to_bytes(&self) -> Vec<u8> {
        let mut out = Out::default();
        self.event.put_payload(&mut out);
        out.into_bytes()
    }

    /// Where this event stands.
    pub fn reference(&self) -> EventRef {
        EventRef { id: self.event_id, position: self.position }
    }
}

pub(super) fn read_payload(
    name: &str,
    version: u32,
    input: &mut In<'_>,
) -> Result<Event, DecodeError> {
    let current = Event::types().find(|(known, _)| *known == name).map(|(_, version)| version);
    match current {
        Some(current) if current == version => Event::take_payload(name, input),
        Some(current) if version < current => {
            let old = <serde_json::Value as Field>::take(input)?;
            let lifted = upcast::lift(upcast::UPCASTERS, name, version, current, old)
                .map_err(|expected| input.error(expected))?;
            let bytes = crate::codec::to_bytes(&lifted);
            let lifted = In::new(&bytes);
            let mut lifted = if input.is_strict() { lifted.strictly() } else { lifted };
            Event::take_payload(name, &mut lifted)
        }
        Some(current) => {
            Err(input.error(format!("version {current} or older of {name}, not {version}")))
        }
        None => Err(input.error(format!("an event type this code knows, not {name:?}"))),
    }
}
