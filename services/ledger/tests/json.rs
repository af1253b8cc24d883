//! Unary calls as JSON (the Connect protocol, connectrpc.com/docs/protocol), over HTTP/1.1 and HTTP/2, held against the
//! same calls over gRPC.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use base64::Engine as _;
use common::{Service, first_month, id, new_case, record, rpc};
use domain::ids::FirmId;
use prost::Message;
use prost_reflect::{
    DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, MethodDescriptor, Value,
};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use serde_json::{Value as Json, json};

const PHONE: &str = "+12015550123";
/// Calls of the comparison; COUNTERFOIL_JSON_CALLS sets another number.
const CALLS: usize = 1_500;

/// A caller that knows HTTP and JSON, and nothing of gRPC.
struct Caller {
    http: reqwest::Client,
    address: String,
    token: String,
}

fn client() -> reqwest::ClientBuilder {
    // Its client wants one, though no TLS is spoken here. Another test may have named it.
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder()
}

struct Answer {
    status: u16,
    body: Json,
}

impl Caller {
    fn new(service: &Service, token: &str) -> Self {
        let http = client().http1_only().build().unwrap();
        Self { http, address: service.address().to_owned(), token: token.to_owned() }
    }

    fn request(&self, path: &str, body: String) -> reqwest::RequestBuilder {
        let request = self.http.post(format!("{}{path}", self.address)).body(body);
        request.header("content-type", "application/json").bearer_auth(&self.token)
    }

    async fn call(&self, path: &str, body: &Json) -> Answer {
        heard(self.request(path, body.to_string())).await
    }
}

async fn heard(request: reqwest::RequestBuilder) -> Answer {
    let answer = request.send().await.unwrap();
    let status = answer.status().as_u16();
    assert_eq!(answer.headers()["content-type"], "application/json");
    let body = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
    Answer { status, body }
}

