//! A firm's live projection as its task, readers and a rebuild see it.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use domain::ids::FirmId;
use tokio::sync::{Notify, watch};

use crate::fold::Fault;
use crate::handed::Handed;
use crate::projector::Projector;
use crate::settings::Settings;
use crate::sync::lock;

/// A stored event that stopped a firm's projection. Nothing is skipped: reads stay behind until the
/// cause is gone.
pub(crate) type ProjectionFault = Fault;

/// The read model did not get as far as was asked in the time given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the read model is at position {applied}, not yet at {wanted}")]
pub struct ReadBehind {
    /// The position asked for.
    pub wanted: u64,
    /// The position reached.
    pub applied: u64,
}

/// A firm's live projection, shared between its task, readers and a rebuild.
pub(crate) struct Projection {
    pub(crate) applied: watch::Sender<u64>,
    pub(crate) live: tokio::sync::Mutex<Projector>,
    /// What the writer here has just written.
    pub(crate) handed: Arc<Handed>,
    /// Readers who wait for a position now.
    waiting: AtomicUsize,
    pub(crate) hurry: Notify,
    /// Whether this process projects, as of the last step.
    pub(crate) leads: AtomicBool,
    pub(crate) fault: Mutex<Option<ProjectionFault>>,
    pub(crate) resumed: Notify,
}

impl Projection {
    pub(crate) fn new(settings: &Settings) -> Self {
        let handed = Arc::<Handed>::default();
        Self {
            applied: watch::Sender::new(0),
            live: tokio::sync::Mutex::new(Projector::new(settings, Some(Arc::clone(&handed)))),
            handed,
            waiting: AtomicUsize::new(0),
            hurry: Notify::new(),
            leads: AtomicBool::new(false),
            fault: Mutex::default(),
            resumed: Notify::new(),
        }
    }

    /// Somebody waits, for as long as the guard is there: a position that never comes hurries nobody
    /// once its reader is gone.
    pub(crate) fn hurried(&self) -> Hurried<'_> {
        self.waiting.fetch_add(1, Ordering::Relaxed);
        self.hurry.notify_one();
        Hurried(&self.waiting)
    }

    pub(crate) fn is_anyone_waiting(&self) -> bool {
        self.waiting.load(Ordering::Relaxed) > 0
    }

    /// Tells whoever waits how far the rows are.
    pub(crate) fn reach(&self, position: u64) {
        self.applied.send_if_modified(|applied| std::mem::replace(applied, position) != position);
    }

    /// Lets a stopped projection go on.
    pub(crate) fn resume(&self) {
        *lock(&self.fault) = None;
        self.resumed.notify_one();
    }

    pub(crate) fn stop_at(&self, firm: FirmId, fault: ProjectionFault) {
        tracing::error!(%firm, position = fault.position, what = fault.what, "the projection stopped");
        *lock(&self.fault) = Some(fault);
        // Whoever waits for a position is told now.
        self.applied.send_modify(|_| {});
    }
}

/// A reader who waits.
pub(crate) struct Hurried<'a>(&'a AtomicUsize);

impl Drop for Hurried<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_hurries_the_projection_while_it_waits_and_no_longer() {
        let projection = Projection::new(&Settings::default());
        assert!(!projection.is_anyone_waiting());
        let (one, other) = (projection.hurried(), projection.hurried());
        drop(one);
        assert!(projection.is_anyone_waiting());
        drop(other);
        assert!(!projection.is_anyone_waiting());
    }
}
