//! How fast strangers of one address are served: connections on which no token was accepted. Whoever means
//! well asks little before a token is accepted, so that few frames a second are enough for a whole office
//! behind one address. What comes faster is not refused: it is read later, and costs nothing meanwhile.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

use crate::config::DoorLimits;

/// What a new connection counts as, in frames: about what it takes.
const CONNECTION: usize = 8;
/// Addresses remembered before those are forgotten that owe nothing.
const ADDRESSES: usize = 1_024;

/// The addresses of strangers.
pub(super) struct Pace {
    /// The time of one frame.
    frame: Duration,
    /// How far an address may be ahead.
    ahead: Duration,
    /// When each would have come as far as it has, frame after frame.
    reached: Mutex<HashMap<IpAddr, Instant>>,
}

impl Pace {
    pub(super) fn new(limits: &DoorLimits) -> Self {
        let frame = Duration::from_secs(1) / limits.stranger_frames_per_second.max(1);
        let ahead = frame * limits.stranger_frames_ahead_max;
        Self { frame, ahead, reached: Mutex::default() }
    }

    /// When the next frame of an address is read, if not now.
    pub(super) fn due(&self, address: IpAddr) -> Option<Instant> {
        let reached = self.lock().get(&address).copied()?;
        let due = reached.checked_sub(self.ahead)?;
        (due > Instant::now()).then_some(due)
    }

    /// Counts a connection.
    pub(super) fn connected(&self, address: IpAddr) {
        self.passed(address, CONNECTION);
    }

    /// Counts frames.
    pub(super) fn passed(&self, address: IpAddr, frames: usize) {
        let now = Instant::now();
        let mut all = self.lock();
        if all.len() >= ADDRESSES && !all.contains_key(&address) {
            all.retain(|_, reached| *reached > now);
        }
        let reached = all.entry(address).or_insert(now);
        *reached = (*reached).max(now) + self.frame * u32::try_from(frames).unwrap_or(u32::MAX);
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<IpAddr, Instant>> {
        self.reached.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn an_address_that_is_ahead_waits_and_no_other_does() {
        let limits = DoorLimits {
            stranger_frames_per_second: 10,
            stranger_frames_ahead_max: 20,
            ..DoorLimits::default()
        };
        let (pace, one, other) =
            (Pace::new(&limits), IpAddr::from([127, 0, 0, 2]), IpAddr::from([127, 0, 0, 3]));
        pace.passed(one, 20);
        assert_eq!(pace.due(one), None);
        pace.passed(one, 5);
        assert_eq!(pace.due(one), Some(Instant::now() + Duration::from_millis(500)));
        assert_eq!(pace.due(other), None);
        tokio::time::advance(Duration::from_millis(500)).await;
        assert_eq!(pace.due(one), None);
    }
}
