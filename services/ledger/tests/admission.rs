//! Who means ill holds nothing that others need: each attack over a socket of its own, in frames that no
//! library would send, and what everybody else sees meanwhile.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

mod common;
#[path = "admission/quotas.rs"]
mod quotas;

use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use api::v1;
use api::v1::administration_client::AdministrationClient;
use api::v1::audit_client::AuditClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::evidence_client::EvidenceClient;
use api::v1::upload_request::Part;
use common::{Service, enrol, follows, new_case, reason};
use counterfoil_ledger::{Limits, Listening, MetricsConfig, ServerConfig, Share, TlsFiles};
use prost::Message as _;
use quotas::Firms;
use testbed::stranger::{
    END_HEADERS, END_STREAM, Stranger, call, frame, header_block, kind, message,
};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep, timeout};
use tonic::transport::{Certificate, ClientTlsConfig, Endpoint};
use tonic::{Code, Status};
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_client::HealthClient;
use tonic_types::StatusExt;
use vault::BlobStore;

const HEALTH: &str = "/grpc.health.v1.Health/Check";
const REFLECTION: &str = "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo";
const UPLOAD: &str = "/counterfoil.v1.Evidence/Upload";
const EXPORT: &str = "/counterfoil.v1.Audit/ExportBundle";
const FOLLOW: &str = "/counterfoil.v1.CaseLedger/Follow";
const RECORD_STREAM: &str = "/counterfoil.v1.CaseLedger/RecordStream";
const VERIFY: &str = "/counterfoil.v1.Administration/VerifyLog";
const REBUILD: &str = "/counterfoil.v1.Administration/RebuildReadModels";
const GET_HEAD: &str = "/counterfoil.v1.Administration/GetHead";
const SOON: Duration = Duration::from_secs(20);
const BRIEF: Duration = Duration::from_millis(400);
const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";

/// Limits that a test need not wait long for.
fn brief() -> Limits {
    let mut limits = Limits::default();
    for time in [
        &mut limits.door.handshake_max,
        &mut limits.door.preface_max,
        &mut limits.door.headers_max,
        &mut limits.door.unknown_idle_max,
        &mut limits.door.write_stall_max,
        &mut limits.door.body_idle_max,
    ] {
        *time = BRIEF;
    }
    limits
}

fn address(service: &Service) -> SocketAddr {
    service.listening.as_ref().map(|listening| listening.local_addr).unwrap()
}

fn data(file: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(file)
}

async fn tls(service: &Service) -> Listening {
    let key = testbed::secret_copy(&data("server.key"), service.place.folder());
    let tls = Some(TlsFiles { certificate: data("server.pem"), key });
    service.ledger.serve(&ServerConfig { tls, ..ServerConfig::loopback(0) }).await.unwrap()
}

async fn stranger(service: &Service, last: u8) -> Stranger {
    Stranger::connect(address(service), [127, 0, 0, last]).await.unwrap()
}

/// What a probe sees.
async fn is_healthy(service: &Service) {
    let asked = async {
        HealthClient::new(service.channel().await).check(HealthCheckRequest::default()).await
    };
    timeout(SOON, asked).await.expect("health is told in time").unwrap();
}

/// What a caller with a token sees.
async fn is_served(service: &Service, firm: &str, token: &str) {
    let asked = async {
        let mut client = AdministrationClient::new(service.wire(Some(token)).await);
        client.get_head(v1::GetHeadRequest { parent: firm.into() }).await
    };
    timeout(SOON, asked).await.expect("a token is served in time").unwrap();
}

async fn closed(mut stranger: Stranger, what: &str) {
    timeout(SOON, stranger.until_closed()).await.unwrap_or_else(|_| panic!("{what} is let go on"));
}

fn quota(status: &Status) -> (String, String) {
    assert_eq!(
        (status.code(), reason(status).as_str()),
        (Code::ResourceExhausted, "QUOTA_EXCEEDED"),
        "{status}"
    );
    let violation = status.get_details_quota_failure().unwrap().violations.remove(0);
    (violation.subject, violation.description)
}

