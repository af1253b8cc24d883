//! A store in memory whose every fault can be asked for: what the simulation and the tests run on.
//!
//! It keeps nothing beyond the process and checks what it is given harder than a database would, so
//! that a wrong batch or a projection that counts twice fails where it happens.

mod faults;
mod log;
mod other_writer;
mod process;
mod rows;

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::named::{MovementName, NameFound};
use domain::world::State;
use proof::Hash;
use tokio::sync::{OwnedRwLockWriteGuard, RwLock};
use uuid::Uuid;

pub use faults::{FaultPlan, Injected};
pub use process::Process;

use crate::error::StoreError;
use crate::head::Head;
use crate::outcome::Outcome;
use crate::people::{PeopleStore, Person, Rewrapped, Wanted};
use crate::ports::{
    Batch, Beside, Checkpoint, Comparison, KeptSnapshot, Landing, LoadedStream, LogStore,
    Meanwhile, Opening, Plan, ProjectionStep, ProjectionStore, Step, StreamEnd,
};
use crate::remembered::Remembered;
use crate::stored::Stored;
use crate::sync::lock;
use crate::tile::{Tile, TileStore};
use faults::Source;
use log::FirmLog;

/// Bytes after which a page ends early, as pages of a database do.
const PAGE_BYTES_MAX: usize = 4 << 20;
/// How long the store takes when it is slow; virtual where the runtime's time is.
const SLOW_DELAY: Duration = Duration::from_millis(50);

/// A store in memory.
pub struct MemoryStore {
    shared: Mutex<Shared>,
    gate: Arc<RwLock<()>>,
}

struct Shared {
    firms: HashMap<FirmId, FirmLog>,
    plan: FaultPlan,
    source: Source,
    injected: Injected,
    rejected: HashSet<RequestId>,
}

/// Keeps transactions waiting for as long as it lives.
pub struct Held {
    _gate: OwnedRwLockWriteGuard<()>,
}

impl Default for MemoryStore {
    fn default() -> Self {
        Self::new(FaultPlan::default())
    }
}

impl MemoryStore {
    /// An empty store that fails as planned.
    pub fn new(plan: FaultPlan) -> Self {
        let shared = Shared {
            firms: HashMap::new(),
            source: Source::new(plan.seed),
            plan,
            injected: Injected::default(),
            rejected: HashSet::new(),
        };
        Self { shared: Mutex::new(shared), gate: Arc::default() }
    }

    /// Fails by another plan from now on, drawn from that plan's seed.
    pub fn set_faults(&self, plan: FaultPlan) {
        let mut shared = lock(&self.shared);
        shared.source = Source::new(plan.seed);
        shared.plan = plan;
    }

    /// How often each fault has struck.
    pub fn injected(&self) -> Injected {
        lock(&self.shared).injected
    }

    /// Keeps every transaction from starting until the guard is dropped.
    pub async fn hold(&self) -> Held {
        Held { _gate: Arc::clone(&self.gate).write_owned().await }
    }

    /// Rejects every batch that holds an outcome of this request, as a constraint would.
    pub fn reject(&self, request: RequestId) {
        lock(&self.shared).rejected.insert(request);
    }

    /// Changes the kept bytes of one event, as another tool could in a database file. Whether there
    /// is such an event.
    pub fn tamper(&self, firm: FirmId, position: u64, change: impl FnOnce(&mut Vec<u8>)) -> bool {
        let mut shared = lock(&self.shared);
        let bytes = shared.firms.get_mut(&firm).and_then(|log| log.bytes_mut(position));
        bytes.map(change).is_some()
    }

    /// Changes what is kept beside one event. Whether there is such an event.
    pub fn tamper_beside(
        &self,
        firm: FirmId,
        position: u64,
        change: impl FnOnce(&mut String),
    ) -> bool {
        let mut shared = lock(&self.shared);
        let columns = shared.firms.get_mut(&firm).and_then(|log| log.columns_mut(position));
        columns.map(change).is_some()
    }

