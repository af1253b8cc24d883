//! What stands before every handler, outermost first: trace, shed, timeout, authenticate, authorise.

use std::convert::Infallible;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::time::Instant;
use tonic::body::Body;
use tonic::codegen::http::{HeaderMap, Request, Response, header::AUTHORIZATION};
use tonic::transport::server::{TcpConnectInfo, TlsConnectInfo};
use tonic::{Code, Status};
use tower::{Layer, Service};
use tracing::Instrument;

use crate::access::table::{self, Rpc};
use crate::access::{Authority, Caller, Claim, Grant, LoginRefused, lasting, token_over};
use crate::ledger::Ledger;
use crate::telemetry;
use api::status::{Failure, unreadable};
use domain::event::LookKind;

/// How long a token that is not let in waits for its answer: many times what looking it up takes.
const REFUSED_AFTER: Duration = Duration::from_millis(50);

/// Where a connection came from. It is a property of the listener, so no request can claim it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Door {
    /// A socket: every caller needs a token.
    Wire,
    /// A pipe made inside this process.
    Process,
}

/// Puts the front before the services.
#[derive(Clone)]
pub(crate) struct FrontLayer {
    pub(crate) ledger: Ledger,
    pub(crate) door: Door,
}

impl<S> Layer<S> for FrontLayer {
    type Service = Front<S>;
    fn layer(&self, inner: S) -> Front<S> {
        Front { inner, ledger: self.ledger.clone(), door: self.door }
    }
}

/// The services behind the front.
#[derive(Clone)]
pub(crate) struct Front<S> {
    inner: S,
    ledger: Ledger,
    door: Door,
}

type Answer = Pin<Box<dyn Future<Output = Result<Response<Body>, Infallible>> + Send>>;

impl<S> Service<Request<Body>> for Front<S>
where
    S: Service<Request<Body>, Response = Response<Body>, Error = Infallible>
        + Clone
        + Send
        + 'static,
    S::Future: Send,
{
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Answer;

    fn poll_ready(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        self.inner.poll_ready(context)
    }

    fn call(&mut self, request: Request<Body>) -> Answer {
        let waiting = self.inner.clone();
        // The one that was polled ready is the one to call.
        let ready = Front { inner: std::mem::replace(&mut self.inner, waiting), ..self.clone() };
        Box::pin(async move { Ok(ready.trace(request).await) })
    }
}

impl<S> Front<S>
where
    S: Service<Request<Body>, Response = Response<Body>, Error = Infallible>,
{
    async fn trace(self, request: Request<Body>) -> Response<Body> {
        let started = Instant::now();
        let begun = self.ledger.metrics().requests.begin(request.uri().path());
        let span = telemetry::span(request.uri().path());
        telemetry::join(&span, request.headers());
        async {
            let response = match self.shed(request).await {
                Ok(response) => response,
                Err(status) => status.into_http(),
            };
            let code = Status::from_header_map(response.headers()).map_or(Code::Ok, |s| s.code());
            telemetry::ended(code, started.elapsed());
            begun.answered(response)
        }
        .instrument(span)
        .await
    }

    /// Turns away what is too much at once, rather than let it wait for its deadline.
    async fn shed(self, request: Request<Body>) -> Result<Response<Body>, Status> {
        if self.ledger.is_closing() {
            return Err(Failure::ShuttingDown.into());
        }
        let slot = Arc::clone(self.ledger.slots()).try_acquire_owned();
        let slot = slot.map_err(|_| {
            self.ledger.metrics().requests.shed.fetch_add(1, Ordering::Relaxed);
            Failure::Overloaded
        })?;
        let response = self.timeout(request).await;
        drop(slot);
        response
    }

    async fn timeout(self, request: Request<Body>) -> Result<Response<Body>, Status> {
        let limits = self.ledger.limits();
        let asked = asked_timeout(request.headers()).unwrap_or(limits.request_timeout);
        let timeout = asked.min(limits.request_timeout_max);
        tokio::time::timeout(timeout, self.authenticate(request))
            .await
            .unwrap_or_else(|_| Err(Failure::DeadlineExceeded.into()))
    }

    async fn authenticate(self, mut request: Request<Body>) -> Result<Response<Body>, Status> {
        let rpc = table::rpc(request.uri().path());
        let authority = match (rpc, self.door) {
            (Rpc::Open | Rpc::Unknown, _) => return Ok(self.handle(request).await),
            (Rpc::Scoped(_), Door::Process) => Authority::Local,
            (Rpc::Scoped(_), Door::Wire) => {
                let header =
                    request.headers().get(AUTHORIZATION).and_then(|value| value.to_str().ok());
                let grant = log_in(&self.ledger, header, peer_of(&request)).await?;
                tracing::Span::current().record("access", tracing::field::display(grant.access));
                Authority::Token(Arc::new(grant))
            }
        };
        request.headers_mut().remove(AUTHORIZATION);
        let path = request.uri().path().to_owned();
        authorise(rpc, &authority, &path)?;
        request.extensions_mut().insert(authority.clone());
        let ledger = self.ledger.clone();
        let mut over = token_over(&ledger, &authority);
        let response = tokio::select! {
            biased;
            response = self.handle(request) => response,
            failure = &mut over => return Err(failure.into()),
        };
        if let Authority::Token(grant) = &authority
            && grant.is_examiner()
            // An export puts itself on record, with what it took along.
            && !path.ends_with("/ExportBundle")
            && Status::from_header_map(response.headers()).is_none_or(|s| s.code() == Code::Ok)
        {
            // Whoever examines sees nothing that is not on record as seen.
            ledger.note_look(&authority, grant.firm, LookKind::Read, &path, grant.seen()).await?;
        }
        Ok(lasting(response, over))
    }

    async fn handle(mut self, request: Request<Body>) -> Response<Body> {
        let response = match self.inner.call(request).await {
            Ok(response) => response,
            Err(never) => match never {},
        };
        // Of its own statuses the service gives each with details. One without is the transport's, which
        // turns away before any handler what is too large or no message.
        let status = Status::from_header_map(response.headers());
        match status.filter(|status| status.details().is_empty()) {
            Some(status) if status.code() == Code::OutOfRange => {
                Status::from(self.ledger.message_too_large()).into_http()
            }
            Some(status) => match unreadable(&status) {
                Some(failure) => Status::from(failure).into_http(),
                None => response,
            },
            None => response,
        }
    }
}

