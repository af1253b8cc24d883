//! One firm's log in memory.

use std::collections::{BTreeMap, HashMap};

use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::named::{MovementName, NameFound};
use domain::sealing::{holder_of, streams_of};
use domain::world::{STATE_VERSION, State};
use proof::Hash;
use uuid::Uuid;

use super::PAGE_BYTES_MAX;
use super::rows::Generations;
use crate::error::StoreError;
use crate::fold::folds_from_last;
use crate::head::Head;
use crate::outcome::Outcome;
use crate::people::{Person, Rewrapped, Wanted};
use crate::ports::{
    Batch, Beside, Checkpoint, Comparison, Gap, KeptSnapshot, LoadedStream, Meanwhile,
    ProjectionStep, Snapshot, StreamEnd, columns_of,
};
use crate::remembered::Remembered;
use crate::stored::Stored;
use crate::tile::Tile;

struct Row {
    bytes: Vec<u8>,
    leaf: Hash,
    stream: StreamId,
    columns: String,
}

pub(super) struct FirmLog {
    pub(super) firm: FirmId,
    head: Head,
    rows: Vec<Row>,
    /// The positions of each stream's events, by version.
    streams: HashMap<StreamId, Vec<u64>>,
    outcomes: HashMap<RequestId, Outcome>,
    snapshots: HashMap<StreamId, (Snapshot, u64)>,
    people: BTreeMap<Uuid, Person>,
    generations: Generations,
    tiles: BTreeMap<(u8, u64), Tile>,
}

fn index(position: u64) -> usize {
    usize::try_from(position).unwrap_or(usize::MAX)
}

fn rejects(what: impl Into<String>) -> StoreError {
    StoreError::internal(what)
}

impl FirmLog {
    pub(super) fn new(firm: FirmId) -> Self {
        Self {
            firm,
            head: Head::default(),
            rows: Vec::new(),
            streams: HashMap::new(),
            outcomes: HashMap::new(),
            snapshots: HashMap::new(),
            people: BTreeMap::new(),
            generations: Generations::default(),
            tiles: BTreeMap::new(),
        }
    }

    pub(super) const fn head(&self) -> &Head {
        &self.head
    }

    pub(super) fn bytes_mut(&mut self, position: u64) -> Option<&mut Vec<u8>> {
        let at = index(position).checked_sub(1)?;
        self.rows.get_mut(at).map(|row| &mut row.bytes)
    }

    pub(super) fn outcome(&self, request: RequestId) -> Option<&Outcome> {
        self.outcomes.get(&request)
    }

    pub(super) fn outcomes(&self, requests: &[RequestId]) -> HashMap<RequestId, Outcome> {
        let known = requests.iter().filter_map(|request| self.outcomes.get_key_value(request));
        known.map(|(request, outcome)| (*request, outcome.clone())).collect()
    }

    pub(super) fn remembered(&self, requests: &[RequestId]) -> HashMap<RequestId, Remembered> {
        let known = requests.iter().filter_map(|request| self.outcomes.get_key_value(request));
        known.map(|(request, outcome)| (*request, Remembered::of(outcome))).collect()
    }

    pub(super) fn remembered_from(
        &self,
        from: RequestId,
        limit: usize,
    ) -> Vec<(RequestId, Remembered)> {
        let mut known: Vec<_> = self.outcomes.iter().filter(|(id, _)| **id >= from).collect();
        known.sort_unstable_by_key(|(id, _)| **id);
        known.into_iter().take(limit).map(|(id, outcome)| (*id, Remembered::of(outcome))).collect()
    }

    pub(super) fn ends_after(&self, after: Option<StreamId>, limit: usize) -> Vec<StreamEnd> {
        let mut streams: Vec<_> = self.streams.keys().copied().collect();
        streams.sort_unstable_by_key(|stream| stream.key());
        let later = streams.into_iter().filter(|s| after.is_none_or(|after| s.key() > after.key()));
        let end = |stream: StreamId| {
            let positions = &self.streams[&stream];
            let (last, version) = (*positions.last()?, u64::try_from(positions.len()).ok()?);
            Some(StreamEnd { stream, last, version })
        };
        later.filter_map(end).take(limit).collect()
    }

