//! Where the service listens, how it is protected there, and every limit it keeps.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

/// Most bytes of one message, either way.
pub const MESSAGE_BYTES_MAX: usize = 4 << 20;
/// Most requests that are worked on at once; more are turned away, not queued.
pub const REQUESTS_MAX: usize = 2_048;
/// Most HTTP/2 streams of one connection.
pub const CONNECTION_STREAMS_MAX: u32 = 1_024;
/// Most open `Follow` streams of one token.
pub const FOLLOW_STREAMS_MAX: usize = 8;
/// Most requests of one `RecordStream` that wait for their answer.
pub const RECORD_STREAM_IN_FLIGHT: usize = 1_024;
/// How long a request may take if its caller names no deadline.
pub const REQUEST_TIMEOUT: Duration = Duration::from_secs(30);
/// The longest deadline a caller may name; a longer one means this one.
pub const REQUEST_TIMEOUT_MAX: Duration = Duration::from_mins(10);
/// How long a read waits for the read models to reach its `at_least_position`.
pub const READ_WAIT: Duration = Duration::from_secs(5);
/// How long a shutdown waits for requests in flight, and then for the log's writers.
pub const DRAIN_DEADLINE: Duration = Duration::from_secs(20);

/// How often it is looked whether the day's billing is due.
pub const DAILY_BILLING_LOOK: Duration = Duration::from_secs(30);

/// Most documents that are uploaded and downloaded at once: each is held in memory.
pub const EVIDENCE_AT_ONCE: usize = 8;
/// How often evidence is swept.
pub const EVIDENCE_SWEEP: Duration = Duration::from_hours(1);

/// A certificate chain and its key, as PEM files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate chain, the server's own first.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// The limits in force. The defaults are the constants beside them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// See [`MESSAGE_BYTES_MAX`].
    pub message_bytes_max: usize,
    /// See [`REQUESTS_MAX`].
    pub requests_max: usize,
    /// See [`FOLLOW_STREAMS_MAX`].
    pub follow_streams_per_token: usize,
    /// See [`RECORD_STREAM_IN_FLIGHT`].
    pub record_stream_in_flight: usize,
    /// See [`REQUEST_TIMEOUT`].
    pub request_timeout: Duration,
    /// See [`REQUEST_TIMEOUT_MAX`].
    pub request_timeout_max: Duration,
    /// See [`READ_WAIT`].
    pub read_wait: Duration,
    /// See [`DRAIN_DEADLINE`].
    pub drain_deadline: Duration,
    /// See [`DAILY_BILLING_LOOK`].
    pub daily_billing_look: Duration,
    /// See [`EVIDENCE_AT_ONCE`].
    pub evidence_at_once: usize,
    /// See [`EVIDENCE_SWEEP`].
    pub evidence_sweep: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            message_bytes_max: MESSAGE_BYTES_MAX,
            requests_max: REQUESTS_MAX,
            follow_streams_per_token: FOLLOW_STREAMS_MAX,
            record_stream_in_flight: RECORD_STREAM_IN_FLIGHT,
            request_timeout: REQUEST_TIMEOUT,
            request_timeout_max: REQUEST_TIMEOUT_MAX,
            read_wait: READ_WAIT,
            drain_deadline: DRAIN_DEADLINE,
            daily_billing_look: DAILY_BILLING_LOOK,
            evidence_at_once: EVIDENCE_AT_ONCE,
            evidence_sweep: EVIDENCE_SWEEP,
        }
    }
}

/// How the service listens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServerConfig {
    /// The address and port; port 0 takes a free one.
    pub listen: SocketAddr,
    /// TLS, demanded on every address but loopback.
    pub tls: Option<TlsFiles>,
    /// Serves without TLS on other addresses than loopback: only behind something that adds it.
    pub allow_plaintext_elsewhere: bool,
}

impl ServerConfig {
    /// Listens on loopback without TLS.
    pub fn loopback(port: u16) -> Self {
        let listen = SocketAddr::from(([127, 0, 0, 1], port));
        Self { listen, tls: None, allow_plaintext_elsewhere: false }
    }

    /// Refuses an address on which tokens and personal values would travel in the clear.
    pub fn check(&self) -> Result<(), ConfigError> {
        let protected = self.tls.is_some() || self.listen.ip().is_loopback();
        if protected || self.allow_plaintext_elsewhere {
            Ok(())
        } else {
            Err(ConfigError::Plaintext { listen: self.listen })
        }
    }
}

/// Where the figures for Prometheus are shown. There is no TLS on that port, and no token.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MetricsConfig {
    /// The address and port; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Shows them on other addresses than loopback: only where a private network, or something in
    /// front, keeps strangers away.
    pub allow_plaintext_elsewhere: bool,
}

impl MetricsConfig {
    /// Refuses an address where strangers could read them.
    pub fn check(&self) -> Result<(), ConfigError> {
        if self.listen.ip().is_loopback() || self.allow_plaintext_elsewhere {
            Ok(())
        } else {
            Err(ConfigError::Metrics { listen: self.listen })
        }
    }
}

/// Why a configuration is refused.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// No TLS, and not loopback.
    #[error(
        "{listen} is not a loopback address: give a TLS certificate and key, or allow plaintext \
         elsewhere explicitly if something in front adds TLS"
    )]
    Plaintext {
        /// The address.
        listen: SocketAddr,
    },
    /// Metrics not on loopback.
    #[error(
        "{listen} is not a loopback address, and metrics are shown to whoever asks: allow plaintext \
         elsewhere explicitly if a private network or something in front keeps strangers away"
    )]
    Metrics {
        /// The address.
        listen: SocketAddr,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_goes_without_tls() {
        let at = |listen: &str| ServerConfig {
            listen: listen.parse().unwrap(),
            ..ServerConfig::loopback(0)
        };
        for loopback in ["127.0.0.1:0", "127.8.8.8:1", "[::1]:0"] {
            assert!(at(loopback).check().is_ok(), "{loopback}");
        }
        for elsewhere in ["0.0.0.0:0", "[::]:0", "192.0.2.1:443"] {
            let config = at(elsewhere);
            assert!(config.check().is_err(), "{elsewhere}");
            assert!(
                ServerConfig { allow_plaintext_elsewhere: true, ..config.clone() }.check().is_ok()
            );
            let tls = Some(TlsFiles { certificate: "c.pem".into(), key: "k.pem".into() });
            assert!(ServerConfig { tls, ..config }.check().is_ok());
        }
    }
}
