//! Places that strangers cannot keep from others: when the last is taken, whoever has held one longest
//! makes room. Whoever means well holds one for milliseconds.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio_util::sync::CancellationToken;

/// So many places.
pub(crate) struct Room {
    most: usize,
    inside: Mutex<Inside>,
}

#[derive(Default)]
struct Inside {
    next: u64,
    /// In the order in which they came.
    holders: BTreeMap<u64, CancellationToken>,
}

impl Room {
    /// A room of at least one place.
    pub(crate) fn new(most: usize) -> Arc<Self> {
        Arc::new(Self { most: most.max(1), inside: Mutex::default() })
    }

    /// Takes a place. Whoever held one longest is told to go if there was none left.
    pub(crate) fn enter(self: &Arc<Self>, told_to_go: CancellationToken) -> Place {
        let mut inside = self.lock();
        while inside.holders.len() >= self.most {
            let Some((_, oldest)) = inside.holders.pop_first() else { break };
            oldest.cancel();
        }
        let number = inside.next;
        inside.next += 1;
        inside.holders.insert(number, told_to_go);
        Place { room: Arc::clone(self), number }
    }

    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A place that is held.
pub(crate) struct Place {
    room: Arc<Room>,
    number: u64,
}

impl Drop for Place {
    fn drop(&mut self) {
        self.room.lock().holders.remove(&self.number);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_came_first_makes_room_and_a_place_left_is_free() {
        let room = Room::new(2);
        let told: Vec<_> = (0..4).map(|_| CancellationToken::new()).collect();
        let first = room.enter(told[0].clone());
        let second = room.enter(told[1].clone());
        let third = room.enter(told[2].clone());
        let gone = |at: usize| told[at].is_cancelled();
        assert!(gone(0) && !gone(1) && !gone(2));
        // One who was told to go already takes nobody's place along.
        drop(first);
        drop(second);
        let _fourth = room.enter(told[3].clone());
        assert!(!gone(2) && !gone(3));
        drop(third);
    }
}
