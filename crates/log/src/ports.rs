//! The ports to storage; that of tiles is with them. Each call is a whole operation; no transaction crosses them.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Display;
use std::sync::Arc;

use async_trait::async_trait;
use domain::event::{Recorded, StreamId};
use domain::ids::{FirmId, RequestId};
use domain::named::{MovementName, NameFound};
use domain::sealing::erased_by;
use domain::world::State;
use proof::Hash;
use uuid::Uuid;

use crate::error::StoreError;
use crate::head::Head;
use crate::outcome::Outcome;
use crate::people::{PeopleStore, Person};
use crate::remembered::{Remembered, Stretch};
use crate::stored::Stored;
use crate::tile::{Tile, TileStore};

/// The known position of a writer that holds nothing: no stream can have moved since.
pub const NOTHING_KNOWN: u64 = i64::MAX.unsigned_abs();

/// What is kept beside an event's bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Beside {
    /// The leaf hash.
    pub leaf: Hash,
    /// The columns that it is found by, as [`columns_of`] has them.
    pub columns: String,
}

/// Names of the columns beside an event, in the order of [`columns_of`].
pub const COLUMNS: [&str; 3] = ["previous", "type", "occurred_on"];

/// What the columns beside an event have to say, with one space between them: where the event before it in
/// its stream stands, 0 if it is the first; its type; its day, ISO 8601.
pub(crate) fn columns_of(recorded: &Recorded, previous: u64) -> String {
    columns_text(previous, recorded.event.type_name(), recorded.occurred_on)
}

/// The same of columns as a store has them.
pub fn columns_text(previous: u64, kind: &str, occurred_on: impl Display) -> String {
    format!("{previous} {kind} {occurred_on}")
}

/// Where a stream ends: from there its events are found, each naming the one before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StreamEnd {
    /// The stream.
    pub stream: StreamId,
    /// The position of its last event.
    pub last: u64,
    /// That event's version, which is how many there are.
    pub version: u64,
}

/// A disposable fold of a stream.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// The stream.
    pub stream: StreamId,
    /// The version folded up to.
    pub version: u64,
    /// The `STATE_VERSION` it was folded by.
    pub state_version: u32,
    /// What `State::to_snapshot` wrote.
    pub bytes: Vec<u8>,
}

/// A snapshot of the present `STATE_VERSION` as it is kept, whatever it is kept under.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptSnapshot {
    /// What names its stream.
    pub stream: String,
    /// The version it says it was folded up to.
    pub version: u64,
    /// The position it says it was folded at.
    pub position: u64,
    /// What `State::to_snapshot` wrote.
    pub bytes: Vec<u8>,
}

/// A stream as it is loaded.
#[derive(Clone, Debug)]
pub struct LoadedStream {
    /// The stream.
    pub stream: StreamId,
    /// Where to start; nothing means from the first event.
    pub snapshot: Option<Snapshot>,
    /// The events after the snapshot, in order. A stream nobody wrote to has none; one that
    /// [`crate::folds_from_last`] has its last alone.
    pub events: Vec<Stored>,
    /// The wrapped key of its person, or of the firm for the firm's own stream. Who is not there yet or
    /// was erased has none.
    pub key: Option<Vec<u8>>,
}

impl LoadedStream {
    /// A stream of which nothing was found yet.
    pub const fn empty(stream: StreamId) -> Self {
        Self { stream, snapshot: None, events: Vec::new(), key: None }
    }
}

/// One event to append, encoded and hashed once.
#[derive(Clone, Debug)]
pub struct AppendRow {
    /// The event: what columns beside the bytes are made of.
    pub recorded: Arc<Recorded>,
    /// Its canonical bytes.
    pub bytes: Vec<u8>,
    /// The leaf hash of the bytes, RFC 9162 section 2.1.1.
    pub leaf: Hash,
}

