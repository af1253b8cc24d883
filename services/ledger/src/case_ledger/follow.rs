//! `Follow`: every event after a position, for as long as the client listens.
//!
//! The events come from the log by position, live or not, one page at a time; the next page is read
//! when this one was taken. A slow client therefore holds one page and nothing else.

use std::pin::pin;

use api::requests::{self, FollowAsked};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use api::v1::follow_response::Message;
use domain::event::Recorded;
use futures::StreamExt;
use log::{Followed, Stored};
use proof::{Hash, leaf_hash};
use tokio::sync::mpsc;
use tokio::time::{Duration, Instant, sleep_until, timeout};
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use super::read::event_messages;
use crate::access::Authority;
use crate::answers::Answers;
use crate::ledger::Ledger;
use crate::openings::Look;

/// Messages between the reader and the transport: few, since a page is held already.
const MESSAGES_WAITING: usize = 16;
/// How long the last word of a stream waits for a client that does not read.
const LAST_WORD_WAIT: Duration = Duration::from_secs(1);

type Outgoing = mpsc::Sender<Result<v1::FollowResponse, Status>>;

/// Opens the stream.
pub(super) async fn open(
    ledger: &Ledger,
    authority: Authority,
    message: &v1::FollowRequest,
) -> Result<Answers<v1::FollowResponse>, Failure> {
    ledger.check_name(&authority, &message.parent).await?;
    let asked = requests::follow(message)?;
    // Whoever goes on from where this log never was would wait for ever.
    let leaf = ledger.check_cursor(asked.firm, asked.cursor).await?;
    let (outgoing, messages) = mpsc::channel(MESSAGES_WAITING);
    let ledger = ledger.clone();
    ledger.clone().spawn(async move {
        let follower = Follower {
            position: asked.cursor.after,
            leaf,
            said_at: Instant::now(),
            ledger,
            authority,
            asked,
            outgoing: outgoing.clone(),
        };
        if let Err(End::Failed(failure)) = follower.run().await {
            let _ = timeout(LAST_WORD_WAIT, outgoing.send(Err(failure.into()))).await;
        }
    });
    Ok(Box::pin(ReceiverStream::new(messages)))
}

/// Why a stream ends.
enum End {
    /// The client is gone.
    Left,
    /// Something the client is told.
    Failed(Failure),
}

impl From<Failure> for End {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

struct Follower {
    ledger: Ledger,
    authority: Authority,
    asked: FollowAsked,
    outgoing: Outgoing,
    /// Everything up to here was sent or filtered out.
    position: u64,
    /// The leaf hash of the event there; nothing at the start of the log.
    leaf: Option<Hash>,
    /// When the client last heard something.
    said_at: Instant,
}

impl Follower {
    async fn run(mut self) -> Result<(), End> {
        let closing = self.ledger.closing().clone();
        let outgoing = self.outgoing.clone();
        let mut followed = pin!(self.ledger.follow(self.asked.firm, self.asked.cursor.after));
        loop {
            let quiet_until = self.said_at + self.asked.progress_interval;
            let next = tokio::select! {
                biased;
                () = closing.cancelled() => return Err(Failure::ShuttingDown.into()),
                () = outgoing.closed() => return Err(End::Left),
                () = sleep_until(quiet_until) => None,
                next = followed.next() => Some(next),
            };
            match next {
                None => {
                    let (position, leaf_hash) = (int64(self.position), self.leaf_hash());
                    let progress = v1::Progress { position, leaf_hash };
                    self.say(Message::Progress(progress)).await?;
                }
                // The engine's stream ends with an error, which was passed on.
                Some(None) => return Err(End::Left),
                Some(Some(followed)) => self.pass_on(followed.map_err(Failure::from)?).await?,
            }
        }
    }

    async fn pass_on(&mut self, followed: Followed) -> Result<(), End> {
        match followed {
            Followed::Events(page) => self.page(page).await,
            Followed::CaughtUp { position } => {
                let (position, leaf_hash) = (int64(position), self.leaf_hash());
                self.say(Message::CaughtUp(v1::CaughtUp { position, leaf_hash })).await
            }
        }
    }

    fn leaf_hash(&self) -> Vec<u8> {
        self.leaf.map(|leaf| leaf.as_bytes().to_vec()).unwrap_or_default()
    }

    async fn page(&mut self, page: Vec<Stored>) -> Result<(), End> {
        let last = page.last().map(|stored| (stored.position, leaf_hash(&stored.bytes)));
        let Some((last, leaf)) = last else { return Ok(()) };
        let types = &self.asked.types;
        let mut wanted = Vec::with_capacity(page.len());
        for stored in page {
            let position = stored.position;
            let corrupt = |_| Failure::Corrupt { position };
            let recorded = Recorded::from_bytes(&stored.bytes).map_err(corrupt)?;
            if types.is_empty() || types.contains(recorded.event.type_name()) {
                wanted.push((recorded, stored));
            }
        }
        let firm = self.asked.firm;
        let look = Look::at_clients(&self.authority, "Follow");
        for event in event_messages(&self.ledger, look, firm, wanted).await? {
            self.say(Message::Event(event)).await?;
        }
        (self.position, self.leaf) = (last, Some(leaf));
        Ok(())
    }

    /// Sends, and waits for the client to take it; the service's end does not wait for that.
    async fn say(&mut self, message: Message) -> Result<(), End> {
        let response = v1::FollowResponse { message: Some(message) };
        let sent = tokio::select! {
            biased;
            sent = self.outgoing.send(Ok(response)) => sent,
            () = self.ledger.closing().cancelled() => return Err(Failure::ShuttingDown.into()),
        };
        self.said_at = Instant::now();
        sent.map_err(|_| End::Left)
    }
}