fn violations(answer: &Answer) -> &Json {
    let details = answer.body["details"].as_array().unwrap();
    let bad = details.iter().find(|detail| detail["type"] == "google.rpc.BadRequest").unwrap();
    &bad["debug"]["fieldViolations"]
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_month_is_recorded_billed_and_read_over_http_1() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let scopes = [v1::Scope::Record, v1::Scope::Read, v1::Scope::Bill];
    let caller = Caller::new(&service, &service.token(&firm, &scopes).await);
    let case = new_case(&firm);
    let request = record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1"));
    let request = api::json::to_json(&request, "counterfoil.v1.RecordRequest").unwrap();
    let path = "/counterfoil.v1.CaseLedger/Record";
    let recorded = caller.call(path, &request).await;
    assert_eq!(recorded.status, 200, "{}", recorded.body);
    let again = caller.call(path, &request).await;
    assert_eq!(again.body["replayed"], true);
    assert_eq!(again.body["position"], recorded.body["position"]);

    let get = caller.call("/counterfoil.v1.CaseLedger/GetCase", &json!({ "name": case })).await;
    assert_eq!((get.status, &get.body["case"]["name"]), (200, &json!(case)), "{}", get.body);
    let asked = v1::GetCaseRequest { name: case.clone(), ..Default::default() };
    let over_grpc = service.cases().get_case(asked).await.unwrap().into_inner();
    let over_grpc = api::json::to_json(&over_grpc, "counterfoil.v1.GetCaseResponse").unwrap();
    assert_eq!(get.body["case"], over_grpc["case"]);

    // Whoever cannot hold a stream asks for what came behind a position.
    let ask = json!({ "parent": firm, "afterPosition": "0", "pageSize": 5 });
    let page = caller.call("/counterfoil.v1.CaseLedger/ReadEvents", &ask).await;
    assert_eq!(page.body["events"].as_array().unwrap().len(), 5, "{}", page.body);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn errors_are_told_as_connect_tells_them() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let caller = Caller::new(&service, &service.token(&firm, &[v1::Scope::Read]).await);
    let get = "/counterfoil.v1.CaseLedger/GetCase";

    // "Error Codes" and "Unary-Response": the HTTP status follows from the code; details carry type and value.
    let malformed = caller.call(get, &json!({ "name": 7 })).await;
    assert_eq!((malformed.status, &malformed.body["code"]), (400, &json!("invalid_argument")));
    assert_eq!(violations(&malformed)[0]["field"], "name");
    let info = &malformed.body["details"][0];
    let bytes =
        base64::engine::general_purpose::STANDARD_NO_PAD.decode(info["value"].as_str().unwrap());
    let info = tonic_types::pb::ErrorInfo::decode(bytes.unwrap().as_slice()).unwrap();
    assert_eq!((info.reason.as_str(), info.domain.as_str()), ("FIELD_INVALID", "counterfoil"));
    let misspelt = caller.call(get, &json!({ "nome": "x" })).await;
    assert_eq!(violations(&misspelt)[0]["field"], "nome");
    let missing = caller.call(get, &json!({ "name": new_case(&firm) })).await;
    assert_eq!((missing.status, &missing.body["code"]), (404, &json!("not_found")));
    let unread =
        caller.call("/counterfoil.v1.Billing/RunBilling", &json!({ "parent": firm })).await;
    assert_eq!((unread.status, &unread.body["code"]), (403, &json!("permission_denied")));
    let nothing = caller.call("/counterfoil.v1.CaseLedger/Nothing", &json!({})).await;
    assert_eq!((nothing.status, &nothing.body["code"]), (501, &json!("unimplemented")));

    for (name, value) in [
        ("connect-timeout-ms", "soon"),
        ("connect-timeout-ms", "12345678901"),
        ("connect-protocol-version", "2"),
    ] {
        let wrong = heard(caller.request(get, "{}".into()).header(name, value)).await;
        assert_eq!((wrong.status, &violations(&wrong)[0]["field"]), (400, &json!(name)));
    }
    let packed = heard(caller.request(get, "{}".into()).header("content-encoding", "gzip")).await;
    assert_eq!((packed.status, &packed.body["code"]), (501, &json!("unimplemented")));
    for text in ["", "{", "[]", "{\"name\":\"a\",\"name\":\"b\"}"] {
        let broken = heard(caller.request(get, text.into())).await;
        assert_eq!(
            (broken.status, &violations(&broken)[0]["field"]),
            (400, &json!("request")),
            "{text:?}"
        );
    }
    let many = format!("{{\"name\":[{}]}}", "0,".repeat(api::JSON_VALUES_MAX));
    let many = heard(caller.request(get, many)).await;
    assert_eq!((many.status, &violations(&many)[0]["field"]), (400, &json!("request")));
    let large =
        json!({ "name": "x".repeat(counterfoil_ledger::Limits::default().message_bytes_max) });
    let large = caller.call(get, &large).await;
    assert_eq!((large.status, &violations(&large)[0]["field"]), (400, &json!("request")));

    let stranger = Caller { token: "nobody".into(), ..Caller::new(&service, "") };
    let refused = stranger.call(get, &json!({ "name": new_case(&firm) })).await;
    assert_eq!((refused.status, &refused.body["code"]), (401, &json!("unauthenticated")));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_json_cannot_carry_is_said_to_be_unsupported() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let caller = Caller::new(&service, &service.token(&firm, &[v1::Scope::Read]).await);
    let code =
        async |request: reqwest::RequestBuilder| request.send().await.unwrap().status().as_u16();
    // A stream, gRPC over HTTP/1.1, another kind of text, another verb.
    assert_eq!(code(caller.request("/counterfoil.v1.CaseLedger/Follow", "{}".into())).await, 415);
    let path = format!("{}/counterfoil.v1.CaseLedger/GetCase", caller.address);
    let post = |kind: &str| {
        caller.http.post(&path).bearer_auth(&caller.token).header("content-type", kind)
    };
    assert_eq!(code(post("application/grpc").body(vec![0, 0, 0, 0, 0])).await, 415);
    assert_eq!(code(post("text/plain").body("{}")).await, 415);
    assert_eq!(code(post("application/json; charset=latin1").body("{}")).await, 415);
    assert_eq!(code(caller.http.get(&path)).await, 405);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn json_is_answered_over_http_2_as_well() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let http = client().http2_prior_knowledge().build().unwrap();
    let caller = Caller { http, ..Caller::new(&service, &token) };
    let head =
        caller.call("/counterfoil.v1.Administration/GetHead", &json!({ "parent": firm })).await;
    assert_eq!(head.status, 200, "{}", head.body);
    assert!(head.body["position"].as_str().unwrap().parse::<u64>().unwrap() > 0);
}

