//! The streams a firm's writer keeps folded between batches.

use std::collections::HashMap;

use domain::event::{Recorded, StreamId};
use domain::ids::FirmId;
use domain::sealing::{erased_by, holder_of, streams_of};
use domain::world::{State, World};
use vault::PersonKey;

use crate::fold;
use crate::ports::{Head, Meanwhile, NOTHING_KNOWN, Stored};
use crate::sealing::Keys;

/// A bounded world of folded streams.
///
/// It is speculative while a batch is decided: whoever does not see the batch land must
/// [`Cache::clear`] it.
pub(crate) struct Cache {
    firm: FirmId,
    world: World,
    keys: Keys,
    /// Whether `world` stands at a head that was seen. A cleared cache knows nothing.
    known: bool,
    /// The batch in which each stream was last used.
    used: HashMap<StreamId, u64>,
    batch: u64,
    streams_max: usize,
}

impl Cache {
    pub(crate) fn new(firm: FirmId, streams_max: usize) -> Self {
        Self {
            firm,
            world: World::new(firm, 0, 0),
            keys: Keys::new(),
            known: false,
            used: HashMap::new(),
            batch: 0,
            streams_max,
        }
    }

    pub(crate) const fn firm(&self) -> FirmId {
        self.firm
    }

    pub(crate) const fn world(&mut self) -> &mut World {
        &mut self.world
    }

    /// The keys that came with the streams.
    pub(crate) const fn keys(&mut self) -> &mut Keys {
        &mut self.keys
    }

    /// Both, for a decision.
    pub(crate) const fn split(&mut self) -> (&mut World, &Keys) {
        (&mut self.world, &self.keys)
    }

    /// The position to ask since which others wrote.
    pub(crate) fn known_position(&self) -> u64 {
        if self.known { self.world.position() } else { NOTHING_KNOWN }
    }

    /// Forgets everything.
    pub(crate) fn clear(&mut self) {
        *self = Self::new(self.firm, self.streams_max);
    }

    /// Begins a batch at a head, after what others wrote since the last one.
    pub(crate) fn open(&mut self, head: &Head, meanwhile: Meanwhile) {
        self.batch += 1;
        let known = self.known;
        self.known = true;
        if known && self.stands_at(head) {
            return;
        }
        match meanwhile {
            Meanwhile::Events(events) if known => self.catch_up(&events),
            Meanwhile::Streams(streams) if known => self.forget(&streams, head),
            Meanwhile::Events(_) | Meanwhile::Streams(_) | Meanwhile::Nothing => {}
        }
        // A head that nothing leads to says that this cache is of another log.
        if !known || !self.stands_at(head) {
            self.reopen(head);
        }
    }

    fn stands_at(&self, head: &Head) -> bool {
        (self.world.position(), self.world.invoices()) == (head.position, head.invoices)
    }

    /// Folds what others wrote, as far as it reads and continues what is loaded.
    fn catch_up(&mut self, events: &[Stored]) {
        for stored in events {
            let Ok(recorded) = fold::decode(self.firm, stored) else { return };
            let state = self.world.state(recorded.stream);
            let continues = state.is_none_or(|s| s.version() + 1 == recorded.stream_version);
            if !continues || recorded.position != self.world.position() + 1 {
                return;
            }
            self.world.apply(&recorded);
            self.doubt_key(&recorded);
        }
    }

    /// A person whom another process brought into being or erased has another key than is known here:
    /// the stream is loaded again before it is needed.
    fn doubt_key(&mut self, recorded: &Recorded) {
        let stream = recorded.stream;
        let holder = holder_of(self.firm, stream);
        let unknown = matches!(self.keys.get(&holder), Some(None));
        if unknown || erased_by(recorded).is_some() {
            self.keys.remove(&holder);
            for stream in streams_of(holder) {
                self.world.forget(stream);
                self.used.remove(&stream);
            }
        }
    }

    /// Forgets the streams that others wrote to; all others stand as they stood.
    fn forget(&mut self, streams: &[StreamId], head: &Head) {
        if head.position < self.world.position() || head.invoices < self.world.invoices() {
            return;
        }
        for stream in streams {
            let holder = holder_of(self.firm, *stream);
            self.keys.remove(&holder);
            for stream in streams_of(holder).into_iter().chain([*stream]) {
                self.world.forget(stream);
                self.used.remove(&stream);
            }
        }
        self.world.move_to(head.position, head.invoices);
    }

