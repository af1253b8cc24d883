//! Verifying a whole log from its bytes alone.

mod answers;
mod streams;
mod tiles;

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use domain::codec::In;
use domain::event::{AccountEvent, Event, Recorded, StreamId, UtcMicros};
use domain::ids::{AccessId, EventId, FirmId};
use domain::value::Text;
use proof::{Frontier, Hash, leaf_hash};
use tokio::sync::mpsc;

use crate::engine::{Engine, check_end};
use crate::error::StoreError;
use crate::fold;
use crate::head::Head;
use crate::ports::{Beside, COLUMNS, LogStore, Store, StreamEnd, columns_of};
use crate::stored::Stored;

use answers::every_answer_reads;
pub(crate) use answers::{Span, answers_of};
use tiles::TileCheck;

/// Most events of one page of a verification.
const VERIFY_PAGE: usize = 2_000;

/// Pages that are read before the one that is checked is done.
const PAGES_AHEAD: usize = 2;

/// A log that was found whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifyReport {
    /// Events read.
    pub events: u64,
    /// Streams they belong to.
    pub streams: u64,
    /// Invoices issued, numbered without a gap.
    pub invoices: u64,
    /// The root over all of them, made anew.
    pub root: Hash,
    /// Where recorded times run back, if they do.
    pub ran_back: Option<RanBack>,
    /// Answers that no event tells of: to requests that were refused, or recorded nothing.
    pub answers_alone: u64,
}

/// Recorded times that run back. Older versions recorded what the clock said even if it had been set
/// back; positions tell the order, and no event is in doubt for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RanBack {
    /// The first event that was recorded at an earlier time than the one before it.
    pub first: u64,
    /// How many there are.
    pub events: u64,
}

impl fmt::Display for RanBack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { first, events } = self;
        write!(
            f,
            "{events} recorded times are earlier than the one before, the first at position {first}: \
             the clock was set back, and positions tell the order"
        )
    }
}

/// An end of a log that was noted at some time: whatever became of the log since, it begins with what
/// it held then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LogCheckpoint {
    /// The last position; 0 when the log was empty.
    pub position: u64,
    /// The root over all events up to it, RFC 9162 section 2.1.1.
    pub root: Hash,
}

/// A checkpoint that the log is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Noted {
    /// What it says.
    pub checkpoint: LogCheckpoint,
    /// Where it is noted, in words that follow "the one": "noted earlier".
    pub how: &'static str,
}

/// What a verification found, or why it could not look.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// The log is not what was written.
    #[error("position {position}: {what}")]
    Finding {
        /// The first position that is wrong; the head's if only the whole does not agree.
        position: u64,
        /// What is wrong, without personal values.
        what: String,
    },
    /// The store failed.
    #[error("the log could not be read")]
    Store(#[source] StoreError),
}

impl From<StoreError> for VerifyError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Corrupt { position, what } => Self::Finding { position, what },
            other @ (StoreError::Unavailable { .. }
            | StoreError::OutcomeUnknown { .. }
            | StoreError::Conflict { .. }
            | StoreError::Answer { .. }
            | StoreError::Full { .. }
            | StoreError::Internal { .. }) => Self::Store(other),
        }
    }
}

pub(crate) fn finding(position: u64, what: impl Into<String>) -> VerifyError {
    VerifyError::Finding { position, what: what.into() }
}

impl Engine {
    /// Reads the whole log up to its present head and checks every event's bytes, place, hash and the
    /// columns beside them, where each stream ends, the numbers of the invoices, that the answer to every event's request
    /// says what it recorded, the tiles kept of the tree, the root, that every answer reads and claims
    /// nothing that the log does not hold, where the read model stands, and that what refuses changes in
    /// the database is there. `progress` is told the position reached and the head.
    pub async fn verify(
        &self,
        firm: FirmId,
        progress: impl FnMut(u64, u64) + Send,
    ) -> Result<VerifyReport, VerifyError> {
        self.verify_since(firm, Vec::new(), progress).await
    }

