//! Unary calls as JSON, over HTTP/1.1 as well as HTTP/2: the unary part of the Connect protocol
//! (<https://connectrpc.com/docs/protocol>, "Unary RPCs"), with messages in the proto3 JSON mapping.
//!
//! Each is turned into the gRPC call that it stands for before anything else looks at it, and its answer
//! turned back at the very end. So tokens, limits, refusals and the record of looks are those of gRPC, and no
//! handler knows the difference. What is said of fields that the contract does not have is stricter: they are
//! refused, where gRPC has no names to refuse.

use std::time::Duration;

use api::json;
use api::status::Failure;
use api::{FieldErrors, JSON_VALUES_MAX, status};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD_NO_PAD;
use futures::stream;
use http_body::Frame;
use http_body_util::{BodyExt as _, Limited, StreamBody};
use hyper::body::Bytes;
use prost_reflect::{MessageDescriptor, MethodDescriptor};
use serde_json::{Value, json};
use tonic::body::Body;
use tonic::codegen::http::header::{
    ACCEPT_ENCODING, ALLOW, CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE, HeaderMap, HeaderValue,
    TE, WWW_AUTHENTICATE,
};
use tonic::codegen::http::{Request, Response, StatusCode, Version};
use tonic::{Code, Status};

const JSON: &str = "application/json";
const GRPC: &str = "application/grpc";
const PROTOCOL_VERSION: &str = "connect-protocol-version";
const TIMEOUT: &str = "connect-timeout-ms";
const GRPC_TIMEOUT: &str = "grpc-timeout";
/// Most digits of a time in milliseconds.
const TIMEOUT_DIGITS_MAX: usize = 10;
/// What goes before a message on the wire of gRPC: whether it is compressed, and its length.
const HEAD_BYTES: usize = 5;

/// How a request wants to be answered.
pub(crate) enum Spoken {
    /// As gRPC.
    Grpc(Request<Body>),
    /// As JSON. The request is the gRPC call that it stands for.
    Json(Request<Body>, MethodDescriptor),
    /// In no way that is understood here.
    Neither(Response<Body>),
}

/// Kept with a request whose body is JSON until it is read.
#[derive(Clone)]
struct Asked(MethodDescriptor);

/// Finds out how a request wants to be answered, without reading its body.
pub(crate) fn heard(mut request: Request<Body>) -> Spoken {
    if !is_named_json(request.headers()) {
        // gRPC needs trailers and streams in both directions, which HTTP/1.1 does not give.
        let understood = request.version() >= Version::HTTP_2;
        return if understood { Spoken::Grpc(request) } else { Spoken::Neither(unsupported()) };
    }
    let Some(method) = json::rpc(request.uri().path()) else {
        let what = "there is no such call; see the contract";
        return Spoken::Neither(refused(&Status::unimplemented(what)));
    };
    if method.is_client_streaming() || method.is_server_streaming() {
        return Spoken::Neither(unsupported());
    }
    let timeout = match asked(request.headers()) {
        Ok(timeout) => timeout,
        Err(status) => return Spoken::Neither(refused(&status)),
    };
    let headers = request.headers_mut();
    for name in [CONTENT_LENGTH, CONTENT_ENCODING, ACCEPT_ENCODING] {
        headers.remove(name);
    }
    for name in [TIMEOUT, PROTOCOL_VERSION, GRPC_TIMEOUT] {
        headers.remove(name);
    }
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(GRPC));
    headers.insert(TE, HeaderValue::from_static("trailers"));
    if let Some(timeout) = timeout {
        // Eight digits at most: what is longer in milliseconds is told in seconds.
        let text = match timeout.as_millis() {
            millis @ ..100_000_000 => format!("{millis}m"),
            _ => format!("{}S", timeout.as_secs()),
        };
        if let Ok(text) = HeaderValue::from_str(&text) {
            headers.insert(GRPC_TIMEOUT, text);
        }
    }
    request.extensions_mut().insert(Asked(method.clone()));
    Spoken::Json(request, method)
}

/// The request with its message as gRPC has it, if it came as JSON of at most so many bytes.
pub(crate) fn framed(request: Request<Body>, bytes_max: usize) -> Request<Body> {
    let Some(Asked(method)) = request.extensions().get().cloned() else { return request };
    request.map(|body| {
        let message = message(body, method.input(), bytes_max);
        Body::new(StreamBody::new(stream::once(message)))
    })
}