    pub(super) fn streams(&self) -> Vec<StreamId> {
        let mut streams: Vec<_> = self.streams.keys().copied().collect();
        streams.sort_unstable();
        streams
    }

    pub(super) fn snapshots_after(&self, after: &str, limit: usize) -> Vec<KeptSnapshot> {
        let kept = self.snapshots.values().map(|(snapshot, position)| KeptSnapshot {
            stream: snapshot.stream.to_string(),
            version: snapshot.version,
            position: *position,
            bytes: snapshot.bytes.clone(),
        });
        let mut kept: Vec<_> = kept.filter(|kept| kept.stream.as_str() > after).collect();
        kept.sort_unstable_by(|one, other| one.stream.cmp(&other.stream));
        kept.truncate(limit);
        kept
    }

    pub(super) fn snapshot_mut(&mut self, stream: StreamId) -> Option<&mut Vec<u8>> {
        self.snapshots.get_mut(&stream).map(|(snapshot, _)| &mut snapshot.bytes)
    }

    pub(super) fn forget_rows(&mut self, stream: StreamId) -> bool {
        self.generations.forget(stream)
    }

    pub(super) fn forget_person(&mut self, id: Uuid) -> bool {
        self.people.remove(&id).is_some()
    }

    pub(super) fn named(&self, name: &MovementName) -> NameFound {
        self.generations.named(name)
    }

    pub(super) fn compare(&self, generation: i64, position: u64) -> Result<Comparison, StoreError> {
        self.generations.compare(generation, position)
    }

    pub(super) fn snapshots(&self) -> usize {
        self.snapshots.len()
    }

    /// What was written after a position that a writer knew.
    pub(super) fn meanwhile(&self, known_position: u64) -> Meanwhile {
        match Gap::between(known_position, self.head().position) {
            Gap::None => Meanwhile::Nothing,
            Gap::Few => {
                let written = known_position + 1..=self.head().position;
                Meanwhile::Events(written.map(|position| self.stored(position)).collect())
            }
            Gap::Many => Meanwhile::Streams(self.moved_since(known_position)),
        }
    }

    /// Streams written after a position, each once.
    fn moved_since(&self, position: u64) -> Vec<StreamId> {
        let mut moved: Vec<_> =
            self.rows.iter().skip(index(position)).map(|row| row.stream).collect();
        moved.sort_unstable();
        moved.dedup();
        moved
    }

    fn stored(&self, position: u64) -> Stored {
        let at = index(position) - 1;
        Stored { position, bytes: self.rows[at].bytes.clone() }
    }

    pub(super) fn last_of(&self, stream: StreamId) -> Option<Stored> {
        let position = *self.streams.get(&stream)?.last()?;
        Some(self.stored(position))
    }

    pub(super) fn read(&self, after: u64, limit: usize) -> Vec<Stored> {
        let mut page = Vec::new();
        let mut bytes = 0;
        for (position, row) in (after + 1..).zip(self.rows.iter().skip(index(after))).take(limit) {
            bytes += row.bytes.len();
            if bytes > PAGE_BYTES_MAX && !page.is_empty() {
                break;
            }
            page.push(Stored { position, bytes: row.bytes.clone() });
        }
        page
    }

    pub(super) fn leaves(&self, after: u64, limit: usize) -> Vec<Hash> {
        self.rows.iter().skip(index(after)).take(limit).map(|row| row.leaf).collect()
    }

    pub(super) fn beside(&self, after: u64, limit: usize) -> Vec<Beside> {
        let rows = self.rows.iter().skip(index(after)).take(limit);
        rows.map(|row| Beside { leaf: row.leaf, columns: row.columns.clone() }).collect()
    }

    pub(super) fn columns_mut(&mut self, position: u64) -> Option<&mut String> {
        let at = index(position).checked_sub(1)?;
        self.rows.get_mut(at).map(|row| &mut row.columns)
    }