    /// Appends, as a newer version of this software could, an event of a kind nobody here has heard
    /// of, on a stream of its own. Its position, or nothing if there is no firm yet.
    pub fn poison(&self, firm: FirmId) -> Option<u64> {
        other_writer::write_unreadable(lock(&self.shared).firm(firm))
    }

    /// The kept events after a position, whatever the faults: what an inspector of the disk sees.
    pub fn kept(&self, firm: FirmId, after: u64) -> Vec<Stored> {
        let mut shared = lock(&self.shared);
        let log = shared.firm(firm);
        let (mut kept, mut last) = (Vec::new(), after);
        while last < log.head().position {
            kept.extend(log.read(last, usize::MAX));
            last = kept.last().map_or(u64::MAX, |stored: &Stored| stored.position);
        }
        kept
    }

    /// The remembered outcome of a request.
    pub fn outcome(&self, firm: FirmId, request: RequestId) -> Option<Outcome> {
        lock(&self.shared).firms.get(&firm)?.outcome(request).cloned()
    }

    /// A person as kept; the firm's own secret is under its own id.
    pub fn person(&self, firm: FirmId, id: Uuid) -> Option<Person> {
        lock(&self.shared).firm(firm).people(&[id]).pop()
    }

    /// The active generation's rows: the state of every stream at the checkpoint.
    pub fn projected(&self, firm: FirmId) -> (Checkpoint, HashMap<StreamId, State>) {
        lock(&self.shared).firm(firm).projected()
    }

    /// Every stream of a firm.
    pub fn streams(&self, firm: FirmId) -> Vec<StreamId> {
        lock(&self.shared).firm(firm).streams()
    }

    /// Changes the snapshot that is kept of a stream. Whether there is one.
    pub fn tamper_snapshot(
        &self,
        firm: FirmId,
        stream: StreamId,
        change: impl FnOnce(&mut Vec<u8>),
    ) -> bool {
        let mut shared = lock(&self.shared);
        shared.firm(firm).snapshot_mut(stream).map(change).is_some()
    }

    /// Takes a stream out of the active generation's rows. Whether it was there.
    pub fn forget_rows(&self, firm: FirmId, stream: StreamId) -> bool {
        lock(&self.shared).firm(firm).forget_rows(stream)
    }

    /// Takes away what is kept of a person. Whether there was anything.
    pub fn forget_person(&self, firm: FirmId, id: Uuid) -> bool {
        lock(&self.shared).firm(firm).forget_person(id)
    }

    /// How many snapshots of a firm's streams are kept.
    pub fn snapshots(&self, firm: FirmId) -> usize {
        lock(&self.shared).firm(firm).snapshots()
    }

    /// Forgets the tiles of a firm, as a database of an earlier version has none.
    pub fn forget_tiles(&self, firm: FirmId) {
        lock(&self.shared).firm(firm).forget_tiles();
    }

    async fn delay(&self) {
        let slow = {
            let mut shared = lock(&self.shared);
            let slow = shared.plan.slow;
            shared.strikes(slow, |injected| &mut injected.slow)
        };
        if slow {
            tokio::time::sleep(SLOW_DELAY).await;
        }
    }

    fn shared(&self) -> MutexGuard<'_, Shared> {
        lock(&self.shared)
    }
}

impl Shared {
    fn firm(&mut self, firm: FirmId) -> &mut FirmLog {
        self.firms.entry(firm).or_insert_with(|| FirmLog::new(firm))
    }

    /// Draws whether a fault strikes now.
    fn strikes(&mut self, per_thousand: u16, count: fn(&mut Injected) -> &mut u64) -> bool {
        let strikes = self.source.draws(per_thousand);
        *count(&mut self.injected) += u64::from(strikes);
        strikes
    }

