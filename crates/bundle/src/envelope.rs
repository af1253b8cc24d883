//! The envelope of an event's canonical bytes, read without its payload.
//!
//! Placing an event needs its stream, version and times; decoding its payload costs several times
//! more and is left to whoever folds it. The payload stands between two runs of known members, so
//! both are read from their own end.

use domain::event::StreamId;

/// Most bytes of one event, as the log has it.
pub(crate) const EVENT_BYTES_MAX: usize = domain::world::EVENT_BYTES_MAX;

/// The members of an envelope, as they are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Envelope<'a> {
    /// The access that recorded it; none for the process itself, and in older logs.
    pub(crate) access: Option<&'a str>,
    /// The actor: the inside of a JSON string, escapes and all.
    pub(crate) actor: &'a str,
    pub(crate) causation: Option<&'a str>,
    pub(crate) event: &'a str,
    pub(crate) event_id: &'a str,
    pub(crate) event_version: u64,
    pub(crate) firm: &'a str,
    pub(crate) late_days: Option<u64>,
    pub(crate) occurred_at: Option<i64>,
    pub(crate) occurred_on: &'a str,
    pub(crate) payload: &'a str,
    pub(crate) position: u64,
    pub(crate) recorded_at: i64,
    pub(crate) request_id: &'a str,
    pub(crate) stream: &'a str,
    pub(crate) stream_version: u64,
}

struct Cursor<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Cursor<'a> {
    fn rest(&self) -> &'a str {
        self.text.get(self.at..).unwrap_or("")
    }

    fn literal(&mut self, word: &str) -> Option<()> {
        self.rest().starts_with(word).then(|| self.at += word.len())
    }

    /// The inside of a string that stands here.
    fn string(&mut self) -> Option<&'a str> {
        self.literal("\"")?;
        let rest = self.rest();
        let mut escaped = false;
        let end = rest.bytes().position(|byte| {
            let ends = byte == b'"' && !escaped;
            escaped = byte == b'\\' && !escaped;
            ends
        })?;
        self.at += end + 1;
        rest.get(..end)
    }

    fn integer<T: std::str::FromStr>(&mut self) -> Option<T> {
        let rest = self.rest();
        let digits = rest.bytes().take_while(|byte| byte.is_ascii_digit() || *byte == b'-').count();
        self.at += digits;
        rest.get(..digits)?.parse().ok()
    }
}

impl<'a> Envelope<'a> {
    /// Reads the members; nothing if these bytes are not an envelope.
    pub(crate) fn read(text: &'a str) -> Option<Self> {
        let mut head = Cursor { text, at: 0 };
        head.literal("{")?;
        let access = match head.literal("\"access\":") {
            Some(()) => {
                let access = head.string()?;
                head.literal(",")?;
                Some(access)
            }
            None => None,
        };
        head.literal("\"actor\":")?;
        let actor = head.string()?;
        let causation = match head.literal(",\"causation\":") {
            Some(()) => Some(head.string()?),
            None => None,
        };
        head.literal(",\"event\":")?;
        let event = head.string()?;
        head.literal(",\"event_id\":")?;
        let event_id = head.string()?;
        head.literal(",\"event_version\":")?;
        let event_version = head.integer()?;
        head.literal(",\"firm\":")?;
        let firm = head.string()?;
        let late_days = match head.literal(",\"late_days\":") {
            Some(()) => Some(head.integer()?),
            None => None,
        };
        let occurred_at = match head.literal(",\"occurred_at\":") {
            Some(()) => Some(head.integer()?),
            None => None,
        };
        head.literal(",\"occurred_on\":")?;
        let occurred_on = head.string()?;
        head.literal(",\"payload\":")?;
        // Only scalars follow the payload, and quotes inside strings are escaped: the last place
        // that looks like the member is the member.
        let mark = "},\"position\":";
        let end = text.rfind(mark)? + 1;
        let payload = text.get(head.at..end)?;
        let mut tail = Cursor { text, at: end + mark.len() - 1 };
        let position = tail.integer()?;
        tail.literal(",\"recorded_at\":")?;
        let recorded_at = tail.integer()?;
        tail.literal(",\"request_id\":")?;
        let request_id = tail.string()?;
        tail.literal(",\"stream\":")?;
        let stream = tail.string()?;
        tail.literal(",\"stream_version\":")?;
        let stream_version = tail.integer()?;
        (tail.rest() == "}").then_some(Self {
            access,
            actor,
            causation,
            event,
            event_id,
            event_version,
            firm,
            late_days,
            occurred_at,
            occurred_on,
            payload,
            position,
            recorded_at,
            request_id,
            stream,
            stream_version,
        })
    }

    /// The stream, if it is written as one.
    pub(crate) fn stream_id(&self) -> Option<StreamId> {
        StreamId::parse(self.stream)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVENT: &str = concat!(
        r#"{"actor":"a \"quoted\" desk","causation":"00000000-0000-0000-0000-000000000001","#,
        r#""event":"x","event_id":"00000000-0000-0000-0000-000000000002","event_version":3,"#,
        r#""firm":"00000000-0000-0000-0000-0000000000f1","late_days":9,"occurred_on":"2026-01-02","#,
        r#""payload":{"note":"},\"position\":1","ref":{"position":7}},"position":12,"#,
        r#""recorded_at":-5,"request_id":"00000000-0000-0000-0000-000000000003","#,
        r#""stream":"firm","stream_version":4}"#
    );

    #[test]
    fn the_payload_may_look_like_the_envelope() {
        let read = Envelope::read(EVENT).unwrap();
        assert_eq!(read.actor, r#"a \"quoted\" desk"#);
        assert_eq!(read.payload, r#"{"note":"},\"position\":1","ref":{"position":7}}"#);
        assert_eq!((read.position, read.stream_version, read.late_days), (12, 4, Some(9)));
        assert_eq!((read.recorded_at, read.stream_id()), (-5, Some(StreamId::Firm)));
    }

    #[test]
    fn a_token_is_named_before_everything_else_or_not_at_all() {
        let token = "00000000-0000-0000-0000-00000000000b";
        let named = EVENT.replacen('{', &format!(r#"{{"access":"{token}","#), 1);
        let read = Envelope::read(&named).unwrap();
        assert_eq!(read, Envelope { access: Some(token), ..Envelope::read(EVENT).unwrap() });
        let behind =
            EVENT.replacen(",\"causation\"", &format!(r#","access":"{token}","causation""#), 1);
        assert_eq!(Envelope::read(&behind), None);
    }

    #[test]
    fn anything_else_is_not_an_envelope() {
        assert_eq!(Envelope::read(""), None);
        assert_eq!(Envelope::read(&EVENT.replace("\"event\":", "\"evens\":")), None);
        assert_eq!(Envelope::read(&format!("{EVENT} ")), None);
    }
}
