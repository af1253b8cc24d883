//! The streams a projection keeps folded at its checkpoint, and which of them get a snapshot.

use std::collections::{HashMap, HashSet};

use domain::event::{Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::FirmId;
use domain::world::{STATE_VERSION, State};

use crate::error::StoreError;
use crate::fold::{self, Fault, state_of};
use crate::ports::{Snapshot, Store, Touched};
use crate::settings::Settings;

/// A bounded memory of folded streams.
pub(crate) struct Folded {
    states: HashMap<StreamId, Kept>,
    step: u64,
    streams_max: usize,
    snapshot_every: u64,
    snapshot_at_rest: u64,
    /// Snapshots of streams that left memory, for the next step to keep.
    resting: Vec<(Snapshot, u64)>,
}

/// A state at the checkpoint.
struct Kept {
    state: State,
    snapshot_version: u64,
    used: u64,
    last_position: u64,
}

/// A stream in the course of a step.
struct Moving {
    touched: Touched,
    snapshot_version: u64,
}

/// Whether anything is derived from an event's stream: who looked at a client is read from the log alone.
const fn makes_rows(recorded: &Recorded) -> bool {
    !matches!(recorded.stream, StreamId::Looks(_))
}

impl Folded {
    /// That of the live projection.
    pub(crate) fn live(settings: &Settings) -> Self {
        Self {
            states: HashMap::new(),
            step: 0,
            streams_max: settings.streams_projected_max,
            snapshot_every: settings.snapshot_every,
            snapshot_at_rest: settings.snapshot_at_rest,
            resting: Vec::new(),
        }
    }

    /// That of a rebuild: larger, and without snapshots, since the live ones are newer.
    pub(crate) fn for_rebuild(settings: &Settings) -> Self {
        let (streams_max, snapshot_at_rest) = (settings.streams_cached_max, u64::MAX);
        Self { streams_max, snapshot_at_rest, ..Self::live(settings) }
    }

    /// Forgets everything.
    pub(crate) fn forget(&mut self) {
        self.states.clear();
        self.resting.clear();
    }

    /// Loads the streams of a page that are not in memory and did not begin in it, and the firm, which
    /// is always kept.
    pub(crate) async fn load_missing(
        &mut self,
        store: &dyn Store,
        firm: FirmId,
        up_to: u64,
        events: &[Recorded],
    ) -> Result<(), StoreError> {
        let mut missing: Vec<StreamId> = Vec::new();
        let mut seen: HashSet<StreamId> = HashSet::new();
        let begins =
            |recorded: &Recorded| recorded.stream == StreamId::Firm && recorded.stream_version == 1;
        if !self.states.contains_key(&StreamId::Firm) && !events.iter().any(begins) {
            missing.push(StreamId::Firm);
            seen.insert(StreamId::Firm);
        }
        for recorded in events.iter().filter(|recorded| makes_rows(recorded)) {
            let stream = recorded.stream;
            if seen.insert(stream)
                && recorded.stream_version != 1
                && !self.states.contains_key(&stream)
            {
                missing.push(stream);
            }
        }
        if missing.is_empty() {
            return Ok(());
        }
        for loaded in store.load(firm, &missing, up_to).await? {
            let (state, snapshot_version) = state_of(firm, &loaded)?;
            let kept = Kept { state, snapshot_version, used: self.step, last_position: up_to };
            self.states.insert(loaded.stream, kept);
        }
        Ok(())
    }

    /// Folds a page, but for streams that are folded up to its end already.
    pub(crate) fn fold(
        &mut self,
        events: &[Recorded],
        states: HashMap<StreamId, State>,
    ) -> Result<(Vec<Touched>, Vec<u64>), Fault> {
        let mut places: HashMap<StreamId, usize> = HashMap::new();
        let mut moving: Vec<Moving> = Vec::new();
        let last: HashMap<StreamId, u64> =
            events.iter().map(|event| (event.stream, event.stream_version)).collect();
        let is_whole =
            |(stream, state): &(StreamId, State)| last.get(stream) == Some(&state.version());
        let mut states: HashMap<_, _> = states.into_iter().filter(is_whole).collect();
        for recorded in events.iter().filter(|recorded| makes_rows(recorded)) {
            let stream = recorded.stream;
            let place = *places.entry(stream).or_insert_with(|| {
                moving.push(self.take(stream));
                moving.len() - 1
            });
            let touched = &mut moving[place].touched;
            touched.last_position = recorded.position;
            if !states.contains_key(&stream) || cfg!(debug_assertions) {
                fold::apply(&mut touched.after, recorded)?;
            }
        }
        for Moving { touched, .. } in &mut moving {
            if let Some(state) = states.remove(&touched.stream) {
                debug_assert_eq!(touched.after, state, "both folded the same events");
                touched.after = state;
            }
        }
        Ok(moving.into_iter().map(|m| (m.touched, m.snapshot_version)).unzip())
    }

    /// The firm after a page was folded: as the page left it, or as it was.
    pub(crate) fn firm_after<'a>(&'a self, touched: &'a [Touched]) -> &'a Firm {
        let moved = touched.iter().find(|touched| touched.stream == StreamId::Firm);
        let kept = || self.states.get(&StreamId::Firm).map(|kept| &kept.state);
        match moved.map(|touched| &touched.after).or_else(kept) {
            Some(State::Firm(firm)) => firm,
            _ => unreachable!("the firm is loaded before a page is folded, and never dropped"),
        }
    }

    fn take(&mut self, stream: StreamId) -> Moving {
        let (before, after, snapshot_version) = match self.states.remove(&stream) {
            Some(kept) => {
                let before = (kept.state.version() > 0).then(|| kept.state.clone());
                (before, kept.state, kept.snapshot_version)
            }
            None => (None, State::empty(stream), 0),
        };
        let touched = Touched { stream, before, after, last_position: 0 };
        Moving { touched, snapshot_version }
    }

    /// Snapshots of streams that grew by much, and of those that left memory and were not touched
    /// again since.
    pub(crate) fn due_snapshots(
        &mut self,
        touched: &[Touched],
        versions: &[u64],
    ) -> Vec<(Snapshot, u64)> {
        let resting = std::mem::take(&mut self.resting);
        let due = touched.iter().zip(versions).filter(|(touched, snapshot_version)| {
            touched.after.version() - **snapshot_version >= self.snapshot_every
        });
        let mut snapshots: Vec<_> = due
            .map(|(touched, _)| snapshot_of(touched.stream, &touched.after, touched.last_position))
            .collect();
        let again: HashSet<StreamId> = snapshots.iter().map(|(s, _)| s.stream).collect();
        snapshots.extend(resting.into_iter().filter(|(s, _)| !again.contains(&s.stream)));
        snapshots
    }

    /// Keeps the states of a page that has landed, within the bound.
    pub(crate) fn keep(
        &mut self,
        touched: Vec<Touched>,
        versions: Vec<u64>,
        snapshots: &[(Snapshot, u64)],
    ) {
        self.step += 1;
        for (touched, snapshot_version) in touched.into_iter().zip(versions) {
            let Touched { stream, after: state, last_position, .. } = touched;
            let kept = Kept { state, snapshot_version, used: self.step, last_position };
            self.states.insert(stream, kept);
        }
        for (snapshot, _) in snapshots {
            if let Some(kept) = self.states.get_mut(&snapshot.stream) {
                kept.snapshot_version = snapshot.version;
            }
        }
        if self.states.len() > self.streams_max {
            self.evict();
        }
    }

    /// Drops the least recently used half, and remembers those of which a snapshot is worth its bytes.
    fn evict(&mut self) {
        let mut steps: Vec<u64> = self.states.values().map(|kept| kept.used).collect();
        let oldest = steps.iter().min().copied().unwrap_or(self.step);
        let middle = steps.len() / 2;
        let median = *steps.select_nth_unstable(middle).1;
        let keep_from = median.max(oldest + 1);
        let (resting, at_rest) = (&mut self.resting, self.snapshot_at_rest);
        self.states.retain(|stream, kept| {
            let stays = kept.used >= keep_from || *stream == StreamId::Firm;
            if !stays && kept.state.version() - kept.snapshot_version >= at_rest {
                resting.push(snapshot_of(*stream, &kept.state, kept.last_position));
            }
            stays
        });
    }
}

fn snapshot_of(stream: StreamId, state: &State, position: u64) -> (Snapshot, u64) {
    let (version, bytes) = (state.version(), state.to_snapshot());
    (Snapshot { stream, version, state_version: STATE_VERSION, bytes }, position)
}