    fn transact(
        &mut self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        if self.strikes(self.plan.unreachable, |injected| &mut injected.unreachable) {
            return Err(StoreError::Unavailable { source: None });
        }
        if self.source.draws(self.plan.other_writer) && other_writer::write(self.firm(firm)) {
            self.injected.other_writer += 1;
        }
        let log = self.firm(firm);
        let opening = Opening {
            head: log.head().clone(),
            meanwhile: log.meanwhile(known_position),
            outcomes: log.outcomes(requests),
        };
        let mut step = plan.open(opening);
        loop {
            step = match step {
                Step::Load(streams) => {
                    let log = self.firm(firm);
                    plan.loaded(log.load(&streams, log.head().position))
                }
                Step::Write(batch) => return self.commit(firm, batch),
                Step::Nothing => return Ok(()),
            }
        }
    }

    /// Decides on what is believed, while another writer may append behind its back.
    fn transact_at(
        &mut self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        if self.strikes(self.plan.unreachable, |injected| &mut injected.unreachable) {
            return Err(StoreError::Unavailable { source: None });
        }
        let head = believed.clone();
        let opening = Opening { head, meanwhile: Meanwhile::Nothing, outcomes: HashMap::new() };
        let mut step = plan.open(opening);
        loop {
            if self.source.draws(self.plan.other_writer) && other_writer::write(self.firm(firm)) {
                self.injected.other_writer += 1;
            }
            step = match step {
                Step::Load(streams) => {
                    plan.loaded(self.firm(firm).load(&streams, believed.position))
                }
                Step::Write(batch) => {
                    let log = self.firm(firm);
                    let answered = |(request, _): &(RequestId, Outcome)| log.outcome(*request);
                    if log.head() != believed || batch.outcomes.iter().find_map(answered).is_some()
                    {
                        return Ok(Landing::Lost);
                    }
                    return self.commit(firm, batch).map(|()| Landing::Landed);
                }
                Step::Nothing => return Ok(Landing::Landed),
            }
        }
    }

    fn commit(&mut self, firm: FirmId, batch: Batch) -> Result<(), StoreError> {
        let plan = self.plan;
        if batch.outcomes.iter().any(|(request, _)| self.rejected.contains(request)) {
            return Err(StoreError::internal("a constraint rejected the batch"));
        }
        if self.strikes(plan.commit_fails, |injected| &mut injected.commit_fails) {
            return Err(StoreError::Unavailable { source: None });
        }
        if self.strikes(plan.commit_vanishes, |injected| &mut injected.commit_vanishes) {
            return Err(StoreError::OutcomeUnknown { source: None });
        }
        self.firm(firm).append(batch)?;
        if self.strikes(plan.answer_lost, |injected| &mut injected.answer_lost) {
            return Err(StoreError::OutcomeUnknown { source: None });
        }
        Ok(())
    }

    fn project(&mut self, step: &ProjectionStep<'_>) -> Result<(), StoreError> {
        let plan = self.plan;
        if self.strikes(plan.project_fails, |injected| &mut injected.project_fails) {
            return Err(StoreError::Unavailable { source: None });
        }
        self.firm(step.firm).project(step)?;
        if self.strikes(plan.project_answer_lost, |injected| &mut injected.project_answer_lost) {
            return Err(StoreError::OutcomeUnknown { source: None });
        }
        Ok(())
    }
}

#[async_trait]
impl PeopleStore for MemoryStore {
    async fn people(&self, firm: FirmId, ids: &[Uuid]) -> Result<Vec<Person>, StoreError> {
        Ok(self.shared().firm(firm).people(ids))
    }

    async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        Ok(self.shared().firm(firm).people_after(after, limit))
    }

    async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        Ok(self.shared().firm(firm).find(wanted, limit))
    }

    async fn incomplete(&self, firm: FirmId, limit: usize) -> Result<Vec<Person>, StoreError> {
        Ok(self.shared().firm(firm).incomplete(limit))
    }

    /// It looks through people themselves.
    async fn misfiled(&self, _: FirmId, _: usize) -> Result<Vec<Uuid>, StoreError> {
        Ok(Vec::new())
    }

    async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        self.shared().firm(firm).complete(people);
        Ok(())
    }

    async fn keep_people(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        self.shared().firm(firm).keep_people(people);
        Ok(())
    }

    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        Ok(self.shared().firm(firm).rewrap(keys))
    }
}

