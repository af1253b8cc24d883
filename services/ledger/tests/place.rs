//! Where a question is asked: firms that are not there, positions that the log never had, and requests
//! that are none.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::follow_response::Message;
use common::rpc::{about, call, inner, methods, path};
use common::{Service, action, date, enrol, new_case, reason, record};
use http_body_util::BodyExt as _;
use prost::Message as _;
use prost_reflect::MessageDescriptor;
use tonic::codegen::http;
use tonic::{Code, Status};
use tonic_types::StatusExt as _;
use tower::ServiceExt as _;

const NOWHERE: &str = "firms/0190a000-0000-7000-8000-00000000ffff";
/// Bytes that are no UTF-8 (RFC 3629 section 1: the octets C0, C1 and F5 to FF never appear).
const NO_TEXT: &[u8] = &[0xff, 0xfe];

fn metadata(status: &Status, key: &str) -> String {
    status.get_details_error_info().unwrap().metadata.remove(key).unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_said_of_a_firm_that_is_not_there() {
    let service = Service::start().await;
    service.firm().await;
    for method in methods() {
        // The one thing that makes a firm.
        if method.name() == "RegisterFirm" {
            continue;
        }
        let request = about(&method.input(), NOWHERE);
        let said = call(service.local.clone(), &method, &request).await;
        let code = said.map_or_else(|status| status.code(), |()| Code::Ok);
        assert_eq!(code, Code::NotFound, "{}", path(&method));
    }
    let firm = api::name::parse_firm(NOWHERE).unwrap();
    assert_eq!(service.ledger.engine().head(firm).await.unwrap().position, 0, "nor recorded");
}

/// A request whose resource name is no text.
fn without_text(descriptor: &MessageDescriptor) -> (String, Vec<u8>) {
    let (field, value) = if let Some(field) = inner(descriptor) {
        let (name, value) = without_text(field.kind().as_message().unwrap());
        let shown = format!("{}.{name}", field.name());
        (field, (shown, value))
    } else {
        let named = |name| descriptor.get_field_by_name(name);
        let field = named("parent").or_else(|| named("name")).unwrap();
        let name = field.name().to_owned();
        (field, (name, NO_TEXT.to_vec()))
    };
    let (name, value) = value;
    // A length-delimited field (protobuf encoding, wire type 2); all of these are short.
    let tag = u8::try_from(field.number() << 3 | 2).unwrap();
    (name, [&[tag, u8::try_from(value.len()).unwrap()], value.as_slice()].concat())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_text_is_named() {
    let service = Service::start().await;
    for method in methods() {
        let (field, request) = without_text(&method.input());
        let refused = call(service.local.clone(), &method, &request).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{}: {refused}", path(&method));
        assert_eq!(reason(&refused), "FIELD_INVALID", "{}", path(&method));
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        // Of many requests in a stream it is said which.
        let place = if method.name() == "RecordStream" { "requests[0]." } else { "" };
        assert_eq!(violations[0].field, format!("{place}{field}"), "{}", path(&method));
        assert!(violations[0].description.contains("UTF-8"), "{}", path(&method));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_message_at_all_is_the_callers_fault() {
    let service = Service::start().await;
    let record = methods().into_iter().find(|method| method.name() == "GetCase").unwrap();
    // A wire type that there is none of, a length beyond the end, a group that nobody opened.
    for request in [&[0x0f][..], &[0x0a, 0x7f, 0x61], &[0x0c], &[0xff; 11]] {
        let refused = call(service.local.clone(), &record, request).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{request:?}: {refused}");
        assert_eq!(reason(&refused), "FIELD_INVALID", "{request:?}");
    }
}

/// Sends the body of a call as it is, and gives the messages of its answer and how it ended.
async fn send(service: &Service, path: &str, body: Vec<u8>) -> (usize, Status) {
    let request = http::Request::post(path)
        .header("content-type", "application/grpc")
        .header("te", "trailers")
        .body(tonic::body::Body::new(http_body_util::Full::from(body)))
        .unwrap();
    let answer = service.local.clone().oneshot(request).await.unwrap();
    let (parts, body) = answer.into_parts();
    let body = body.collect().await.unwrap();
    let trailers = body.trailers().cloned().unwrap_or_default();
    let ended = Status::from_header_map(&trailers);
    let ended = ended.or_else(|| Status::from_header_map(&parts.headers)).unwrap();
    let (mut messages, bytes) = (0, body.to_bytes());
    let mut rest = &bytes[..];
    while let Some((head, after)) = rest.split_first_chunk::<5>() {
        let [_, length @ ..] = *head;
        rest = &after[usize::try_from(u32::from_be_bytes(length)).unwrap()..];
        messages += 1;
    }
    (messages, ended)
}

/// A message with the five bytes that gRPC puts before it.
fn framed(message: &[u8]) -> Vec<u8> {
    let length = u32::try_from(message.len()).unwrap().to_be_bytes();
    [&[0][..], &length, message].concat()
}

fn logged(case: &str, text: &str) -> v1::RecordRequest {
    let logged = v1::MessageLogged {
        direction: v1::Direction::Incoming.into(),
        text: text.to_owned(),
        complaint: false,
    };
    record(case, vec![action(date(2026, 3, 2), v1::action::Action::MessageLogged(logged))])
}

fn in_stream(case: &str, text: &str) -> Vec<u8> {
    v1::RecordStreamRequest { record: Some(logged(case, text)) }.encode_to_vec()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_that_cannot_be_read_on_never_ends_as_if_it_were_whole() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, vec![enrol(v1::Seat::Individual, "+12015550123", "tok_1")]).await;
    let good = || framed(&in_stream(&case, "good"));
    let mut no_text = in_stream(&case, "no text");
    let at = no_text.windows(7).position(|bytes| bytes == b"no text").unwrap();
    no_text[at] = 0xff;
    let cut = good()[..40].to_vec();
    let compressed = [&[1], &good()[1..]].concat();
    let odd = [&[7], &good()[1..]].concat();
    for (third, field, rule) in [
        (framed(&in_stream(&case, &"a".repeat(5 << 20))), "requests[2]", "4194304 bytes"),
        ([0, 0xff, 0xff, 0xff, 0xff].to_vec(), "requests[2]", "4194304 bytes"),
        (cut, "requests[2]", "as long as it says"),
        (vec![0, 0, 0], "requests[2]", "as long as it says"),
        (compressed, "requests[2]", "compressed"),
        (odd, "requests[2]", "compressed"),
        (framed(&[0x0f]), "requests[2]", "a message of the contract"),
        (framed(&no_text), "requests[2].record.actions[0].message_logged.text", "UTF-8"),
    ] {
        let whole = field.contains("record") || rule.ends_with("contract");
        let after = if whole || rule.contains("4194304") { good() } else { Vec::new() };
        let body = [good(), good(), third, after].concat();
        let (answers, ended) =
            send(&service, "/counterfoil.v1.CaseLedger/RecordStream", body).await;
        assert_eq!(answers, 2, "{rule}: {ended}");
        assert_eq!(ended.code(), Code::InvalidArgument, "{rule}: {ended}");
        let violations = ended.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, field);
        assert!(violations[0].description.contains(rule), "{violations:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_caller_sends_wrongly_is_no_fault_of_the_service() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let good = framed(&logged(&new_case(&firm), "good").encode_to_vec());
    let upload = v1::UploadStart { name: new_case(&firm), size_bytes: 4, ..Default::default() };
    let upload =
        v1::UploadRequest { part: Some(v1::upload_request::Part::Start(upload)) }.encode_to_vec();
    let upload = framed(&upload);
    for (path, body, rule) in [
        ("CaseLedger/Record", good[..40].to_vec(), "as long as it says"),
        ("CaseLedger/Record", Vec::new(), "is required"),
        ("CaseLedger/Record", [&[1], &good[1..]].concat(), "compressed"),
        ("CaseLedger/Record", [&[7], &good[1..]].concat(), "compressed"),
        ("Evidence/Upload", upload[..20].to_vec(), "as long as it says"),
        ("Evidence/Upload", [&[7], &upload[1..]].concat(), "compressed"),
    ] {
        let (answers, ended) = send(&service, &format!("/counterfoil.v1.{path}"), body).await;
        assert_eq!((answers, ended.code()), (0, Code::InvalidArgument), "{path} {rule}: {ended}");
        assert_eq!(reason(&ended), "FIELD_INVALID");
        let violations = ended.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "request");
        assert!(violations[0].description.contains(rule), "{violations:?}");
    }
}

fn follow(firm: &str, after_position: i64, after_leaf_hash: Vec<u8>) -> v1::FollowRequest {
    v1::FollowRequest {
        parent: firm.to_owned(),
        after_position,
        after_leaf_hash,
        ..v1::FollowRequest::default()
    }
}

/// The first event that is sent, or where the log ended.
async fn first(service: &Service, request: v1::FollowRequest) -> Result<Message, Status> {
    let mut stream = service.cases().follow(request).await?.into_inner();
    Ok(stream.message().await?.unwrap().message.unwrap())
}

async fn events(service: &Service, firm: &str) -> Vec<v1::Event> {
    let read = v1::ReadEventsRequest { parent: firm.to_owned(), ..Default::default() };
    service.cases().read_events(read).await.unwrap().into_inner().events
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_waits_for_what_a_log_never_had() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let end = i64::try_from(events(&service, &firm).await.len()).unwrap();
    let beyond = |status: &Status| {
        assert_eq!(status.code(), Code::OutOfRange, "{status}");
        assert_eq!(reason(status), "POSITION_BEYOND_LOG");
        assert_eq!(metadata(status, "asked"), (end + 1).to_string());
        assert_eq!(metadata(status, "end"), end.to_string());
        assert!(status.get_details_retry_info().is_none(), "waiting does not help");
    };
    beyond(&first(&service, follow(&firm, end + 1, Vec::new())).await.unwrap_err());
    let read = v1::ReadEventsRequest {
        parent: firm.clone(),
        after_position: end + 1,
        ..v1::ReadEventsRequest::default()
    };
    beyond(&service.cases().read_events(read).await.unwrap_err());
    // Reads of states, of read models and of the past.
    let at_least_position = end + 1;
    let case = new_case(&firm);
    let get = v1::GetCaseRequest { name: case.clone(), at_least_position, as_of_position: None };
    beyond(&service.cases().get_case(get).await.unwrap_err());
    let get =
        v1::GetCaseRequest { name: case, at_least_position: 0, as_of_position: Some(end + 1) };
    beyond(&service.cases().get_case(get).await.unwrap_err());
    let list =
        v1::ListCasesRequest { parent: firm.clone(), at_least_position, ..Default::default() };
    beyond(&service.cases().list_cases(list).await.unwrap_err());
    let get = v1::GetFirmRequest { name: firm.clone(), at_least_position };
    beyond(&service.administration().get_firm(get).await.unwrap_err());
    // The end itself is no such place.
    let message = first(&service, follow(&firm, end, Vec::new())).await.unwrap();
    assert!(matches!(message, Message::CaughtUp(caught_up) if caught_up.position == end));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cursor_of_another_log_is_found_and_one_of_this_goes_on() {
    let service = Service::start().await;
    // Two logs of as many events, of which none is the other's.
    let (ours, other) = (service.firm().await, service.firm().await);
    let (known, theirs) = (events(&service, &ours).await, events(&service, &other).await);
    let (at, same) = (&known[1], &theirs[1]);
    assert_eq!(at.position, same.position);
    let message = first(&service, follow(&ours, at.position, at.leaf_hash.clone())).await.unwrap();
    assert!(matches!(&message, Message::Event(event) if event.position == at.position + 1));
    let forked = first(&service, follow(&ours, at.position, same.leaf_hash.clone())).await;
    let read = |after_leaf_hash: &[u8]| v1::ReadEventsRequest {
        parent: ours.clone(),
        after_position: at.position,
        after_leaf_hash: after_leaf_hash.to_vec(),
        ..v1::ReadEventsRequest::default()
    };
    service.cases().read_events(read(&at.leaf_hash)).await.unwrap();
    let also = service.cases().read_events(read(&same.leaf_hash)).await.unwrap_err();
    for status in [forked.unwrap_err(), also] {
        assert_eq!(status.code(), Code::FailedPrecondition, "{status}");
        assert_eq!(reason(&status), "CURSOR_FORKED");
        assert_eq!(metadata(&status, "position"), at.position.to_string());
    }
    for (position, leaf) in [(0, at.leaf_hash.clone()), (2, vec![1; 31])] {
        let refused = first(&service, follow(&ours, position, leaf)).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{refused}");
    }
    // The end is told with its leaf hash, filtered or not, and is a cursor as well.
    let last = known.last().unwrap();
    let filtered =
        v1::FollowRequest { types: vec!["enrolled".into()], ..follow(&ours, 0, Vec::new()) };
    let Message::CaughtUp(end) = first(&service, filtered).await.unwrap() else {
        panic!("nobody has enrolled")
    };
    assert_eq!((end.position, &end.leaf_hash), (last.position, &last.leaf_hash));
    first(&service, follow(&ours, end.position, end.leaf_hash)).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_token_that_was_made_up_opens_no_page() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let mut at_least_position = 0;
    for number in 0..3 {
        let client = enrol(v1::Seat::Individual, &format!("+1201555012{number}"), "tok_1");
        at_least_position = service.record(&new_case(&firm), vec![client]).await.position;
    }
    let list = |page_token: &str| v1::ListCasesRequest {
        parent: firm.clone(),
        page_size: 1,
        page_token: page_token.to_owned(),
        at_least_position,
        ..v1::ListCasesRequest::default()
    };
    let page = service.cases().list_cases(list("")).await.unwrap().into_inner();
    let token = page.next_page_token;
    service.cases().list_cases(list(&token)).await.unwrap();
    // The list's own mark, and another place: a case that no page ended with.
    let (mark, key) = token.split_at(32);
    let other = format!("{mark}{}", hex::encode(uuid::Uuid::nil().to_string()));
    for altered in [other, format!("{token}00"), token.to_uppercase(), key.to_owned()] {
        let refused = service.cases().list_cases(list(&altered)).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{altered}");
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "page_token");
    }
}