/// Who a caller on the wire is. Who is refused is not told why; the operator is. A refusal takes the same time for
/// a firm that is there and one that is not, for a token that never was and one that was taken back: how long
/// it took to look tells nothing.
async fn log_in(
    ledger: &Ledger,
    header: Option<&str>,
    peer: Option<SocketAddr>,
) -> Result<Grant, Failure> {
    let told_at = Instant::now() + REFUSED_AFTER;
    let claim = header.and_then(Claim::from_header);
    let admitted = match &claim {
        Some(claim) => ledger.firms().admit(claim, peer, ledger.now()).await?,
        None => Err(LoginRefused::NoToken),
    };
    match admitted {
        Ok(grant) => Ok(grant),
        Err(reason) => {
            let (firm, access) = (claim.map(|claim| claim.firm), claim.map(|claim| claim.access));
            ledger.metrics().logins.refused(reason, Caller { peer, firm, access });
            if claim.is_some() {
                tokio::time::sleep_until(told_at).await;
            }
            Err(Failure::Unauthenticated)
        }
    }
}

/// The other end of a connection, which no request can claim.
fn peer_of(request: &Request<Body>) -> Option<SocketAddr> {
    let plain = request.extensions().get::<TcpConnectInfo>();
    let tls = request.extensions().get::<TlsConnectInfo<TcpConnectInfo>>();
    plain.or_else(|| tls.map(TlsConnectInfo::get_ref)).and_then(TcpConnectInfo::remote_addr)
}

/// Whether a caller has a scope for the RPC; whether the resource is of the caller's firm, only the
/// handler can see.
fn authorise(rpc: Rpc, authority: &Authority, path: &str) -> Result<(), Failure> {
    match rpc {
        Rpc::Open => Ok(()),
        Rpc::Scoped(_) if !table::is_open_within(authority.bounds(), path) => {
            tracing::warn!(path, "denied: the token is bound to less than this shows");
            Err(Failure::PermissionDenied { scope: None })
        }
        Rpc::Scoped(scopes) if authority.has_any(scopes) => Ok(()),
        Rpc::Scoped(scopes) => {
            tracing::warn!(path, "denied: the token has no scope for this");
            Err(Failure::PermissionDenied { scope: scopes.first().map(|scope| scope.code()) })
        }
        Rpc::Unknown => Err(Failure::PermissionDenied { scope: None }),
    }
}

/// What the caller's `grpc-timeout` says: at most eight digits and a unit (gRPC over HTTP/2).
fn asked_timeout(headers: &HeaderMap) -> Option<Duration> {
    const DIGITS_MAX: usize = 8;
    let text = headers.get("grpc-timeout")?.to_str().ok()?;
    let (digits, unit) = text.split_at_checked(text.len().checked_sub(1)?)?;
    if digits.is_empty() || digits.len() > DIGITS_MAX {
        return None;
    }
    let number: u64 = digits.parse().ok()?;
    match unit {
        "H" => Some(Duration::from_secs(number * 3_600)),
        "M" => Some(Duration::from_secs(number * 60)),
        "S" => Some(Duration::from_secs(number)),
        "m" => Some(Duration::from_millis(number)),
        "u" => Some(Duration::from_micros(number)),
        "n" => Some(Duration::from_nanos(number)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn timeouts_are_read_as_grpc_writes_them() {
        // gRPC over HTTP/2, "Timeout": TimeoutValue TimeoutUnit, at most eight digits.
        let read = |text: &str| {
            let mut headers = HeaderMap::new();
            headers.insert("grpc-timeout", text.parse().unwrap());
            asked_timeout(&headers)
        };
        assert_eq!(read("1H"), Some(Duration::from_hours(1)));
        assert_eq!(read("250m"), Some(Duration::from_millis(250)));
        assert_eq!(read("99999999n"), Some(Duration::from_nanos(99_999_999)));
        for wrong in ["", "S", "1", "123456789S", "-1S", "1s", "1.5S"] {
            assert_eq!(read(wrong), None, "{wrong:?}");
        }
    }
}
