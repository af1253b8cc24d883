//! Where the service listens, how it is protected there, and every limit it keeps.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

/// Most bytes of one message, either way.
pub const MESSAGE_BYTES_MAX: usize = 4 << 20;
/// Most requests of callers with a token that are worked on at once; more are turned away, not queued.
pub const REQUESTS_MAX: usize = 2_048;
/// Most HTTP/2 streams of one connection.
pub const CONNECTION_STREAMS_MAX: u32 = 1_024;
/// Most requests of one `RecordStream` that wait for their answer.
pub const RECORD_STREAM_IN_FLIGHT: usize = 1_024;
/// How long a request may take if its caller names no deadline.
pub const REQUEST_TIMEOUT: Duration = Duration::from_secs(30);
/// The longest deadline a caller may name; a longer one means this one.
pub const REQUEST_TIMEOUT_MAX: Duration = Duration::from_mins(10);
/// How long a read waits for the read models to reach its `at_least_position`.
pub const READ_WAIT: Duration = Duration::from_secs(5);
/// How long a shutdown waits for requests in flight. What is left then is ended, and the log's writers
/// have [`WRITERS_GRACE`].
pub const DRAIN_DEADLINE: Duration = Duration::from_secs(20);
/// How long the log's writers may take at the end, beyond the drain.
pub const WRITERS_GRACE: Duration = Duration::from_secs(3);

/// How often it is looked whether the day's billing is due.
pub const DAILY_BILLING_LOOK: Duration = Duration::from_secs(30);

/// Most bytes of one firm's requests at once, from the head of a message to the end of its answer.
pub const REQUEST_BYTES_MAX: usize = 8 * MESSAGE_BYTES_MAX;
/// Most connections at once, and most of one address. An operator may set both.
pub const CONNECTIONS_MAX: usize = 2_048;
/// See [`CONNECTIONS_MAX`].
pub const CONNECTIONS_PER_ADDRESS_MAX: usize = 256;
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
    /// See [`EVIDENCE_SWEEP`].
    pub evidence_sweep: Duration,
    /// What strangers may hold.
    pub door: DoorLimits,
    /// What tokens and firms may have going on at once.
    pub quotas: QuotaLimits,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            message_bytes_max: MESSAGE_BYTES_MAX,
            requests_max: REQUESTS_MAX,
            record_stream_in_flight: RECORD_STREAM_IN_FLIGHT,
            request_timeout: REQUEST_TIMEOUT,
            request_timeout_max: REQUEST_TIMEOUT_MAX,
            read_wait: READ_WAIT,
            drain_deadline: DRAIN_DEADLINE,
            daily_billing_look: DAILY_BILLING_LOOK,
            evidence_sweep: EVIDENCE_SWEEP,
            door: DoorLimits::default(),
            quotas: QuotaLimits::default(),
        }
    }
}

/// What a connection, and whoever has no token, may hold, and for how long.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DoorLimits {
    /// Most connections at once.
    pub connections_max: usize,
    /// Most of one IPv4 address, or of one IPv6 network of 64 bits.
    pub connections_per_address_max: usize,
    /// Most on which no token was accepted yet; one of them makes room for the next, the oldest of the
    /// address that has most.
    pub connections_unknown_max: usize,
    /// How long the TLS handshake may take.
    pub handshake_max: Duration,
    /// How long the preface of HTTP/2 may take.
    pub preface_max: Duration,
    /// How long headers, or a frame without content, may take from their first byte to their last.
    pub headers_max: Duration,
    /// How long nothing may be asked on a connection on which no token was accepted.
    pub unknown_idle_max: Duration,
    /// How long nothing may be asked on any other.
    pub connection_idle_max: Duration,
    /// How long a caller may not take what it is sent.
    pub write_stall_max: Duration,
    /// How long nothing may come of a request that has begun.
    pub body_idle_max: Duration,
    /// How long nothing may come on a `RecordStream`.
    pub stream_idle_max: Duration,
    /// How long an upload may take, whatever its caller asks for.
    pub upload_max: Duration,
    /// How long health checks and reflection may take, from the first header to the last byte of the
    /// answer; and finding out whose a token is.
    pub open_call_max: Duration,
    /// How long a `Health/Watch` lasts.
    pub health_watch_max: Duration,
    /// Most health checks at once; the oldest makes room for the next, as in the two below.
    pub health_checks_at_once: usize,
    /// Most `Health/Watch` at once.
    pub health_watches_at_once: usize,
    /// Most reflection streams at once.
    pub reflections_at_once: usize,
    /// Most bytes of a request that needs no token.
    pub open_request_bytes_max: usize,
    /// Most bytes of all headers of a request together.
    pub header_list_bytes_max: u32,
    /// Most calls without a token that is accepted, on a connection on which none was accepted.
    pub refused_calls_max: usize,
    /// Most answers to such calls that are not read yet.
    pub unread_answers_max: usize,
    /// Most frames that carry neither headers nor content, on a connection on which no token was
    /// accepted.
    pub control_frames_unknown_max: usize,
    /// The same for a second of any other connection, updates of windows left out.
    pub control_frames_per_second_max: usize,
    /// Frames that are read in a second of all connections of one address on which no token was accepted.
    pub stranger_frames_per_second: u32,
    /// How many of them an address may be ahead.
    pub stranger_frames_ahead_max: u32,
}

