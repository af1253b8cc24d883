//! Following a log: one path, by position. Being live is only waiting for the head to move.

use std::sync::Arc;

use domain::ids::FirmId;
use futures::Stream;
use futures::stream;
use tokio::sync::watch;

use crate::engine::Engine;
use crate::error::StoreError;
use crate::reading::History;
use crate::running::{Firm, Inner};
use crate::stored::Stored;

/// One message to a follower.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Followed {
    /// The next events, dense and in order.
    Events(Vec<Stored>),
    /// Everything up to here was sent; it comes once, each time the end is reached.
    CaughtUp {
        /// The last position sent, or where the follower began.
        position: u64,
    },
}

/// Why following ended. Go on from the last position received.
#[derive(Debug, thiserror::Error)]
pub enum FollowError {
    /// The store failed.
    #[error("the log could not be read after position {after}")]
    Store {
        /// The last position sent.
        after: u64,
        /// What the store said.
        #[source]
        source: StoreError,
    },
    /// A position is missing.
    #[error("position {expected} is missing from the log")]
    Gap {
        /// The position.
        expected: u64,
    },
    /// The service stops.
    #[error("the service is shutting down")]
    ShuttingDown,
}

struct Follower {
    inner: Arc<Inner>,
    firm: Arc<Firm>,
    /// Where pages are looked for first, as long as the follower is behind.
    history: Option<Arc<dyn History>>,
    /// Whether the end of the log is more than a page away, as far as is known.
    behind: bool,
    heads: watch::Receiver<u64>,
    stopping: watch::Receiver<bool>,
    after: u64,
    /// Whether the follower knows that it has everything.
    told: bool,
    ended: bool,
}

impl Engine {
    /// Everything after a position, then whatever comes, for as long as the caller reads. Each
    /// follower holds one page at most, and only when it asks for the next is another read.
    pub fn follow(
        &self,
        firm: FirmId,
        after: u64,
    ) -> impl Stream<Item = Result<Followed, FollowError>> + Send + use<> {
        self.follow_through(firm, after, None)
    }

    /// The same, with the past read from elsewhere as far as it goes. The end is always the store's
    /// own: a follower who is told to have everything has it.
    pub fn follow_through(
        &self,
        firm: FirmId,
        after: u64,
        history: Option<Arc<dyn History>>,
    ) -> impl Stream<Item = Result<Followed, FollowError>> + Send + use<> {
        let firm = self.firm(firm);
        let follower = Follower {
            inner: Arc::clone(self.inner()),
            history,
            behind: true,
            heads: firm.head.subscribe(),
            stopping: self.inner().stopping.subscribe(),
            firm,
            after,
            told: false,
            ended: false,
        };
        stream::unfold(follower, |mut follower| async move {
            if follower.ended {
                return None;
            }
            let message = follower.next().await;
            follower.ended = message.is_err();
            Some((message, follower))
        })
    }
}

impl Follower {
    async fn next(&mut self) -> Result<Followed, FollowError> {
        loop {
            if *self.stopping.borrow() {
                return Err(FollowError::ShuttingDown);
            }
            // Marked before the read, so that a commit during it is not slept through.
            self.heads.mark_unchanged();
            let page = self.page().await?;
            if let Some(last) = page.last() {
                self.after = last.position;
                self.told = false;
                return Ok(Followed::Events(page));
            }
            if !self.told {
                self.told = true;
                return Ok(Followed::CaughtUp { position: self.after });
            }
            self.wait().await;
        }
    }

    async fn page(&mut self) -> Result<Vec<Stored>, FollowError> {
        let after = self.after;
        let limit = self.inner.settings.follow_page;
        if let Some(page) = self.past(limit).await {
            return Ok(page);
        }
        let page = self.inner.store.read(self.firm.id, after, limit).await;
        let page = page.map_err(|source| FollowError::Store { after, source })?;
        for (expected, stored) in (after + 1..).zip(&page) {
            if stored.position != expected {
                return Err(FollowError::Gap { expected });
            }
        }
        self.behind = page.len() == limit;
        Ok(page)
    }

    /// A page from elsewhere, while there is one. Who is at the end is told of new events as soon as
    /// they are recorded, and by then they are nowhere else.
    async fn past(&self, limit: usize) -> Option<Vec<Stored>> {
        let history = self.history.as_ref().filter(|_| self.behind)?;
        let page = history.page(self.firm.id, self.after, limit).await?;
        let dense =
            (self.after + 1..).zip(&page).all(|(expected, event)| event.position == expected);
        (dense && !page.is_empty()).then_some(page)
    }

    /// Waits for this process's writer, or long enough that another may have written.
    async fn wait(&mut self) {
        tokio::select! {
            _ = self.heads.changed() => {}
            _ = self.stopping.changed() => {}
            () = tokio::time::sleep(self.inner.settings.poll_interval) => {}
        }
    }
}
