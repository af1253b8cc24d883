//! Verifying a whole log from its bytes alone.

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use domain::codec::In;
use domain::event::{AccountEvent, Event, Recorded, StreamId, UtcMicros};
use domain::ids::{AccessId, EventId, FirmId, RequestId};
use domain::value::Text;
use proof::{Frontier, Hash, leaf_hash};
use tokio::sync::mpsc;

use crate::engine::Engine;
use crate::error::StoreError;
use crate::fold;
use crate::moving::Walk;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::{Beside, COLUMNS, Head, LogStore, Store, Stored, columns_of};
use crate::tiles::{Tiler, first_position};

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
    /// columns that it is found by, the numbers of the invoices, that every event's request is remembered, the tiles kept of the tree,
    /// the root, and that every answer reads and claims nothing that the log does not hold.
    /// `progress` is told the position reached and the head.
    pub async fn verify(
        &self,
        firm: FirmId,
        progress: impl FnMut(u64, u64) + Send,
    ) -> Result<VerifyReport, VerifyError> {
        self.verify_since(firm, None, progress).await
    }

    /// The same, and whether the log still begins with what it held when a checkpoint was noted.
    /// Every hash is made anew from the bytes, so that no proof of consistency (RFC 9162 section
    /// 2.1.4) is needed: the earlier root is met on the way or it is not.
    pub async fn verify_since(
        &self,
        firm: FirmId,
        checkpoint: Option<LogCheckpoint>,
        mut progress: impl FnMut(u64, u64) + Send,
    ) -> Result<VerifyReport, VerifyError> {
        let store = Arc::clone(&self.inner().store);
        let head = store.head(firm).await?;
        if let Some(checkpoint) = checkpoint.filter(|noted| noted.position > head.position) {
            let what =
                format!("the log ends before position {}, noted earlier", checkpoint.position);
            return Err(finding(head.position, what));
        }
        let mut verifier = Verifier::new(firm, checkpoint);
        verifier.meet_checkpoint()?;
        let mut tiles = TileCheck { kept: store.tiles_kept(firm).await?, ..TileCheck::default() };
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
        nothing_behind(store.as_ref(), firm, &head).await?;
        every_answer_reads(store.as_ref(), firm, &head).await?;
        verifier.finish(&head)
    }
}

/// The tiles kept beside the log, held against its leaves. Those that are not made yet are no fault.
#[derive(Default)]
struct TileCheck {
    kept: u64,
    tiler: Tiler,
    /// Leaves of the next tile.
    leaves: Vec<Hash>,
}

