//! What a store keeps of an answer. That of a request which recorded something follows from its events.

use domain::codec::DecodeError;
use domain::event::Tail;
use domain::ids::RequestId;

use crate::error::StoreError;
use crate::outcome::{Accepted, Outcome, OutcomeResult};

/// What is kept of the answer to a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Remembered {
    /// It recorded events, which say everything else.
    Recorded(Stretch),
    /// It was refused, or recorded nothing: no event says so.
    Alone(Outcome),
}

/// The events of one request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// The fingerprint of what was asked.
    pub fingerprint: [u8; 32],
    /// The position of the first.
    pub first: u64,
    /// How many there are; one at least.
    pub events: u64,
}

impl Stretch {
    /// The position of the last.
    pub const fn last(&self) -> u64 {
        (self.first + self.events).saturating_sub(1)
    }
}

/// The columns that it is kept in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnswerRow {
    /// The fingerprint of what was asked.
    pub fingerprint: Vec<u8>,
    /// See [`check_of`].
    pub checked: i64,
    /// The first event, or 0.
    pub first: i64,
    /// How many events there are.
    pub events: i64,
    /// The whole answer where there is none.
    pub answer: Option<Vec<u8>>,
}

impl AnswerRow {
    /// Of an answer that does not read: it is kept as it is, to be found.
    pub fn unread(request: RequestId, fingerprint: &[u8], answer: Vec<u8>) -> Self {
        let (checked, fingerprint) = (check_of(request, fingerprint), fingerprint.to_vec());
        Self { fingerprint, checked, first: 0, events: 0, answer: Some(answer) }
    }
}

/// Follows from request and fingerprint, so that a changed bit of a fingerprint is found, which no event tells of.
fn check_of(request: RequestId, fingerprint: &[u8]) -> i64 {
    let hash = proof::leaf_hash(&[request.0.as_bytes().as_slice(), fingerprint].concat());
    let [a, b, c, d, ..] = *hash.as_bytes();
    i64::from(u32::from_be_bytes([a, b, c, d]))
}

impl Remembered {
    /// What is kept of an answer.
    pub fn of(outcome: &Outcome) -> Self {
        match &outcome.result {
            OutcomeResult::Accepted(Accepted { count: events @ 1.., first, .. }) => {
                let (fingerprint, first, events) = (outcome.fingerprint, *first, *events);
                Self::Recorded(Stretch { fingerprint, first, events })
            }
            OutcomeResult::Accepted(_) | OutcomeResult::Refused(_) => Self::Alone(outcome.clone()),
        }
    }

    /// Its columns.
    pub fn to_row(&self, request: RequestId) -> AnswerRow {
        let (fingerprint, first, events, answer) = match self {
            Self::Recorded(Stretch { fingerprint, first, events }) => {
                (fingerprint, *first, *events, None)
            }
            Self::Alone(outcome) => (&outcome.fingerprint, 0, 0, Some(outcome.to_bytes())),
        };
        let checked = check_of(request, fingerprint);
        let [first, events] = [first, events].map(|number| i64::try_from(number).unwrap_or(0));
        AnswerRow { fingerprint: fingerprint.to_vec(), checked, first, events, answer }
    }

    /// Reads its columns and holds them against each other.
    pub fn from_row(request: RequestId, row: AnswerRow) -> Result<Self, StoreError> {
        let AnswerRow { fingerprint, checked, first, events, answer } = row;
        let wrong = |what| unread(request, what);
        let [Ok(first), Ok(events)] = [first, events].map(u64::try_from) else {
            return Err(wrong("positions"));
        };
        if checked != check_of(request, &fingerprint) {
            return Err(wrong("the fingerprint of this request, or what is checked of it"));
        }
        let fingerprint = <[u8; 32]>::try_from(fingerprint);
        let fingerprint = fingerprint.map_err(|_| wrong("a fingerprint of 32 bytes"))?;
        match answer {
            None if first > 0 && events > 0 => {
                Ok(Self::Recorded(Stretch { fingerprint, first, events }))
            }
            None => Err(wrong("events, or an answer")),
            Some(_) if first > 0 || events > 0 => Err(wrong("either events or an answer")),
            Some(bytes) => {
                let outcome = Outcome::from_bytes(&bytes);
                let outcome = outcome.map_err(|source| StoreError::Answer { request, source })?;
                if outcome.fingerprint != fingerprint {
                    return Err(wrong("the fingerprint of the row"));
                }
                match Self::of(&outcome) {
                    alone @ Self::Alone(_) => Ok(alone),
                    Self::Recorded(_) => Err(wrong("an answer that claims no events")),
                }
            }
        }
    }

