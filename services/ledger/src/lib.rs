//! The gRPC service of Counterfoil: authorization, limits, and the handlers over the engine.
//!
//! A [`Ledger`] is made over an engine and its store, then listens on sockets ([`Ledger::serve`]) or
//! inside the process ([`Ledger::connect_in_process`]), and ends with [`Ledger::shutdown`]. Every
//! request passes the same front: trace, shed, timeout, authenticate, authorise. What a handler
//! does is: check the firm, convert the whole request, submit or read, present.

pub mod access;
mod accounts;
mod administration;
mod answers;
pub mod audit;
mod billing;
mod books;
mod case_ledger;
mod config;
mod connect;
mod couples;
mod door;
mod evidence;
mod front;
pub mod gateway;
mod ledger;
pub mod leftover;
mod metrics;
mod names;
mod openings;
mod paging;
mod present;
mod privacy;
mod quota;
mod reading;
mod server;
mod telemetry;
mod trial;

pub use config::{
    CONNECTION_STREAMS_MAX, CONNECTIONS_MAX, CONNECTIONS_PER_ADDRESS_MAX, ConfigError,
    DAILY_BILLING_LOOK, DRAIN_DEADLINE, DoorLimits, EVIDENCE_SWEEP, Limits, MESSAGE_BYTES_MAX,
    MetricsConfig, QuotaLimits, READ_WAIT, RECORD_STREAM_IN_FLIGHT, REQUEST_BYTES_MAX,
    REQUEST_TIMEOUT, REQUEST_TIMEOUT_MAX, REQUESTS_MAX, ServerConfig, Share, TlsFiles,
    WRITERS_GRACE,
};
pub use evidence::Swept;
pub use ledger::Ledger;
pub use server::{Listening, ServeError};
