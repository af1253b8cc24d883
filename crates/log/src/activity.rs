//! What the engine is doing right now, firm by firm.

use std::sync::atomic::Ordering;

use domain::ids::FirmId;

use crate::engine::Engine;
use crate::running::Firm;
use crate::sync::lock;

/// One firm's part of the engine, in this process.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Activity {
    /// The firm.
    pub firm: FirmId,
    /// Requests that wait for the writer.
    pub queued: usize,
    /// Whether this process projects the firm, as of its last step: of those that share the store,
    /// one does.
    pub leads: bool,
    /// Whether an event that cannot be read has stopped the projection here.
    pub stopped: bool,
}

impl Engine {
    /// The firms that somebody asked this process for, in the order of their ids. It waits for
    /// nothing and reads no store.
    pub fn activity(&self) -> Vec<Activity> {
        let mut firms = self.all_firms();
        firms.sort_unstable_by_key(|firm| firm.id);
        firms.iter().map(|firm| of(firm)).collect()
    }
}

fn of(firm: &Firm) -> Activity {
    let projection = &firm.projection;
    Activity {
        firm: firm.id,
        queued: firm.queued(),
        leads: projection.leads.load(Ordering::Relaxed),
        stopped: lock(&projection.fault).is_some(),
    }
}
