//! The remembered answer to a request: given again, word for word, to the same request.

use domain::codec::{self, DecodeError, Field, In, Out};
use domain::event::{Recorded, StreamId, UtcMicros};
use domain::refusal::Refusal;

/// What became of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// The fingerprint of what was asked: the same id with another one is another request.
    pub fingerprint: [u8; 32],
    /// When it was decided, UTC.
    pub recorded_at: UtcMicros,
    /// How it was decided.
    pub result: OutcomeResult,
}

/// How a request was decided.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OutcomeResult {
    /// It was carried out.
    Accepted(Accepted),
    /// It was refused, and nothing was recorded.
    Refused(Box<Refusal>),
}

/// A request that was carried out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Accepted {
    /// How many events it recorded; none is possible.
    pub count: u64,
    /// The position of its first event, or the one it would have had.
    pub first: u64,
    /// Every stream it wrote to and the version that stream reached.
    pub streams: Vec<(StreamId, u64)>,
}

impl Accepted {
    /// What a request recorded before its first event, which would stand at a position.
    pub const fn before(first: u64) -> Self {
        Self { count: 0, first, streams: Vec::new() }
    }

    /// Takes in the next event that the request recorded.
    pub fn take(&mut self, recorded: &Recorded) {
        self.reach(recorded.stream, recorded.stream_version);
    }

    /// The same of an event that brought a stream to a version.
    pub(crate) fn reach(&mut self, stream: StreamId, version: u64) {
        self.count += 1;
        match self.streams.iter_mut().find(|(known, _)| *known == stream) {
            Some((_, reached)) => *reached = version,
            None => self.streams.push((stream, version)),
        }
    }

    /// The last position that belongs to it; the end of the log it was decided on if it recorded
    /// nothing.
    pub fn last(&self) -> u64 {
        (self.first + self.count).saturating_sub(1)
    }
}

impl Outcome {
    /// The stored form.
    pub fn to_bytes(&self) -> Vec<u8> {
        codec::to_bytes(self)
    }

    /// Reads the stored form.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, DecodeError> {
        codec::from_bytes(bytes)
    }
}

impl Field for Accepted {
    fn put(&self, out: &mut Out) {
        out.open_object();
        out.member("count", &self.count);
        out.member("first", &self.first);
        out.member("streams", &self.streams);
        out.close_object();
    }

    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.open_object()?;
        let accepted = Self {
            count: input.member("count")?,
            first: input.member("first")?,
            streams: input.member("streams")?,
        };
        input.close_object()?;
        Ok(accepted)
    }
}

/// One of `accepted` and `refused` is there.
impl Field for Outcome {
    fn put(&self, out: &mut Out) {
        out.open_object();
        if let OutcomeResult::Accepted(accepted) = &self.result {
            out.member("accepted", accepted);
        }
        out.member("fingerprint", &self.fingerprint);
        out.member("recorded_at", &self.recorded_at);
        if let OutcomeResult::Refused(refusal) = &self.result {
            out.member("refused", refusal);
        }
        out.close_object();
    }

    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.open_object()?;
        let accepted: Option<Accepted> = input.member("accepted")?;
        let fingerprint = input.member("fingerprint")?;
        let recorded_at = input.member("recorded_at")?;
        let refused: Option<Box<Refusal>> = input.member("refused")?;
        input.close_object()?;
        let result = match (accepted, refused) {
            (Some(accepted), None) => OutcomeResult::Accepted(accepted),
            (None, Some(refusal)) => OutcomeResult::Refused(refusal),
            (Some(_), Some(_)) | (None, None) => {
                return Err(input.error("either accepted or refused"));
            }
        };
        Ok(Self { fingerprint, recorded_at, result })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::refusal::{NamedVersion, Reason, Versions};

    fn outcome(result: OutcomeResult) -> Outcome {
        Outcome { fingerprint: [7; 32], recorded_at: UtcMicros(42), result }
    }

    #[test]
    fn outcomes_are_read_back_as_written() {
        let accepted = Accepted { count: 2, first: 9, streams: vec![(StreamId::Firm, 4)] };
        let refusal = Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered");
        for result in [OutcomeResult::Accepted(accepted), OutcomeResult::Refused(Box::new(refusal))]
        {
            let outcome = outcome(result);
            assert_eq!(Outcome::from_bytes(&outcome.to_bytes()).unwrap(), outcome);
        }
    }

    fn stale(expected: u64) -> Outcome {
        let versions = Versions { actual: 3, expected: NamedVersion(expected) };
        outcome(OutcomeResult::Refused(Box::new(Refusal::stale("case/1", versions))))
    }

    #[test]
    fn whatever_version_a_caller_names_the_answer_is_read_back() {
        let most = domain::codec::INTEGER_MAX;
        for expected in [0, 1, most - 1, most, most + 1, 1 << 60, i64::MAX.unsigned_abs(), u64::MAX]
        {
            let bytes = stale(expected).to_bytes();
            assert_eq!(Outcome::from_bytes(&bytes).unwrap(), stale(expected), "{expected}");
            let is_text = String::from_utf8(bytes).unwrap().contains(&format!("\"{expected}\""));
            assert_eq!(is_text, expected > most, "{expected}");
        }
    }

    /// As older versions wrote it: a number that no reader of theirs took.
    #[test]
    fn an_answer_with_too_large_a_number_is_read_as_it_was_given() {
        let bytes = stale(1 << 60).to_bytes();
        let text = String::from_utf8(bytes).unwrap();
        let number = (1_u64 << 60).to_string();
        let old = text.replace(&format!("\"{number}\""), &number);
        assert_ne!(text, old);
        assert_eq!(Outcome::from_bytes(old.as_bytes()).unwrap(), stale(1 << 60));
        for wrong in ["01", "-1", "18446744073709551616", "\"3\"", "\"01\"", "1.0", ""] {
            let text = text.replace(&format!("\"{number}\""), wrong);
            assert!(Outcome::from_bytes(text.as_bytes()).is_err(), "{wrong}");
        }
    }

    #[test]
    fn an_outcome_that_is_neither_is_refused() {
        let bytes =
            outcome(OutcomeResult::Accepted(Accepted { count: 0, first: 1, streams: Vec::new() }))
                .to_bytes();
        let text = String::from_utf8(bytes).unwrap();
        let neither = text.replace(r#""accepted":{"count":0,"first":1,"streams":[]},"#, "");
        assert_ne!(text, neither);
        assert!(Outcome::from_bytes(neither.as_bytes()).is_err());
    }
}
