//! The service's own log, at its most talkative: JSON, and nothing of a client in it.
#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs::File;

use api::google::r#type::{Date, Money};
use api::v1;
use api::v1::action::Action as A;
use api::v1::administration_client::AdministrationClient;
use common::Desk;
use common::served::{Caller, Served, message};
use serde_json::Value;
use tonic::{Code, Request, Status};
use uuid::Uuid;

/// Values of a client that occur nowhere else, and are too long to be part of a time or an id: in what was accepted, in what was refused for its form,
/// in what a rule refused, and where no such value belongs.
const PERSONAL: [&str; 14] = [
    "Zebulon",
    "Quillfeather",
    "zq.private",
    "2025550187",
    "Wrenhaven",
    "Tansymoor",
    "tok_zebulon",
    "1961-11-23",
    "I never owed Harrowgate",
    "Harrowgate",
    "4111 1111 1111 1111",
    "4111111111111111",
    "zebulon-photo",
    "ZebulonMethod",
];

/// When everything here happens.
const ON: Date = Date { year: 2025, month: 3, day: 3 };

fn enrol(change: impl FnOnce(&mut v1::Enrol)) -> A {
    let contact = v1::Contact {
        display_name: "Zebulon Quillfeather".into(),
        email: "zq.private@mail.example".into(),
        phone: "+12025550187".into(),
        address: Some(v1::Address {
            line1: "77 Wrenhaven Lane".into(),
            line2: String::new(),
            city: "Tansymoor".into(),
            state_code: "IL".into(),
            zip: "62794".into(),
        }),
    };
    let sale = v1::Sale {
        channel: v1::Channel::InPerson.into(),
        evidence_sha256: "ab".repeat(32),
        promised_days: 180,
    };
    let card =
        v1::Card { token: "tok_zebulon".into(), last4: "7319".into(), expires: "2029-12".into() };
    let mut enrol = v1::Enrol {
        plan: "standard".into(),
        seat: v1::Seat::Individual.into(),
        contact: Some(contact),
        birth_date: Some(Date { year: 1961, month: 11, day: 23 }),
        ssn_last4: "7319".into(),
        sale: Some(sale),
        billing: None,
        card: Some(card),
        time_zone: "America/Chicago".into(),
    };
    change(&mut enrol);
    A::Enrol(enrol)
}

fn record(name: &str, actions: impl IntoIterator<Item = A>) -> v1::RecordRequest {
    let action =
        |action| v1::Action { occurred_at: None, occurred_on: Some(ON), action: Some(action) };
    v1::RecordRequest {
        name: name.to_owned(),
        request_id: Uuid::now_v7().to_string(),
        expected_version: None,
        actions: actions.into_iter().map(action).collect(),
    }
}

fn says(text: &str) -> A {
    let direction = v1::Direction::Incoming.into();
    A::MessageLogged(v1::MessageLogged { direction, text: text.into(), complaint: true })
}

async fn refused(caller: &Caller, request: &v1::RecordRequest, code: Code) {
    let status = caller.record(request).await.unwrap_err();
    assert_eq!(status.code(), code, "{status:?}");
    // Nor does the answer repeat what was sent.
    for personal in PERSONAL {
        assert!(!status.message().contains(personal), "{status:?}");
    }
}

