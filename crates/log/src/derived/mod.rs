//! Holding what is derived from the log against it: read models, snapshots, and the keys of people.
//!
//! None of it proves anything, and rows and snapshots can be made anew. But people are shown rows,
//! decisions begin at snapshots, and a key that is gone takes its client's name along.

pub(crate) mod people;

use std::collections::HashSet;
use std::fmt;

use domain::event::StreamId;
use domain::ids::FirmId;
use uuid::Uuid;

use crate::engine::Engine;
use crate::fold;
use crate::ports::{Comparison, KeptSnapshot, LoadedStream, Store};
use crate::projector::{Projector, Snapshots};
use crate::rebuild::RebuildError;
use people::People;

/// Snapshots, or people, that are looked at together.
const PAGE: usize = 200;
/// How often the live rows may move on before they are compared.
const CHASES_MAX: u32 = 1_000;

/// Something that is kept beside the log and does not follow from it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DerivedFault {
    /// Rows of a read model.
    Rows {
        /// The table.
        table: &'static str,
        /// How many are wrong, missing or too many.
        rows: u64,
    },
    /// The snapshot of a stream, by the name it is kept under.
    Snapshot(String),
    /// What is kept of a client, or of the firm under its own id.
    Person {
        /// The client's case, or the firm.
        id: Uuid,
        /// What is wrong.
        what: &'static str,
    },
}

impl fmt::Display for DerivedFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rows { table, rows } => {
                write!(f, "rows of {table} that are not what the log makes of them: {rows}")
            }
            Self::Snapshot(stream) => {
                write!(f, "the snapshot of {stream} is not what its events fold to")
            }
            Self::Person { id, what } => write!(f, "what is kept of {id}: {what}"),
        }
    }
}

/// What was held against the log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DerivedReport {
    /// The position that the rows stood at.
    pub position: u64,
    /// What does not follow from the log; nothing if all of it does.
    pub faults: Vec<DerivedFault>,
}

impl Engine {
    /// Makes the read models anew beside the live ones and compares the two, folds every stream that
    /// has a snapshot from its first event on, and tries the key of every client. Nothing that is read
    /// changes. `progress` is told the position reached and the head.
    ///
    /// Of several rebuilds and checks of a firm the last one begun goes on.
    /// Verify the log first: what is derived is held against its events, whatever they are.
    pub async fn check_derived(
        &self,
        firm: FirmId,
        mut progress: impl FnMut(u64, u64) + Send,
    ) -> Result<DerivedReport, RebuildError> {
        let store = self.inner().store.as_ref();
        let mut report = DerivedReport::default();
        // Rows may be made from snapshots, so those come first.
        check_snapshots(store, firm, &mut report.faults).await?;
        let generation = store.begin_rebuild(firm).await?;
        let clients = self.compare_rows(firm, generation, &mut report, &mut progress).await;
        let dropped = store.drop_generation(firm, generation).await;
        let people = People { store, firm_keys: &self.inner().firm_keys, firm };
        people.check(clients?, &mut report.faults).await?;
        dropped?;
        report.faults.sort();
        Ok(report)
    }

    /// Fills a generation until it stands where the live one does, and compares them there. Gives every
    /// client that the log knows by then.
    async fn compare_rows(
        &self,
        firm: FirmId,
        generation: i64,
        report: &mut DerivedReport,
        progress: &mut (impl FnMut(u64, u64) + Send),
    ) -> Result<HashSet<Uuid>, RebuildError> {
        let settings = &self.inner().settings;
        let store = self.inner().store.as_ref();
        let mut made = Projector::from_start(settings, generation);
        let mut clients = HashSet::new();
        for _ in 0..CHASES_MAX {
            let target = store.checkpoint(firm).await?.position;
            while report.position < target {
                // Not an event further than the live rows, or the two never meet.
                let left = usize::try_from(target - report.position).unwrap_or(usize::MAX);
                let limit = left.min(settings.rebuild_page);
                let step = made.step(store, firm, limit, Snapshots::Leave).await?;
                let step = step.whole().map_err(RebuildError::Fault)?;
                report.position = step.position;
                clients.extend(step.begun.into_iter().filter_map(|stream| match stream {
                    StreamId::Case(case) => Some(case.0),
                    StreamId::Account(_)
                    | StreamId::Deposit(_)
                    | StreamId::Firm
                    | StreamId::Looks(_) => None,
                }));
                progress(report.position, target);
            }
            if let Comparison::At(tables) = store.compare(firm, generation, report.position).await?
            {
                let differing = tables.into_iter().filter(|(_, rows)| *rows > 0);
                let fault = |(table, rows)| DerivedFault::Rows { table, rows };
                report.faults.extend(differing.map(fault));
                return Ok(clients);
            }
        }
        Err(RebuildError::Outrun)
    }
}

async fn check_snapshots(
    store: &dyn Store,
    firm: FirmId,
    faults: &mut Vec<DerivedFault>,
) -> Result<(), RebuildError> {
    let mut after = String::new();
    loop {
        let page = store.snapshots_after(firm, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.stream);
        let streams: Vec<StreamId> =
            page.iter().filter_map(|kept| StreamId::parse(&kept.stream)).collect();
        // Snapshots are of what was projected; the log has at least that.
        let head = store.head(firm).await?.position;
        let mut loaded = store.load_from_first(firm, &streams, head).await?.into_iter().peekable();
        for kept in page {
            let of = |loaded: &LoadedStream| StreamId::parse(&kept.stream) == Some(loaded.stream);
            let sound = match loaded.next_if(of) {
                Some(loaded) => is_fold(firm, &kept, loaded)?,
                None => false,
            };
            if !sound {
                faults.push(DerivedFault::Snapshot(kept.stream));
            }
        }
    }
}

/// Whether a snapshot is what the events up to its version fold to, and says where the last of them
/// stands.
fn is_fold(
    firm: FirmId,
    kept: &KeptSnapshot,
    mut loaded: LoadedStream,
) -> Result<bool, RebuildError> {
    let count = usize::try_from(kept.version).unwrap_or(usize::MAX);
    if count == 0 || loaded.events.len() < count {
        return Ok(false);
    }
    loaded.events.truncate(count);
    let (state, _) = fold::state_of(firm, &loaded).map_err(RebuildError::Fault)?;
    let last = loaded.events.last().map(|event| event.position);
    Ok(last == Some(kept.position) && state.to_snapshot() == kept.bytes)
}
