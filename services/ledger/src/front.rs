//! What stands before every handler. A call that needs a token is let in by it before it takes a place
//! of those that work; one that needs none has places, a size and a time of its own. So nobody without
//! a token keeps anybody with one from being served, and what is asked of health and of reflection
//! stands in nobody's way.

use std::collections::HashSet;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use futures::FutureExt as _;
use futures::future::Either;
use tokio::sync::{Mutex, OwnedSemaphorePermit};
use tokio::time::{Instant, timeout};
use tonic::body::Body;
use tonic::codegen::http::{HeaderMap, Method, Request, Response, header::AUTHORIZATION};
use tonic::service::Routes;
use tonic::transport::server::TcpConnectInfo;
use tonic::{Code, Status};
use tower::Service as _;
use tracing::Instrument;

use crate::access::table::{self, Rpc};
use crate::access::{Authority, Caller, Claim, Grant, LoginRefused, lasting, token_over};
use crate::config::DoorLimits;
use crate::connect::{self, Spoken};
use crate::door::{Call, Counted, Given, Meter, Patience, Received, Room, Stay, Watch};
use crate::ledger::Ledger;
use crate::quota::{self, Kind};
use crate::telemetry;
use api::status::{Failure, unreadable};
use domain::event::LookKind;
use domain::ids::FirmId;

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

/// Places of callers who need no token, or whose token is not known yet.
pub(crate) struct Rooms {
    health_checks: Arc<Room>,
    health_watches: Arc<Room>,
    reflections: Arc<Room>,
    registered: Mutex<Registered>,
}

/// The firms that there are, as of a moment.
#[derive(Default)]
struct Registered {
    read_at: Option<Instant>,
    firms: HashSet<FirmId>,
}

impl Rooms {
    pub(crate) fn new(limits: &DoorLimits) -> Self {
        Self {
            health_checks: Room::new(limits.health_checks_at_once),
            health_watches: Room::new(limits.health_watches_at_once),
            reflections: Room::new(limits.reflections_at_once),
            registered: Mutex::default(),
        }
    }

    /// Whether there is a firm. All who ask while it is looked up are answered by the next look, so that
    /// callers may make up any number of firms for the price of one.
    async fn is_registered(&self, ledger: &Ledger, firm: FirmId) -> Result<bool, Failure> {
        let asked = Instant::now();
        let mut registered = self.registered.lock().await;
        if registered.read_at.is_none_or(|read_at| read_at < asked) {
            let read_at = Instant::now();
            registered.firms = ledger.store().firms().await?.into_iter().collect();
            registered.read_at = Some(read_at);
        }
        Ok(registered.firms.contains(&firm))
    }

    /// The room for an open path, and how long a call may be in it.
    fn of(&self, path: &str, limits: &DoorLimits) -> Option<(&Arc<Room>, Duration)> {
        match path {
            "/grpc.health.v1.Health/Check" => Some((&self.health_checks, limits.open_call_max)),
            "/grpc.health.v1.Health/Watch" => Some((&self.health_watches, limits.health_watch_max)),
            _ if path.ends_with("/ServerReflectionInfo") => {
                Some((&self.reflections, limits.open_call_max))
            }
            _ => None,
        }
    }
}

/// What a call holds until its answer has been taken.
#[derive(Default)]
struct Holds {
    _slot: Option<OwnedSemaphorePermit>,
    _of_requests: Option<quota::Held>,
    _of_kind: Option<Arc<quota::Held>>,
    _bytes: Option<Arc<std::sync::Mutex<quota::Held>>>,
}

/// The services behind the front, for one connection.
#[derive(Clone)]
pub(crate) struct Front {
    pub(crate) routes: Routes,
    pub(crate) ledger: Ledger,
    pub(crate) door: Door,
    pub(crate) watch: Arc<Watch>,
}

impl Front {
    /// The same for another connection.
    pub(crate) fn of(&self, watch: Arc<Watch>) -> Self {
        Self { watch, ..self.clone() }
    }

    /// Answers a call.
    pub(crate) fn answer(
        self,
        request: Request<Body>,
    ) -> impl Future<Output = Response<Body>> + Send {
        // What a call takes while it waits is multiplied by all that a stranger may begin: that of gRPC has
        // nothing around it, and the others are in boxes.
        let spoken = if request.method() == Method::POST {
            connect::heard(request)
        } else {
            Spoken::Neither(connect::not_posted())
        };
        match spoken {
            Spoken::Grpc(request) => Either::Left(self.called(request)),
            Spoken::Json(request, method) => {
                let answer =
                    async move { connect::told(self.called(request).await, &method).await };
                Either::Right(answer.boxed())
            }
            Spoken::Neither(response) => {
                self.watch.is_unasked();
                Either::Right(std::future::ready(response).boxed())
            }
        }
    }

