//! Requests by RPC, and how they ended.

use std::collections::HashMap;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll, ready};

use http_body::{Frame, SizeHint};
use log::{Counted, Histogram, MICROS};
use tokio::time::Instant;
use tonic::body::Body;
use tonic::codegen::http::Response;
use tonic::{Code, Status};

use crate::access::table::{self, Rpc};

/// Every code there is, with the name gRPC gives it.
const CODES: [(Code, &str); 17] = [
    (Code::Ok, "OK"),
    (Code::Cancelled, "CANCELLED"),
    (Code::Unknown, "UNKNOWN"),
    (Code::InvalidArgument, "INVALID_ARGUMENT"),
    (Code::DeadlineExceeded, "DEADLINE_EXCEEDED"),
    (Code::NotFound, "NOT_FOUND"),
    (Code::AlreadyExists, "ALREADY_EXISTS"),
    (Code::PermissionDenied, "PERMISSION_DENIED"),
    (Code::ResourceExhausted, "RESOURCE_EXHAUSTED"),
    (Code::FailedPrecondition, "FAILED_PRECONDITION"),
    (Code::Aborted, "ABORTED"),
    (Code::OutOfRange, "OUT_OF_RANGE"),
    (Code::Unimplemented, "UNIMPLEMENTED"),
    (Code::Internal, "INTERNAL"),
    (Code::Unavailable, "UNAVAILABLE"),
    (Code::DataLoss, "DATA_LOSS"),
    (Code::Unauthenticated, "UNAUTHENTICATED"),
];
/// Health and reflection, taken together.
const OPEN: &str = "open";
/// Whatever path is no RPC: callers may make up any number of them.
const UNKNOWN: &str = "unknown";

/// Counts of every RPC.
pub(crate) struct Requests {
    routes: Vec<Route>,
    by_path: HashMap<&'static str, usize>,
    /// Requests turned away because too many were worked on.
    pub(crate) shed: AtomicU64,
}

/// One RPC.
struct Route {
    name: String,
    ended: [AtomicU64; CODES.len()],
    time: Histogram,
}

/// One RPC as it was counted so far.
pub(super) struct RouteCounted<'a> {
    /// `CaseLedger.Record`
    pub(super) name: &'a str,
    /// How many requests ended with each code that any ended with.
    pub(super) ended: Vec<(&'static str, u64)>,
    /// Microseconds from a request to the end of its answer.
    pub(super) time: Counted,
}

impl Route {
    fn new(name: String) -> Self {
        Self { name, ended: Default::default(), time: Histogram::new(MICROS) }
    }
}

impl Requests {
    pub(crate) fn new() -> Self {
        let others = [OPEN, UNKNOWN].map(|name| Route::new(name.to_owned()));
        let named = table::paths().map(|path| Route::new(table::short_name(path)));
        Self {
            routes: others.into_iter().chain(named).collect(),
            by_path: table::paths().zip(2..).collect(),
            shed: AtomicU64::new(0),
        }
    }

    /// Begins to count a request. It counts as cancelled if nobody says how it ended.
    pub(crate) fn begin(self: &Arc<Self>, path: &str) -> Begun {
        let route = self.by_path.get(path).copied();
        let route = route.unwrap_or_else(|| usize::from(table::rpc(path) != Rpc::Open));
        Begun { requests: Arc::clone(self), route, since: Instant::now(), code: Code::Cancelled }
    }

    fn ended(&self, begun: &Begun) {
        let route = &self.routes[begun.route];
        if let Some(at) = CODES.iter().position(|(code, _)| *code == begun.code) {
            route.ended[at].fetch_add(1, Ordering::Relaxed);
        }
        route.time.add_time(begun.since.elapsed());
    }

    /// Every RPC that anybody asked for.
    pub(super) fn read(&self) -> impl Iterator<Item = RouteCounted<'_>> {
        let read = |route: &'_ Route| {
            let ended = CODES.iter().zip(&route.ended);
            let ended = ended.map(|((_, name), count)| (*name, count.load(Ordering::Relaxed)));
            ended.filter(|(_, count)| *count > 0).collect::<Vec<_>>()
        };
        let counted = self.routes.iter().map(move |route| RouteCounted {
            name: &route.name,
            ended: read(route),
            time: route.time.read(),
        });
        counted.filter(|route| !route.ended.is_empty())
    }
}

/// A request that has not ended yet.
pub(crate) struct Begun {
    requests: Arc<Requests>,
    route: usize,
    since: Instant,
    code: Code,
}

impl Begun {
    /// Counts the request when its answer has been given whole: a stream has its code at its end.
    pub(crate) fn answered(mut self, response: Response<Body>) -> Response<Body> {
        if let Some(status) = Status::from_header_map(response.headers()) {
            self.code = status.code();
            return response;
        }
        response.map(|inner| Body::new(Answered { inner, begun: self }))
    }
}

impl Drop for Begun {
    fn drop(&mut self) {
        let requests = Arc::clone(&self.requests);
        requests.ended(self);
    }
}

/// The body of an answer, on its way out.
struct Answered {
    inner: Body,
    begun: Begun,
}

impl http_body::Body for Answered {
    type Data = <Body as http_body::Body>::Data;
    type Error = <Body as http_body::Body>::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        let frame = ready!(Pin::new(&mut self.inner).poll_frame(context));
        if let Some(Ok(frame)) = &frame
            && let Some(status) = frame.trailers_ref().and_then(Status::from_header_map)
        {
            self.begun.code = status.code();
        }
        Poll::Ready(frame)
    }

    fn is_end_stream(&self) -> bool {
        self.inner.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.inner.size_hint()
    }
}
