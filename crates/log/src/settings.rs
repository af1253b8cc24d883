//! Every limit of the engine, by name.

use std::time::Duration;

/// Most commands that wait for one firm's writer; beyond it callers are told to come back.
pub const QUEUE_DEPTH_MAX: usize = 1_024;
/// Most commands of one transaction.
pub const BATCH_COMMANDS_MAX: usize = 512;
/// Events after which a transaction takes no further command.
pub(crate) const BATCH_EVENTS_MAX: usize = 8_192;
/// Bytes of events after which a transaction takes no further command.
pub(crate) const BATCH_BYTES_MAX: usize = 4 << 20;
/// Most times one command may ask for a stream it did not find loaded.
pub(crate) const NEEDS_MAX: u32 = 32;
/// Most times a failed transaction is tried again before its commands are answered.
pub const RETRIES_MAX: u32 = 5;
/// How long a failing transaction is tried again at most. A store that is away may take seconds to say
/// so, and callers are better told to come back than kept.
pub const RETRY_PATIENCE: Duration = Duration::from_secs(2);
/// How long after a batch the head it left is believed to be the end, where nobody else seems to write.
pub(crate) const BELIEF_LASTS: Duration = Duration::from_secs(1);
/// Most streams a firm's writer keeps folded in memory, and a rebuild.
pub const STREAMS_CACHED_MAX: usize = 32_768;
/// Most streams a firm's live projector keeps folded in memory: those of some seconds are enough.
pub(crate) const STREAMS_PROJECTED_MAX: usize = 2_048;
/// Events a stream grows by before a new snapshot of it is kept while it stays in memory.
pub(crate) const SNAPSHOT_EVERY: u64 = 64;
/// Events a stream grew by before a snapshot of it is kept when it leaves the live projector's memory.
/// A client's events lie on as many pages, since those of the same days lie beside each other: without a
/// snapshot, whoever comes back after a year costs a read from disk for each.
pub(crate) const SNAPSHOT_AT_REST: u64 = 8;
/// Most events of one step of the live projection.
pub(crate) const PROJECT_PAGE: usize = 1_000;
/// Most events that a writer holds for the projection of its own process. One that is further behind reads the log.
pub(crate) const HANDED_EVENTS_MAX: usize = 4_096;
/// How long the live projection lets events gather while nobody waits for them.
pub(crate) const PROJECT_PAUSE: Duration = Duration::from_millis(50);
/// Most events of one step of a rebuild.
pub const REBUILD_PAGE: usize = 20_000;
/// Most events of one page a follower holds.
pub(crate) const FOLLOW_PAGE: usize = 500;
/// Events and answers after which a page of a move ends, but for a request that is longer by itself.
pub(crate) const MOVE_PAGE: usize = 2_000;
/// Times that a move copies what was written to its source meanwhile, before it says that the source has to rest.
pub(crate) const MOVE_ROUNDS_MAX: u32 = 5;
/// How long readers wait for the head to move before they look for what another process wrote.
const POLL_INTERVAL: Duration = Duration::from_secs(1);
/// Pause before the first retry; each further one takes twice as long.
const RETRY_DELAY: Duration = Duration::from_millis(10);

/// The limits in force. The defaults are the constants beside them.
#[derive(Clone, Debug)]
pub struct Settings {
    /// See [`QUEUE_DEPTH_MAX`].
    pub queue_depth_max: usize,
    /// See [`BATCH_COMMANDS_MAX`].
    pub batch_commands_max: usize,
    /// See [`STREAMS_CACHED_MAX`].
    pub streams_cached_max: usize,
    /// See [`STREAMS_PROJECTED_MAX`].
    pub streams_projected_max: usize,
    /// See [`SNAPSHOT_EVERY`].
    pub snapshot_every: u64,
    /// See [`SNAPSHOT_AT_REST`].
    pub snapshot_at_rest: u64,
    /// See [`PROJECT_PAGE`].
    pub project_page: usize,
    /// See [`PROJECT_PAUSE`].
    pub project_pause: Duration,
    /// See [`REBUILD_PAGE`].
    pub rebuild_page: usize,
    /// See [`FOLLOW_PAGE`].
    pub follow_page: usize,
    /// How long readers wait before they look for what another process wrote.
    pub poll_interval: Duration,
    /// Pause before the first retry; each further one takes twice as long.
    pub retry_delay: Duration,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            queue_depth_max: QUEUE_DEPTH_MAX,
            batch_commands_max: BATCH_COMMANDS_MAX,
            streams_cached_max: STREAMS_CACHED_MAX,
            streams_projected_max: STREAMS_PROJECTED_MAX,
            snapshot_every: SNAPSHOT_EVERY,
            snapshot_at_rest: SNAPSHOT_AT_REST,
            project_page: PROJECT_PAGE,
            project_pause: PROJECT_PAUSE,
            rebuild_page: REBUILD_PAGE,
            follow_page: FOLLOW_PAGE,
            poll_interval: POLL_INTERVAL,
            retry_delay: RETRY_DELAY,
        }
    }
}
