//! Who is connected: bounded in all and for each address.
//!
//! A connection is unknown until a token was accepted on it. Where there is no room left, an unknown one
//! is closed for the next, so that strangers wait for each other and nobody waits for them.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::pace::Pace;
use super::room::{Place, Room, whose};
use crate::config::DoorLimits;

/// Why a connection was not taken, or was closed before its caller wanted that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reason {
    /// Its address had as many as one may have.
    Address,
    /// There was no room left, and strangers of its address came faster than they are served.
    Pace,
    /// There were as many as there may be, and a token was accepted on each.
    Full,
    /// It was unknown, and made room for another.
    Room,
    /// TLS was not agreed on in time, or not at all.
    Handshake,
    /// It did not begin as HTTP/2 begins, or not in time.
    Preface,
    /// Headers or a frame were begun and not ended in time.
    Headers,
    /// Nothing was asked on it for too long.
    Idle,
    /// What it was sent was not read.
    Unread,
    /// Frames that ask for nothing, too many of them.
    Flood,
    /// Too many calls without a token that is accepted.
    Refusals,
}

impl Reason {
    pub(crate) const ALL: [Self; 11] = [
        Self::Address,
        Self::Pace,
        Self::Full,
        Self::Room,
        Self::Handshake,
        Self::Preface,
        Self::Headers,
        Self::Idle,
        Self::Unread,
        Self::Flood,
        Self::Refusals,
    ];

    /// Its name among the metrics.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Address => "address",
            Self::Pace => "pace",
            Self::Full => "full",
            Self::Room => "room",
            Self::Handshake => "handshake",
            Self::Preface => "preface",
            Self::Headers => "headers",
            Self::Idle => "idle",
            Self::Unread => "unread",
            Self::Flood => "flood",
            Self::Refusals => "refusals",
        }
    }
}

/// The connections of one service.
pub(crate) struct Connections {
    total_max: usize,
    per_address_max: usize,
    unknown: Arc<Room>,
    pace: Pace,
    inside: Mutex<Inside>,
    ended: [AtomicU64; Reason::ALL.len()],
    /// Times that the system let no connection in.
    pub(crate) not_accepted: AtomicU64,
}

#[derive(Default)]
struct Inside {
    all: usize,
    of: HashMap<IpAddr, usize>,
}

impl Connections {
    pub(crate) fn new(limits: &DoorLimits) -> Arc<Self> {
        Arc::new(Self {
            total_max: limits.connections_max,
            per_address_max: limits.connections_per_address_max,
            unknown: Room::new(limits.connections_unknown_max),
            pace: Pace::new(limits),
            inside: Mutex::default(),
            ended: Default::default(),
            not_accepted: AtomicU64::new(0),
        })
    }

    /// Takes a connection in, for which an unknown one may have to go. That one counts until it has gone,
    /// a moment later, so that there are a few more than the bound while a crowd comes.
    pub(crate) fn enter(
        self: &Arc<Self>,
        from: IpAddr,
        told_to_go: CancellationToken,
    ) -> Result<Entry, Reason> {
        let address = whose(from);
        let mut inside = self.lock();
        let of_address = inside.of.get(&address).copied().unwrap_or(0);
        let full = of_address >= self.per_address_max
            || inside.all >= self.total_max
            || self.unknown.is_full();
        // Whoever comes back as soon as they are sent away would otherwise send each other away for ever.
        if full && self.pace.due(address).is_some() {
            return Err(Reason::Pace);
        }
        self.pace.connected(address);
        if of_address >= self.per_address_max && !self.unknown.make_room(Some(address)) {
            return Err(Reason::Address);
        }
        if inside.all >= self.total_max && !self.unknown.make_room(None) {
            return Err(Reason::Full);
        }
        inside.all += 1;
        *inside.of.entry(address).or_default() += 1;
        drop(inside);
        let place = Mutex::new(Some(self.unknown.enter(Some(address), told_to_go)));
        Ok(Entry { connections: Arc::clone(self), address, place })
    }

    /// Closes an unknown connection.
    pub(crate) fn make_room(&self) {
        self.unknown.make_room(None);
    }

    pub(crate) fn count(&self, reason: Reason) {
        if let Some(at) = Reason::ALL.iter().position(|known| *known == reason) {
            self.ended[at].fetch_add(1, Ordering::Relaxed);
        }
    }

    /// How many were not taken or closed, by reason.
    pub(crate) fn ended(&self) -> impl Iterator<Item = (&'static str, u64)> {
        let counts = self.ended.iter().map(|count| count.load(Ordering::Relaxed));
        Reason::ALL.iter().map(|reason| reason.code()).zip(counts)
    }

    /// How many there are.
    pub(crate) fn open(&self) -> u64 {
        u64::try_from(self.lock().all).unwrap_or(u64::MAX)
    }

    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A connection that counts.
pub(crate) struct Entry {
    connections: Arc<Connections>,
    pub(super) address: IpAddr,
    /// Its place among the unknown, until a token was accepted on it.
    place: Mutex<Option<Place>>,
}

impl Entry {
    /// A token was accepted on it: it makes room for nobody any more.
    pub(crate) fn is_known(&self) {
        self.place.lock().unwrap_or_else(PoisonError::into_inner).take();
    }

    pub(crate) fn count(&self, reason: Reason) {
        self.connections.count(reason);
    }

    /// When the next frame of its address is read, if it is unknown and not now.
    pub(super) fn due(&self) -> Option<Instant> {
        self.connections.pace.due(self.address)
    }

    /// Frames of a stranger came.
    pub(super) fn passed(&self, frames: usize) {
        self.connections.pace.passed(self.address, frames);
    }
}

impl Drop for Entry {
    fn drop(&mut self) {
        let mut inside = self.connections.lock();
        inside.all -= 1;
        if let Some(count) = inside.of.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                inside.of.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn connections(all: usize, address: usize, unknown: usize) -> Arc<Connections> {
        Connections::new(&DoorLimits {
            connections_max: all,
            connections_per_address_max: address,
            connections_unknown_max: unknown,
            ..DoorLimits::default()
        })
    }

    #[test]
    fn strangers_make_room_and_known_callers_never_do() {
        let connections = connections(3, 3, 2);
        let from = |last: u8| IpAddr::from([127, 0, 0, last]);
        let told: Vec<_> = (0..5).map(|_| CancellationToken::new()).collect();
        let enter = |last, at: usize| connections.enter(from(last), told[at].clone());
        let known = enter(1, 0).unwrap();
        known.is_known();
        let (_one, _two) = (enter(2, 1).unwrap(), enter(3, 2).unwrap());
        let three = enter(4, 3).unwrap();
        let gone: Vec<_> = told.iter().map(CancellationToken::is_cancelled).collect();
        assert_eq!(gone, [false, true, false, false, false]);
        three.is_known();
        let open = connections.open();
        drop(known);
        assert_eq!(connections.open(), open - 1);
    }

    #[test]
    fn an_address_has_its_own_bound() {
        let connections = connections(10, 1, 10);
        let token = CancellationToken::new;
        let v6 = |text: &str| text.parse::<IpAddr>().unwrap();
        let one = connections.enter(v6("2001:db8::1"), token()).unwrap();
        one.is_known();
        assert_eq!(
            connections.enter(v6("2001:db8::2"), token()).err(),
            Some(Reason::Address),
            "the same network"
        );
        assert!(connections.enter(v6("2001:db8:0:1::1"), token()).is_ok());
        drop(one);
        assert!(connections.enter(v6("2001:db8::2"), token()).is_ok());
    }
}