/// Asks until it is granted.
async fn granted<T>(mut ask: impl AsyncFnMut() -> Result<T, Status>) -> T {
    let asking = async {
        loop {
            match ask().await {
                Ok(answer) => return answer,
                Err(_) => sleep(Duration::from_millis(20)).await,
            }
        }
    };
    timeout(SOON, asking).await.expect("what was held is given back")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn calls_that_never_end_keep_neither_the_probe_nor_anybody_waiting() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut strangers = Vec::new();
    // With a deadline that would let each of them be held for ten minutes; health checks, calls with no
    // token, and calls with one that is made up.
    let made_up = format!("cf_{0}_{0}_{1}", "0".repeat(32), "0".repeat(64));
    for (at, (path, token)) in
        [(HEALTH, None), (GET_HEAD, None), (GET_HEAD, Some(made_up.as_str()))].iter().enumerate()
    {
        for _ in 0..3 {
            let mut stranger = stranger(&service, 2 + u8::try_from(at).unwrap()).await;
            stranger.greet().await.unwrap();
            let block = header_block(path, *token, &[("grpc-timeout", "10M")]);
            let mut sent = Vec::new();
            for stream in 0..700 {
                sent.extend(frame(kind::HEADERS, END_HEADERS, 2 * stream + 1, &block));
            }
            // The server may have closed it before all of them were sent.
            let _ = stranger.send(&sent).await;
            strangers.push(stranger);
        }
    }
    is_healthy(&service).await;
    is_served(&service, &firm, &token).await;
    for stranger in strangers {
        closed(stranger, "a connection of calls without a token").await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dawdler_makes_room_for_the_probe() {
    let mut limits = Limits::default();
    limits.door.health_checks_at_once = 2;
    limits.door.open_call_max = SOON;
    let service = Service::with(limits).await;
    let mut dawdlers = Vec::new();
    for last in 2..6 {
        let mut stranger = stranger(&service, last).await;
        stranger.greet().await.unwrap();
        stranger.send(&call(1, HEALTH, None, 0)).await.unwrap();
        dawdlers.push(stranger);
    }
    is_healthy(&service).await;
    // Whoever came first was told to go: the stream is broken off.
    let first = &mut dawdlers[0];
    let broken = async { while first.next().await.is_some_and(|f| f.kind != kind::RST_STREAM) {} };
    timeout(Duration::from_secs(10), broken).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn reflection_that_is_asked_for_and_not_read_ends_and_keeps_health_green() {
    let mut limits = Limits::default();
    limits.door.open_call_max = BRIEF;
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let symbol = "counterfoil.v1.CaseLedger";
    let request = tonic_reflection::pb::v1::ServerReflectionRequest {
        host: String::new(),
        message_request: Some(
            tonic_reflection::pb::v1::server_reflection_request::MessageRequest::FileContainingSymbol(
                symbol.into(),
            ),
        ),
    };
    let request = request.encode_to_vec();
    let mut strangers = Vec::new();
    for last in 2..6 {
        let mut stranger = stranger(&service, last).await;
        stranger.greet_with_window(1).await.unwrap();
        for stream in 0..25 {
            stranger.send(&call(2 * stream + 1, REFLECTION, None, 0)).await.unwrap();
            stranger.send(&message(2 * stream + 1, &request, 0)).await.unwrap();
        }
        strangers.push(stranger);
    }
    is_healthy(&service).await;
    is_served(&service, &firm, &token).await;
    // Each stream is broken off, by the time that it may take or for another's sake.
    for stranger in &mut strangers {
        let mut ended = 0;
        let all = async {
            while ended < 25 {
                match stranger.next().await {
                    Some(frame) if frame.kind == kind::RST_STREAM => ended += 1,
                    Some(_) => {}
                    None => return,
                }
            }
        };
        timeout(SOON, all).await.expect("a stream that is not read ends");
    }
    // Reflection is there again for whoever reads.
    let mut client =
        tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient::new(
            service.channel().await,
        );
    let request = tonic_reflection::pb::v1::ServerReflectionRequest::decode(&request[..]).unwrap();
    let mut answers =
        client.server_reflection_info(futures::stream::iter([request])).await.unwrap().into_inner();
    assert!(answers.message().await.unwrap().unwrap().message_response.is_some());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_says_nothing_or_nothing_whole_is_closed_with_tls_and_without() {
    let service = Service::with(brief()).await;
    let encrypted = tls(&service).await;
    let ca = std::fs::read(data("ca.pem")).unwrap();
    let greeting = [PREFACE, &frame(kind::SETTINGS, 0, 0, &[])].concat();
    let headers = frame(kind::HEADERS, 0, 1, &header_block(HEALTH, None, &[]));
    let begun = [greeting.clone(), headers.clone()].concat();
    let mut half_a_frame = greeting.clone();
    half_a_frame.extend(&headers[..20]);
    for (what, sent) in [
        ("nothing", Vec::new()),
        ("half a preface", PREFACE[..10].to_vec()),
        ("another protocol", b"GET / HTTP/1.1\r\nhost: localhost\r\n\r\n".to_vec()),
        ("a greeting and nothing else", greeting.clone()),
        ("half a frame", half_a_frame),
        ("headers that never end", begun),
        ("settings that never end", [PREFACE, &[0, 0, 6, 4, 0]].concat()),
    ] {
        let mut plain = stranger(&service, 2).await;
        let mut wrapped =
            Stranger::over_tls(encrypted.local_addr, [127, 0, 0, 2], &ca).await.unwrap();
        // Closed already is as good.
        let _ = (plain.send(&sent).await, wrapped.send(&sent).await);
        closed(plain, what).await;
        closed(wrapped, &format!("{what}, with TLS")).await;
    }
    // Headers that come a byte at a time are not whole for all that.
    let mut drip = stranger(&service, 2).await;
    drip.send(&greeting).await.unwrap();
    drip.send(&headers).await.unwrap();
    let dripping = async {
        while drip.send(&frame(kind::CONTINUATION, 0, 1, &[])).await.is_ok() {
            sleep(Duration::from_millis(50)).await;
        }
    };
    timeout(SOON, dripping).await.expect("headers that drip are cut off");
    // A handshake that never begins.
    let silent = Stranger::connect(encrypted.local_addr, [127, 0, 0, 2]).await.unwrap();
    closed(silent, "a handshake that never begins").await;
    // Whoever means well is served there meanwhile.
    let trust = Certificate::from_pem(&ca);
    let address = format!("https://localhost:{}", encrypted.local_addr.port());
    let endpoint = Endpoint::from_shared(address).unwrap();
    let tls = ClientTlsConfig::new().ca_certificate(trust).domain_name("localhost");
    let channel = endpoint.tls_config(tls).unwrap().connect().await.unwrap();
    HealthClient::new(channel).check(HealthCheckRequest::default()).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn frames_that_ask_for_nothing_end_their_connection() {
    let service = Service::start().await;
    let header = header_block(HEALTH, None, &[]);
    let ping = frame(kind::PING, 0, 0, &[0; 8]);
    let settings = frame(kind::SETTINGS, 0, 0, &[]);
    let priority = frame(kind::PRIORITY, 0, 1, &[0, 0, 0, 3, 7]);
    let update = frame(kind::WINDOW_UPDATE, 0, 0, &[0, 0, 0, 1]);
    let unknown = frame(0xfa, 0, 0, b"grease");
    for (what, flood) in [
        ("pings", ping),
        ("settings", settings),
        ("priorities", priority),
        ("updates of the window", update),
        ("frames of no type", unknown),
    ] {
        let mut stranger = stranger(&service, 2).await;
        stranger.greet().await.unwrap();
        let flood = flood.repeat(50);
        let flooding = async { while stranger.send(&flood).await.is_ok() {} };
        timeout(SOON, flooding).await.unwrap_or_else(|_| panic!("{what} without end"));
    }
    // Calls that are taken back at once (CVE-2023-44487).
    let mut stranger = stranger(&service, 2).await;
    stranger.greet().await.unwrap();
    let flooding = async {
        for stream in 0..1_000_000 {
            let stream = 2 * stream + 1;
            let begun = frame(kind::HEADERS, END_HEADERS, stream, &header);
            let back = frame(kind::RST_STREAM, 0, stream, &[0, 0, 0, 8]);
            if stranger.send(&[begun, back].concat()).await.is_err() {
                return;
            }
        }
    };
    timeout(SOON, flooding).await.expect("calls taken back without end");
    is_healthy(&service).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_address_has_its_share_and_strangers_make_room() {
    let mut limits = Limits::default();
    limits.door.connections_per_address_max = 2;
    limits.door.connections_unknown_max = 2;
    // Nobody goes for any other reason.
    limits.door.preface_max = Duration::from_hours(1);
    limits.door.unknown_idle_max = Duration::from_hours(1);
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let get = v1::GetHeadRequest { parent: firm.clone() }.encode_to_vec();
    let mut known = Vec::new();
    for _ in 0..2 {
        let mut caller = stranger(&service, 2).await;
        caller.greet().await.unwrap();
        caller.send(&call(1, GET_HEAD, Some(&token), 0)).await.unwrap();
        caller.send(&message(1, &get, END_STREAM)).await.unwrap();
        let answered = async { while caller.next().await.unwrap().kind != kind::DATA {} };
        timeout(SOON, answered).await.unwrap();
        known.push(caller);
    }
    closed(stranger(&service, 2).await, "a third of one address").await;
    // Of another address there is room, and the first stranger makes it for the third.
    let (first, _second) = (stranger(&service, 3).await, stranger(&service, 4).await);
    let _third = stranger(&service, 5).await;
    closed(first, "the first of three strangers").await;
    is_served(&service, &firm, &token).await;
    // The known ones are still there.
    for caller in &mut known {
        caller.send(&frame(kind::PING, 0, 0, &[7; 8])).await.unwrap();
        let ponged = async { while caller.next().await.unwrap().kind != kind::PING {} };
        timeout(SOON, ponged).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_has_no_token_hears_so_though_there_is_no_room_for_work() {
    let service = Service::with(Limits { requests_max: 0, ..Limits::default() }).await;
    let made_up = format!("cf_{0}_{0}_{1}", "0".repeat(32), "0".repeat(64));
    for token in [None, Some(made_up.as_str())] {
        let mut client = CaseLedgerClient::new(service.wire(token).await);
        let status = client.list_cases(v1::ListCasesRequest::default()).await.unwrap_err();
        assert_eq!(status.code(), Code::Unauthenticated, "{status}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn half_a_request_ends_however_long_its_caller_would_wait() {
    let service = Service::with(Limits { requests_max: 1, ..brief() }).await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut caller = stranger(&service, 2).await;
    caller.greet().await.unwrap();
    let block = header_block(GET_HEAD, Some(&token), &[("grpc-timeout", "10M")]);
    caller.send(&frame(kind::HEADERS, END_HEADERS, 1, &block)).await.unwrap();
    caller.send(&frame(kind::DATA, 0, 1, &[0, 0, 0])).await.unwrap();
    let ended = async { while caller.next().await.unwrap().kind != kind::HEADERS {} };
    timeout(SOON, ended).await.expect("the call is answered without the rest");
    // What it held is free.
    granted(async || {
        let mut client = AdministrationClient::new(service.wire(Some(&token)).await);
        client.get_head(v1::GetHeadRequest { parent: firm.clone() }).await
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_that_is_not_read_ends_and_gives_its_quota_back() {
    let mut limits = follows(1);
    limits.door.write_stall_max = BRIEF;
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let follow = v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut caller = stranger(&service, 2).await;
    caller.greet_with_window(1).await.unwrap();
    caller.send(&call(1, FOLLOW, Some(&token), 0)).await.unwrap();
    caller.send(&message(1, &follow.encode_to_vec(), END_STREAM)).await.unwrap();
    let broken = async { while caller.next().await.unwrap().kind != kind::RST_STREAM {} };
    timeout(SOON, broken).await.expect("a stream that is not read is broken off");
    granted(async || {
        let mut client = CaseLedgerClient::new(service.wire(Some(&token)).await);
        client.follow(follow.clone()).await
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_nobody_waits_for_any_more_ends() {
    let mut limits = Limits::default();
    let one = Share { per_token: 1, per_firm: 1 };
    limits.quotas.record_streams = one;
    limits.quotas.verifications = one;
    limits.quotas.rebuilds = one;
    limits.quotas.exports = one;
    let Firms { service, ours: (firm, token), .. } = Firms::with(limits).await;
    let parent = || firm.clone();
    let export = v1::ExportBundleRequest {
        parent: parent(),
        scope: Some(v1::export_bundle_request::Scope::WholeLog(v1::WholeLog {})),
        ..v1::ExportBundleRequest::default()
    };
    let verify = v1::VerifyLogRequest { parent: parent(), ..v1::VerifyLogRequest::default() };
    let rebuild = v1::RebuildReadModelsRequest { parent: parent() };
    for (path, request) in [
        (RECORD_STREAM, None),
        (EXPORT, Some(export.encode_to_vec())),
        (VERIFY, Some(verify.encode_to_vec())),
        (REBUILD, Some(rebuild.encode_to_vec())),
    ] {
        let mut caller = stranger(&service, 2).await;
        caller.greet_with_window(1).await.unwrap();
        let mut stream = 1;
        let mut begin = async |before: Vec<u8>| {
            let number = stream;
            stream += 2;
            caller.send(&before).await.unwrap();
            caller.send(&call(number, path, Some(&token), 0)).await.unwrap();
            if let Some(request) = &request {
                caller.send(&message(number, request, END_STREAM)).await.unwrap();
            }
            loop {
                let frame = caller.next().await.unwrap();
                if frame.kind == kind::HEADERS && frame.stream == number {
                    let begun = frame.flags & END_STREAM == 0;
                    return begun.then_some(()).ok_or(Status::resource_exhausted("one too many"));
                }
            }
        };
        timeout(SOON, begin(Vec::new())).await.unwrap().unwrap();
        timeout(SOON, begin(Vec::new())).await.unwrap().unwrap_err();
        // The first one is taken back.
        let left = frame(kind::RST_STREAM, 0, 1, &[0, 0, 0, 8]);
        if timeout(SOON, begin(left)).await.unwrap().is_err() {
            granted(async || begin(Vec::new()).await).await;
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_caller_without_a_token_is_told_to_go_however_fast_the_calls_are() {
    const CALLS: u32 = 1_000;
    let service = Service::start().await;
    let most = service.ledger.limits().door.refused_calls_max;
    let mut caller = stranger(&service, 2).await;
    caller.greet().await.unwrap();
    let mut answered = 0;
    let told = async {
        for stream in (0..CALLS).map(|at| 2 * at + 1) {
            caller.send(&call(stream, GET_HEAD, None, END_STREAM)).await.unwrap();
            loop {
                let frame = caller.next().await.unwrap();
                if frame.kind == kind::GOAWAY {
                    return;
                }
                if frame.stream == stream && frame.flags & END_STREAM != 0 {
                    break;
                }
            }
            answered += 1;
        }
    };
    timeout(SOON, told).await.unwrap();
    // One or two may pass by while the farewell is written.
    assert!((most..=most + 10).contains(&answered), "{answered} calls were answered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn answers_that_ended_and_are_not_read_end_their_connection() {
    let service = Service::with(brief()).await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let get = v1::GetHeadRequest { parent: firm.clone() }.encode_to_vec();
    let mut caller = stranger(&service, 2).await;
    // One byte of window: the answer is one piece, which is given to the transport and stays there.
    caller.greet_with_window(1).await.unwrap();
    caller.send(&call(1, GET_HEAD, Some(&token), 0)).await.unwrap();
    caller.send(&message(1, &get, END_STREAM)).await.unwrap();
    closed(caller, "an answer that is not read").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_service_ends_in_time_whatever_is_open() {
    let mut limits = Limits { drain_deadline: Duration::from_secs(1), ..Limits::default() };
    limits.door.connection_idle_max = Duration::from_hours(1);
    let service = Service::with(limits).await;
    let encrypted = tls(&service).await;
    let metrics = MetricsConfig {
        listen: SocketAddr::from(([127, 0, 0, 1], 0)),
        allow_plaintext_elsewhere: false,
    };
    let metrics = service.ledger.serve_metrics(&metrics).await.unwrap();
    service.ledger.bill_daily(Duration::ZERO);
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut open = vec![
        stranger(&service, 2).await,
        Stranger::connect(encrypted.local_addr, [127, 0, 0, 2]).await.unwrap(),
        Stranger::connect(metrics, [127, 0, 0, 2]).await.unwrap(),
    ];
    let follow = v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let follow = follow.encode_to_vec();
    for (path, sent) in [(GET_HEAD, None), (FOLLOW, Some(&follow))] {
        let mut caller = stranger(&service, 3).await;
        caller.greet_with_window(0).await.unwrap();
        caller.send(&call(1, path, Some(&token), 0)).await.unwrap();
        if let Some(sent) = sent {
            caller.send(&message(1, sent, END_STREAM)).await.unwrap();
            let begun = async { while caller.next().await.unwrap().kind != kind::HEADERS {} };
            timeout(SOON, begun).await.unwrap();
        }
        open.push(caller);
    }
    let begun = Instant::now();
    timeout(Duration::from_secs(6), service.ledger.shutdown()).await.expect("it ends in time");
    assert!(begun.elapsed() < Duration::from_secs(6));
    for stranger in open {
        closed(stranger, "a connection to a service that has ended").await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn callers_for_metrics_who_ask_nothing_keep_nobody_from_asking() {
    let service = Service::start().await;
    let config = MetricsConfig {
        listen: SocketAddr::from(([127, 0, 0, 1], 0)),
        allow_plaintext_elsewhere: false,
    };
    let at = service.ledger.serve_metrics(&config).await.unwrap();
    let mut silent = Vec::new();
    for _ in 0..20 {
        silent.push(TcpStream::connect(at).await.unwrap());
    }
    let asked = async {
        let mut stream = TcpStream::connect(at).await.unwrap();
        let request = b"GET /metrics HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n";
        stream.write_all(request).await.unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).await.unwrap();
        text
    };
    let text = timeout(SOON, asked).await.expect("the figures are shown");
    for figure in ["counterfoil_connections ", "counterfoil_accept_failures_total 0"] {
        assert!(text.contains(figure), "{text}");
    }
    assert!(text.contains("counterfoil_connections_turned_away_total{reason=\"flood\"} 0"));
    // And each of them goes by itself.
    for mut stream in silent {
        let mut bytes = Vec::new();
        let read = timeout(SOON, stream.read_to_end(&mut bytes)).await;
        assert!(read.is_ok(), "somebody who asks nothing stays");
    }
}
