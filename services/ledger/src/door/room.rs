//! Places that strangers cannot keep from others. When the last is taken, one is given up: of the
//! address that holds most, the one that was taken first. So a crowd that comes from few addresses only
//! ever crowds itself, and whoever means well holds a place for milliseconds.

use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, Ipv6Addr};
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
    taken: usize,
    /// By address, in the order in which they came.
    of: HashMap<IpAddr, BTreeMap<u64, CancellationToken>>,
}

impl Inside {
    fn leave(&mut self, address: IpAddr, number: u64) -> Option<CancellationToken> {
        let held = self.of.get_mut(&address)?;
        let told_to_go = held.remove(&number)?;
        if held.is_empty() {
            self.of.remove(&address);
        }
        self.taken -= 1;
        Some(told_to_go)
    }

    /// Whoever came first from an address, or from the one that holds most. Whether there is anybody.
    fn make_room(&mut self, address: Option<IpAddr>) -> bool {
        let crowd = || {
            let first = |held: &BTreeMap<u64, CancellationToken>| held.keys().next().copied();
            let by = |(address, held): (&IpAddr, &BTreeMap<_, _>)| {
                (held.len(), std::cmp::Reverse(first(held)), *address)
            };
            self.of.iter().map(by).max().map(|(_, _, address)| address)
        };
        let Some(address) = address.or_else(crowd) else { return false };
        let first = self.of.get(&address).and_then(|held| held.keys().next().copied());
        let Some(told_to_go) = first.and_then(|first| self.leave(address, first)) else {
            return false;
        };
        told_to_go.cancel();
        true
    }
}

impl Room {
    /// A room of at least one place.
    pub(crate) fn new(most: usize) -> Arc<Self> {
        Arc::new(Self { most: most.max(1), inside: Mutex::default() })
    }

    /// Takes a place. If there was none left, somebody is told to go.
    pub(crate) fn enter(
        self: &Arc<Self>,
        address: Option<IpAddr>,
        told_to_go: CancellationToken,
    ) -> Place {
        let address = whose(address.unwrap_or(IpAddr::V6(Ipv6Addr::UNSPECIFIED)));
        let mut inside = self.lock();
        if inside.taken >= self.most {
            inside.make_room(None);
        }
        let number = inside.next;
        inside.next += 1;
        inside.taken += 1;
        inside.of.entry(address).or_default().insert(number, told_to_go);
        Place { room: Arc::clone(self), address, number }
    }

    /// Whether somebody would have to go for the next.
    pub(super) fn is_full(&self) -> bool {
        self.lock().taken >= self.most
    }

    /// Tells whoever came first to go: from an address, or from the one that holds most. Whether
    /// anybody is there.
    pub(crate) fn make_room(&self, address: Option<IpAddr>) -> bool {
        self.lock().make_room(address)
    }

    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whoever has one IPv6 address has the 2^64 around it (RFC 4291, section 2.5.1).
pub(super) fn whose(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0).into()
        }
        address @ IpAddr::V4(_) => address,
    }
}

/// A place that is held.
pub(crate) struct Place {
    room: Arc<Room>,
    address: IpAddr,
    number: u64,
}

impl Drop for Place {
    fn drop(&mut self) {
        self.room.lock().leave(self.address, self.number);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_came_first_makes_room_and_a_place_left_is_free() {
        let room = Room::new(2);
        let told: Vec<_> = (0..4).map(|_| CancellationToken::new()).collect();
        let enter = |at: usize| room.enter(None, told[at].clone());
        let (first, second, third) = (enter(0), enter(1), enter(2));
        let gone = |at: usize| told[at].is_cancelled();
        assert!(gone(0) && !gone(1) && !gone(2));
        // One who was told to go already takes nobody's place along.
        drop((first, second));
        let _fourth = enter(3);
        assert!(!gone(2) && !gone(3));
        drop(third);
    }

    #[test]
    fn a_crowd_from_one_address_crowds_itself() {
        let room = Room::new(3);
        let from = |last: u8| Some(IpAddr::from([127, 0, 0, last]));
        let told: Vec<_> = (0..9).map(|_| CancellationToken::new()).collect();
        let _probe = room.enter(from(1), told[0].clone());
        let _crowd: Vec<_> =
            (1..9).map(|at: usize| room.enter(from(2), told[at].clone())).collect();
        let left: Vec<_> = (0..9).filter(|at: &usize| !told[*at].is_cancelled()).collect();
        assert_eq!(left, [0, 7, 8]);
    }
}