    /// Answers a call as gRPC.
    async fn called(self, request: Request<Body>) -> Response<Body> {
        let started = Instant::now();
        let begun = self.ledger.metrics().requests.begin(request.uri().path());
        let span = telemetry::span(request.uri().path());
        telemetry::join(&span, request.headers());
        async {
            let (response, holds) = match self.admit(request).await {
                Ok(admitted) => admitted,
                Err(status) => (status.into_http(), Holds::default()),
            };
            let code = Status::from_header_map(response.headers()).map_or(Code::Ok, |s| s.code());
            telemetry::ended(code, started.elapsed());
            let answer = begun.answered(response);
            answer.map(|body| Body::new(Given::new(body, Call::current(), holds)))
        }
        .instrument(span)
        .await
    }

    async fn admit(self, request: Request<Body>) -> Result<(Response<Body>, Holds), Status> {
        if self.ledger.is_closing() {
            return Err(Failure::ShuttingDown.into());
        }
        match (table::rpc(request.uri().path()), self.door) {
            // In boxes, since every call takes the room of its largest part, and most of those of
            // strangers end before any.
            (Rpc::Open, Door::Wire) => Box::pin(self.open(request)).await,
            (Rpc::Open | Rpc::Unknown, _) => Ok(Box::pin(self.unasked(request)).await),
            (Rpc::Scoped(_), _) => {
                let peer = peer_of(&request);
                let authority = match Box::pin(self.authenticate(request.headers(), peer)).await {
                    Ok(authority) => authority,
                    Err(failure) => {
                        self.watch.is_unasked();
                        return Err(failure.into());
                    }
                };
                self.watch.is_known(&authority, self.ledger.quotas());
                Box::pin(self.work(request, authority)).await
            }
        }
    }

    /// Answers whoever needs no token: strangers in a room of their own, where one is ended for the next,
    /// and who came with a token within what that may have going on.
    async fn open(self, request: Request<Body>) -> Result<(Response<Body>, Holds), Status> {
        let limits = &self.ledger.limits().door;
        let rooms = self.ledger.rooms();
        let Some((room, time)) = rooms.of(request.uri().path(), limits) else {
            return Ok(self.unasked(request).await);
        };
        self.watch.is_unasked();
        let call = Call::current();
        let held = match self.watch.authority() {
            Some(authority) => self.ledger.quotas().hold(Kind::Open, &authority)?,
            None => None,
        };
        let place = || room.enter(self.watch.address(), call.told_to_go.clone());
        call.stays(held.map_or_else(|| Stay::Place(place()), Stay::Counted));
        call.ends_in(time);
        // Its time ends the call as a whole; a body that ended before it would leave half an answer.
        let idle = 2 * time;
        let patience =
            Patience { idle, whole_by: None, bytes_max: Some(limits.open_request_bytes_max) };
        let request = request.map(|body| Body::new(Received::new(body, patience, &call)));
        Ok((self.handle(request).await, Holds::default()))
    }

    /// Answers what there is no RPC for, without reading what comes with it.
    async fn unasked(self, request: Request<Body>) -> (Response<Body>, Holds) {
        self.watch.is_unasked();
        let request = request.map(|_| Body::empty());
        (self.handle(request).await, Holds::default())
    }

    /// Who calls. Nothing of those who work is taken for finding that out.
    async fn authenticate(
        &self,
        headers: &HeaderMap,
        peer: Option<SocketAddr>,
    ) -> Result<Authority, Failure> {
        if self.door == Door::Process {
            return Ok(Authority::Local);
        }
        let header = headers.get(AUTHORIZATION).and_then(|value| value.to_str().ok());
        let most = self.ledger.limits().door.open_call_max;
        let admitted = timeout(most, log_in(&self.ledger, header, peer)).await;
        let grant = admitted.map_err(|_| Failure::Overloaded)??;
        tracing::Span::current().record("access", tracing::field::display(grant.access));
        Ok(Authority::Token(Arc::new(grant)))
    }