    /// The same, and whether the log still begins with what it held when checkpoints were noted.
    /// Every hash is made anew from the bytes, so that no proof of consistency (RFC 9162 section
    /// 2.1.4) is needed: the earlier root is met on the way or it is not.
    pub async fn verify_since(
        &self,
        firm: FirmId,
        noted: Vec<Noted>,
        mut progress: impl FnMut(u64, u64) + Send,
    ) -> Result<VerifyReport, VerifyError> {
        let store = Arc::clone(&self.inner().store);
        let head = store.head(firm).await?;
        let behind = noted.iter().find(|noted| noted.checkpoint.position > head.position);
        if let Some(Noted { checkpoint, how }) = behind {
            let what = format!("the log ends before position {}, {how}", checkpoint.position);
            return Err(finding(head.position, what));
        }
        let mut verifier = Verifier::new(firm, noted);
        verifier.meet_noted()?;
        let mut tiles = TileCheck::of(store.tiles_kept(firm).await?);
        let mut pages = pages_to(Arc::clone(&store), firm, head.position);
        while verifier.position < head.position {
            // A reader that is gone has left its error behind, or panicked.
            let page = pages.recv().await.unwrap_or_else(|| {
                Err(StoreError::internal("the task that reads the log is gone"))
            });
            let (page, beside) = page?;
            let requests = verifier.take_page(&page, &beside)?;
            answers_of(store.as_ref(), firm, &requests).await?;
            tiles.take(store.as_ref(), firm, &beside).await?;
            progress(verifier.position, head.position);
        }
        let last = verifier.take_last();
        answers_of(store.as_ref(), firm, &last).await?;
        streams::end_where_they_say(store.as_ref(), firm, &verifier.ends, head.position).await?;
        nothing_behind(store.as_ref(), firm, &head).await?;
        let answers_alone = every_answer_reads(store.as_ref(), firm, head.position).await?;
        check_end(store.as_ref(), firm).await?;
        if let Some(guard) = store.guards_missing().await?.first() {
            let what =
                format!("what refuses changes in the database is missing or changed: {guard}");
            return Err(finding(head.position, what));
        }
        Ok(VerifyReport { answers_alone, ..verifier.finish(&head)? })
    }
}

/// Pages of the log as far as the head, read on another task while the one before is checked. Nothing
/// comes after an error, or after a page that ends where it began.
fn pages_to(
    store: Arc<dyn Store>,
    firm: FirmId,
    head: u64,
) -> mpsc::Receiver<Result<Page, StoreError>> {
    let (sender, pages) = mpsc::channel(PAGES_AHEAD);
    tokio::spawn(async move {
        let mut after = 0;
        while after < head {
            let page = read_page(store.as_ref(), firm, after, head).await;
            let read = page.as_ref().map_or(0, |(page, _)| page.len());
            after += u64::try_from(read).unwrap_or(u64::MAX);
            if sender.send(page).await.is_err() || read == 0 {
                return;
            }
        }
    });
    pages
}

/// No event stands behind the head: none that the head does not know, which nobody could append over.
async fn nothing_behind(
    store: &dyn LogStore,
    firm: FirmId,
    head: &Head,
) -> Result<(), VerifyError> {
    let Some(behind) = store.read(firm, head.position, 1).await?.pop() else { return Ok(()) };
    // It may have come with a head that moved since.
    if store.head(firm).await?.position < behind.position {
        return Err(finding(behind.position, "the event stands behind the head"));
    }
    Ok(())
}

/// Events, and what is kept beside each.
type Page = (Vec<Stored>, Vec<Beside>);

/// Events after a position and what is kept beside them, as far as the head.
pub(crate) async fn read_page(
    store: &dyn LogStore,
    firm: FirmId,
    after: u64,
    head: u64,
) -> Result<Page, StoreError> {
    let left = usize::try_from(head.saturating_sub(after)).unwrap_or(usize::MAX);
    let limit = left.min(VERIFY_PAGE);
    let page = store.read(firm, after, limit);
    futures::try_join!(page, store.beside(firm, after, limit))
}

/// One event, after checking that its bytes are canonical and those that were hashed.
pub(crate) fn recorded_of(
    firm: FirmId,
    stored: &Stored,
    leaf: &Hash,
) -> Result<Recorded, VerifyError> {
    if leaf_hash(&stored.bytes) != *leaf {
        return Err(finding(stored.position, "the bytes are not those that were hashed"));
    }
    let recorded =
        fold::decode(firm, stored).map_err(|fault| finding(fault.position, fault.what))?;
    if !is_canonical(&recorded, &stored.bytes) {
        return Err(finding(stored.position, "the bytes are not canonical"));
    }
    Ok(recorded)
}

/// What an event is found by is what its bytes say: a stream is loaded by these columns alone.
fn check_columns(recorded: &Recorded, previous: u64, kept: &str) -> Result<(), VerifyError> {
    let expected = columns_of(recorded, previous);
    if expected == kept {
        return Ok(());
    }
    let mut pairs = COLUMNS.iter().zip(expected.split(' ').zip(kept.split(' ')));
    let differs = pairs.find(|(_, (expected, kept))| expected != kept);
    let name = differs.map_or("one", |(name, _)| name);
    let what = format!("of the columns beside the event, {name} is not what its bytes say");
    Err(finding(recorded.position, what))
}