/// Every way a request with a client's values can end.
async fn everything(served: &Served, desk: &Desk, firm: &str) {
    let (clerk, reader) = (desk.token("record,read,bill,administer"), desk.token("read"));
    let caller = served.caller(firm, &clerk).await;
    let case = format!("{firm}/cases/{}", Uuid::now_v7());
    let paper = v1::IdentityPaperReceived {
        paper: "zebulon-photo".into(),
        kind: v1::PaperKind::PhotoId.into(),
        document_sha256: String::new(),
    };
    let first = record(&case, [enrol(|_| {}), A::IdentityPaperReceived(paper)]);
    caller.record(&first).await.unwrap();
    assert!(caller.record(&first).await.unwrap().replayed);
    caller.record(&record(&case, [says("I never owed Harrowgate anything.")])).await.unwrap();
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    caller.cases().get_case(get).await.unwrap();
    let list = v1::ListCasesRequest { parent: firm.into(), ..v1::ListCasesRequest::default() };
    caller.cases().list_cases(list).await.unwrap();
    let events = v1::ReadEventsRequest { parent: firm.into(), ..v1::ReadEventsRequest::default() };
    caller.cases().read_events(events).await.unwrap();

    // Its form is wrong: the field is named, never the value.
    let invalid = Code::InvalidArgument;
    let phone = enrol(|e| e.contact.as_mut().unwrap().phone = "Zebulon 7319".into());
    refused(&caller, &record(&case, [phone]), invalid).await;
    refused(&caller, &record(&case, [says("my card is 4111 1111 1111 1111")]), invalid).await;
    refused(&caller, &record(&format!("{firm}/cases/Zebulon"), [says("x")]), invalid).await;
    let named = v1::RecordRequest { request_id: "Zebulon".into(), ..record(&case, [says("x")]) };
    refused(&caller, &named, invalid).await;
    let wrong_plan = enrol(|e| e.plan = "zebulon-photo of Quillfeather".into());
    let another = format!("{firm}/cases/{}", Uuid::now_v7());
    assert!(caller.record(&record(&another, [wrong_plan])).await.is_err());
    let reused = v1::RecordRequest {
        request_id: first.request_id.clone(),
        ..record(&case, [says("Harrowgate again")])
    };
    refused(&caller, &reused, invalid).await;

    // A rule refuses it.
    refused(&caller, &record(&case, [enrol(|_| {})]), Code::AlreadyExists).await;
    let stale = v1::RecordRequest { expected_version: Some(1), ..record(&case, [says("Zebulon")]) };
    refused(&caller, &stale, Code::Aborted).await;
    let nobody = format!("{firm}/cases/{}", Uuid::now_v7());
    refused(&caller, &record(&nobody, [says("Quillfeather")]), Code::NotFound).await;
    let total_of_payments = Some(Money { currency_code: "USD".into(), units: 1_000, nanos: 0 });
    let signed =
        v1::SignConsent { total_of_payments, copies_given: true, ..v1::SignConsent::default() };
    let early = record(&case, [A::SignConsent(signed), A::OpenWork(v1::OpenWork {})]);
    let status = caller.record(&early).await.unwrap_err();
    assert_eq!(status.code(), Code::FailedPrecondition, "{status:?}");

    // It may not be asked: by this token, of another firm, without a token, under a made-up name.
    let request = record(&case, [says("Zebulon")]);
    let other = served.caller(firm, &reader).await;
    refused(&other, &request, Code::PermissionDenied).await;
    let of_other =
        record(&format!("firms/{}/cases/{}", Uuid::now_v7(), Uuid::now_v7()), [says("Zebulon")]);
    refused(&caller, &of_other, Code::PermissionDenied).await;
    let stranger = served.caller(firm, "cf_Zebulon_Quillfeather_7319").await;
    refused(&stranger, &request, Code::Unauthenticated).await;
    let mut grpc = tonic::client::Grpc::new(caller.wire());
    grpc.ready().await.unwrap();
    let path = "/counterfoil.v1.CaseLedger/ZebulonMethod".parse().unwrap();
    let codec = tonic_prost::ProstCodec::<v1::RecordRequest, v1::RecordResponse>::default();
    let made_up: Result<_, Status> = grpc.unary(Request::new(request.clone()), path, codec).await;
    assert_eq!(made_up.unwrap_err().code(), Code::Unimplemented);

    // It is too large, too late, or asks for what is behind the end of the log.
    let large = record(&case, [says(&"Zebulon ".repeat(1 << 20))]);
    assert!(caller.record(&large).await.is_err());
    let mut hasty = Request::new(request.clone());
    hasty.set_timeout(std::time::Duration::from_nanos(1));
    assert!(caller.cases().record(hasty).await.is_err());
    let beyond =
        v1::GetCaseRequest { name: case.clone(), at_least_position: 1 << 40, as_of_position: None };
    assert_eq!(caller.cases().get_case(beyond).await.unwrap_err().code(), Code::OutOfRange);

    // In a stream, and by whoever follows.
    let messages = [
        record(&case, [says("I never owed Harrowgate")]),
        record(&case, [says("4111111111111111")]),
    ];
    let messages = messages.map(|record| v1::RecordStreamRequest { record: Some(record) });
    let stream = caller.cases().record_stream(futures::stream::iter(messages)).await.unwrap();
    let mut stream = stream.into_inner();
    while stream.message().await.unwrap().is_some() {}
    let follow = v1::FollowRequest { parent: firm.into(), ..v1::FollowRequest::default() };
    let mut followed = caller.cases().follow(follow).await.unwrap().into_inner();
    followed.message().await.unwrap().unwrap();
    let mut administration = AdministrationClient::new(caller.wire());
    let verify = v1::VerifyLogRequest { parent: firm.into(), checkpoint: None };
    let mut verified = administration.verify_log(verify).await.unwrap().into_inner();
    while verified.message().await.unwrap().is_some() {}
    caller.record(&message(firm, case.rsplit('/').next().unwrap())).await.unwrap();
}

