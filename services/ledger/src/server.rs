//! Listening, and ending well.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use api::v1;
use futures::{StreamExt, stream};
use hyper_util::rt::TokioIo;
use tokio::io::DuplexStream;
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tonic::transport::server::{Router, TcpIncoming};
use tonic::transport::{Channel, Endpoint, Identity, Server, ServerTlsConfig, Uri};
use tower::service_fn;

use crate::accounts::AccountsRpc;
use crate::administration::AdministrationRpc;
use crate::audit::AuditRpc;
use crate::billing::BillingRpc;
use crate::books::BooksRpc;
use crate::case_ledger::CaseLedgerRpc;
use crate::config::{CONNECTION_STREAMS_MAX, ConfigError, ServerConfig};
use crate::evidence::EvidenceRpc;
use crate::front::{Door, FrontLayer};
use crate::ledger::Ledger;
use crate::privacy::PrivacyRpc;

/// How often an idle connection is asked whether it is still there.
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(30);
/// Bytes that the pipe to a caller in this process holds.
const PIPE_BYTES: usize = 1 << 20;
/// HTTP/2 windows: a bulk stream should not wait for window updates on every few messages.
const STREAM_WINDOW_BYTES: u32 = 1 << 20;
const CONNECTION_WINDOW_BYTES: u32 = 4 << 20;

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
    /// The transport refuses its set-up, such as a certificate that is none.
    #[error("the transport cannot be set up")]
    Transport(#[from] tonic::transport::Error),
    /// The contract's own descriptors cannot be served.
    #[error("reflection cannot be set up")]
    Reflection(#[from] tonic_reflection::server::Error),
}

type Layered = tower::layer::util::Stack<FrontLayer, tower::layer::util::Identity>;

/// A service that listens.
#[derive(Debug)]
pub struct Listening {
    /// Where it listens: the port it was given if it asked for any.
    pub local_addr: SocketAddr,
    task: JoinHandle<Result<(), tonic::transport::Error>>,
}

impl Listening {
    /// Waits until the service has ended, by [`Ledger::shutdown`] or by a fault of the transport.
    pub async fn ended(self) -> Result<(), ServeError> {
        // The task is never aborted from outside, and a panic in it has been reported.
        self.task.await.unwrap_or(Ok(())).map_err(ServeError::Transport)
    }
}

impl Ledger {
    /// Listens on a socket, where every caller needs a token.
    pub async fn serve(&self, config: &ServerConfig) -> Result<Listening, ServeError> {
        config.check()?;
        let mut server = Self::server();
        if let Some(files) = &config.tls {
            let certificate = read(&files.certificate).await?;
            let key = read_secret(&files.key).await?;
            server = server.tls_config(
                ServerTlsConfig::new().identity(Identity::from_pem(certificate, key)),
            )?;
        }
        let listener =
            TcpListener::bind(config.listen).await.and_then(|l| Ok((l.local_addr()?, l)));
        let (local_addr, listener) =
            listener.map_err(|source| ServeError::Listen { listen: config.listen, source })?;
        let incoming = TcpIncoming::from(listener).with_nodelay(Some(true));
        let router = self.router(server, Door::Wire)?;
        let closing = self.closing().clone().cancelled_owned();
        let task = self.tasks().spawn(router.serve_with_incoming_shutdown(incoming, closing));
        self.start_beside();
        tracing::info!(%local_addr, tls = config.tls.is_some(), "listening");
        Ok(Listening { local_addr, task })
    }

    /// A channel to this very service through a pipe that only this process holds. Its caller has
    /// every scope in any firm: it already holds the store.
    pub async fn connect_in_process(&self) -> Result<Channel, ServeError> {
        let (client, server) = tokio::io::duplex(PIPE_BYTES);
        let router = self.router(Self::server(), Door::Process)?;
        // A server whose incoming connections end shuts down, so they never do.
        let incoming = stream::once(async { Ok::<DuplexStream, std::io::Error>(server) })
            .chain(stream::pending());
        let closing = self.closing().clone().cancelled_owned();
        self.tasks().spawn(router.serve_with_incoming_shutdown(incoming, closing));
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

    /// Stops accepting, ends followers, lets every request in flight be answered, then drains the
    /// engine. Whether all of it was done within the deadline.
    pub async fn shutdown(&self) -> bool {
        let deadline = self.limits().drain_deadline;
        self.closing().cancel();
        self.tasks().close();
        let answered = tokio::time::timeout(deadline, self.tasks().wait()).await.is_ok();
        let drained = self.engine().shutdown(deadline).await;
        answered && drained
    }

    fn server() -> Server {
        Server::builder()
            .max_concurrent_streams(CONNECTION_STREAMS_MAX)
            .initial_stream_window_size(STREAM_WINDOW_BYTES)
            .initial_connection_window_size(CONNECTION_WINDOW_BYTES)
            .http2_keepalive_interval(Some(KEEPALIVE_INTERVAL))
    }

    fn router(&self, server: Server, door: Door) -> Result<Router<Layered>, ServeError> {
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
        Ok(server
            .layer(FrontLayer { ledger: self.clone(), door })
            .add_service(bounded!(cases))
            .add_service(bounded!(accounts))
            .add_service(bounded!(billing))
            .add_service(bounded!(books))
            .add_service(bounded!(firm))
            .add_service(bounded!(privacy))
            .add_service(bounded!(audit))
            .add_service(bounded!(evidence))
            .add_service(health)
            .add_service(reflection().build_v1()?)
            .add_service(reflection().build_v1alpha()?))
    }

    /// Serving until the shutdown begins: whoever balances load then sends nothing more.
    fn report_health(&self, reporter: tonic_health::server::HealthReporter) {
        let closing = self.closing().clone();
        self.tasks().spawn(async move {
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

async fn read(path: &std::path::Path) -> Result<Vec<u8>, ServeError> {
    tokio::fs::read(path).await.map_err(|source| ServeError::Tls { path: path.into(), source })
}

/// The private key, which nobody else may read.
async fn read_secret(path: &std::path::Path) -> Result<Vec<u8>, ServeError> {
    let failed = |source| ServeError::Tls { path: path.into(), source };
    let opened = std::fs::File::open(path).map_err(failed)?;
    if vault::source::is_exposed(&opened).map_err(failed)? {
        let rule = "others may read this private key; chmod 600 it, or 640 if it is root's";
        return Err(failed(std::io::Error::new(std::io::ErrorKind::PermissionDenied, rule)));
    }
    let mut key = Vec::new();
    let mut opened = tokio::fs::File::from_std(opened);
    tokio::io::AsyncReadExt::read_to_end(&mut opened, &mut key).await.map_err(failed)?;
    Ok(key)
}
