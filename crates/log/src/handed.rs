//! Events on their way from a firm's writer to its projection in the same process, which need not read and decode
//! again what has just been written.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use domain::event::Recorded;

use crate::settings::HANDED_EVENTS_MAX;
use crate::sync::lock;

/// Events that landed, dense and in order. What is missing, because another process wrote it or there was no room,
/// is read from the log.
#[derive(Default)]
pub(crate) struct Handed {
    events: Mutex<VecDeque<Arc<Recorded>>>,
    /// Whether this process projects.
    wanted: AtomicBool,
}

impl Handed {
    /// Says whether this process projects: another's events are nobody's here.
    pub(crate) fn want(&self, wanted: bool) {
        self.wanted.store(wanted, Ordering::Relaxed);
        if !wanted {
            lock(&self.events).clear();
        }
    }

    /// Adds what a batch has written.
    pub(crate) fn put(&self, landed: Vec<Arc<Recorded>>) {
        if !self.wanted.load(Ordering::Relaxed) {
            return;
        }
        let mut events = lock(&self.events);
        let last = events.back().map(|last| last.position);
        let continues = landed.first().is_some_and(|next| last == Some(next.position - 1));
        if !continues || events.len() + landed.len() > HANDED_EVENTS_MAX {
            events.clear();
        }
        if landed.len() <= HANDED_EVENTS_MAX {
            events.extend(landed);
        }
    }

    /// Whether the event after a position is here.
    pub(crate) fn has_after(&self, position: u64) -> bool {
        let mut events = lock(&self.events);
        while events.front().is_some_and(|first| first.position <= position) {
            events.pop_front();
        }
        events.front().is_some_and(|first| first.position == position + 1)
    }

    /// The events after a position, at most `limit`; none if the first of them is not here.
    pub(crate) fn take_after(&self, position: u64, limit: usize) -> Vec<Recorded> {
        if !self.has_after(position) {
            return Vec::new();
        }
        let mut events = lock(&self.events);
        let some = limit.min(events.len());
        events.drain(..some).map(Arc::unwrap_or_clone).collect()
    }
}