    pub(super) fn load(&self, streams: &[StreamId], up_to: u64) -> Vec<LoadedStream> {
        let usable = |(snapshot, position): &&(Snapshot, u64)| {
            snapshot.state_version == STATE_VERSION && *position <= up_to
        };
        let load = |stream: &StreamId| {
            let snapshot = self.snapshots.get(stream).filter(usable);
            let mut loaded = self.load_one(*stream, snapshot.map(|(snapshot, _)| snapshot), up_to);
            if folds_from_last(*stream) {
                loaded.events.drain(..loaded.events.len().saturating_sub(1));
            }
            loaded
        };
        streams.iter().map(load).collect()
    }

    pub(super) fn load_from_first(&self, streams: &[StreamId], up_to: u64) -> Vec<LoadedStream> {
        streams.iter().map(|stream| self.load_one(*stream, None, up_to)).collect()
    }

    fn load_one(&self, stream: StreamId, snapshot: Option<&Snapshot>, up_to: u64) -> LoadedStream {
        let version = snapshot.map_or(0, |snapshot| snapshot.version);
        let positions = self.streams.get(&stream).map_or(&[][..], Vec::as_slice);
        let after = positions.iter().skip(index(version)).take_while(|at| **at <= up_to);
        let events = after.map(|position| self.stored(*position)).collect();
        let person = holder_of(self.firm, stream).and_then(|holder| self.people.get(&holder));
        let key = person.map(|person| person.wrapped.clone());
        LoadedStream { stream, snapshot: snapshot.cloned(), events, key }
    }

    /// Appends a batch whole, or rejects it whole.
    pub(super) fn append(&mut self, batch: Batch) -> Result<(), StoreError> {
        if batch.expected != self.head.position {
            return Err(StoreError::Conflict { actual: self.head.position });
        }
        self.check(&batch)?;
        let erased = batch.erased();
        for row in batch.rows {
            let stream = row.recorded.stream;
            let positions = self.streams.entry(stream).or_default();
            let columns = columns_of(&row.recorded, positions.last().copied().unwrap_or(0));
            positions.push(row.recorded.position);
            self.rows.push(Row { bytes: row.bytes, leaf: row.leaf, stream, columns });
        }
        self.outcomes.extend(batch.outcomes);
        self.head = batch.head;
        self.keep_people(&batch.people);
        for person in erased {
            self.people.remove(&person);
            for stream in streams_of(person) {
                self.snapshots.remove(&stream);
            }
        }
        Ok(())
    }

    pub(super) fn people(&self, ids: &[Uuid]) -> Vec<Person> {
        ids.iter().filter_map(|id| self.people.get(id)).cloned().collect()
    }

    pub(super) fn people_after(&self, after: Option<Uuid>, limit: usize) -> Vec<Person> {
        let later = self.people.values().filter(|person| after.is_none_or(|id| person.id > id));
        later.take(limit).cloned().collect()
    }

    pub(super) fn keep_people(&mut self, people: &[Person]) {
        for person in people {
            let kept = self.people.entry(person.id).or_insert_with(|| person.clone());
            kept.wrapped.clone_from(&person.wrapped);
            kept.found_by = person.found_by.clone().or(&kept.found_by);
        }
    }

    pub(super) fn find(&self, wanted: &Wanted, limit: usize) -> Vec<Uuid> {
        let fits = |person: &&Person| match wanted {
            Wanted::Phone(phone) => person.found_by.phone == Some(*phone),
            Wanted::Words(words) => {
                let known = person.found_by.words.as_deref().unwrap_or_default();
                words.iter().all(|word| known.contains(word))
            }
        };
        self.people.values().filter(fits).map(|person| person.id).take(limit).collect()
    }

    pub(super) fn incomplete(&self, limit: usize) -> Vec<Person> {
        self.people.values().filter(|person| !person.complete).take(limit).cloned().collect()
    }

    pub(super) fn complete(&mut self, people: &[Person]) {
        for person in people {
            if let Some(kept) = self.people.get_mut(&person.id).filter(|kept| !kept.complete) {
                kept.found_by = kept.found_by.clone().or(&person.found_by);
                kept.complete = true;
            }
        }
    }

