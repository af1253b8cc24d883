//! What an examiner sees, what is on record of it, and what a bound token does not show.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::evidence_client::EvidenceClient;
use api::v1::upload_request::Part;
use common::office::Office;
use common::{date, id, new_case, reason};
use counterfoil_ledger::Limits;
use tonic::Code;
use vault::BlobStore;

/// What is on record of looking, in the order of the log: at the firm, and at each of the two clients.
pub(crate) async fn looks(office: &Office) -> Vec<serde_json::Value> {
    let mut looks: Vec<serde_json::Value> = Vec::new();
    let clients = [&office.one, &office.other].map(|case| format!("looks/{}", uuid(case)));
    for stream in clients.into_iter().chain(["firm".into()]) {
        let read = read(&office.firm, Some(stream));
        let events = office.service.cases().read_events(read).await.unwrap().into_inner().events;
        let of_looking = ["access_used", "client_looked_at"];
        let events = events.iter().filter(|event| of_looking.contains(&&*event.r#type));
        looks.extend(events.map(|event| {
            serde_json::from_str::<serde_json::Value>(&event.canonical_json).unwrap()
        }));
    }
    looks.sort_by_key(|look| look["position"].as_u64());
    looks
}

/// The stream of who looked at a client.
fn looks_of(case: &str) -> serde_json::Value {
    format!("looks/{}", uuid(case)).into()
}

fn get(case: &str) -> v1::GetCaseRequest {
    v1::GetCaseRequest { name: case.into(), ..v1::GetCaseRequest::default() }
}

fn read(firm: &str, stream: Option<String>) -> v1::ReadEventsRequest {
    v1::ReadEventsRequest {
        parent: firm.into(),
        stream,
        page_size: 1_000,
        ..v1::ReadEventsRequest::default()
    }
}

fn uuid(case: &str) -> &str {
    case.rsplit('/').next().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_an_examiner_reads_is_an_event_and_whom_others_open_once_a_day() {
    let office = Office::open().await;
    let opened = async || {
        let seen = office.service.cases().get_case(get(&office.one)).await.unwrap().into_inner();
        assert!(seen.case.unwrap().client.is_some());
        let looks = looks(&office).await;
        let [look] = &looks[..] else { panic!("{looks:?}") };
        assert_eq!(
            (&look["actor"], &look["payload"]["what"]),
            (&"local operator".into(), &"GetCase".into())
        );
        assert_eq!(
            (&look["payload"]["kind"], &look["stream"]),
            (&"open".into(), &looks_of(&office.one))
        );
        assert_eq!(look["payload"]["access"], serde_json::Value::Null, "nobody with a token");
    };
    opened().await;
    // The same day, and a process that knows of nothing: still once.
    opened().await;
    let beside = office.service.beside(Limits::default()).await.connect_in_process().await.unwrap();
    CaseLedgerClient::new(beside).get_case(get(&office.one)).await.unwrap();
    opened().await;
    let mut cases = CaseLedgerClient::new(office.examiner(None).await);
    let seen = cases.get_case(get(&office.one)).await.unwrap().into_inner().case.unwrap();
    assert_eq!(seen.client, None, "an examiner's token opens nothing personal");
    cases.read_events(read(&office.firm, None)).await.unwrap();
    // What is not there was not seen.
    let nobody = new_case(&office.firm);
    assert_eq!(cases.get_case(get(&nobody)).await.unwrap_err().code(), Code::NotFound);
    let looks = looks(&office).await.split_off(1);
    let told = |at: usize, member: &str| looks[at]["payload"][member].clone();
    assert_eq!(looks.len(), 2);
    assert_eq!(told(0, "what"), "GetCase");
    assert_eq!(told(0, "kind"), "read");
    assert!(told(0, "access").is_string(), "the token that was shown it");
    assert_eq!(
        (&looks[0]["stream"], &looks[1]["stream"]),
        (&looks_of(&office.one), &"firm".into())
    );
    assert_eq!((told(1, "what"), told(1, "cases")), ("ReadEvents".into(), serde_json::json!([])));
    assert_eq!(looks[0]["actor"], "state examiner 1");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_examiner_is_given_the_documents_of_the_cases_the_token_is_bound_to_and_each_is_on_record()
 {
    let office = Office::open().await;
    office.service.ledger.keep_evidence_in(BlobStore::in_memory());
    let mut firms = EvidenceClient::new(office.service.local.clone());
    let letter = b"Dear Sir or Madam";
    let mut sha256 = String::new();
    for case in [&office.one, &office.other] {
        let size_bytes = i64::try_from(letter.len()).unwrap();
        let start = v1::UploadStart { name: case.clone(), size_bytes, sha256: String::new() };
        let parts = [Part::Start(start), Part::Data(letter.to_vec())];
        let parts = parts.map(|part| v1::UploadRequest { part: Some(part) });
        let kept = firms.upload(futures::stream::iter(parts)).await.unwrap().into_inner();
        sha256 = kept.document.unwrap().sha256;
    }
    let bounds = v1::TokenBounds { cases: vec![office.one.clone()], ..v1::TokenBounds::default() };
    let mut evidence = EvidenceClient::new(office.examiner(Some(bounds)).await);
    let of = |case: &String| v1::DownloadRequest { name: case.clone(), sha256: sha256.clone() };
    let denied = evidence.download(of(&office.other)).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied);
    let check = v1::CheckEvidenceRequest { parent: office.firm.clone() };
    let denied = evidence.check_evidence(check).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied, "it tells of every case");
    assert!(looks(&office).await.is_empty());
    let mut given = evidence.download(of(&office.one)).await.unwrap().into_inner();
    assert!(given.message().await.unwrap().is_some());
    let looks = looks(&office).await;
    assert_eq!(looks.len(), 2);
    // That it was opened, and that it was given out.
    for (look, kind) in looks.iter().zip(["open", "read"]) {
        assert_eq!(look["payload"]["kind"], kind);
        assert_eq!(look["payload"]["what"], "Download");
        assert_eq!(look["stream"], looks_of(&office.one));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_bound_to_cases_shows_those_and_no_list() {
    let office = Office::open().await;
    let bounds = v1::TokenBounds { cases: vec![office.one.clone()], ..v1::TokenBounds::default() };
    let wire = office.examiner(Some(bounds)).await;
    let mut cases = CaseLedgerClient::new(wire.clone());
    cases.get_case(get(&office.one)).await.unwrap();
    let denied = cases.get_case(get(&office.other)).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied);
    let list =
        v1::ListCasesRequest { parent: office.firm.clone(), ..v1::ListCasesRequest::default() };
    assert_eq!(cases.list_cases(list).await.unwrap_err().code(), Code::PermissionDenied);
    let own = Some(format!("case/{}", uuid(&office.one)));
    let events = cases.read_events(read(&office.firm, own.clone())).await.unwrap().into_inner();
    assert!(!events.events.is_empty());
    assert!(events.events.iter().all(|event| Some(&event.stream) == own.as_ref()));
    for closed in [None, Some("firm".into()), Some(format!("account/{}", uuid(&office.other)))] {
        let denied = cases.read_events(read(&office.firm, closed)).await.unwrap_err();
        assert_eq!(denied.code(), Code::PermissionDenied);
    }
    let mut accounts = v1::accounts_client::AccountsClient::new(wire);
    let account = |case: &str| v1::GetAccountRequest {
        name: format!("{}/accounts/{}", office.firm, uuid(case)),
        ..v1::GetAccountRequest::default()
    };
    accounts.get_account(account(&office.one)).await.unwrap();
    let denied = accounts.get_account(account(&office.other)).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied);
    // A denial is no look.
    assert_eq!(looks(&office).await.len(), 3);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_bound_to_days_shows_their_events_and_nothing_folded() {
    let office = Office::open().await;
    let bounds = v1::TokenBounds {
        from: date(2026, 1, 6),
        through: date(2026, 1, 12),
        ..v1::TokenBounds::default()
    };
    let mut cases = CaseLedgerClient::new(office.examiner(Some(bounds)).await);
    assert_eq!(cases.get_case(get(&office.one)).await.unwrap_err().code(), Code::PermissionDenied);
    let events = cases.read_events(read(&office.firm, None)).await.unwrap().into_inner().events;
    assert_eq!(events.len(), 8, "four papers of each client");
    assert!(events.iter().all(|event| event.occurred_on == date(2026, 1, 6)));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_bound_token_is_refused_names_the_rule() {
    let office = Office::open().await;
    let rule = |status: &tonic::Status| {
        assert_eq!(status.code(), Code::PermissionDenied, "{status}");
        let info = tonic_types::StatusExt::get_details_error_info(status).unwrap();
        info.metadata.get("bounds").cloned().unwrap_or_default()
    };
    let by_days = v1::TokenBounds { from: date(2026, 1, 6), ..v1::TokenBounds::default() };
    let days = office.examiner(Some(by_days)).await;
    let denied = CaseLedgerClient::new(days.clone()).get_case(get(&office.one)).await.unwrap_err();
    assert!(rule(&denied).contains("bound to days reads events"), "{denied:?}");
    let export = |scope| v1::ExportBundleRequest {
        parent: office.firm.clone(),
        scope: Some(scope),
        ..v1::ExportBundleRequest::default()
    };
    let selected = v1::DaySelection { from: date(2026, 1, 6), through: date(2026, 1, 6) };
    for scope in [
        v1::export_bundle_request::Scope::Days(selected),
        v1::export_bundle_request::Scope::Cases(v1::CaseSelection {
            names: vec![office.one.clone()],
        }),
    ] {
        let mut audit = v1::audit_client::AuditClient::new(days.clone());
        let denied = audit.export_bundle(export(scope)).await.unwrap_err();
        assert!(rule(&denied).contains("exports nothing"), "{denied:?}");
    }
    let by_cases =
        v1::TokenBounds { cases: vec![office.one.clone()], ..v1::TokenBounds::default() };
    let mut cases = CaseLedgerClient::new(office.examiner(Some(by_cases)).await);
    // The same of one that is there and of one that is not.
    for other in [office.other.clone(), new_case(&office.firm)] {
        let denied = cases.get_case(get(&other)).await.unwrap_err();
        assert!(rule(&denied).contains("bound to cases"), "{denied:?}");
    }
    let denied = cases.read_events(read(&office.firm, None)).await.unwrap_err();
    assert!(rule(&denied).contains("bound to cases"), "{denied:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_examiners_token_expires_and_no_other_is_bound() {
    let office = Office::open().await;
    let create = |token: v1::Token| {
        let request = v1::CreateTokenRequest {
            parent: office.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            token: Some(token),
        };
        let mut administration = office.service.administration();
        async move { administration.create_token(request).await.unwrap_err() }
    };
    let examiner = v1::Token {
        label: "state examiner".into(),
        scopes: vec![v1::Scope::Examine.into()],
        ..v1::Token::default()
    };
    let endless = v1::Token { expires_on: date(2027, 3, 4), ..examiner.clone() };
    assert_eq!(reason(&create(endless).await), "FIELD_INVALID", "367 days");
    let reader = v1::Token {
        scopes: vec![v1::Scope::Examine.into(), v1::Scope::Read.into()],
        expires_on: date(2026, 12, 31),
        bounds: Some(v1::TokenBounds {
            cases: vec![office.one.clone()],
            ..v1::TokenBounds::default()
        }),
        ..examiner.clone()
    };
    assert_eq!(reason(&create(reader).await), "VALUE_REFUSED");
    let of_another_firm = v1::Token {
        expires_on: date(2026, 12, 31),
        bounds: Some(v1::TokenBounds {
            cases: vec![new_case("firms/00000000-0000-7000-8000-000000000001")],
            ..v1::TokenBounds::default()
        }),
        ..examiner
    };
    let refused = create(of_another_firm).await;
    assert_eq!(refused.code(), Code::InvalidArgument, "{refused:?}");
}
