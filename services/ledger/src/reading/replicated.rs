//! One replica, and whether it may be asked.

use std::collections::HashMap;
use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use domain::ids::FirmId;
use log::StoreError;
use proof::Hash;
use store::{Replica, Standing, Store};
use tokio::time::{Instant, timeout};

use super::REPLICA_STANDING_MAX;
use super::shown::Shown;

/// How long a replica that did not answer, or not rightly, is let be before one read tries it again.
const REPLICA_RETRY: Duration = Duration::from_secs(5);
/// Most firms whose log at the replica is known to be the primary's.
const FIRMS_MAX: usize = 16_384;

/// Why a replica is not read from.
#[derive(Debug)]
pub(super) enum Unfit {
    /// It does not say in time where it stands.
    Silent,
    /// A read takes too long there.
    Slow,
    /// A read failed there.
    Failing,
    /// It follows nobody: it was promoted, or never was a standby.
    Promoted,
    /// Its log is not the primary's.
    Forked { firm: FirmId, position: u64 },
    /// It, or the primary that it is compared with, cannot be read.
    Store(StoreError),
}

impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent => f.write_str("it does not say where it stands"),
            Self::Slow => f.write_str("it took too long"),
            Self::Failing => f.write_str("a read of it failed"),
            Self::Promoted => f.write_str(
                "it is no standby: it was promoted, or never was one, and has a history of its own",
            ),
            Self::Forked { firm, position } => write!(
                f,
                "the log of firm {firm} is another one there at position {position}: it follows \
                 another server than the one that is written to"
            ),
            Self::Store(error) => fmt::Display::fmt(error, f),
        }
    }
}

impl From<StoreError> for Unfit {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

/// A replica, what is known of it, and what was shown from it.
pub(crate) struct Replicated {
    replica: Arc<Replica>,
    /// Until when it is let be; nothing while it answers.
    aside: Mutex<Option<Instant>>,
    /// The last event at the replica that was found to be the primary's, by firm.
    agreed: Mutex<HashMap<FirmId, (u64, Option<Hash>)>>,
    shown: Mutex<Shown>,
    answers: AtomicU64,
}

impl Replicated {
    pub(crate) fn by(replica: Arc<Replica>) -> Self {
        Self {
            replica,
            aside: Mutex::default(),
            agreed: Mutex::default(),
            shown: Mutex::default(),
            answers: AtomicU64::default(),
        }
    }

    pub(crate) fn store(&self) -> &Store {
        self.replica.store()
    }

    /// How many reads it has answered.
    pub(crate) fn answers(&self) -> u64 {
        self.answers.load(Ordering::Relaxed)
    }

    pub(super) fn shown(&self) -> MutexGuard<'_, Shown> {
        lock(&self.shown)
    }

    /// Whether a read may try it: while it is let be, one read in a while.
    pub(super) fn may_be_asked(&self) -> bool {
        let mut aside = lock(&self.aside);
        let now = Instant::now();
        match *aside {
            None => true,
            Some(until) if now < until => false,
            Some(_) => {
                *aside = Some(now + REPLICA_RETRY);
                true
            }
        }
    }

    /// Lets it be for a while.
    pub(super) fn set_aside(&self, why: &Unfit) {
        *lock(&self.aside) = Some(Instant::now() + REPLICA_RETRY);
        let place = self.replica.place();
        tracing::warn!(place, %why, "the read replica is not used; reads go to the primary");
    }

    /// It has answered a read.
    pub(super) fn answered(&self) {
        self.answers.fetch_add(1, Ordering::Relaxed);
        if lock(&self.aside).take().is_some() {
            tracing::info!(place = self.replica.place(), "reads go to the read replica again");
        }
    }

    /// Says at the start whether it is there.
    pub(crate) async fn greet(&self) {
        let nobody = FirmId(uuid::Uuid::nil());
        match timeout(REPLICA_STANDING_MAX, self.replica.standing(nobody)).await {
            Ok(Ok(Standing { follows: true, .. })) => {
                tracing::info!(place = self.replica.place(), "reads go to the read replica");
            }
            Ok(Ok(_)) => self.set_aside(&Unfit::Promoted),
            Ok(Err(error)) => self.set_aside(&error.into()),
            Err(_) => self.set_aside(&Unfit::Silent),
        }
    }

    /// Whether it still follows, and the same log. The event at its end says the second: each event has
    /// an id of its own, so two logs that parted never have the same one at the same position again.
    pub(super) async fn check(&self, primary: &Store, firm: FirmId) -> Result<(), Unfit> {
        let Standing { follows, position, leaf } = self.replica.standing(firm).await?;
        if !follows {
            return Err(Unfit::Promoted);
        }
        if position == 0 || lock(&self.agreed).get(&firm) == Some(&(position, leaf)) {
            return Ok(());
        }
        let ours = primary.leaves(firm, position - 1, 1).await?;
        if leaf.is_none() || ours.first().copied() != leaf {
            return Err(Unfit::Forked { firm, position });
        }
        let mut agreed = lock(&self.agreed);
        if agreed.len() >= FIRMS_MAX {
            agreed.clear();
        }
        agreed.insert(firm, (position, leaf));
        Ok(())
    }

    pub(crate) async fn close(&self) {
        self.replica.store().close().await;
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
