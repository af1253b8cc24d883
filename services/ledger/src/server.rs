//! Listening, and ending well.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use api::v1;
use hyper_util::rt::TokioIo;
use tokio::net::{TcpListener, TcpSocket};
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout_at};
use tokio_util::sync::CancellationToken;
use tonic::service::Routes;
use tonic::transport::server::TcpConnectInfo;
use tonic::transport::{Channel, Endpoint, Uri};
use tower::service_fn;

use crate::accounts::AccountsRpc;
use crate::administration::AdministrationRpc;
use crate::audit::AuditRpc;
use crate::billing::BillingRpc;
use crate::books::BooksRpc;
use crate::case_ledger::CaseLedgerRpc;
use crate::config::{ConfigError, ServerConfig, WRITERS_GRACE};
use crate::door::{self, CONNECTION_WINDOW_BYTES, STREAM_WINDOW_BYTES, Watch};
use crate::evidence::EvidenceRpc;
use crate::front::{Door, Front};
use crate::ledger::Ledger;
use crate::privacy::PrivacyRpc;

/// Bytes that the pipe to a caller in this process holds.
const PIPE_BYTES: usize = 1 << 20;
/// Connections that wait to be taken.
const CONNECTIONS_WAITING: u32 = 4_096;
/// How long work may take to notice that it was ended.
const ENDING_MAX: Duration = Duration::from_millis(500);