/// What the service wrote, line by line, as JSON.
async fn log(filter: &str) -> (Vec<Value>, String) {
    let desk = Desk::with_firm();
    let firm = desk.firm();
    let file = desk.folder.path().join("log.jsonl");
    let mut serve = desk.command(&["serve", "--listen", "127.0.0.1:0", "--log-format", "json"]);
    serve.env("COUNTERFOIL_LOG", filter);
    let served = Served::telling(serve, File::create(&file).unwrap());
    everything(&served, &desk, &firm).await;
    assert_eq!(served.end(), Some(0));
    let text = std::fs::read_to_string(file).unwrap();
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
    (lines.collect(), text)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn at_its_most_talkative_the_log_holds_nothing_of_a_client() {
    let (lines, text) = log("trace").await;
    for personal in PERSONAL {
        let found = lines.iter().find(|line| line.to_string().contains(personal));
        assert!(found.is_none(), "{personal}: {found:?}");
        assert!(!text.contains(personal), "{personal}");
    }
    assert!(!text.contains("Bearer") && !text.contains("cf_"), "no token either");
    let has = |message: &str| lines.iter().any(|line| line["fields"]["message"] == message);
    for message in ["listening", "answered", "turned down", "a login was refused", "draining"] {
        assert!(has(message), "{message} is not there");
    }
    assert!(
        lines.iter().any(|line| line["target"].as_str().unwrap().starts_with("h2")),
        "all of it"
    );
}

/// Tries to write into the log by what is sent as a token.
async fn inject(served: &Served, desk: &Desk, firm: &str) {
    let token = desk.token("read");
    let forged =
        format!("{}{}", &token[..token.len() - 2], if token.ends_with("00") { "01" } else { "00" });
    let raw: [&[u8]; 6] = [
        b"Bearer cf_evil[2J\xe2\x80\xae",
        b"Bearer cf_evil_{\"level\":\"ERROR\"}_evil_evil",
        b"evil\tevil%0aevil\\nevil",
        "Bearer cf_\u{202e}evil".as_bytes(),
        b"",
        &[b"Bearer ", forged.as_bytes()].concat(),
    ];
    for header in raw {
        // Each on a connection of its own: one that is refused a hundred times is ended.
        let mut administration = AdministrationClient::new(served.channel().await);
        for _ in 0..40 {
            let mut request = Request::new(());
            // Line ends and escapes do not even come through HTTP/2 (RFC 9113 section 8.2.1).
            let value = tonic::codegen::http::HeaderValue::from_bytes(header).unwrap();
            let mut headers = request.metadata().clone().into_headers();
            headers.insert("authorization", value);
            *request.metadata_mut() = tonic::metadata::MetadataMap::from_headers(headers);
            let request = request.map(|()| v1::GetHeadRequest { parent: firm.to_owned() });
            let status = administration.get_head(request).await.unwrap_err();
            assert_eq!(status.code(), Code::Unauthenticated);
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn refused_logins_are_told_with_their_address_and_nobody_writes_into_the_log() {
    let desk = Desk::with_firm();
    let firm = desk.firm();
    let file = desk.folder.path().join("log.jsonl");
    let mut serve = desk.command(&["serve", "--listen", "127.0.0.1:0", "--log-format", "json"]);
    serve.env("COUNTERFOIL_LOG", "info");
    let served = Served::telling(serve, File::create(&file).unwrap());
    inject(&served, &desk, &firm).await;
    assert_eq!(served.end(), Some(0));
    let text = std::fs::read_to_string(file).unwrap();
    assert!(!text.contains("evil") && !text.contains("cf_"), "{text}");
    assert!(!text.contains('\u{1b}') && !text.contains('\u{202e}'), "{text}");
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let told = |reason: &str| {
        let of = |line: &&Value| {
            line["fields"]["message"] == "a login was refused" && line["fields"]["reason"] == reason
        };
        lines.iter().filter(of).collect::<Vec<_>>()
    };
    for (reason, names_firm) in [("no_token", false), ("wrong_secret", true)] {
        let told = told(reason);
        assert!((1..=40).contains(&told.len()), "{reason}: {} lines", told.len());
        for line in told {
            let peer = line["fields"]["peer"].as_str().unwrap();
            assert!(peer.starts_with("127.0.0.1:"), "{line}");
            assert_eq!(line["level"], "WARN");
            assert_eq!(line["fields"]["firm"].is_string(), names_firm, "{line}");
            assert_eq!(line["fields"]["access"].is_string(), names_firm, "{line}");
        }
    }
    let refused = lines.iter().filter(|line| line["fields"]["message"] == "a login was refused");
    assert!(refused.count() < 100, "240 were refused");
    let not_let_in = lines.iter().find(|line| line["fields"]["code"] == "Unauthenticated");
    assert!(not_let_in.is_none(), "once is enough: {not_let_in:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_line_says_when_how_bad_where_and_of_which_request() {
    let (lines, _) = log("info").await;
    assert!(lines.len() > 10, "{lines:?}");
    for line in &lines {
        assert!(line["timestamp"].is_string() && line["level"].is_string(), "{line}");
        assert!(line["target"].is_string() && line["fields"]["message"].is_string(), "{line}");
    }
    let turned_down = lines.iter().find(|line| {
        line["fields"]["message"] == "turned down" && line["fields"]["code"] == "AlreadyExists"
    });
    let span = &turned_down.unwrap()["span"];
    assert_eq!(span["otel.name"], "rpc.CaseLedger.Record");
    for member in ["firm", "access", "request_id"] {
        assert!(span[member].is_string(), "{member}: {span}");
    }
}
