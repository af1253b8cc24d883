//! Figures for Prometheus, on a port of their own.
//!
//! Whatever happens is counted as it happens, in plain atomics, whether anybody reads them or not:
//! by the engine what it decides and commits ([`log::EngineStats`]), here what the front lets through.
//! What would cost something, such as how far each firm's read models are, is looked up when somebody
//! asks, and not more often than every few seconds. Labels are RPCs, codes, reasons and the ids of
//! firms: nothing of a client, and no set that callers can make grow.

mod facts;
mod listen;
mod requests;
mod text;

use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use tokio::time::Instant;

use crate::access::Logins;

pub(crate) use facts::Recent;
pub(crate) use requests::Requests;

/// What the service counts beside the engine.
pub(crate) struct Metrics {
    /// When the service was made.
    pub(crate) started: Instant,
    /// What came in.
    pub(crate) requests: Arc<Requests>,
    /// Verifications that found a log not to be what was written.
    pub(crate) findings: AtomicU64,
    /// Logins that were refused.
    pub(crate) logins: Arc<Logins>,
    /// What was looked up last.
    pub(crate) recent: Recent,
}

impl Metrics {
    pub(crate) fn new() -> Self {
        Self {
            started: Instant::now(),
            requests: Arc::new(Requests::new()),
            findings: AtomicU64::new(0),
            logins: Arc::default(),
            recent: Recent::default(),
        }
    }
}
