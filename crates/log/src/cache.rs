//! The streams a firm's writer keeps folded between batches.

use std::collections::HashMap;

use domain::event::{Recorded, StreamId};
use domain::ids::FirmId;
use domain::sealing::{erased_by, holder_of, person_of, streams_of};
use domain::world::{Mark, State, World};
use vault::PersonKey;

use crate::fold;
use crate::head::Head;
use crate::ports::{Meanwhile, NOTHING_KNOWN};
use crate::sealing::Keys;
use crate::stored::Stored;

/// Batches in which nobody else was seen to write before it is believed that nobody does.
const ALONE_BATCHES: u32 = 3;

/// A bounded world of folded streams.
///
/// It is speculative while a batch is decided: whoever does not see the batch land must
/// [`Cache::undo`] or [`Cache::clear`] it.
pub(crate) struct Cache {
    firm: FirmId,
    world: World,
    keys: Keys,
    /// The head that `world` stands at, once one was seen. A cleared cache knows none.
    head: Option<Head>,
    /// Batches on end that found the head where the one before had left it.
    alone: u32,
    /// Where `world` stood when this batch began.
    began_at: Mark,
    /// The batch in which each stream was last used.
    used: HashMap<StreamId, u64>,
    /// Looks that were loaded for this batch: clients are looked at too seldom to be worth the room.
    looks: Vec<StreamId>,
    batch: u64,
    streams_max: usize,
}

