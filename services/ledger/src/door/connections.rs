//! Who is connected: bounded in all and for each address.
//!
//! A connection is unknown until a token was accepted on it. Where there is no room left, the unknown
//! one that came first is closed, so that strangers wait for each other and nobody waits for them.

use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, Ipv6Addr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio_util::sync::CancellationToken;

use crate::config::DoorLimits;

/// Why a connection was not taken, or was closed before its caller wanted that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reason {
    /// Its address had as many as one may have.
    Address,
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
    pub(crate) const ALL: [Self; 10] = [
        Self::Address,
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
    unknown_max: usize,
    inside: Mutex<Inside>,
    ended: [AtomicU64; Reason::ALL.len()],
    /// Times that the system let no connection in.
    pub(crate) not_accepted: AtomicU64,
}

#[derive(Default)]
struct Inside {
    next: u64,
    of: HashMap<IpAddr, usize>,
    addresses: HashMap<u64, IpAddr>,
    /// In the order in which they came.
    unknown: BTreeMap<u64, (IpAddr, CancellationToken)>,
}

impl Inside {
    fn forget(&mut self, number: u64) {
        self.unknown.remove(&number);
        let Some(address) = self.addresses.remove(&number) else { return };
        if let Some(count) = self.of.get_mut(&address) {
            *count -= 1;
            if *count == 0 {
                self.of.remove(&address);
            }
        }
    }

    /// Closes the unknown connection that came first, of an address or of all. Whether there is one.
    fn make_room(&mut self, address: Option<IpAddr>) -> bool {
        let mut unknown = self.unknown.iter();
        let oldest = unknown.find(|(_, (of, _))| address.is_none_or(|address| address == *of));
        let Some((number, (_, told_to_go))) = oldest else { return false };
        let number = *number;
        told_to_go.cancel();
        self.forget(number);
        true
    }
}

impl Connections {
    pub(crate) fn new(limits: &DoorLimits) -> Arc<Self> {
        Arc::new(Self {
            total_max: limits.connections_max,
            per_address_max: limits.connections_per_address_max,
            unknown_max: limits.connections_unknown_max,
            inside: Mutex::default(),
            ended: Default::default(),
            not_accepted: AtomicU64::new(0),
        })
    }

    /// Takes a connection in, for which an unknown one may have to go.
    pub(crate) fn enter(
        self: &Arc<Self>,
        from: IpAddr,
        told_to_go: CancellationToken,
    ) -> Result<Entry, Reason> {
        let address = whose(from);
        let mut inside = self.lock();
        let of_address = inside.of.get(&address).copied().unwrap_or(0);
        if of_address >= self.per_address_max && !inside.make_room(Some(address)) {
            return Err(Reason::Address);
        }
        let full = inside.addresses.len() >= self.total_max;
        let crowded = inside.unknown.len() >= self.unknown_max;
        if (full || crowded) && !inside.make_room(None) {
            return Err(Reason::Full);
        }
        let number = inside.next;
        inside.next += 1;
        *inside.of.entry(address).or_default() += 1;
        inside.addresses.insert(number, address);
        inside.unknown.insert(number, (address, told_to_go));
        Ok(Entry { connections: Arc::clone(self), number })
    }

    /// Closes the unknown connection that came first.
    pub(crate) fn make_room(&self) {
        self.lock().make_room(None);
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
        u64::try_from(self.lock().addresses.len()).unwrap_or(u64::MAX)
    }

    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whoever has one IPv6 address has the 2^64 around it (RFC 4291, section 2.5.1).
fn whose(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0).into()
        }
        address @ IpAddr::V4(_) => address,
    }
}

/// A connection that counts.
pub(crate) struct Entry {
    connections: Arc<Connections>,
    number: u64,
}

impl Entry {
    /// A token was accepted on it: it makes room for nobody any more.
    pub(crate) fn is_known(&self) {
        self.connections.lock().unknown.remove(&self.number);
    }

    pub(crate) fn count(&self, reason: Reason) {
        self.connections.count(reason);
    }
}

impl Drop for Entry {
    fn drop(&mut self) {
        self.connections.lock().forget(self.number);
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
        assert_eq!(connections.open(), 3);
        three.is_known();
        drop(known);
        assert_eq!(connections.open(), 2);
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
