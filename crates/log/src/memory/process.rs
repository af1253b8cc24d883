//! One process among those that share a store, and its sudden death.

use std::collections::HashMap;
use std::future::pending;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::named::{MovementName, NameFound};
use proof::Hash;
use uuid::Uuid;

use crate::error::StoreError;
use crate::head::Head;
use crate::people::{PeopleStore, Person, Rewrapped, Wanted};
use crate::ports::{
    Beside, Checkpoint, Comparison, KeptSnapshot, Landing, LoadedStream, LogStore, Plan,
    ProjectionStep, ProjectionStore, Store, StreamEnd,
};
use crate::remembered::Remembered;
use crate::stored::Stored;
use crate::tile::{Tile, TileStore};

/// What one process sees of a store: the gate before every call.
///
/// Once it is killed, no call of it ever returns: seen from the store that is all a killed process
/// is. A call that was under way may still land, and nobody hears of it.
pub struct Process {
    store: Arc<dyn Store>,
    killed: AtomicBool,
    /// Answers of commits to be lost on the way.
    lost: AtomicU32,
}

impl Process {
    /// A process over a store.
    pub fn new(store: Arc<dyn Store>) -> Self {
        Self { store, killed: AtomicBool::new(false), lost: AtomicU32::new(0) }
    }

    /// Kills it, wherever it is.
    pub fn kill(&self) {
        self.killed.store(true, Ordering::SeqCst);
    }

    /// Loses the answers of its next commits under the lock: they land, and nobody hears of it.
    pub fn lose_answers(&self, commits: u32) {
        self.lost.store(commits, Ordering::SeqCst);
    }

    async fn survives(&self) {
        if self.killed.load(Ordering::SeqCst) {
            pending::<()>().await;
        }
    }

    async fn call<T>(&self, call: impl Future<Output = T> + Send) -> T {
        self.survives().await;
        let answer = call.await;
        self.survives().await;
        answer
    }
}

#[async_trait]
impl PeopleStore for Process {
    async fn people(&self, firm: FirmId, ids: &[Uuid]) -> Result<Vec<Person>, StoreError> {
        self.call(self.store.people(firm, ids)).await
    }

    async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        self.call(self.store.people_after(firm, after, limit)).await
    }

    async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        self.call(self.store.find(firm, wanted, limit)).await
    }

    async fn incomplete(&self, firm: FirmId, limit: usize) -> Result<Vec<Person>, StoreError> {
        self.call(self.store.incomplete(firm, limit)).await
    }

    async fn misfiled(&self, firm: FirmId, limit: usize) -> Result<Vec<Uuid>, StoreError> {
        self.call(self.store.misfiled(firm, limit)).await
    }

    async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        self.call(self.store.complete(firm, people)).await
    }

    async fn keep_people(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        self.call(self.store.keep_people(firm, people)).await
    }

    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        self.call(self.store.rewrap(firm, keys)).await
    }
}

#[async_trait]
impl LogStore for Process {
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        self.call(self.store.transact(firm, known_position, requests, plan)).await?;
        let fewer = |left: u32| left.checked_sub(1);
        match self.lost.fetch_update(Ordering::SeqCst, Ordering::SeqCst, fewer) {
            Ok(_) => Err(StoreError::OutcomeUnknown { source: None }),
            Err(_) => Ok(()),
        }
    }

    async fn transact_at(
        &self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        self.call(self.store.transact_at(firm, believed, plan)).await
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        self.call(self.store.head(firm)).await
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        self.call(self.store.read(firm, after, limit)).await
    }

    async fn leaves(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        self.call(self.store.leaves(firm, after, limit)).await
    }

    async fn beside(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Beside>, StoreError> {
        self.call(self.store.beside(firm, after, limit)).await
    }

    async fn remembered(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Remembered>, StoreError> {
        self.call(self.store.remembered(firm, requests)).await
    }

    async fn remembered_from(
        &self,
        firm: FirmId,
        from: RequestId,
        limit: usize,
    ) -> Result<Vec<(RequestId, Remembered)>, StoreError> {
        self.call(self.store.remembered_from(firm, from, limit)).await
    }

    async fn ends_after(
        &self,
        firm: FirmId,
        after: Option<StreamId>,
        limit: usize,
    ) -> Result<Vec<StreamEnd>, StoreError> {
        self.call(self.store.ends_after(firm, after, limit)).await
    }

    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        self.call(self.store.load(firm, streams, up_to)).await
    }

    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        self.call(self.store.load_from_first(firm, streams, up_to)).await
    }

    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError> {
        self.call(self.store.snapshots_after(firm, after, limit)).await
    }

    async fn guards_missing(&self) -> Result<Vec<String>, StoreError> {
        self.call(self.store.guards_missing()).await
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        self.call(self.store.firms()).await
    }
}

#[async_trait]
impl ProjectionStore for Process {
    async fn leads(&self, firm: FirmId) -> Result<bool, StoreError> {
        self.call(self.store.leads(firm)).await
    }

    async fn checkpoint(&self, firm: FirmId) -> Result<Checkpoint, StoreError> {
        self.call(self.store.checkpoint(firm)).await
    }

    async fn named(&self, firm: FirmId, name: &MovementName) -> Result<NameFound, StoreError> {
        self.call(self.store.named(firm, name)).await
    }

    async fn begin_rebuild(&self, firm: FirmId) -> Result<i64, StoreError> {
        self.call(self.store.begin_rebuild(firm)).await
    }

    async fn switch(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.call(self.store.switch(firm, generation)).await
    }

    async fn drop_generation(&self, firm: FirmId, generation: i64) -> Result<(), StoreError> {
        self.call(self.store.drop_generation(firm, generation)).await
    }

    async fn compare(
        &self,
        firm: FirmId,
        generation: i64,
        position: u64,
    ) -> Result<Comparison, StoreError> {
        self.call(self.store.compare(firm, generation, position)).await
    }

    async fn project(&self, step: ProjectionStep<'_>) -> Result<(), StoreError> {
        self.call(self.store.project(step)).await
    }
}

#[async_trait]
impl TileStore for Process {
    async fn tiles_kept(&self, firm: FirmId) -> Result<u64, StoreError> {
        self.call(self.store.tiles_kept(firm)).await
    }

    async fn tile(&self, firm: FirmId, level: u8, index: u64) -> Result<Option<Tile>, StoreError> {
        self.call(self.store.tile(firm, level, index)).await
    }

    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError> {
        self.call(self.store.event_and_tile(firm, position, tile)).await
    }

    async fn tile_roots(
        &self,
        firm: FirmId,
        level: u8,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        self.call(self.store.tile_roots(firm, level, from, limit)).await
    }

    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
        self.call(self.store.keep_tiles(firm, tiles)).await
    }
}