/// Values at which scalars change their meaning, and some that mean something to this firm.
struct Boundaries<'a> {
    random: StdRng,
    firm: &'a str,
    case: &'a str,
}

impl Boundaries<'_> {
    fn message(&mut self, descriptor: &MessageDescriptor, depth: usize) -> DynamicMessage {
        let mut message = DynamicMessage::new(descriptor.clone());
        let filled = self.of(&[0.05, 0.5, 0.9]);
        for field in descriptor.fields() {
            let is_named = depth == 0 && ["parent", "name", "request_id"].contains(&field.name());
            if depth > 5 || !(is_named || self.random.random_bool(filled)) {
                continue;
            }
            let value = if field.is_list() {
                let count = self.random.random_range(0..3);
                Value::List((0..count).map(|_| self.value(&field, depth)).collect())
            } else {
                self.value(&field, depth)
            };
            message.set_field(&field, value);
        }
        message
    }

    fn value(&mut self, field: &FieldDescriptor, depth: usize) -> Value {
        match field.kind() {
            Kind::Bool => Value::Bool(self.random.random()),
            Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => {
                Value::I32(self.of(&[0, 1, -1, 3, 31, 2026, i32::MAX, i32::MIN]))
            }
            Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => {
                Value::I64(self.of(&[0, 1, -1, 12, (1 << 53) + 1, i64::MAX, i64::MIN]))
            }
            Kind::Uint32 | Kind::Fixed32 => Value::U32(self.of(&[0, 1, u32::MAX])),
            Kind::Uint64 | Kind::Fixed64 => Value::U64(self.of(&[0, 1, u64::MAX])),
            Kind::Double => Value::F64(self.of(&[0.0, -0.5, f64::MAX, f64::MIN_POSITIVE])),
            Kind::Float => Value::F32(self.of(&[0.0, -0.5, f32::MAX])),
            Kind::String => Value::String(self.text(field)),
            Kind::Bytes => Value::Bytes(self.of::<&[u8]>(&[&[], &[0], &[255; 40]]).to_vec().into()),
            Kind::Enum(values) => {
                let known: Vec<i32> =
                    values.values().map(|value| value.number()).chain([99, -1]).collect();
                Value::EnumNumber(self.of(&known))
            }
            Kind::Message(inner) => Value::Message(match inner.full_name() {
                // The mapping has no words for a time outside of the years 1 to 9999.
                "google.protobuf.Timestamp" => {
                    let mut time = DynamicMessage::new(inner);
                    let seconds = self.of(&[0, 1_772_474_400, -62_135_596_800, 253_402_300_799]);
                    time.set_field_by_name("seconds", Value::I64(seconds));
                    time
                }
                _ => self.message(&inner, depth + 1),
            }),
        }
    }

    fn text(&mut self, field: &FieldDescriptor) -> String {
        let (firm, case) = (self.firm.to_owned(), self.case.to_owned());
        match field.name() {
            "parent" if self.random.random_bool(0.9) => return firm,
            "name" if self.random.random_bool(0.7) => return case,
            "request_id" if self.random.random_bool(0.9) => return id(),
            _ => {}
        }
        let long = "x".repeat(70_000);
        let texts = [
            "",
            "x",
            "USD",
            "2026-03-02",
            "0190a000-0000-7000-8000-0000000000c1",
            "4111 1111 1111 1111",
            "\u{0}",
            "\u{202e}",
            "e\u{301}",
            "\u{1f600}",
            "a\nb",
            "{}",
            "'; DROP TABLE event; --",
            "../..",
            &firm,
            &case,
            &long,
        ];
        self.of(&texts).to_owned()
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.random.random_range(0..all.len())]
    }
}

