//! The engine without SQL: one ordered log per firm, decided, committed, projected and followed.
//!
//! Everything here speaks to storage through three ports, [`LogStore`], [`PeopleStore`] and
//! [`ProjectionStore`], whose calls are whole operations. The engine owns the order of decisions, what a repeated request is
//! answered, and that every event is counted exactly once; a store owns durability.

mod activity;
mod cache;
mod clock;
mod derived;
mod engine;
mod error;
mod finding;
mod fold;
mod folded;
mod follow;
mod handed;
mod head;
mod histogram;
pub mod memory;
mod moving;
mod naming;
mod opening;
mod outcome;
mod page;
mod people;
mod plan;
mod ports;
mod projecting;
mod projection;
mod projector;
mod proving;
mod reading;
mod rebuild;
mod remembered;
mod running;
mod sealing;
mod settings;
mod stats;
mod stored;
mod submission;
mod sync;
mod tile;
mod tiler;
mod verify;
mod walk;
mod writer;

#[cfg(test)]
mod tests;

pub use activity::Activity;
pub use clock::{Clock, Ids, SequentialIds, SteppedClock, SystemClock, UuidV7Ids};
pub use derived::{DerivedFault, DerivedReport};
pub use engine::Engine;
pub use error::{Cause, StoreError};
pub use finding::{Found, Sought};
pub use fold::{Fault, folds_from_last, state_of};
pub use follow::{FollowError, Followed};
pub use head::{Head, LastEvent, StoredHead};
pub use histogram::{COUNTS, Counted, Histogram, MICROS};
pub use moving::{MoveError, MoveReport, Moving, move_log};
pub use opening::Opener;
pub use outcome::{Accepted, Outcome, OutcomeResult};
pub use people::{FoundBy, KeyedHash, PeopleStore, Person, Rewrapped, Wanted};
pub use ports::{
    AppendRow, Batch, Beside, COLUMNS, Checkpoint, Comparison, Gap, KeptSnapshot, Landing,
    LoadedStream, LogStore, Meanwhile, NOTHING_KNOWN, Opening, Plan, ProjectionStep,
    ProjectionStore, Snapshot, Step, Store, StreamEnd, Touched, columns_text,
};
pub use projection::ReadBehind;
pub use proving::ProveError;
pub use reading::{History, states_at};
pub use rebuild::{RebuildError, RebuildReport};
pub use remembered::{AnswerRow, Remembered};
pub use sealing::{OwnRequests, kept_fingerprint, rewrap, scope};
pub use settings::{
    BATCH_COMMANDS_MAX, QUEUE_DEPTH_MAX, REBUILD_PAGE, RETRIES_MAX, RETRY_PATIENCE,
    STREAMS_CACHED_MAX, Settings,
};
pub use stats::EngineStats;
pub use stored::Stored;
pub use submission::{Answer, Pending, Submission, SubmitError};
pub use tile::{Tile, TileStore};
pub use tiler::Tiler;
pub use verify::{LogCheckpoint, Noted, VerifyError, VerifyReport};
