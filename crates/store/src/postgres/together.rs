//! Hints by NOTIFY and leases by advisory locks.

use std::collections::{BTreeSet, HashSet};
use std::sync::{Arc, Mutex};

use async_trait::async_trait;
use domain::ids::FirmId;
use log::StoreError;
use sha2::{Digest as _, Sha256};
use sqlx::PgPool;
use sqlx::pool::PoolConnection;
use sqlx::postgres::PgListener;
use tokio::sync::Notify;
use tokio::task::AbortHandle;
use uuid::Uuid;

use super::error::failed;
use super::statements::{CHANNEL, HOLD, STILL_HELD, TELL};
use crate::engine::{Hint, Hinting, Leading, Work};

/// Firms whose logs have grown, until the others are told.
///
/// Told after the commit and from a connection of its own: a transaction that notifies holds a lock
/// of the whole server while it commits, so that no two firms could share a flush. All that commits
/// while one message is on its way goes into the next.
#[derive(Debug)]
pub(super) struct Grown {
    firms: Arc<Firms>,
    telling: AbortHandle,
}

#[derive(Debug, Default)]
struct Firms {
    grown: Mutex<BTreeSet<Uuid>>,
    wake: Notify,
}

impl Grown {
    /// Tells the others over a pool, until this is dropped.
    pub(super) fn over(pool: PgPool) -> Self {
        let firms = Arc::<Firms>::default();
        let telling = tokio::spawn(tell(Arc::clone(&firms), pool)).abort_handle();
        Self { firms, telling }
    }

    pub(super) fn add(&self, firm: FirmId) {
        lock(&self.firms.grown).insert(firm.0);
        self.firms.wake.notify_one();
    }
}

impl Drop for Grown {
    fn drop(&mut self) {
        self.telling.abort();
    }
}

/// A hint that cannot be sent is dropped: nobody depends on it.
async fn tell(firms: Arc<Firms>, pool: PgPool) {
    loop {
        firms.wake.notified().await;
        let grown = std::mem::take(&mut *lock(&firms.grown));
        let grown: Vec<String> = grown.iter().map(Uuid::to_string).collect();
        if let Err(error) = sqlx::query(TELL).bind(grown).execute(&pool).await {
            tracing::debug!(%error, "a hint was not sent");
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// See [`crate::Hints`].
pub(super) struct Hints(PgListener);

impl std::fmt::Debug for Hints {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hints")
    }
}

impl Hints {
    pub(super) async fn over(pool: &PgPool) -> Result<Self, StoreError> {
        let mut listener = PgListener::connect_with(pool).await.map_err(failed)?;
        listener.listen(CHANNEL).await.map_err(failed)?;
        Ok(Self(listener))
    }
}

#[async_trait]
impl Hinting for Hints {
    async fn next(&mut self) -> Result<Hint, StoreError> {
        let told = self.0.try_recv().await.map_err(failed)?;
        let firm = told.and_then(|told| Uuid::parse_str(told.payload()).ok());
        Ok(firm.map_or(Hint::Lost, |firm| Hint::Grown(FirmId(firm))))
    }
}

/// See [`crate::Leases`]. One connection holds them all; the server frees them with it.
#[derive(Debug)]
pub(super) struct Leases {
    pool: PgPool,
    connection: Option<PoolConnection<sqlx::Postgres>>,
    held: HashSet<i64>,
}

impl Leases {
    pub(super) fn over(pool: PgPool) -> Self {
        Self { pool, connection: None, held: HashSet::new() }
    }

    /// Lets the next to ask have it all.
    pub(super) fn let_go(&mut self) {
        self.held.clear();
        if let Some(connection) = self.connection.take() {
            drop(connection.detach());
        }
    }
}

#[async_trait]
impl Leading for Leases {
    async fn ask(&mut self, firm: FirmId, work: Work) -> Result<bool, StoreError> {
        let key = key(firm, work);
        if self.connection.is_none() {
            self.connection = Some(self.pool.acquire().await.map_err(failed)?);
        }
        let connection = self.connection.as_mut().expect("it has just been taken");
        let text = if self.held.contains(&key) { STILL_HELD } else { HOLD };
        let answer = sqlx::query_scalar(text).bind(key).fetch_one(&mut **connection).await;
        match answer {
            Ok(true) => {
                self.held.insert(key);
                Ok(true)
            }
            Ok(false) => Ok(false),
            Err(error) => {
                self.let_go();
                Err(failed(error))
            }
        }
    }
}

impl Drop for Leases {
    fn drop(&mut self) {
        self.let_go();
    }
}

/// The key of an advisory lock. Two that fall together would only share a leader.
fn key(firm: FirmId, work: Work) -> i64 {
    let mut hasher = Sha256::new();
    hasher.update(firm.0.as_bytes());
    hasher.update(work.code());
    let hash: [u8; 32] = hasher.finalize().into();
    let (first, _) = hash.split_first_chunk().expect("a hash has more than eight bytes");
    i64::from_be_bytes(*first)
}
