//! What is told about each request: its name, firm, request id, outcome and time, and never a value
//! of a client. Refusals by reason, replays and the rest are counted by the engine.

use std::time::Duration;

use domain::ids::RequestId;
use tonic::Code;
use tracing::Span;
use tracing::field::{Empty, display};

use crate::access::table;

/// The span of one request: `rpc.CaseLedger.Record`. Whoever learns the other fields fills them in.
pub(crate) fn span(path: &str) -> Span {
    let name = table::short_name(path);
    tracing::info_span!(
        "rpc",
        otel.name = format!("rpc.{name}"),
        firm = Empty,
        access = Empty,
        request_id = Empty,
    )
}

/// Names the request in its span.
pub(crate) fn request(request_id: RequestId) {
    Span::current().record("request_id", display(request_id));
}

/// Tells how a request ended. A failure of the service is the one error that is logged for it.
pub(crate) fn ended(code: Code, took: Duration) {
    let micros = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
    match code {
        Code::Ok => tracing::debug!(micros, "answered"),
        Code::Internal | Code::DataLoss | Code::Unknown => {
            tracing::error!(micros, ?code, "failed");
        }
        Code::Cancelled
        | Code::InvalidArgument
        | Code::DeadlineExceeded
        | Code::NotFound
        | Code::AlreadyExists
        | Code::PermissionDenied
        | Code::ResourceExhausted
        | Code::FailedPrecondition
        | Code::Aborted
        | Code::OutOfRange
        | Code::Unimplemented
        | Code::Unavailable
        | Code::Unauthenticated => tracing::info!(micros, ?code, "turned down"),
    }
}
