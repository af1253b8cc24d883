//! Where time and ids come from: arguments of every decision, never fetched inside one.

use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{SystemTime, UNIX_EPOCH};

use domain::event::UtcMicros;
use domain::ids::EventId;
use uuid::{Builder, ContextV7, Timestamp, Uuid};

const MICROS_PER_SECOND: i64 = 1_000_000;
const MICROS_PER_MILLI: i64 = 1_000;

/// Tells the time.
pub trait Clock: Send + Sync {
    /// The instant, in whole microseconds UTC: both SQL engines keep that exactly.
    fn now(&self) -> UtcMicros;
}

/// Gives what must not be guessed or come twice: event ids, and keys.
pub trait Ids: Send + Sync {
    /// A new id, given at `now`.
    fn event_id(&self, now: UtcMicros) -> EventId;

    /// A new key for a person.
    fn key(&self) -> [u8; 32];
}

/// The computer's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

/// A clock set before 1970 or after 2255 is wrong, and stands at that end until it is set right.
impl Clock for SystemClock {
    fn now(&self) -> UtcMicros {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        i64::try_from(since.as_micros())
            .map_or(UtcMicros::MAX, |now| UtcMicros(now).min(UtcMicros::MAX))
    }
}

/// A clock that stands still until it is told otherwise.
#[derive(Debug)]
pub struct SteppedClock(AtomicI64);

impl SteppedClock {
    /// A clock standing at `now`.
    pub fn at(now: UtcMicros) -> Self {
        Self(AtomicI64::new(now.0))
    }

    /// Moves to `now`, forwards or back.
    pub fn set(&self, now: UtcMicros) {
        self.0.store(now.0, Ordering::SeqCst);
    }

    /// Moves on by microseconds.
    pub fn advance(&self, micros: i64) {
        self.0.fetch_add(micros, Ordering::SeqCst);
    }
}

impl Clock for SteppedClock {
    fn now(&self) -> UtcMicros {
        UtcMicros(self.0.load(Ordering::SeqCst))
    }
}

/// Random UUIDv7 (RFC 9562 section 5.7), rising within one process.
#[derive(Debug)]
pub struct UuidV7Ids(Mutex<ContextV7>);

impl UuidV7Ids {
    /// A new source.
    pub fn new() -> Self {
        Self(Mutex::new(ContextV7::new()))
    }
}

impl Default for UuidV7Ids {
    fn default() -> Self {
        Self::new()
    }
}

impl Ids for UuidV7Ids {
    fn event_id(&self, now: UtcMicros) -> EventId {
        let seconds = u64::try_from(now.0.div_euclid(MICROS_PER_SECOND)).unwrap_or(0);
        let micros = u32::try_from(now.0.rem_euclid(MICROS_PER_SECOND)).unwrap_or(0);
        let context = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        EventId(Uuid::new_v7(Timestamp::from_unix(&*context, seconds, micros * 1_000)))
    }

    /// # Panics
    /// If the system gives no random bytes: no key is better than one that can be guessed.
    fn key(&self) -> [u8; 32] {
        let mut key = [0; 32];
        getrandom::fill(&mut key).expect("the system gives random bytes");
        key
    }
}

/// UUIDv7 whose random part is a counter, and keys that are no better, so that a run can be repeated to
/// the byte. For tests.
#[derive(Debug, Default)]
pub struct SequentialIds(AtomicU64);

impl Ids for SequentialIds {
    fn event_id(&self, now: UtcMicros) -> EventId {
        let millis = u64::try_from(now.0.div_euclid(MICROS_PER_MILLI)).unwrap_or(0);
        let count = self.0.fetch_add(1, Ordering::SeqCst);
        let mut random = [0; 10];
        random[2..].copy_from_slice(&count.to_be_bytes());
        EventId(Builder::from_unix_timestamp_millis(millis, &random).into_uuid())
    }

    fn key(&self) -> [u8; 32] {
        let mut key = [0x5a; 32];
        key[..8].copy_from_slice(&self.0.fetch_add(1, Ordering::SeqCst).to_be_bytes());
        key
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_rise_and_carry_their_instant() {
        let now = UtcMicros(1_700_000_000_123_456);
        let ids = UuidV7Ids::new();
        let given: Vec<_> = (0..1_000).map(|_| ids.event_id(now)).collect();
        assert!(given.is_sorted() && given[0] < given[999]);
        let (seconds, nanos) = given[0].0.get_timestamp().unwrap().to_unix();
        assert_eq!((seconds, nanos), (1_700_000_000, 123_000_000), "a UUIDv7 holds milliseconds");
    }

    #[test]
    fn sequential_ids_differ_and_repeat() {
        let run = || {
            let ids = SequentialIds::default();
            [ids.event_id(UtcMicros(5)), ids.event_id(UtcMicros(5))]
        };
        assert_eq!(run(), run());
        assert_ne!(run()[0], run()[1]);
    }

    #[test]
    fn a_stepped_clock_only_moves_when_told() {
        let clock = SteppedClock::at(UtcMicros(10));
        assert_eq!((clock.now(), clock.now()), (UtcMicros(10), UtcMicros(10)));
        clock.advance(-3);
        assert_eq!(clock.now(), UtcMicros(7));
    }
}