/// Why the service does not listen.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The configuration is refused.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The address cannot be listened on.
    #[error("cannot listen on {listen}")]
    Listen {
        /// The address.
        listen: SocketAddr,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A certificate or key cannot be read.
    #[error("cannot read {}", path.display())]
    Tls {
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A certificate that is none, or a key that does not go with it.
    #[error("{} cannot be used for TLS: {why}", path.display())]
    Certificate {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The pipe inside this process cannot be set up.
    #[error("the transport cannot be set up")]
    Transport(#[from] tonic::transport::Error),
    /// The contract's own descriptors cannot be served.
    #[error("reflection cannot be set up")]
    Reflection(#[from] tonic_reflection::server::Error),
}

/// A service that listens.
#[derive(Debug)]
pub struct Listening {
    /// Where it listens: the port it was given if it asked for any.
    pub local_addr: SocketAddr,
    task: JoinHandle<Option<()>>,
}

impl Listening {
    /// Waits until nobody is let in any more: since [`Ledger::shutdown`], or by a fault.
    pub async fn ended(self) {
        // The task is never aborted from outside, and a panic in it has been reported.
        let _ = self.task.await;
    }
}

impl Ledger {
    /// Listens on a socket, where every caller needs a token.
    pub async fn serve(&self, config: &ServerConfig) -> Result<Listening, ServeError> {
        config.check()?;
        let tls = match &config.tls {
            Some(files) => Some(door::tls(files).await?),
            None => None,
        };
        let listener = listen(config.listen).and_then(|l| Ok((l.local_addr()?, l)));
        let (local_addr, listener) =
            listener.map_err(|source| ServeError::Listen { listen: config.listen, source })?;
        let task = self.spawn(door::accept(listener, tls, self.front(Door::Wire)?));
        self.start_beside();
        tracing::info!(%local_addr, tls = config.tls.is_some(), "listening");
        Ok(Listening { local_addr, task })
    }

    /// A channel to this very service through a pipe that only this process holds. Its caller has
    /// every scope in any firm: it already holds the store.
    pub async fn connect_in_process(&self) -> Result<Channel, ServeError> {
        let (client, server) = tokio::io::duplex(PIPE_BYTES);
        let nowhere = TcpConnectInfo { local_addr: None, remote_addr: None };
        self.tasks().spawn(door::serve(server, nowhere, self.front(Door::Process)?));
        let mut client = Some(client);
        let connector = service_fn(move |_: Uri| {
            let pipe = client.take().ok_or_else(|| std::io::Error::other("the pipe is closed"));
            async move { pipe.map(TokioIo::new) }
        });
        let endpoint = Endpoint::from_static("http://in-process")
            .initial_stream_window_size(STREAM_WINDOW_BYTES)
            .initial_connection_window_size(CONNECTION_WINDOW_BYTES);
        Ok(endpoint.connect_with_connector(connector).await?)
    }

    /// Stops accepting, ends followers, lets every request in flight be answered, ends what is left at
    /// the deadline, and drains the engine. Whether all of it was done in time.
    pub async fn shutdown(&self) -> bool {
        let deadline = Instant::now() + self.limits().drain_deadline;
        self.closing().cancel();
        self.tasks().close();
        let answered = tokio::select! {
            answered = timeout_at(deadline, self.tasks().wait()) => answered.is_ok(),
            () = self.ending().cancelled() => false,
        };
        self.end_now();
        // What was told to end has been heard by whatever waits; nothing else is worth waiting for.
        let _ = timeout_at(Instant::now() + ENDING_MAX, self.tasks().wait()).await;
        let left = deadline.saturating_duration_since(Instant::now());
        let drained = self.engine().shutdown(left.max(WRITERS_GRACE)).await;
        answered && drained
    }

    /// Ends whatever is open, as a shutdown does at its deadline.
    pub fn end_now(&self) {
        self.ending().cancel();
    }

    fn front(&self, door: Door) -> Result<Front, ServeError> {
        let limits = &self.limits().door;
        // Set anew for each connection of a socket.
        let watch = Watch::new(limits, None, CancellationToken::new());
        Ok(Front { routes: self.routes()?, ledger: self.clone(), door, watch })
    }

    fn routes(&self) -> Result<Routes, ServeError> {
        let most = self.limits().message_bytes_max;
        macro_rules! bounded {
            ($service:expr) => {
                $service.max_decoding_message_size(most).max_encoding_message_size(most)
            };
        }
        let ledger = || self.clone();
        let cases = v1::case_ledger_server::CaseLedgerServer::new(CaseLedgerRpc(ledger()));
        let accounts = v1::accounts_server::AccountsServer::new(AccountsRpc(ledger()));
        let billing = v1::billing_server::BillingServer::new(BillingRpc(ledger()));
        let books = v1::books_server::BooksServer::new(BooksRpc(ledger()));
        let privacy = v1::privacy_server::PrivacyServer::new(PrivacyRpc(ledger()));
        let firm =
            v1::administration_server::AdministrationServer::new(AdministrationRpc(ledger()));
        let audit = v1::audit_server::AuditServer::new(AuditRpc(ledger()));
        let evidence = v1::evidence_server::EvidenceServer::new(EvidenceRpc(ledger()));
        let (health_reporter, health) = tonic_health::server::health_reporter();
        self.report_health(health_reporter);
        let reflection = || {
            tonic_reflection::server::Builder::configure()
                .register_encoded_file_descriptor_set(api::FILE_DESCRIPTOR_SET)
                .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
        };
        let small = self.limits().door.open_request_bytes_max;
        Ok(Routes::new(bounded!(cases))
            .add_service(bounded!(accounts))
            .add_service(bounded!(billing))
            .add_service(bounded!(books))
            .add_service(bounded!(firm))
            .add_service(bounded!(privacy))
            .add_service(bounded!(audit))
            .add_service(bounded!(evidence))
            .add_service(health.max_decoding_message_size(small))
            .add_service(reflection().build_v1()?.max_decoding_message_size(small))
            .add_service(reflection().build_v1alpha()?.max_decoding_message_size(small))
            .prepare())
    }

    /// Serving until the shutdown begins: whoever balances load then sends nothing more.
    fn report_health(&self, reporter: tonic_health::server::HealthReporter) {
        let closing = self.closing().clone();
        self.spawn(async move {
            use tonic_health::ServingStatus::{NotServing, Serving};
            for service in HEALTH_SERVICES {
                reporter.set_service_status(*service, Serving).await;
            }
            closing.cancelled().await;
            for service in HEALTH_SERVICES {
                reporter.set_service_status(*service, NotServing).await;
            }
        });
    }
}

/// A socket on which so many may wait to be taken, if the system allows that: who finds no place among them
/// tries again a second later.
fn listen(at: SocketAddr) -> std::io::Result<TcpListener> {
    let socket = if at.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    // As the standard library does: a port is free again as soon as nobody listens on it.
    #[cfg(unix)]
    socket.set_reuseaddr(true)?;
    socket.bind(at)?;
    socket.listen(CONNECTIONS_WAITING)
}

/// The names that health is told under; the empty one is the whole server.
const HEALTH_SERVICES: &[&str] = &[
    "",
    "counterfoil.v1.CaseLedger",
    "counterfoil.v1.Accounts",
    "counterfoil.v1.Billing",
    "counterfoil.v1.Books",
    "counterfoil.v1.Administration",
    "counterfoil.v1.Privacy",
    "counterfoil.v1.Audit",
    "counterfoil.v1.Evidence",
];