/// The number that an event gives to an invoice.
pub(crate) fn invoice_number(event: &Event) -> Option<u64> {
    match event {
        Event::Account(AccountEvent::InvoiceIssued(invoice)) => Some(invoice.number),
        Event::Account(_)
        | Event::Case(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => None,
    }
}

/// What has been read so far.
pub(crate) struct Verifier {
    firm: FirmId,
    /// Those that are not met yet, the next one last.
    noted: Vec<Noted>,
    /// The request whose stretch may go on behind what was read.
    open: Vec<Span>,
    pub(crate) position: u64,
    invoices: u64,
    recorded_at: UtcMicros,
    ran_back: Option<RanBack>,
    ends: HashMap<StreamId, StreamEnd>,
    frontier: Frontier,
}

impl Verifier {
    pub(crate) fn new(firm: FirmId, mut noted: Vec<Noted>) -> Self {
        noted.sort_by_key(|noted| std::cmp::Reverse(noted.checkpoint.position));
        Self {
            firm,
            noted,
            open: Vec::new(),
            position: 0,
            invoices: 0,
            recorded_at: UtcMicros::default(),
            ran_back: None,
            ends: HashMap::new(),
            frontier: Frontier::new(),
        }
    }

    /// Where a checkpoint was noted, the root has to be the one that was noted.
    fn meet_noted(&mut self) -> Result<(), VerifyError> {
        while let Some(Noted { checkpoint, how }) =
            self.noted.pop_if(|noted| noted.checkpoint.position == self.position)
        {
            if checkpoint.root != self.frontier.root() {
                let what = format!("the root up to here is not the one {how}");
                return Err(finding(self.position, what));
            }
        }
        Ok(())
    }

    /// The requests that were left open: what was read is all there is.
    pub(crate) fn take_last(&mut self) -> Vec<Span> {
        std::mem::take(&mut self.open)
    }

    /// Checks a page and returns the requests that end in it.
    pub(crate) fn take_page(
        &mut self,
        page: &[Stored],
        beside: &[Beside],
    ) -> Result<Vec<Span>, VerifyError> {
        let missing = self.position + 1;
        if page.is_empty() || page.len() != beside.len() {
            return Err(finding(missing, "the event or its leaf hash is missing"));
        }
        for (stored, beside) in page.iter().zip(beside) {
            let recorded = self.take(stored, beside)?;
            Span::extend(&mut self.open, &recorded);
        }
        let open = self.open.pop();
        Ok(std::mem::replace(&mut self.open, Vec::from_iter(open)))
    }

    fn take(&mut self, stored: &Stored, beside: &Beside) -> Result<Recorded, VerifyError> {
        let expected = self.position + 1;
        if stored.position != expected {
            return Err(finding(expected, "the position is missing"));
        }
        let recorded = recorded_of(self.firm, stored, &beside.leaf)?;
        let stream = recorded.stream;
        let end = self.ends.entry(stream).or_insert(StreamEnd { stream, last: 0, version: 0 });
        check_columns(&recorded, end.last, &beside.columns)?;
        let version = end.version + 1;
        if recorded.stream_version != version {
            return Err(finding(expected, format!("version {version} of the stream is missing")));
        }
        *end = StreamEnd { stream, last: expected, version };
        if let Some(number) = invoice_number(&recorded.event) {
            self.invoices += 1;
            if number != self.invoices {
                return Err(finding(expected, format!("invoice {} is missing", self.invoices)));
            }
        }
        if recorded.recorded_at < self.recorded_at && expected > 1 {
            let RanBack { first, events } =
                self.ran_back.unwrap_or(RanBack { first: expected, events: 0 });
            self.ran_back = Some(RanBack { first, events: events + 1 });
        }
        self.recorded_at = recorded.recorded_at;
        self.frontier.push(beside.leaf);
        self.position = expected;
        self.meet_noted()?;
        Ok(recorded)
    }

    /// What was read, after comparing it with the head it was read up to.
    pub(crate) fn finish(&self, head: &Head) -> Result<VerifyReport, VerifyError> {
        if self.invoices != head.invoices {
            return Err(finding(head.position, "the head counts other invoices"));
        }
        if self.recorded_at != head.recorded_at {
            return Err(finding(head.position, "the head has another time than the last event"));
        }
        if self.frontier != head.frontier {
            return Err(finding(head.position, "the head has another root"));
        }
        Ok(VerifyReport {
            events: self.position,
            streams: u64::try_from(self.ends.len()).unwrap_or(u64::MAX),
            invoices: self.invoices,
            root: self.frontier.root(),
            ran_back: self.ran_back,
            answers_alone: 0,
        })
    }
}

/// Whether the bytes are the one canonical spelling. An event of an older version is lifted when it
/// is read and would be written differently today, so its bytes are judged by the RFC alone.
fn is_canonical(recorded: &Recorded, bytes: &[u8]) -> bool {
    let current = recorded.event.type_version();
    match stored_version(bytes) {
        Some(version) if version < current => proof::canonical::is_canonical(bytes),
        Some(_) => recorded.to_bytes() == bytes,
        None => false,
    }
}

/// The event version in the envelope.
fn stored_version(bytes: &[u8]) -> Option<u32> {
    let mut input = In::new(bytes);
    input.open_object().ok()?;
    input.member::<Option<AccessId>>("access").ok()?;
    input.member::<Text>("actor").ok()?;
    input.member::<Option<EventId>>("causation").ok()?;
    input.member::<String>("event").ok()?;
    input.member::<EventId>("event_id").ok()?;
    input.member("event_version").ok()
}