impl TileCheck {
    async fn take(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        beside: &[Beside],
    ) -> Result<(), VerifyError> {
        self.leaves.extend(beside.iter().map(|beside| beside.leaf));
        let mut made = Vec::new();
        let (full, rest) = self.leaves.as_chunks::<256>();
        for leaves in full {
            if self.tiler.made() < self.kept {
                made.extend(self.tiler.push(Box::new(*leaves)));
            }
        }
        self.leaves = rest.to_vec();
        let kept = made.iter().map(|tile| store.tile(firm, tile.level, tile.index));
        for (tile, kept) in made.iter().zip(futures::future::try_join_all(kept).await?) {
            if kept.as_ref() != Some(tile) {
                let position = first_position(tile.level, tile.index);
                return Err(finding(position, "the tile kept of it is not that of the events"));
            }
        }
        Ok(())
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

/// Reads every remembered answer, those of refusals too. Each event is covered by the answer of its
/// request already; that they claim as many as there are says that none claims another's.
async fn every_answer_reads(
    store: &dyn LogStore,
    firm: FirmId,
    head: &Head,
) -> Result<(), VerifyError> {
    let mut walk = Walk::of(store, firm);
    let mut claimed: u64 = 0;
    while let Some((request, outcome)) = walk.peek().await.map_err(|e| unread(head.position, e))? {
        if let OutcomeResult::Accepted(accepted) = &outcome.result {
            if accepted.last() <= head.position {
                claimed += accepted.count;
            } else {
                recorded_since(store, firm, *request, accepted).await?;
            }
        }
        walk.pass();
    }
    if claimed == head.position {
        return Ok(());
    }
    let what = format!("the answers to requests claim {claimed} of {} events", head.position);
    Err(finding(head.position, what))
}

/// An answer that claims events behind the head that was read is of a request that came in since.
async fn recorded_since(
    store: &dyn LogStore,
    firm: FirmId,
    request: RequestId,
    accepted: &Accepted,
) -> Result<(), VerifyError> {
    let now = store.head(firm).await?.position;
    if accepted.last() <= now {
        return Ok(());
    }
    let what = format!("the answer to request {request} claims events that are not there");
    Err(finding(now, what))
}

/// An answer that does not read is found where its request recorded, or at the head.
fn unread(position: u64, error: StoreError) -> VerifyError {
    match error {
        error @ StoreError::Answer { .. } => finding(position, error.to_string()),
        other => other.into(),
    }
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
fn check_columns(recorded: &Recorded, kept: &str) -> Result<(), VerifyError> {
    let expected = columns_of(recorded);
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

/// The stretch of the log that one request recorded, as far as it was read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Span {
    /// Whose.
    pub(crate) request: RequestId,
    /// Its first position.
    pub(crate) first: u64,
    /// Its last.
    pub(crate) last: u64,
}

impl Span {
    /// Takes the next event in: its request's stretch grows, or another begins.
    pub(crate) fn extend(spans: &mut Vec<Self>, recorded: &Recorded) {
        let Recorded { request_id: request, position, .. } = *recorded;
        match spans.last_mut() {
            Some(span) if span.request == request => span.last = position,
            Some(_) | None => spans.push(Self { request, first: position, last: position }),
        }
    }
}

/// What has been read so far.
pub(crate) struct Verifier {
    firm: FirmId,
    checkpoint: Option<LogCheckpoint>,
    pub(crate) position: u64,
    invoices: u64,
    recorded_at: UtcMicros,
    ran_back: Option<RanBack>,
    versions: HashMap<StreamId, u64>,
    frontier: Frontier,
}

impl Verifier {
    pub(crate) fn new(firm: FirmId, checkpoint: Option<LogCheckpoint>) -> Self {
        Self {
            firm,
            checkpoint,
            position: 0,
            invoices: 0,
            recorded_at: UtcMicros::default(),
            ran_back: None,
            versions: HashMap::new(),
            frontier: Frontier::new(),
        }
    }

    /// Where the checkpoint was noted, the root has to be the one that was noted.
    fn meet_checkpoint(&self) -> Result<(), VerifyError> {
        match self.checkpoint {
            Some(noted)
                if noted.position == self.position && noted.root != self.frontier.root() =>
            {
                Err(finding(self.position, "the root up to here is not the one noted earlier"))
            }
            Some(_) | None => Ok(()),
        }
    }

    /// Checks a page and returns the requests in it.
    pub(crate) fn take_page(
        &mut self,
        page: &[Stored],
        beside: &[Beside],
    ) -> Result<Vec<Span>, VerifyError> {
        let missing = self.position + 1;
        if page.is_empty() || page.len() != beside.len() {
            return Err(finding(missing, "the event or its leaf hash is missing"));
        }
        let mut requests = Vec::new();
        for (stored, beside) in page.iter().zip(beside) {
            let recorded = self.take(stored, beside)?;
            Span::extend(&mut requests, &recorded);
        }
        Ok(requests)
    }

    fn take(&mut self, stored: &Stored, beside: &Beside) -> Result<Recorded, VerifyError> {
        let expected = self.position + 1;
        if stored.position != expected {
            return Err(finding(expected, "the position is missing"));
        }
        let recorded = recorded_of(self.firm, stored, &beside.leaf)?;
        check_columns(&recorded, &beside.columns)?;
        let version = self.versions.entry(recorded.stream).or_default();
        *version += 1;
        if recorded.stream_version != *version {
            return Err(finding(expected, format!("version {version} of the stream is missing")));
        }
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
        self.meet_checkpoint()?;
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
            streams: u64::try_from(self.versions.len()).unwrap_or(u64::MAX),
            invoices: self.invoices,
            root: self.frontier.root(),
            ran_back: self.ran_back,
        })
    }
}

/// Where a request recorded whose answer does not read.
fn first_of(spans: &[Span], error: &StoreError) -> u64 {
    let StoreError::Answer { request, .. } = error else { return 0 };
    spans.iter().find(|span| span.request == *request).map_or(0, |span| span.first)
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

/// The remembered answer to each request of a page, after checking that it is remembered as having
/// recorded its events.
pub(crate) async fn answers_of(
    store: &dyn LogStore,
    firm: FirmId,
    requests: &[Span],
) -> Result<Vec<(RequestId, Outcome)>, VerifyError> {
    let mut answers = Vec::with_capacity(requests.len());
    for chunk in requests.chunks(crate::settings::BATCH_COMMANDS_MAX) {
        let ids: Vec<RequestId> = chunk.iter().map(|span| span.request).collect();
        let known = store.answers(firm, &ids).await;
        let mut known = known.map_err(|error| unread(first_of(chunk, &error), error))?;
        for Span { request, first, last } in chunk {
            let answer = known.remove(request).filter(|outcome| match &outcome.result {
                OutcomeResult::Accepted(accepted) => {
                    accepted.first <= *first && *last <= accepted.last()
                }
                OutcomeResult::Refused(_) => false,
            });
            let answer = answer.ok_or_else(|| {
                finding(*first, "its request is not remembered as having recorded it")
            })?;
            answers.push((*request, answer));
        }
    }
    Ok(answers)
}
