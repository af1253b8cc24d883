//! What lands, on its way from a firm's writer to its projection in the same process, which need neither read and decode
//! again what has just been written, nor fold it once more.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use domain::State;
use domain::event::{Recorded, StreamId};
use domain::world::World;

use crate::settings::HANDED_EVENTS_MAX;
use crate::sync::lock;

/// Batches that landed, dense and in order. What is missing, because another process wrote it or there was no room,
/// is read from the log.
#[derive(Default)]
pub(crate) struct Handed {
    batches: Mutex<VecDeque<Landed>>,
    /// Whether this process projects.
    wanted: AtomicBool,
}

/// A batch that landed.
struct Landed {
    events: VecDeque<Arc<Recorded>>,
    /// The streams of its events as they are after the last of them.
    states: HashMap<StreamId, State>,
}

/// Events that follow on each other, and their streams as they are after the last of them.
#[derive(Default)]
pub(crate) struct Taken {
    pub(crate) events: Vec<Recorded>,
    pub(crate) states: HashMap<StreamId, State>,
}

impl Landed {
    /// Events, as the writer's world has their streams.
    fn of(events: Vec<Arc<Recorded>>, world: &World) -> Self {
        let streams: HashSet<StreamId> = events.iter().map(|event| event.stream).collect();
        let state = |stream: StreamId| Some((stream, world.state(stream)?.clone()));
        let states = streams.into_iter().filter_map(state).collect();
        Self { events: events.into(), states }
    }
}

impl Handed {
    /// Says whether this process projects: another's events are nobody's here.
    pub(crate) fn want(&self, wanted: bool) {
        self.wanted.store(wanted, Ordering::Relaxed);
        if !wanted {
            lock(&self.batches).clear();
        }
    }

    /// Adds what a batch has written, and its streams as the writer's world has them.
    pub(crate) fn put(&self, events: Vec<Arc<Recorded>>, world: &World) {
        let wanted = self.wanted.load(Ordering::Relaxed);
        let Some(next) = events.first().filter(|_| wanted).map(|first| first.position) else {
            return;
        };
        let landed = Landed::of(events, world);
        let mut batches = lock(&self.batches);
        let last = batches.back().and_then(|last| last.events.back()).map(|last| last.position);
        let waiting: usize = batches.iter().map(|batch| batch.events.len()).sum();
        if last != Some(next - 1) || waiting + landed.events.len() > HANDED_EVENTS_MAX {
            batches.clear();
        }
        if landed.events.len() <= HANDED_EVENTS_MAX {
            batches.push_back(landed);
        }
    }

    /// Whether the event after a position is here.
    pub(crate) fn has_after(&self, position: u64) -> bool {
        let mut batches = lock(&self.batches);
        while let Some(batch) = batches.front_mut() {
            while batch.events.front().is_some_and(|first| first.position <= position) {
                batch.events.pop_front();
            }
            match batch.events.front() {
                Some(first) => return first.position == position + 1,
                None => batches.pop_front(),
            };
        }
        false
    }

    /// What came after a position, at most `limit` events; nothing if the first of them is not here. Of a batch that is
    /// taken in part no stream is known as it is then.
    pub(crate) fn take_after(&self, position: u64, limit: usize) -> Taken {
        let mut taken = Taken::default();
        if !self.has_after(position) {
            return taken;
        }
        let mut batches = lock(&self.batches);
        while let Some(batch) = batches.front_mut() {
            let some = batch.events.len().min(limit - taken.events.len());
            taken.events.extend(batch.events.drain(..some).map(Arc::unwrap_or_clone));
            if !batch.events.is_empty() {
                break;
            }
            taken.states.extend(batches.pop_front().map(|batch| batch.states).unwrap_or_default());
        }
        taken
    }
}