/// Whether a request's body is JSON.
pub(crate) fn is_json(request: &Request<Body>) -> bool {
    request.extensions().get::<Asked>().is_some()
}

async fn message(
    body: Body,
    descriptor: MessageDescriptor,
    bytes_max: usize,
) -> Result<Frame<Bytes>, Status> {
    let read = Limited::new(body, bytes_max).collect().await.map_err(|error| {
        match error.downcast::<Status>() {
            // The transport's own words: what was sent ended before its end, or breaks its own form.
            Ok(status) if status.code() == Code::Unknown => wrong("must come whole"),
            Ok(status) => *status,
            Err(_) => wrong(format!("must be at most {bytes_max} bytes")),
        }
    })?;
    let text = String::from_utf8(read.to_bytes().into());
    let text = text.map_err(|_| wrong("must be JSON in UTF-8"))?;
    if json::values(&text) > JSON_VALUES_MAX {
        return Err(wrong(format!("must have at most {JSON_VALUES_MAX} values")));
    }
    let message = json::encoded(&text, &descriptor)
        .map_err(|error| Status::from(Failure::from(FieldErrors::from(error))))?;
    let length = u32::try_from(message.len()).map_err(|_| wrong("is too large"))?;
    let mut framed = Vec::with_capacity(HEAD_BYTES + message.len());
    framed.push(0);
    framed.extend(length.to_be_bytes());
    framed.extend(message);
    Ok(Frame::data(framed.into()))
}

fn wrong(rule: impl Into<String>) -> Status {
    Failure::from(FieldErrors::of_request(rule)).into()
}

/// The answer to a gRPC call as the answer to the call in JSON that it stands for.
pub(crate) async fn told(answer: Response<Body>, method: &MethodDescriptor) -> Response<Body> {
    let (head, body) = answer.into_parts();
    if let Some(status) = Status::from_header_map(&head.headers)
        && status.code() != Code::Ok
    {
        return refused(&status);
    }
    let collected = match body.collect().await {
        Ok(collected) => collected,
        Err(status) => return refused(&status),
    };
    if let Some(status) = collected.trailers().and_then(Status::from_header_map)
        && status.code() != Code::Ok
    {
        return refused(&status);
    }
    let bytes = collected.to_bytes();
    let message = bytes.get(HEAD_BYTES..).unwrap_or_default();
    match json::shown(message, method.output()) {
        Some(value) => given(StatusCode::OK, &value),
        None => refused(&Failure::internal("an answer is no message of the contract").into()),
    }
}

/// A status as Connect tells it ("Error Codes", "Unary-Response").
fn refused(status: &Status) -> Response<Body> {
    let (code, http) = name(status.code());
    let details = status::status_message(status).details.into_iter().map(|detail| {
        let kind = detail.type_url.rsplit('/').next().unwrap_or_default();
        let known = json::descriptors().get_message_by_name(kind);
        let shown = known.and_then(|message| json::shown(&detail.value, message));
        json!({ "type": kind, "value": STANDARD_NO_PAD.encode(&detail.value), "debug": shown })
    });
    let details: Vec<Value> = details.collect();
    let body = json!({ "code": code, "message": status.message(), "details": details });
    let mut response = given(http, &body);
    if status.code() == Code::Unauthenticated {
        // RFC 9110, section 11.6.1: a 401 names the scheme.
        response.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
    response
}

fn given(code: StatusCode, value: &Value) -> Response<Body> {
    let mut response = Response::new(Body::new(http_body_util::Full::from(value.to_string())));
    *response.status_mut() = code;
    response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(JSON));
    response
}

fn unsupported() -> Response<Body> {
    let what = "send application/json; a call that streams is answered over gRPC alone";
    let mut response = refused(&Status::unimplemented(what));
    *response.status_mut() = StatusCode::UNSUPPORTED_MEDIA_TYPE;
    response.headers_mut().insert("accept-post", HeaderValue::from_static(JSON));
    response
}

/// The answer to another verb.
pub(crate) fn not_posted() -> Response<Body> {
    let mut response = refused(&Status::unimplemented("every call is a POST"));
    *response.status_mut() = StatusCode::METHOD_NOT_ALLOWED;
    response.headers_mut().insert(ALLOW, HeaderValue::from_static("POST"));
    response
}