/// What one transaction writes.
#[derive(Clone, Debug)]
pub struct Batch {
    /// The head position that was decided on.
    pub expected: u64,
    /// The events, dense from `expected + 1`. There may be none.
    pub rows: Vec<AppendRow>,
    /// The outcome of every request decided, refusals included.
    pub outcomes: Vec<(RequestId, Outcome)>,
    /// The head afterwards.
    pub head: Head,
    /// People who are new or are compared by something new.
    pub people: Vec<Person>,
}

impl Batch {
    /// People whose erasure is among the events: their keys and snapshots are destroyed with it.
    pub fn erased(&self) -> Vec<Uuid> {
        self.rows.iter().filter_map(|row| erased_by(&row.recorded)).collect()
    }

    /// Where every stream that it moves ends afterwards, and how many events of the batch are its: in the
    /// order of their keys, so that two batches lock rows of both in one order.
    pub fn ends(&self) -> Vec<(StreamEnd, u64)> {
        let mut ends: BTreeMap<[u8; StreamId::KEY_BYTES], (StreamEnd, u64)> = BTreeMap::new();
        for AppendRow { recorded, .. } in &self.rows {
            let (stream, version) = (recorded.stream, recorded.stream_version);
            let end = StreamEnd { stream, last: recorded.position, version };
            let known = ends.entry(stream.key()).or_insert((end, 0));
            *known = (end, known.1 + 1);
        }
        ends.into_values().collect()
    }

    /// Where the event before each stands in its stream, if it is of the batch too.
    pub fn previous(&self) -> Vec<Option<u64>> {
        let mut last = HashMap::new();
        let rows = self.rows.iter().map(|row| &row.recorded);
        rows.map(|recorded| last.insert(recorded.stream, recorded.position)).collect()
    }

    /// Whether it goes on from a locked head: [`StoreError::Conflict`] if it was decided on another.
    /// The log is dense: a batch that would leave a gap is a fault of ours and never lands.
    pub fn check(&self, position: u64) -> Result<(), StoreError> {
        if self.expected != position {
            return Err(StoreError::Conflict { actual: position });
        }
        let last = self.rows.last().map_or(self.expected, |row| row.recorded.position);
        let dense =
            (self.expected + 1..).zip(&self.rows).all(|(at, row)| row.recorded.position == at);
        if !dense || self.head.position != last || self.head.frontier.size() != last {
            return Err(StoreError::internal("a batch that does not continue the log"));
        }
        if self.rows.last().is_some_and(|row| row.recorded.recorded_at != self.head.recorded_at) {
            return Err(StoreError::internal("a head of another time than the last event"));
        }
        Ok(())
    }
}

/// Most events of others that a writer folds into what it has loaded. Beyond that it forgets the
/// streams they moved, and loads those it needs again.
pub(crate) const CATCH_UP_EVENTS_MAX: u64 = 512;

/// How far a log is ahead of what a writer knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gap {
    /// Not at all, or the writer knows nothing.
    None,
    /// So little that the events are told, [`Meanwhile::Events`].
    Few,
    /// So much that only their streams are, [`Meanwhile::Streams`].
    Many,
}

impl Gap {
    /// From a known position, or [`NOTHING_KNOWN`], to a head.
    pub const fn between(known_position: u64, head: u64) -> Self {
        match head.saturating_sub(known_position) {
            0 => Self::None,
            1..=CATCH_UP_EVENTS_MAX => Self::Few,
            _ => Self::Many,
        }
    }
}

/// What others wrote since a writer's known position.
#[derive(Debug)]
pub enum Meanwhile {
    /// Nothing.
    Nothing,
    /// These events: all of them, in order.
    Events(Vec<Stored>),
    /// Events of these streams.
    Streams(Vec<StreamId>),
}

/// What a transaction finds when it has locked the head.
#[derive(Debug)]
pub struct Opening {
    /// The head, locked.
    pub head: Head,
    /// What was written after the known position: by another process, since this one knew it.
    pub meanwhile: Meanwhile,
    /// What is known of the requests asked about.
    pub outcomes: HashMap<RequestId, Outcome>,
}