impl Cache {
    pub(crate) fn new(firm: FirmId, streams_max: usize) -> Self {
        let world = World::new(firm, 0, 0);
        Self {
            firm,
            began_at: world.mark(),
            world,
            keys: Keys::new(),
            head: None,
            alone: 0,
            used: HashMap::new(),
            looks: Vec::new(),
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
        self.head.as_ref().map_or(NOTHING_KNOWN, |head| head.position)
    }

    /// The head that the log is believed to end at still, while nobody else seems to write.
    pub(crate) fn believed(&self) -> Option<&Head> {
        self.head.as_ref().filter(|_| self.alone >= ALONE_BATCHES)
    }

    /// Forgets everything.
    pub(crate) fn clear(&mut self) {
        *self = Self::new(self.firm, self.streams_max);
    }

    /// Begins a batch at a head, after what others wrote since the last one.
    pub(crate) fn open(&mut self, head: &Head, meanwhile: Meanwhile) {
        self.batch += 1;
        for stream in std::mem::take(&mut self.looks) {
            self.world.forget(stream);
            self.used.remove(&stream);
        }
        if self.head.as_ref() == Some(head) {
            self.alone = self.alone.saturating_add(1);
        } else {
            self.alone = 0;
            let leads_there = match meanwhile {
                Meanwhile::Events(events) => self.catch_up(&events).as_ref() == Some(head),
                Meanwhile::Streams(streams) => self.skip(&streams, head),
                Meanwhile::Nothing => false,
            };
            // A head that nothing leads to says that this cache is of another log, or of none.
            if !leads_there {
                self.reopen(head);
            }
            self.head = Some(head.clone());
        }
        self.began_at = self.world.mark();
    }

    /// The batch has been decided, and ends here if it lands.
    pub(crate) fn end_at(&mut self, head: Head) {
        self.head = Some(head);
    }

    /// Takes back a batch that did not land, since others had written: forgets what it touched.
    pub(crate) fn undo(&mut self, began_at: Head) {
        let batch = self.batch;
        let touched = self.used.iter().filter(|(_, used)| **used == batch);
        let touched: Vec<StreamId> = touched.map(|(stream, _)| *stream).collect();
        self.forget(&touched);
        self.world.return_to(self.began_at);
        self.head = Some(began_at);
        self.alone = 0;
    }

    /// Folds what others wrote, as far as it reads and continues what is loaded. The head that the
    /// events lead to, by their hashes; nothing if it stopped before the last of them.
    fn catch_up(&mut self, events: &[Stored]) -> Option<Head> {
        let mut reached = self.head.clone()?;
        for stored in events {
            let recorded = fold::decode(self.firm, stored).ok()?;
            let state = self.world.state(recorded.stream);
            let continues = state.is_none_or(|s| s.version() + 1 == recorded.stream_version);
            if !continues || recorded.position != reached.position + 1 {
                return None;
            }
            self.world.apply(&recorded).ok()?;
            self.doubt_key(&recorded);
            reached.position = recorded.position;
            reached.recorded_at = recorded.recorded_at;
            reached.frontier.push(proof::leaf_hash(&stored.bytes));
        }
        reached.invoices = self.world.invoices();
        Some(reached)
    }

    /// A person whom another process brought into being or erased has another key than is known here:
    /// the stream is loaded again before it is needed.
    fn doubt_key(&mut self, recorded: &Recorded) {
        let holder = holder_of(self.firm, recorded.stream);
        let unknown = holder.is_some_and(|holder| matches!(self.keys.get(&holder), Some(None)));
        if unknown || erased_by(recorded).is_some() {
            self.forget(&[recorded.stream]);
        }
    }

    /// Forgets the streams that others wrote to; all others stand as they stood. Whether a log that
    /// only grows can have come from here to there.
    fn skip(&mut self, streams: &[StreamId], head: &Head) -> bool {
        if head.position < self.world.position() || head.invoices < self.world.invoices() {
            return false;
        }
        self.forget(streams);
        self.world.move_to(head.position, head.invoices);
        true
    }

    /// Forgets streams, the keys of their people, and what else those people have.
    fn forget(&mut self, streams: &[StreamId]) {
        for stream in streams {
            if let Some(holder) = holder_of(self.firm, *stream) {
                self.keys.remove(&holder);
            }
            for stream in person_of(*stream).map_or([*stream; 2], streams_of) {
                self.world.forget(stream);
                self.used.remove(&stream);
            }
        }
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
        if let Some(holder) = holder_of(self.firm, stream) {
            self.keys.insert(holder, key);
        }
        self.touch(stream);
        if let StreamId::Looks(_) = stream {
            self.looks.push(stream);
        }
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
    use domain::ids::{CaseId, DepositId};
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
    fn a_batch_that_did_not_land_is_forgotten_and_no_more() {
        let mut cache = filled(100, 3);
        let before = head(10);
        assert_eq!(cache.believed(), Some(&before), "nobody else was seen to write");
        cache.open(&before, Meanwhile::Nothing);
        cache.world().move_to(12, 1);
        cache.touch(case(1));
        cache.end_at(head(12));
        cache.undo(before.clone());
        assert!(cache.world().has(case(0)) && !cache.world().has(case(1)));
        assert_eq!((cache.world().position(), cache.world().invoices()), (10, 0));
        assert_eq!(cache.known_position(), 10);
        assert_eq!(cache.believed(), None, "somebody else writes");
        for _ in 0..ALONE_BATCHES {
            assert_eq!(cache.believed(), None);
            cache.open(&before, Meanwhile::Nothing);
        }
        assert_eq!(cache.believed(), Some(&before));
    }

    #[test]
    fn the_firm_s_key_stays_when_another_process_writes_to_a_stream_of_nobody_s() {
        let mut cache = filled(100, 1);
        let looks = StreamId::Looks(CaseId(Uuid::from_u128(0)));
        let deposit = StreamId::Deposit(DepositId(Uuid::from_u128(7)));
        cache.open(&head(12), Meanwhile::Streams(vec![looks, deposit]));
        let firm = cache.firm().0;
        assert!(cache.keys().contains_key(&firm), "every answer is kept under a hash of it");
        assert!(cache.world().has(StreamId::Firm) && cache.world().has(case(0)));
        cache.open(&head(13), Meanwhile::Streams(vec![StreamId::Firm]));
        assert!(!cache.keys().contains_key(&firm) && !cache.world().has(StreamId::Firm));
    }

    #[test]
    fn looks_are_held_for_one_batch() {
        let mut cache = filled(100, 1);
        let looks = StreamId::Looks(CaseId(Uuid::from_u128(0)));
        cache.insert(looks, State::empty(looks), None);
        assert!(cache.world().has(looks));
        cache.open(&head(10), Meanwhile::Nothing);
        assert!(!cache.world().has(looks) && cache.world().has(case(0)));
    }

    #[test]
    fn a_head_of_the_same_size_and_another_tree_is_of_another_log() {
        let mut cache = filled(100, 3);
        let mut other = head(10);
        other.frontier.push(proof::leaf_hash(b"another event"));
        cache.open(&other, Meanwhile::Nothing);
        assert_eq!(cache.world().loaded(), 0);
        assert_eq!(cache.believed(), None);
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
