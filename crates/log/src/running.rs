//! What runs for an engine and for each of its firms.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, RwLock};

use domain::ids::FirmId;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use vault::FirmKeys;

use crate::clock::{Clock, Ids};
use crate::ports::Store;
use crate::projection::Projection;
use crate::settings::Settings;
use crate::stats::EngineStats;
use crate::submission::Waiting;
use crate::sync::lock;
use crate::tiler::TileMemory;
use crate::writer::Writer;

/// The engine's own, for as long as a handle is there.
pub(crate) struct Inner {
    pub(crate) store: Arc<dyn Store>,
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) ids: Arc<dyn Ids>,
    pub(crate) firm_keys: Arc<FirmKeys>,
    pub(crate) settings: Settings,
    pub(crate) stats: Arc<EngineStats>,
    pub(crate) tiles: TileMemory,
    pub(crate) firms: RwLock<HashMap<FirmId, Arc<Firm>>>,
    /// Set once, when no further request is taken.
    pub(crate) closing: watch::Sender<bool>,
    /// Set once the writers have drained.
    pub(crate) stopping: watch::Sender<bool>,
}

/// What the engine runs for one firm.
pub(crate) struct Firm {
    pub(crate) id: FirmId,
    pub(crate) head: watch::Sender<u64>,
    pub(crate) projection: Projection,
    pub(crate) writer: Mutex<Option<Queue>>,
    pub(crate) projector: Mutex<Option<JoinHandle<()>>>,
}

impl Firm {
    /// Requests that wait for the writer.
    pub(crate) fn queued(&self) -> usize {
        let waiting = |queue: &Queue| queue.sender.max_capacity() - queue.sender.capacity();
        lock(&self.writer).as_ref().map_or(0, waiting)
    }
}

/// A writer's queue and its task.
pub(crate) struct Queue {
    pub(crate) sender: mpsc::Sender<Waiting>,
    pub(crate) task: JoinHandle<()>,
}

impl Inner {
    pub(crate) fn start_writer(&self, firm: &Firm) -> Queue {
        let (sender, queue) = mpsc::channel(self.settings.queue_depth_max);
        let writer = Writer::new(
            firm.id,
            Arc::clone(&self.store),
            (Arc::clone(&self.clock), Arc::clone(&self.ids), Arc::clone(&self.firm_keys)),
            Arc::clone(&self.stats),
            self.settings.clone(),
            (firm.head.clone(), Arc::clone(&firm.projection.handed)),
        );
        Queue { sender, task: tokio::spawn(writer.run(queue)) }
    }
}