/// What a plan wants next of the transaction.
#[derive(Debug)]
pub enum Step {
    /// Load these streams up to the head, then call [`Plan::loaded`].
    Load(Vec<StreamId>),
    /// Write this and commit.
    Write(Batch),
    /// Write nothing and end.
    Nothing,
}

/// What became of decisions that were made without the lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Landing {
    /// They landed, on the head they were made on.
    Landed,
    /// The log had moved or knew one of the requests: nothing landed, and what was decided is void.
    Lost,
    /// The store has no use for it and has asked the plan nothing.
    NotTried,
}

/// Decisions to make inside a transaction. A store calls it synchronously, once per transaction.
pub trait Plan: Send {
    /// The head is locked.
    fn open(&mut self, opening: Opening) -> Step;
    /// Streams that were asked for, every one of them.
    fn loaded(&mut self, streams: Vec<LoadedStream>) -> Step;
}

/// The log.
#[async_trait]
pub trait LogStore: PeopleStore {
    /// One transaction: locks the firm's head row, answers what is known of `requests`, runs the
    /// plan, writes its batch and commits. `known_position` is [`NOTHING_KNOWN`] or the position
    /// since which it is told what others wrote.
    ///
    /// On an error nothing landed, but for [`StoreError::OutcomeUnknown`].
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError>;

    /// The same without the lock: runs the plan on a head that is believed to be the end, with no
    /// request known, and writes its batch only if that head is still the end and no request of the
    /// batch was ever answered. Saves the journeys to a server that taking the lock costs.
    ///
    /// On an error nothing landed, but for [`StoreError::OutcomeUnknown`].
    async fn transact_at(
        &self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        let _ = (firm, believed, plan);
        Ok(Landing::NotTried)
    }

    /// The end of a firm's log; an unknown firm has an empty one.
    async fn head(&self, firm: FirmId) -> Result<Head, StoreError>;

    /// Events after a position, dense and in order: at most `limit`, fewer if their bytes grow
    /// large, none only at the end of the log.
    async fn read(&self, firm: FirmId, after: u64, limit: usize)
    -> Result<Vec<Stored>, StoreError>;

    /// The leaf hashes kept beside the events of the same page: as long as they agree with the
    /// root, a changed event can be named by its position.
    async fn leaves(&self, firm: FirmId, after: u64, limit: usize)
    -> Result<Vec<Hash>, StoreError>;