    pub(super) fn rewrap(&mut self, keys: &[Rewrapped]) -> u64 {
        let mut done = 0;
        for key in keys {
            let kept = self.people.get_mut(&key.id).filter(|kept| kept.wrapped == key.before);
            if let Some(kept) = kept {
                kept.wrapped.clone_from(&key.after);
                done += 1;
            }
        }
        done
    }

    /// What the constraints of a database would reject, and a little more.
    fn check(&self, batch: &Batch) -> Result<(), StoreError> {
        let mut versions: HashMap<StreamId, usize> = HashMap::new();
        for (position, row) in (batch.expected + 1..).zip(&batch.rows) {
            let stream = row.recorded.stream;
            let kept = self.streams.get(&stream).map_or(0, Vec::len);
            let version = versions.entry(stream).or_insert(kept);
            *version += 1;
            if row.recorded.position != position || index(row.recorded.stream_version) != *version {
                return Err(rejects("positions and stream versions must be dense"));
            }
        }
        if batch.outcomes.iter().any(|(request, _)| self.outcomes.contains_key(request)) {
            return Err(rejects("a request has one outcome"));
        }
        let end = self.rows.len() + batch.rows.len();
        if index(batch.head.position) != end || index(batch.head.frontier.size()) != end {
            return Err(rejects("the head must be at the last event"));
        }
        Ok(())
    }

    pub(super) fn projected(&self) -> (Checkpoint, HashMap<StreamId, State>) {
        self.generations.active()
    }

    pub(super) fn checkpoint(&self) -> Checkpoint {
        self.generations.checkpoint()
    }

    pub(super) fn begin_generation(&mut self) -> i64 {
        self.generations.begin()
    }

    pub(super) fn switch(&mut self, generation: i64) -> Result<(), StoreError> {
        self.generations.switch(generation)
    }

    pub(super) fn drop_generation(&mut self, generation: i64) -> Result<(), StoreError> {
        self.generations.drop(generation)
    }

    pub(super) fn tiles_kept(&self) -> u64 {
        let last = self.tiles.range(..(1, 0)).next_back();
        last.map_or(0, |((_, index), _)| index + 1)
    }

    pub(super) fn tile(&self, level: u8, index: u64) -> Option<&Tile> {
        self.tiles.get(&(level, index))
    }

    pub(super) fn tile_roots(&self, level: u8, from: u64, limit: usize) -> Vec<Hash> {
        let kept = self.tiles.range((level, from)..(level + 1, 0));
        kept.take(limit).map(|(_, tile)| tile.root).collect()
    }

    /// Harder than a database: a tile that is made again has to be the same, and there is no gap.
    fn check_tiles(&self, tiles: &[Tile]) -> Result<(), StoreError> {
        let mut next = self.tiles_kept();
        for tile in tiles {
            match self.tiles.get(&(tile.level, tile.index)) {
                Some(kept) if kept != tile => return Err(rejects("another tile is kept there")),
                Some(_) => {}
                None if tile.level == 0 && tile.index != next => {
                    return Err(rejects("tiles must be dense"));
                }
                None => next += u64::from(tile.level == 0),
            }
        }
        Ok(())
    }

    pub(super) fn keep_tiles(&mut self, tiles: &[Tile]) -> Result<(), StoreError> {
        self.check_tiles(tiles)?;
        for tile in tiles {
            self.tiles.insert((tile.level, tile.index), tile.clone());
        }
        Ok(())
    }

    pub(super) fn forget_tiles(&mut self) {
        self.tiles.clear();
    }

    pub(super) fn project(&mut self, step: &ProjectionStep<'_>) -> Result<(), StoreError> {
        if step.to > self.head.position {
            return Err(rejects("a checkpoint cannot be ahead of the log"));
        }
        self.check_tiles(step.tiles)?;
        self.generations.project(step)?;
        self.keep_tiles(step.tiles)?;
        for (snapshot, position) in step.snapshots {
            self.snapshots.insert(snapshot.stream, (snapshot.clone(), *position));
        }
        Ok(())
    }
}