    /// Works for a caller. What is too much at once is turned away, rather than left to wait for its
    /// deadline.
    async fn work(
        self,
        mut request: Request<Body>,
        authority: Authority,
    ) -> Result<(Response<Body>, Holds), Status> {
        request.headers_mut().remove(AUTHORIZATION);
        let path = request.uri().path().to_owned();
        authorise(table::rpc(&path), &authority, &path)?;
        let kind = Kind::of(&path);
        let quotas = self.ledger.quotas();
        let of_kind = kind.map(|kind| quotas.hold(kind, &authority)).transpose()?.flatten();
        let of_kind = of_kind.map(Arc::new);
        if let Some(of_kind) = &of_kind {
            request.extensions_mut().insert(Arc::clone(of_kind));
        }
        let of_requests = quotas.hold(Kind::Request, &authority)?;
        let slot = Arc::clone(self.ledger.slots()).try_acquire_owned();
        let slot = slot.map_err(|_| {
            self.ledger.metrics().requests.shed.fetch_add(1, Ordering::Relaxed);
            Failure::Overloaded
        })?;
        let limits = self.ledger.limits();
        let asked = asked_timeout(request.headers()).unwrap_or(limits.request_timeout);
        let mut most = asked.min(limits.request_timeout_max);
        let mut bytes = None;
        if self.door == Door::Wire {
            let ends = kind != Some(Kind::RecordStream);
            let idle = if ends { limits.door.body_idle_max } else { limits.door.stream_idle_max };
            let document = kind == Some(Kind::Document);
            let whole = if document { limits.door.upload_max } else { limits.request_timeout };
            if document {
                most = most.min(whole);
            }
            let whole_by = ends.then(|| Instant::now() + whole);
            let patience = Patience { idle, whole_by, bytes_max: None };
            // A document is counted as one, whatever its size.
            let held = quotas.nothing(Kind::Bytes, &authority).filter(|_| !document);
            bytes = held.map(|held| Arc::new(std::sync::Mutex::new(held)));
            let most = limits.message_bytes_max;
            let counted = if connect::is_json(&request) {
                Counted::Whole
            } else if ends {
                Counted::Together
            } else {
                Counted::OneByOne
            };
            let meter = bytes.clone().map(|held| Meter::new(held, most, counted));
            let call = Call::current();
            request = request
                .map(|body| Body::new(Received::new(body, patience, &call).counted_by(meter)));
        }
        let request = connect::framed(request, limits.message_bytes_max);
        let answered = timeout(most, self.answered(request, path, authority)).await;
        let response = answered.map_err(|_| Failure::DeadlineExceeded)??;
        // A stream that goes on is counted as what it is, no longer as a request.
        let (slot, of_requests) =
            if kind.is_some() { (None, None) } else { (Some(slot), of_requests) };
        let holds =
            Holds { _slot: slot, _of_requests: of_requests, _of_kind: of_kind, _bytes: bytes };
        Ok((response, holds))
    }

    async fn answered(
        self,
        mut request: Request<Body>,
        path: String,
        authority: Authority,
    ) -> Result<Response<Body>, Status> {
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
        let response = match self.routes.call(request).await {
            Ok(response) => response,
            Err(never) => match never {},
        };
        // The transport turns away before any handler what is too large or no message.
        let most = self.ledger.limits().message_bytes_max;
        let status = Status::from_header_map(response.headers());
        match status.and_then(|status| unreadable(&status, most)) {
            Some(errors) => Status::from(Failure::from(errors)).into_http(),
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
        Some(claim) if is_there(ledger, claim.firm).await? => {
            ledger.firms().admit(claim, peer, ledger.now()).await?
        }
        Some(_) => Err(LoginRefused::UnknownToken),
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

/// Whether there is a firm. Most have been seen; of those that have not, callers may make up any number.
async fn is_there(ledger: &Ledger, firm: FirmId) -> Result<bool, Failure> {
    Ok(ledger.firms().has_seen(firm) || ledger.rooms().is_registered(ledger, firm).await?)
}

/// The other end of a connection, which no request can claim.
fn peer_of(request: &Request<Body>) -> Option<SocketAddr> {
    request.extensions().get::<TcpConnectInfo>().and_then(TcpConnectInfo::remote_addr)
}

/// Whether a caller has a scope for the RPC; whether the resource is of the caller's firm, only the
/// handler can see.
fn authorise(rpc: Rpc, authority: &Authority, path: &str) -> Result<(), Failure> {
    if let (Rpc::Scoped(_), Some(rule)) = (rpc, table::closed_by(authority.bounds(), path)) {
        tracing::warn!(path, "denied: the token is bound to less than this shows");
        return Err(Failure::OutOfBounds { rule });
    }
    match rpc {
        Rpc::Open => Ok(()),
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