    /// The events to read before [`Remembered::outcome`] can be asked.
    pub const fn stretch(&self) -> Option<Stretch> {
        match self {
            Self::Recorded(stretch) => Some(*stretch),
            Self::Alone(_) => None,
        }
    }

    /// The answer, with the events of its stretch: the position and the bytes of each.
    pub fn outcome<'e>(
        self,
        request: RequestId,
        events: impl Iterator<Item = (u64, &'e [u8])>,
    ) -> Result<Outcome, StoreError> {
        let stretch = match self {
            Self::Alone(outcome) => return Ok(outcome),
            Self::Recorded(stretch) => stretch,
        };
        let read = |position: u64| {
            let what = "the event is not of the request that is remembered as having recorded it";
            StoreError::Corrupt { position, what: what.into() }
        };
        let mut accepted = Accepted::before(stretch.first);
        let mut recorded_at = None;
        for (position, (found, bytes)) in (stretch.first..).zip(events) {
            let tail = Tail::of(bytes).filter(|tail| {
                found == position && tail.position == position && tail.request_id == request
            });
            let tail = tail.ok_or_else(|| read(position))?;
            accepted.reach(tail.stream, tail.stream_version);
            recorded_at = recorded_at.or(Some(tail.recorded_at));
        }
        let Some(recorded_at) = recorded_at.filter(|_| accepted.count == stretch.events) else {
            return Err(read(stretch.first + accepted.count));
        };
        let result = OutcomeResult::Accepted(accepted);
        Ok(Outcome { fingerprint: stretch.fingerprint, recorded_at, result })
    }
}

fn unread(request: RequestId, expected: &'static str) -> StoreError {
    StoreError::Answer { request, source: DecodeError::new(0, expected) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::event::UtcMicros;
    use domain::refusal::{Reason, Refusal};
    use uuid::Uuid;

    fn refused() -> Outcome {
        let refusal = Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered");
        let result = OutcomeResult::Refused(Box::new(refusal));
        Outcome { fingerprint: [7; 32], recorded_at: UtcMicros(42), result }
    }

    #[test]
    fn what_is_kept_is_read_back_and_nothing_else_is() {
        let request = RequestId(Uuid::from_u128(1));
        let stretch = Stretch { fingerprint: [7; 32], first: 9, events: 2 };
        for kept in [Remembered::Recorded(stretch), Remembered::Alone(refused())] {
            let row = kept.to_row(request);
            assert_eq!(Remembered::from_row(request, row.clone()).unwrap(), kept);
            let mut wrong = vec![
                AnswerRow { checked: row.checked ^ 1, ..row.clone() },
                AnswerRow { events: row.events ^ 2, ..row.clone() },
                AnswerRow { events: -1, ..row.clone() },
                AnswerRow { first: row.first ^ 9, ..row.clone() },
                AnswerRow { first: row.first - 1_000, ..row.clone() },
                AnswerRow { fingerprint: vec![6; 32], ..row.clone() },
                AnswerRow { answer: Some(b"{}".to_vec()), ..row.clone() },
            ];
            let other = Outcome { fingerprint: [6; 32], ..refused() };
            wrong.push(AnswerRow { answer: Some(other.to_bytes()), ..row.clone() });
            for row in wrong {
                assert!(Remembered::from_row(request, row.clone()).is_err(), "{row:?}");
            }
            assert!(Remembered::from_row(RequestId(Uuid::from_u128(2)), row).is_err());
        }
    }
}