    /// Everything that is kept beside the events of the same page.
    async fn beside(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Beside>, StoreError>;

    /// What is known of these requests: a lookup that locks nothing and writes nothing.
    async fn answers(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Outcome>, StoreError> {
        let mut answers = HashMap::new();
        for (request, remembered) in self.remembered(firm, requests).await? {
            let mut events = Vec::new();
            if let Some(Stretch { first, events: count, .. }) = remembered.stretch() {
                let count = usize::try_from(count).unwrap_or(usize::MAX);
                while events.len() < count {
                    let after = first - 1 + u64::try_from(events.len()).unwrap_or(u64::MAX);
                    let page = self.read(firm, after, count - events.len()).await?;
                    if page.is_empty() {
                        break;
                    }
                    events.extend(page);
                }
            }
            let events = events.iter().map(Stored::placed);
            answers.insert(request, remembered.outcome(request, events)?);
        }
        Ok(answers)
    }

    /// What is kept of these requests, without the events that it follows from.
    async fn remembered(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Remembered>, StoreError>;

    /// The same in the order of the requests' ids, from one id on, itself included: at most
    /// `limit`, none only after the last. A refusal has no position, so this is the one order that
    /// every answer has; whoever reads page by page while others write may miss what comes in behind.
    async fn remembered_from(
        &self,
        firm: FirmId,
        from: RequestId,
        limit: usize,
    ) -> Result<Vec<(RequestId, Remembered)>, StoreError>;

    /// Where streams end, in the order of their keys, after one of them or from the first on: at most
    /// `limit`, none only after the last.
    async fn ends_after(
        &self,
        firm: FirmId,
        after: Option<StreamId>,
        limit: usize,
    ) -> Result<Vec<StreamEnd>, StoreError>;

    /// Streams up to a position, read-only, in the order asked for. A snapshot is given only if it
    /// lies at or before that position and is of the current `STATE_VERSION`.
    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError>;

    /// The same from the first event on, without any snapshot.
    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError>;

    /// Snapshots of the present `STATE_VERSION` by what names their streams, after one: at most
    /// `limit`, none only after the last. What folds otherwise is read by nobody.
    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError>;

    /// What refuses changes in the database and is missing, or is not what it was made as: names of
    /// triggers, none if all is well.
    async fn guards_missing(&self) -> Result<Vec<String>, StoreError>;

    /// Every firm that has a head or an event.
    async fn firms(&self) -> Result<Vec<FirmId>, StoreError>;
}

/// A stream that one projection step moved.
#[derive(Clone, Debug)]
pub struct Touched {
    /// The stream.
    pub stream: StreamId,
    /// The state before the step; nothing if the stream began in it.
    pub before: Option<State>,
    /// The state after the step.
    pub after: State,
    /// The position of the stream's last event in the step.
    pub last_position: u64,
}

/// Rows and checkpoint that change together.
#[derive(Debug)]
pub struct ProjectionStep<'a> {
    /// Whose.
    pub firm: FirmId,
    /// The generation of the rows.
    pub generation: i64,
    /// The checkpoint before; anything else found is a conflict.
    pub from: u64,
    /// The checkpoint after.
    pub to: u64,
    /// Every stream that moved.
    pub touched: &'a [Touched],
    /// The firm as it stands after the step, moved or not: rows of other streams depend on it.
    pub firm_state: &'a domain::firm::Firm,
    /// The events, dense from `from + 1` to `to`.
    pub events: &'a [Recorded],
    /// New snapshots, each with the position it was folded at.
    pub snapshots: &'a [(Snapshot, u64)],
    /// Tiles of the log's tree that the events fill.
    pub tiles: &'a [Tile],
}

/// How far a generation of the rows is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// The generation.
    pub generation: i64,
    /// The last position in its rows.
    pub position: u64,
}

/// How another generation of the rows compares with the active one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// Not at all: the active one is at another position.
    Elsewhere,
    /// Every table, and how many of its rows differ, are missing or are too many.
    At(Vec<(&'static str, u64)>),
}

/// The read model's rows.
#[async_trait]
pub trait ProjectionStore: Send + Sync + 'static {
    /// The active generation and how far it is.
    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError>;

    /// Begins a new generation at position 0, beside the active one, and drops every other: the last
    /// rebuild that was asked for goes on. A number is never given to a second one.
    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError>;

    /// Makes a generation the active one: [`StoreError::Conflict`] if it is gone.
    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError>;

    /// Drops a generation's rows; the active one is refused.
    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError>;

    /// Compares a generation that is at a position with the active one, if that is there as well. Both
    /// are seen at one moment: [`StoreError::Conflict`] if the generation is gone or elsewhere.
    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError>;

    /// Rows and checkpoint in one transaction, compare-and-set on `from`:
    /// [`StoreError::Conflict`] if the checkpoint is elsewhere or the generation is gone.
    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError>;

    /// Where the rows have a movement of a name, and how far they are: both at one moment.
    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError>;

    /// Whether this process is the one that projects a firm, of those that share the store. Asked
    /// before each step: when the one that does dies, the next to ask takes over. Two that both do
    /// would only meet at the checkpoint.
    async fn leads(&self, firm: FirmId) -> Result<bool, StoreError>;
}

/// All ports.
pub trait Store: LogStore + ProjectionStore + TileStore {}

impl<T: LogStore + ProjectionStore + TileStore> Store for T {}
