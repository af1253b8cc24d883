//! The way in: what stands between a socket and a call.
//!
//! Everything that a stranger can hold is bounded here in number, size and time: connections in all and
//! for each address, the TLS handshake, the preface of HTTP/2, headers, frames that ask for nothing,
//! calls without a token, answers that nobody reads, and connections on which nothing happens. What the
//! transport cannot be told is seen by looking at the frames as they pass. A caller in this process
//! comes in the same way, and is expected of nothing.

mod call;
mod connections;
mod frames;
mod messages;
mod pace;
mod room;
mod tls;
mod watch;

use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use futures::FutureExt as _;
use futures::future::Either;
use hyper::Version;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::conn::auto;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tonic::body::Body;
use tonic::transport::server::TcpConnectInfo;

pub(crate) use call::{Call, Given, Patience, Received, Stay};
pub(crate) use connections::Connections;
pub(crate) use messages::{Counted, Meter};
pub(crate) use room::{Place, Room};
pub(crate) use watch::Watch;

use crate::config::{CONNECTION_STREAMS_MAX, TlsFiles};
use crate::front::Front;
use crate::server::ServeError;
use call::Calls;
use connections::Reason;
use watch::{Verdict, Watched};

/// How often an idle connection is asked whether it is still there.
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(30);
/// HTTP/2 windows: a bulk stream should not wait for window updates on every few messages.
pub(crate) const STREAM_WINDOW_BYTES: u32 = 1 << 20;
pub(crate) const CONNECTION_WINDOW_BYTES: u32 = 4 << 20;
/// Most bytes of one answer that wait in the transport for its caller.
const SEND_BUFFER_BYTES: usize = 128 << 10;
/// Most bytes of the headers of a call over HTTP/1.1, and of a body that wait to be read.
const HTTP_1_BUFFER_BYTES: usize = 64 << 10;
/// Streams that a caller may begin and take back before they are looked at (CVE-2023-44487), and
/// streams that it may break by its own errors.
const RESET_STREAMS_MAX: usize = 128;
/// How often a connection is looked at.
const LOOK_INTERVAL: Duration = Duration::from_millis(200);
/// How long a connection that was told to go may take with what it has begun, or with its farewell.
const FAREWELL_MAX: Duration = Duration::from_secs(2);
/// How long the transport may take to end once no byte is let through.
const CUT_MAX: Duration = Duration::from_millis(100);
/// The first pause after a connection that could not be taken, and the longest.
const ACCEPT_DELAY: Duration = Duration::from_millis(20);
const ACCEPT_DELAY_MAX: Duration = Duration::from_secs(1);
/// How often it is told that connections cannot be taken.
const ACCEPT_TOLD_EVERY: Duration = Duration::from_secs(10);

/// Takes connections until the service closes.
pub(crate) async fn accept(listener: TcpListener, tls: Option<TlsAcceptor>, front: Front) {
    let connections = Arc::clone(front.ledger.connections());
    let mut failing = Failing::default();
    loop {
        let taken = tokio::select! {
            biased;
            () = front.ledger.closing().cancelled() => return,
            taken = listener.accept() => taken,
        };
        match taken {
            Ok((stream, address)) => {
                failing.delay = Duration::ZERO;
                let told_to_go = CancellationToken::new();
                match connections.enter(address.ip(), told_to_go.clone()) {
                    Ok(entry) => {
                        let limits = &front.ledger.limits().door;
                        let watch = Watch::new(limits, Some(entry), told_to_go);
                        let ledger = front.ledger.clone();
                        // It hears of the end itself.
                        let tls = tls.clone();
                        ledger.tasks().spawn(connection(stream, address, tls, front.of(watch)));
                    }
                    // Nothing is said to whoever comes too often: that would take time and a buffer.
                    Err(reason) => connections.count(reason),
                }
            }
            Err(error) => {
                connections.not_accepted.fetch_add(1, Ordering::Relaxed);
                failing.wait(&error, &connections).await;
            }
        }
    }
}

/// Connections that cannot be taken, as at the limit of open files.
#[derive(Default)]
struct Failing {
    delay: Duration,
    told_at: Option<Instant>,
}

impl Failing {
    /// Lets a stranger go, whose file the next one may have, and waits longer each time.
    async fn wait(&mut self, error: &io::Error, connections: &Connections) {
        if is_of_the_caller(error) {
            return;
        }
        if self.told_at.is_none_or(|at| at.elapsed() >= ACCEPT_TOLD_EVERY) {
            let open = connections.open();
            tracing::error!(%error, open, "connections cannot be taken");
            self.told_at = Some(Instant::now());
        }
        connections.make_room();
        self.delay = (self.delay * 2).clamp(ACCEPT_DELAY, ACCEPT_DELAY_MAX);
        sleep(self.delay).await;
    }
}