impl Default for DoorLimits {
    fn default() -> Self {
        Self {
            connections_max: CONNECTIONS_MAX,
            connections_per_address_max: CONNECTIONS_PER_ADDRESS_MAX,
            connections_unknown_max: CONNECTIONS_MAX / 2,
            handshake_max: Duration::from_secs(5),
            preface_max: Duration::from_secs(5),
            headers_max: Duration::from_secs(5),
            unknown_idle_max: Duration::from_secs(10),
            connection_idle_max: Duration::from_mins(5),
            write_stall_max: Duration::from_secs(20),
            body_idle_max: Duration::from_secs(10),
            stream_idle_max: Duration::from_mins(5),
            upload_max: Duration::from_mins(5),
            open_call_max: Duration::from_secs(5),
            health_watch_max: Duration::from_mins(5),
            health_checks_at_once: 64,
            health_watches_at_once: 64,
            reflections_at_once: 8,
            open_request_bytes_max: 16 << 10,
            header_list_bytes_max: 16 << 10,
            refused_calls_max: 100,
            unread_answers_max: 32,
            control_frames_unknown_max: 1_000,
            control_frames_per_second_max: 10_000,
            stranger_frames_per_second: 500,
            stranger_frames_ahead_max: 2_000,
        }
    }
}

/// What one token and one firm may have going on at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    /// One token.
    pub per_token: usize,
    /// All tokens of one firm together.
    pub per_firm: usize,
}

/// What tokens and firms may have going on at once; more is turned away with `RESOURCE_EXHAUSTED`, which
/// names the quota.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct QuotaLimits {
    /// Requests that are not answered yet.
    pub requests: Share,
    /// Bytes of their messages; documents are counted by their number.
    pub request_bytes: Share,
    /// Health checks and reflections on connections on which a token was accepted.
    pub open_calls: Share,
    /// Open `Follow` streams.
    pub follow_streams: Share,
    /// Open `RecordStream` streams.
    pub record_streams: Share,
    /// Bundles that are made or sent.
    pub exports: Share,
    /// Documents that are uploaded or downloaded: each is held in memory.
    pub documents: Share,
    /// `VerifyLog`, `CheckDerived` and `CheckEvidence`.
    pub verifications: Share,
    /// Read models that are made anew.
    pub rebuilds: Share,
}

impl Default for QuotaLimits {
    fn default() -> Self {
        Self {
            requests: Share { per_token: REQUESTS_MAX / 2, per_firm: REQUESTS_MAX / 2 },
            request_bytes: Share { per_token: REQUEST_BYTES_MAX / 2, per_firm: REQUEST_BYTES_MAX },
            open_calls: Share { per_token: 32, per_firm: 64 },
            follow_streams: Share { per_token: 8, per_firm: 32 },
            record_streams: Share { per_token: 8, per_firm: 32 },
            exports: Share { per_token: 2, per_firm: 2 },
            documents: Share { per_token: 4, per_firm: 4 },
            verifications: Share { per_token: 2, per_firm: 4 },
            rebuilds: Share { per_token: 1, per_firm: 1 },
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
