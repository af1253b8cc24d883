//! The port that the figures are read from: HTTP/1.1, `GET /metrics`, and nothing else.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::time::Duration;

use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ALLOW, CONTENT_TYPE, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

use super::text;
use crate::config::MetricsConfig;
use crate::door::{Place, Room};
use crate::ledger::Ledger;
use crate::server::ServeError;

const PATH: &str = "/metrics";
const OPEN_METRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");
/// Most callers at once; the one that came first makes room for the next.
const CONNECTIONS_MAX: usize = 8;
/// How long a caller may take for what it asks, and may wait before it asks again.
const REQUEST_MAX: Duration = Duration::from_secs(5);
/// How long a connection may last, whatever is asked on it: callers of every few seconds come again.
const CONNECTION_MAX: Duration = Duration::from_mins(1);
/// Most bytes of a request line and its headers.
const REQUEST_BYTES_MAX: usize = 16 << 10;
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
        self.spawn(async move {
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
    let room = Room::new(CONNECTIONS_MAX);
    loop {
        match listener.accept().await {
            Ok((stream, address)) => {
                let told_to_go = CancellationToken::new();
                let place = room.enter(Some(address.ip()), told_to_go.clone());
                ledger.spawn(connection(ledger.clone(), stream, told_to_go, place));
            }
            Err(error) => {
                tracing::warn!(%error, "a caller for metrics was not let in");
                tokio::time::sleep(ACCEPT_RETRY_DELAY).await;
            }
        }
    }
}

/// One caller, until it leaves, has been here long enough, makes room, or the service closes.
async fn connection(
    ledger: Ledger,
    stream: TcpStream,
    told_to_go: CancellationToken,
    _place: Place,
) {
    let closing = ledger.closing().clone();
    let answer = service_fn(move |request| answer(ledger.clone(), request));
    let mut server = http1::Builder::new();
    server
        .timer(TokioTimer::new())
        .header_read_timeout(REQUEST_MAX)
        .max_buf_size(REQUEST_BYTES_MAX);
    let serving = server.serve_connection(TokioIo::new(stream), answer);
    tokio::select! {
        () = closing.cancelled() => {}
        () = told_to_go.cancelled() => {}
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