#[async_trait]
impl LogStore for MemoryStore {
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        let _open = self.gate.read().await;
        self.delay().await;
        self.shared().transact(firm, known_position, requests, plan)
    }

    async fn transact_at(
        &self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        let _open = self.gate.read().await;
        self.delay().await;
        self.shared().transact_at(firm, believed, plan)
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        Ok(self.shared().firms.get(&firm).map(|log| log.head().clone()).unwrap_or_default())
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        self.delay().await;
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(Vec::new, |log| log.read(after, limit)))
    }

    async fn leaves(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(Vec::new, |log| log.leaves(after, limit)))
    }

    async fn beside(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Beside>, StoreError> {
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(Vec::new, |log| log.beside(after, limit)))
    }

    async fn remembered(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Remembered>, StoreError> {
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(HashMap::new, |log| log.remembered(requests)))
    }

    async fn remembered_from(
        &self,
        firm: FirmId,
        from: RequestId,
        limit: usize,
    ) -> Result<Vec<(RequestId, Remembered)>, StoreError> {
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(Vec::new, |log| log.remembered_from(from, limit)))
    }

    async fn ends_after(
        &self,
        firm: FirmId,
        after: Option<StreamId>,
        limit: usize,
    ) -> Result<Vec<StreamEnd>, StoreError> {
        let shared = self.shared();
        Ok(shared.firms.get(&firm).map_or_else(Vec::new, |log| log.ends_after(after, limit)))
    }

    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        Ok(self.shared().firm(firm).load(streams, up_to))
    }

    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        Ok(self.shared().firm(firm).load_from_first(streams, up_to))
    }

    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError> {
        Ok(self.shared().firm(firm).snapshots_after(after, limit))
    }

    /// Nobody reaches it but through its ports.
    async fn guards_missing(&self) -> Result<Vec<String>, StoreError> {
        Ok(Vec::new())
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        let shared = self.shared();
        let written = shared.firms.iter().filter(|(_, log)| log.head().position > 0);
        let mut firms: Vec<_> = written.map(|(firm, _)| *firm).collect();
        firms.sort_unstable();
        Ok(firms)
    }
}

#[async_trait]
impl ProjectionStore for MemoryStore {
    async fn leads(&self, _: FirmId) -> Result<bool, StoreError> {
        Ok(true)
    }

    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        Ok(self.shared().firm(firm).checkpoint())
    }

    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError> {
        Ok(self.shared().firm(firm).named(name))
    }

    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        Ok(self.shared().firm(firm).begin_generation())
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.shared().firm(firm).switch(generation)
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.shared().firm(firm).drop_generation(generation)
    }

    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError> {
        self.shared().firm(firm).compare(generation, position)
    }

    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        self.delay().await;
        self.shared().project(&step)
    }
}

#[async_trait]
impl TileStore for MemoryStore {
    async fn tiles_kept(&self, firm: FirmId) -> Result<u64, StoreError> {
        Ok(self.shared().firm(firm).tiles_kept())
    }

    async fn tile(&self, firm: FirmId, level: u8, index: u64) -> Result<Option<Tile>, StoreError> {
        Ok(self.shared().firm(firm).tile(level, index).cloned())
    }

    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError> {
        let event = self.read(firm, position.saturating_sub(1), 1).await?.pop();
        Ok((event.filter(|event| event.position == position), self.tile(firm, 0, tile).await?))
    }

    async fn tile_roots(
        &self,
        firm: FirmId,
        level: u8,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        Ok(self.shared().firm(firm).tile_roots(level, from, limit))
    }

    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
        self.shared().firm(firm).keep_tiles(tiles)
    }
}