/// Whether only the one connection that was to be taken is concerned.
fn is_of_the_caller(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionReset, Interrupted, WouldBlock};
    [ConnectionAborted, ConnectionReset, Interrupted, WouldBlock].contains(&error.kind())
}

/// Agrees on TLS if it is spoken here, and serves.
async fn connection(
    stream: TcpStream,
    address: SocketAddr,
    tls: Option<TlsAcceptor>,
    front: Front,
) {
    let from = TcpConnectInfo { local_addr: None, remote_addr: Some(address) };
    // An answer in many small packets is slow, and no answer is worth ending a connection for.
    let _ = stream.set_nodelay(true);
    let Some(tls) = tls else { return serve(stream, from, front).await };
    let handshake_max = front.ledger.limits().door.handshake_max;
    let agreed = tokio::select! {
        biased;
        () = front.watch.told_to_go.cancelled() => return front.watch.count(Reason::Room),
        () = front.ledger.closing().cancelled() => return,
        agreed = timeout(handshake_max, tls.accept(stream)) => agreed,
    };
    match agreed {
        Ok(Ok(stream)) => serve(stream, from, front).await,
        Ok(Err(_)) | Err(_) => front.watch.count(Reason::Handshake),
    }
}

/// Serves one connection until it ends, has to go, or the service ends.
pub(crate) async fn serve<T>(io: T, from: TcpConnectInfo, front: Front)
where
    T: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (ledger, watch) = (front.ledger.clone(), Arc::clone(&front.watch));
    let limits = ledger.limits().door.clone();
    let calls = Calls { ledger: ledger.clone(), watch: Arc::clone(&watch) };
    let of_http1 = calls.clone();
    let answer = service_fn(move |request: hyper::Request<hyper::body::Incoming>| {
        let (front, from) = (front.clone(), from.clone());
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(from);
        // Of HTTP/2 the transport gives each call to its executor, of HTTP/1.1 none.
        if request.version() >= Version::HTTP_2 {
            Either::Left(front.answer(request).map(Ok))
        } else {
            let answered = of_http1.run(front.answer(request));
            let or_ended =
                |answer: Option<_>| answer.ok_or(io::Error::from(io::ErrorKind::ConnectionAborted));
            Either::Right(answered.map(or_ended).boxed())
        }
    });
    let io = TokioIo::new(Watched::new(io, Arc::clone(&watch)));
    let mut transport = auto::Builder::new(calls);
    transport
        .http1()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.headers_max)
        .max_buf_size(HTTP_1_BUFFER_BYTES);
    transport
        .http2()
        .timer(TokioTimer::new())
        .max_concurrent_streams(CONNECTION_STREAMS_MAX)
        .initial_stream_window_size(STREAM_WINDOW_BYTES)
        .initial_connection_window_size(CONNECTION_WINDOW_BYTES)
        .max_send_buf_size(SEND_BUFFER_BYTES)
        .max_header_list_size(limits.header_list_bytes_max)
        .max_pending_accept_reset_streams(RESET_STREAMS_MAX)
        .max_local_error_reset_streams(RESET_STREAMS_MAX)
        .keep_alive_interval(KEEPALIVE_INTERVAL);
    let mut connection = pin!(transport.serve_connection(io, answer));
    let mut looks = interval(LOOK_INTERVAL);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut farewell: Option<Instant> = None;
    // Why it is closed, if its caller did not want that.
    let reason = loop {
        let over = farewell.is_some_and(|said| said.elapsed() > FAREWELL_MAX);
        tokio::select! {
            // The connection comes last: one that never rests must not keep the others from their turn.
            biased;
            () = watch.told_to_go.cancelled() => break Some(Reason::Room),
            () = ledger.ending().cancelled() => break None,
            () = ledger.closing().cancelled(), if farewell.is_none() => {
                connection.as_mut().graceful_shutdown();
                farewell = Some(Instant::now());
            }
            () = watch.next_look(&mut looks) => match watch.look() {
                Verdict::Closed(reason) => break Some(reason),
                Verdict::Stays | Verdict::Leaves(_) if over && watch.is_idle() => break None,
                Verdict::Stays => {}
                Verdict::Leaves(_) if over && !ledger.is_closing() => break None,
                Verdict::Leaves(reason) => {
                    if farewell.is_none() {
                        watch.count(reason);
                        connection.as_mut().graceful_shutdown();
                        farewell = Some(Instant::now());
                    }
                }
            },
            // What goes wrong with a connection is its caller's to notice.
            _ = &mut connection => return,
        }
    };
    if let Some(reason) = reason {
        watch.count(reason);
    }
    // Streams that are left hear of it from the transport, which has to end by itself for that.
    watch.cut();
    let _ = timeout(CUT_MAX, connection).await;
}

/// What is needed to speak TLS.
pub(crate) async fn tls(files: &TlsFiles) -> Result<TlsAcceptor, ServeError> {
    tls::acceptor(files).await
}
