//! Logins that were refused: counted by reason, and told in the log no faster than somebody can read.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use domain::ids::{AccessId, FirmId};
use tokio::time::Instant;
use tracing::field::display;

/// Lines of one reason in one [`WINDOW`]. A client that tries again all day must not fill the log, nor hide
/// what is refused for another reason.
const LINES_MAX: u64 = 10;
/// See [`LINES_MAX`].
const WINDOW: Duration = Duration::from_secs(10);

/// Why somebody was not let in. Callers are told none of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LoginRefused {
    /// Nothing that has the form of a token came along.
    NoToken,
    /// The firm never gave out a token with this id, or there is no such firm.
    UnknownToken,
    /// The id is a token's, and what came along is not that token.
    WrongSecret,
    /// Its last day is over.
    Expired,
    /// It was taken back.
    Revoked,
    /// It was let in, and asked for another firm.
    OtherFirm,
}

impl LoginRefused {
    /// Every one.
    pub(crate) const ALL: [Self; 6] = [
        Self::NoToken,
        Self::UnknownToken,
        Self::WrongSecret,
        Self::Expired,
        Self::Revoked,
        Self::OtherFirm,
    ];

    /// How it is counted and told.
    pub(crate) const fn code(self) -> &'static str {
        match self {
            Self::NoToken => "no_token",
            Self::UnknownToken => "unknown_token",
            Self::WrongSecret => "wrong_secret",
            Self::Expired => "expired",
            Self::Revoked => "revoked",
            Self::OtherFirm => "other_firm",
        }
    }
}

/// Who tried. There is no text in it that a caller wrote: an address is the transport's, an id was parsed.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Caller {
    /// The other end of the connection.
    pub(crate) peer: Option<SocketAddr>,
    /// The firm that the token names.
    pub(crate) firm: Option<FirmId>,
    /// The id that the token names.
    pub(crate) access: Option<AccessId>,
}

/// The refused logins of this process.
#[derive(Debug, Default)]
pub(crate) struct Logins {
    by_reason: [OfReason; LoginRefused::ALL.len()],
}

#[derive(Debug, Default)]
struct OfReason {
    count: AtomicU64,
    lines: Mutex<Lines>,
}

/// Lines of the present window.
#[derive(Debug, Default)]
struct Lines {
    since: Option<Instant>,
    told: u64,
    left_out: u64,
}

impl Lines {
    /// Whether one more line is told, and then how many were left out before it.
    fn take(&mut self, now: Instant) -> Option<u64> {
        if self.since.is_none_or(|since| now.duration_since(since) >= WINDOW) {
            self.since = Some(now);
            self.told = 0;
        }
        if self.told == LINES_MAX {
            self.left_out += 1;
            return None;
        }
        self.told += 1;
        Some(std::mem::take(&mut self.left_out))
    }
}

impl Logins {
    /// Counts a refused login and tells of it.
    ///
    /// # Panics
    /// Never: every reason has its place.
    pub(crate) fn refused(&self, reason: LoginRefused, caller: Caller) {
        let at = LoginRefused::ALL.iter().position(|known| *known == reason);
        let of_reason = &self.by_reason[at.expect("every reason is in the list")];
        of_reason.count.fetch_add(1, Ordering::Relaxed);
        let mut lines = of_reason.lines.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(left_out) = lines.take(Instant::now()) {
            let Caller { peer, firm, access } = caller;
            let (peer, firm, access) = (peer.map(display), firm.map(display), access.map(display));
            let reason = reason.code();
            tracing::warn!(reason, peer, firm, access, left_out, "a login was refused");
        }
    }

    /// How many there were of each reason.
    pub(crate) fn counts(&self) -> impl Iterator<Item = (&'static str, u64)> {
        let counts = self.by_reason.iter().map(|of| of.count.load(Ordering::Relaxed));
        LoginRefused::ALL.iter().map(|reason| reason.code()).zip(counts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_told_up_to_a_bound_and_what_was_left_out_is_counted() {
        let (mut lines, began) = (Lines::default(), Instant::now());
        for _ in 0..LINES_MAX {
            assert_eq!(lines.take(began), Some(0));
        }
        for _ in 0..1_000 {
            assert_eq!(lines.take(began + WINDOW / 2), None);
        }
        assert_eq!(lines.take(began + WINDOW), Some(1_000));
        assert_eq!(lines.take(began + WINDOW), Some(0));
    }

    #[test]
    fn every_reason_is_counted_in_its_own_place() {
        let logins = Logins::default();
        for (times, reason) in (1..).zip(LoginRefused::ALL) {
            for _ in 0..times {
                logins.refused(reason, Caller::default());
            }
        }
        let counts: Vec<_> = logins.counts().collect();
        let expected: Vec<_> = LoginRefused::ALL.iter().map(|r| r.code()).zip(1..).collect();
        assert_eq!(counts, expected);
    }
}
