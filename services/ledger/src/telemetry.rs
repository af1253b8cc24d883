//! What is told about each request: its name, firm, request id, outcome and time, and never a value
//! of a client. Refusals by reason, replays and the rest are counted by the engine.

use std::time::Duration;

use domain::ids::RequestId;
use opentelemetry::global;
use opentelemetry::propagation::Extractor;
use opentelemetry::trace::TraceContextExt;
use tonic::Code;
use tonic::codegen::http::HeaderMap;
use tracing::Span;
use tracing::field::{Empty, display};
use tracing_opentelemetry::OpenTelemetrySpanExt;

use crate::access::table;

/// The span of one request: `rpc.CaseLedger.Record`. Whoever learns the other fields fills them in.
pub(crate) fn span(path: &str) -> Span {
    let name = table::short_name(path);
    tracing::info_span!(
        "rpc",
        otel.name = format!("rpc.{name}"),
        otel.kind = "server",
        otel.status_code = Empty,
        firm = Empty,
        access = Empty,
        request_id = Empty,
    )
}

/// What W3C Trace Context calls its header.
const TRACEPARENT: &str = "traceparent";

/// Makes a span part of the trace that its caller names, if traces are exported at all.
pub(crate) fn join(span: &Span, headers: &HeaderMap) {
    if !headers.contains_key(TRACEPARENT) {
        return;
    }
    let context = global::get_text_map_propagator(|format| format.extract(&Headers(headers)));
    if context.has_active_span() {
        // Without an exporter there is nothing to be part of.
        let _ = span.set_parent(context);
    }
}

/// Headers as a propagator reads them.
struct Headers<'a>(&'a HeaderMap);

impl Extractor for Headers<'_> {
    fn get(&self, key: &str) -> Option<&str> {
        self.0.get(key)?.to_str().ok()
    }

    fn keys(&self) -> Vec<&str> {
        self.0.keys().map(tonic::codegen::http::HeaderName::as_str).collect()
    }
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
        // A refused login is told with its reason, and not more often than somebody can read.
        Code::Unauthenticated => tracing::debug!(micros, "not let in"),
        Code::Internal | Code::DataLoss | Code::Unknown => {
            Span::current().record("otel.status_code", "ERROR");
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
        | Code::Unavailable => tracing::info!(micros, ?code, "turned down"),
    }
}
