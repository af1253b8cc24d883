//! Reading a log through its port alone, wherever it is kept.

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::FirmId;
use domain::world::State;

use crate::error::StoreError;
use crate::fold::state_of;
use crate::ports::LogStore;
use crate::stored::Stored;

/// Streams folded up to a position, in the order asked for.
pub async fn states_at(
    store: &dyn LogStore,
    firm: FirmId,
    streams: &[StreamId],
    position: u64,
) -> Result<Vec<State>, StoreError> {
    let loaded = store.load(firm, streams, position).await?;
    let states = loaded.iter().map(|stream| Ok(state_of(firm, stream)?.0));
    states.collect::<Result<_, StoreError>>()
}

/// Somewhere else than the store that holds a beginning of the log, such as a replica.
#[async_trait]
pub trait History: Send + Sync {
    /// Events after a position, dense and in order, which are those of the store; nothing if it does
    /// not have them, or cannot say.
    async fn page(&self, firm: FirmId, after: u64, limit: usize) -> Option<Vec<Stored>>;
}