    /// Begins the same batch once more, at the same head: what was decided is undone.
    pub(crate) fn reopen(&mut self, head: &Head) {
        self.world = World::new(self.firm, head.position, head.invoices);
        self.keys.clear();
        self.used.clear();
    }

    /// Takes in a loaded stream and the key of its person.
    pub(crate) fn insert(&mut self, stream: StreamId, state: State, key: Option<PersonKey>) {
        self.world.insert(stream, state);
        self.keys.insert(holder_of(self.firm, stream), key);
        self.touch(stream);
    }

    /// Notes that a stream was used in this batch.
    pub(crate) fn touch(&mut self, stream: StreamId) {
        self.used.insert(stream, self.batch);
    }

    /// Drops the least recently used half once there are too many; the firm's own stream stays.
    pub(crate) fn evict(&mut self) {
        if self.world.loaded() <= self.streams_max {
            return;
        }
        let mut batches: Vec<u64> = self.used.values().copied().collect();
        let oldest = batches.iter().min().copied().unwrap_or(self.batch);
        let middle = batches.len() / 2;
        let median =
            if batches.is_empty() { self.batch } else { *batches.select_nth_unstable(middle).1 };
        // Streams of one batch go or stay together; a batch that is half of them goes.
        let keep_from = median.max(oldest + 1);
        self.used.retain(|_, batch| *batch >= keep_from);
        let used = &self.used;
        self.world.retain(|stream| stream == StreamId::Firm || used.contains_key(&stream));
        let firm = self.firm.0;
        self.keys.retain(|holder, _| {
            *holder == firm || streams_of(*holder).iter().any(|stream| used.contains_key(stream))
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::CaseId;
    use uuid::Uuid;

    fn case(number: u128) -> StreamId {
        StreamId::Case(CaseId(Uuid::from_u128(number)))
    }

    fn head(position: u64) -> Head {
        Head { position, ..Head::default() }
    }

    fn filled(streams_max: usize, cases: u128) -> Cache {
        let mut cache = Cache::new(FirmId(Uuid::from_u128(1)), streams_max);
        cache.open(&head(10), Meanwhile::Nothing);
        cache.insert(StreamId::Firm, State::empty(StreamId::Firm), None);
        for number in 0..cases {
            cache.open(&head(10), Meanwhile::Nothing);
            cache.insert(case(number), State::empty(case(number)), None);
        }
        cache
    }

    #[test]
    fn the_least_recently_used_go_in_bulk_and_the_firm_stays() {
        let mut cache = filled(8, 10);
        cache.evict();
        assert!(cache.world().loaded() <= 8);
        assert!(cache.world().has(StreamId::Firm), "every decision needs the firm");
        assert!(cache.world().has(case(9)) && !cache.world().has(case(0)));
    }

    #[test]
    fn one_batch_larger_than_the_cache_does_not_stay() {
        let mut cache = Cache::new(FirmId(Uuid::from_u128(1)), 4);
        cache.open(&head(0), Meanwhile::Nothing);
        for number in 0..10 {
            cache.insert(case(number), State::empty(case(number)), None);
        }
        cache.evict();
        assert!(cache.world().loaded() <= 4);
    }

    #[test]
    fn a_moved_head_keeps_what_the_other_writer_left_alone() {
        let mut cache = filled(100, 3);
        assert_eq!(cache.known_position(), 10);
        for position in 12..15 {
            cache.open(&head(position), Meanwhile::Streams(vec![case(1)]));
            assert!(cache.world().has(case(0)) && cache.world().has(StreamId::Firm));
            assert!(!cache.world().has(case(1)), "it was written by another process");
        }
        assert_eq!(cache.world().position(), 14);
    }

    #[test]
    fn a_head_that_went_back_forgets_everything() {
        let mut cache = filled(100, 3);
        cache.open(&head(9), Meanwhile::Nothing);
        assert_eq!(cache.world().loaded(), 0);
        cache.clear();
        assert_eq!(cache.known_position(), NOTHING_KNOWN);
    }
}