/// Whether the body is JSON: in UTF-8, as RFC 8259 has it, if a charset is named.
fn is_named_json(headers: &HeaderMap) -> bool {
    let text = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let (kind, parameters) = text.split_once(';').unwrap_or((text, ""));
    let charset = parameters.trim().to_ascii_lowercase();
    kind.trim().eq_ignore_ascii_case(JSON)
        && ["", "charset=utf-8", "charset=\"utf-8\""].contains(&charset.as_str())
}

/// How long the caller waits, of headers that are as the protocol has them.
fn asked(headers: &HeaderMap) -> Result<Option<Duration>, Status> {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or_default());
    if text(PROTOCOL_VERSION).is_some_and(|version| version != "1") {
        return Err(Failure::from(FieldErrors::one(PROTOCOL_VERSION, "must be 1")).into());
    }
    if headers.get(CONTENT_ENCODING).is_some_and(|encoding| encoding != "identity") {
        return Err(Status::unimplemented("a request is not compressed here"));
    }
    let Some(timeout) = text(TIMEOUT) else { return Ok(None) };
    let is_number = (1..=TIMEOUT_DIGITS_MAX).contains(&timeout.len())
        && timeout.bytes().all(|byte| byte.is_ascii_digit());
    let millis = timeout.parse().ok().filter(|_| is_number).ok_or_else(|| {
        let rule = format!("must be milliseconds in 1 to {TIMEOUT_DIGITS_MAX} digits");
        Status::from(Failure::from(FieldErrors::one(TIMEOUT, rule)))
    })?;
    Ok(Some(Duration::from_millis(millis)))
}

/// What Connect calls a code, and the HTTP status that goes with it ("Error Codes").
fn name(code: Code) -> (&'static str, StatusCode) {
    match code {
        // 499 has no name among the registered ones.
        Code::Cancelled => {
            ("canceled", StatusCode::from_u16(499).unwrap_or(StatusCode::REQUEST_TIMEOUT))
        }
        Code::InvalidArgument => ("invalid_argument", StatusCode::BAD_REQUEST),
        Code::DeadlineExceeded => ("deadline_exceeded", StatusCode::GATEWAY_TIMEOUT),
        Code::NotFound => ("not_found", StatusCode::NOT_FOUND),
        Code::AlreadyExists => ("already_exists", StatusCode::CONFLICT),
        Code::PermissionDenied => ("permission_denied", StatusCode::FORBIDDEN),
        Code::ResourceExhausted => ("resource_exhausted", StatusCode::TOO_MANY_REQUESTS),
        Code::FailedPrecondition => ("failed_precondition", StatusCode::BAD_REQUEST),
        Code::Aborted => ("aborted", StatusCode::CONFLICT),
        Code::OutOfRange => ("out_of_range", StatusCode::BAD_REQUEST),
        Code::Unimplemented => ("unimplemented", StatusCode::NOT_IMPLEMENTED),
        Code::Internal => ("internal", StatusCode::INTERNAL_SERVER_ERROR),
        Code::Unavailable => ("unavailable", StatusCode::SERVICE_UNAVAILABLE),
        Code::DataLoss => ("data_loss", StatusCode::INTERNAL_SERVER_ERROR),
        Code::Unauthenticated => ("unauthenticated", StatusCode::UNAUTHORIZED),
        Code::Unknown | Code::Ok => ("unknown", StatusCode::INTERNAL_SERVER_ERROR),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn post(kind: &str, timeout: &str) -> Spoken {
        let request = Request::post("/counterfoil.v1.CaseLedger/GetCase")
            .header(CONTENT_TYPE, kind)
            .header(TIMEOUT, timeout)
            .header(GRPC_TIMEOUT, "1H");
        heard(request.body(Body::empty()).unwrap())
    }

    #[test]
    fn how_long_a_caller_waits_is_told_as_grpc_tells_it() {
        // At most ten digits of milliseconds become at most eight digits and a unit.
        for (asked, told) in [("0", "0m"), ("99999999", "99999999m"), ("9999999999", "9999999S")] {
            let Spoken::Json(request, method) = post("application/json; charset=UTF-8", asked)
            else {
                panic!("{asked} is a time");
            };
            assert_eq!(request.headers()[GRPC_TIMEOUT], told);
            assert_eq!(method.name(), "GetCase");
        }
    }
}