/// What would take the ground from under the comparison itself.
fn is_compared(method: &MethodDescriptor) -> bool {
    !method.is_client_streaming() && !method.is_server_streaming()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn both_protocols_say_the_same_of_any_message_and_leave_nothing_broken() {
    let calls = std::env::var("COUNTERFOIL_JSON_CALLS").map_or(CALLS, |n| n.parse().unwrap());
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let works = [v1::Scope::Record, v1::Scope::Read, v1::Scope::Bill, v1::Scope::Administer];
    let works = service.token(&firm, &works).await;
    // What corrects and accepts is never on a token that records or bills.
    let corrects = [v1::Scope::Correct, v1::Scope::Accept, v1::Scope::Read];
    let corrects = service.token(&firm, &corrects).await;
    let worker = (service.wire(Some(&works)).await, Caller::new(&service, &works));
    let corrector = (service.wire(Some(&corrects)).await, Caller::new(&service, &corrects));
    let methods: Vec<MethodDescriptor> = rpc::methods().into_iter().filter(is_compared).collect();
    let mut random = Boundaries { random: StdRng::seed_from_u64(23), firm: &firm, case: &case };
    let (mut compared, mut answered) = (0, 0);
    for method in methods.iter().cycle().take(calls) {
        let message = random.message(&method.input(), 0);
        let shown = serde_json::to_value(&message).unwrap();
        let is_work = !["Correct", "RecordFinding", "KeepFee", "Accept"]
            .iter()
            .any(|of| method.name().starts_with(of));
        let (wire, caller) = if is_work { &worker } else { &corrector };
        let path = rpc::path(method);
        let over_grpc = rpc::call(wire.clone(), method, &message.encode_to_vec()).await;
        let over_json = caller.call(&path, &shown).await;
        let code = over_grpc.as_ref().err().map(tonic::Status::code);
        assert_ne!(code, Some(tonic::Code::Internal), "{path} {shown}: {over_grpc:?}");
        let told =
            over_json.body["code"].as_str().filter(|_| over_json.status != 200).map(str::to_owned);
        let expected = code.map(|code| connect_code(code).to_owned());
        assert_eq!(told, expected, "{path} {shown}: {over_grpc:?} and {}", over_json.body);
        if let Err(status) = &over_grpc {
            // A refusal that is given once more says when it was first given.
            let text = over_json.body["message"].as_str().unwrap();
            assert!(text.starts_with(status.message()), "{path}: {status:?} and {text}");
        } else {
            answered += 1;
        }
        compared += 1;
    }
    assert!(
        compared == calls && answered * 20 > calls,
        "{answered} of {compared} calls were answered"
    );
    let firm = FirmId::parse(firm.strip_prefix("firms/").unwrap()).unwrap();
    let engine = service.ledger.engine();
    engine.verify(firm, |_, _| {}).await.unwrap();
    engine.rebuild(firm, |_, _| {}).await.unwrap();
}

/// What Connect calls a code ("Error Codes").
fn connect_code(code: tonic::Code) -> &'static str {
    use tonic::Code;
    match code {
        Code::InvalidArgument => "invalid_argument",
        Code::NotFound => "not_found",
        Code::AlreadyExists => "already_exists",
        Code::PermissionDenied => "permission_denied",
        Code::FailedPrecondition => "failed_precondition",
        Code::Aborted => "aborted",
        Code::OutOfRange => "out_of_range",
        Code::ResourceExhausted => "resource_exhausted",
        Code::Unavailable => "unavailable",
        Code::Unimplemented => "unimplemented",
        Code::DataLoss => "data_loss",
        other => panic!("{other:?} is no answer to a message"),
    }
}
