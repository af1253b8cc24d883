//! The port that the figures are read from: HTTP/1.1, `GET /metrics`, and nothing else.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ALLOW, CONTENT_TYPE, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

use super::text;
use crate::config::MetricsConfig;
use crate::ledger::Ledger;
use crate::server::ServeError;

const PATH: &str = "/metrics";
const OPEN_METRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");
/// Most callers at once; the next one waits to be let in.
const CONNECTIONS_MAX: usize = 8;
/// How long a caller may take for what it asks.
const REQUEST_MAX: Duration = Duration::from_secs(5);
/// How long a connection may last: callers of every few seconds come again.
const CONNECTION_MAX: Duration = Duration::from_mins(2);
/// Pause after a connection that could not be taken, as when there are too many files open.
const ACCEPT_RETRY_DELAY: Duration = Duration::from_millis(200);

impl Ledger {
    /// Shows the service's figures to Prometheus on a port of their own until the service closes,
    /// and says which port. There is no token and no TLS on it.
    pub async fn serve_metrics(&self, config: &MetricsConfig) -> Result<SocketAddr, ServeError> {
        config.check()?;
        let listener =
            TcpListener::bind(config.listen).await.and_then(|l| Ok((l.local_addr()?, l)));
        let (local_addr, listener) =
            listener.map_err(|source| ServeError::Listen { listen: config.listen, source })?;
        let ledger = self.clone();
        self.tasks().spawn(async move {
            tokio::select! {
                () = ledger.closing().cancelled() => {}
                () = accept(&ledger, listener) => {}
            }
        });
        tracing::info!(%local_addr, "metrics");
        Ok(local_addr)
    }
}

async fn accept(ledger: &Ledger, listener: TcpListener) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let ledger = ledger.clone();
                tokio::spawn(async move {
                    connection(ledger, stream).await;
                    drop(place);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "a caller for metrics was not let in");
                tokio::time::sleep(ACCEPT_RETRY_DELAY).await;
            }
        }
    }
}

/// One caller, until it leaves, has been here long enough, or the service closes.
async fn connection(ledger: Ledger, stream: TcpStream) {
    let closing = ledger.closing().clone();
    let answer = service_fn(move |request| answer(ledger.clone(), request));
    let mut server = http1::Builder::new();
    server.timer(TokioTimer::new()).header_read_timeout(REQUEST_MAX);
    let serving = server.serve_connection(TokioIo::new(stream), answer);
    tokio::select! {
        () = closing.cancelled() => {}
        // What goes wrong with a connection is its caller's to notice.
        _ = tokio::time::timeout(CONNECTION_MAX, serving) => {}
    }
}

async fn answer(
    ledger: Ledger,
    request: Request<Incoming>,
) -> Result<Response<Full<Bytes>>, Infallible> {
    let mut response = Response::new(Full::default());
    if request.uri().path() != PATH {
        *response.status_mut() = StatusCode::NOT_FOUND;
    } else if request.method() != Method::GET {
        *response.status_mut() = StatusCode::METHOD_NOT_ALLOWED;
        response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET"));
    } else if let Ok(text) = text::render(&ledger).await {
        *response.body_mut() = Full::new(text.into());
        response.headers_mut().insert(CONTENT_TYPE, OPEN_METRICS);
    } else {
        *response.status_mut() = StatusCode::INTERNAL_SERVER_ERROR;
    }
    Ok(response)
}
