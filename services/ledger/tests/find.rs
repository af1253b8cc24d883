//! Clients are looked up by what is known of them, and nobody is opened but those who are found.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::find_cases_request::Sought;
use api::v1::privacy_client::PrivacyClient;
use common::erasing::{LATER, end_service, erasure};
use common::{Service, action, date, enrol, new_case, record};
use futures::StreamExt as _;
use tonic::{Code, Status};

fn called(name: &str, phone: &str) -> v1::Action {
    let mut enrolment = enrol(v1::Seat::Individual, phone, "tok_1");
    if let Some(v1::action::Action::Enrol(enrol)) = &mut enrolment.action {
        enrol.contact.as_mut().unwrap().display_name = name.into();
    }
    enrolment
}

fn find(firm: &str, sought: Sought) -> v1::FindCasesRequest {
    v1::FindCasesRequest { parent: firm.into(), sought: Some(sought), ..Default::default() }
}

fn name(text: &str) -> Sought {
    Sought::Name(text.into())
}

async fn found(service: &Service, firm: &str, sought: Sought) -> v1::FindCasesResponse {
    let position = v1::GetHeadRequest { parent: firm.into() };
    let head = service.administration().get_head(position).await.unwrap().into_inner();
    let at_least_position = head.position;
    let request = v1::FindCasesRequest { at_least_position, ..find(firm, sought) };
    service.cases().find_cases(request).await.unwrap().into_inner()
}

fn names(found: &v1::FindCasesResponse) -> Vec<&str> {
    found.cases.iter().map(|case| case.name.as_str()).collect()
}

/// Who looked at a client, and by which call.
async fn looks(service: &Service, case: &str) -> Vec<(String, String)> {
    let (firm, id) = case.split_once("/cases/").unwrap();
    let read = v1::ReadEventsRequest {
        parent: firm.into(),
        stream: Some(format!("looks/{id}")),
        page_size: 1_000,
        ..Default::default()
    };
    let events = service.cases().read_events(read).await.unwrap().into_inner().events;
    let look = |event: &v1::Event| {
        let event: serde_json::Value = serde_json::from_str(&event.canonical_json).unwrap();
        let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
        (text(&event["actor"]), text(&event["payload"]["what"]))
    };
    events.iter().map(look).collect()
}

async fn three_smiths(service: &Service) -> (String, [String; 3]) {
    let firm = service.firm().await;
    let cases = [new_case(&firm), new_case(&firm), new_case(&firm)];
    for (case, (name, phone)) in cases.iter().zip([
        ("Ana Smith", "+12015550123"),
        ("Bob Smith", "+12015550124"),
        ("Cyd Smith-Lark", "+12015550125"),
    ]) {
        service.record(case, vec![called(name, phone)]).await;
    }
    (firm, cases)
}

fn refused(status: &Status, field: &str, value: &str) {
    assert_eq!(status.code(), Code::InvalidArgument, "{status:?}");
    let said = format!("{status:?}");
    assert!(said.contains(field) && !said.contains(value), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn looking_up_one_of_three_smiths_opens_that_one_and_no_other() {
    let service = Service::start().await;
    let (firm, [ana, bob, cyd]) = three_smiths(&service).await;
    let one = found(&service, &firm, name("ana SMITH")).await;
    assert_eq!(names(&one), [ana.as_str()]);
    assert_eq!(one.cases[0].client_display_name, "Ana Smith");
    let by_one = ("local operator".to_owned(), "FindCases".to_owned());
    assert_eq!(looks(&service, &ana).await, std::slice::from_ref(&by_one));
    for other in [&bob, &cyd] {
        assert!(looks(&service, other).await.is_empty(), "nobody saw {other}");
    }
    // Another reader is on record as well, whoever looked before.
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut reader = CaseLedgerClient::new(service.wire(Some(&token)).await);
    reader.find_cases(find(&firm, Sought::Phone("(201) 555-0123".into()))).await.unwrap();
    let [first, (reader, call)] = <[_; 2]>::try_from(looks(&service, &ana).await).unwrap();
    assert_eq!((first, call.as_str()), (by_one, "FindCases"));
    assert!(reader.starts_with("test client"), "{reader}");
    assert!(looks(&service, &bob).await.is_empty());

    let all = found(&service, &firm, name("smith")).await;
    assert_eq!(names(&all), [&ana, &bob, &cyd].map(String::as_str));
    assert_eq!(names(&found(&service, &firm, name("lark smith")).await), [cyd.as_str()]);
    for nobody in ["smit", "ana lark", "sm_th", "' OR '1'='1"] {
        let none = found(&service, &firm, name(nobody)).await;
        assert_eq!((names(&none), none.too_many, none.incomplete), (vec![], false, false));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_look_is_no_version_of_the_case() {
    let service = Service::start().await;
    let (firm, [ana, ..]) = three_smiths(&service).await;
    let version = found(&service, &firm, name("ana")).await.cases[0].version;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut reader = CaseLedgerClient::new(service.wire(Some(&token)).await);
    reader.find_cases(find(&firm, name("ana"))).await.unwrap();
    assert_eq!(looks(&service, &ana).await.len(), 2);
    let connected = v1::ReportSourceConnected { source: "Northern portal".into() };
    let connected = action(date(2026, 1, 13), v1::action::Action::ReportSourceConnected(connected));
    let request =
        v1::RecordRequest { expected_version: Some(version), ..record(&ana, vec![connected]) };
    service.cases().record(request).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn what_finds_nobody_is_refused_by_its_field_and_without_its_value() {
    let service = Service::start().await;
    let (firm, [ana, ..]) = three_smiths(&service).await;
    let mut cases = service.cases();
    for (sought, field, value) in [
        (Sought::IdPart("f".into()), "id_part", "\"f\""),
        (Sought::IdPart("01g8".into()), "id_part", "01g8"),
        (Sought::IdPart("____".into()), "id_part", "____"),
        (name("%%%"), "name", "%%%"),
        (name(""), "name", "Smith"),
        (Sought::Phone("555-0123".into()), "phone", "555-0123"),
    ] {
        let status = cases.find_cases(find(&firm, sought)).await.unwrap_err();
        refused(&status, field, value);
    }
    let nothing = v1::FindCasesRequest { parent: firm.clone(), ..Default::default() };
    refused(&cases.find_cases(nothing).await.unwrap_err(), "sought", "Smith");
    let id = ana.rsplit('/').next().unwrap();
    for part in [id, &id[..30], &id[24..], &id.replace('-', "").to_uppercase()] {
        let by_id = found(&service, &firm, Sought::IdPart(part.into())).await;
        assert_eq!(names(&by_id), [ana.as_str()], "{part}");
    }
    // Who may not see a name may not ask who is called so.
    let token = service.token(&firm, &[v1::Scope::Bill]).await;
    let mut biller = CaseLedgerClient::new(service.wire(Some(&token)).await);
    for sought in [name("Ana"), Sought::Phone("+12015550123".into())] {
        let denied = biller.find_cases(find(&firm, sought)).await.unwrap_err();
        assert_eq!(denied.code(), Code::PermissionDenied);
    }
    let by_id = find(&firm, Sought::IdPart(id.into()));
    let by_id = biller.find_cases(by_id).await.unwrap().into_inner();
    assert_eq!((names(&by_id), &*by_id.cases[0].client_display_name), (vec![ana.as_str()], ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_thousand_with_a_common_word_none_is_opened() {
    let service = Service::start().await;
    let (firm, [ana, ..]) = three_smiths(&service).await;
    let enrolled = futures::stream::iter(0..1_997).map(|number| {
        let (case, mut cases) = (new_case(&firm), service.cases());
        let phone = format!("+1201555{:04}", 200 + number);
        let enrolment = called(&format!("Nr{number} Smith"), &phone);
        async move { cases.record(record(&case, vec![enrolment])).await.unwrap() }
    });
    assert_eq!(enrolled.buffer_unordered(64).count().await, 1_997);
    let many = found(&service, &firm, name("smith")).await;
    assert_eq!((names(&many), many.too_many), (vec![], true));
    assert!(looks(&service, &ana).await.is_empty());
    let one = found(&service, &firm, name("nr1996 smith")).await;
    assert_eq!((one.cases.len(), one.too_many), (1, false));
    assert!(looks(&service, &ana).await.is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn who_was_erased_is_found_by_the_id_alone() {
    let service = Service::start().await;
    let (firm, [ana, ..]) = three_smiths(&service).await;
    service.record(&ana, vec![action(date(2026, 3, 2), end_service())]).await;
    service.clock.set(LATER);
    let erased = PrivacyClient::new(service.local.clone())
        .erase_person(erasure(&ana, date(2032, 2, 2)))
        .await
        .unwrap()
        .into_inner();
    assert!(erased.clear_card_positions.is_empty(), "its token was sealed, and is gone");
    assert_eq!(names(&found(&service, &firm, name("ana")).await), Vec::<&str>::new());
    let by_phone = found(&service, &firm, Sought::Phone("+12015550123".into())).await;
    assert_eq!(names(&by_phone), Vec::<&str>::new());
    let by_id = found(&service, &firm, Sought::IdPart(ana[ana.len() - 36..].into())).await;
    assert_eq!((names(&by_id), &*by_id.cases[0].client_display_name), (vec![ana.as_str()], ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_firm_that_is_not_there_has_no_clients_to_look_for() {
    let service = Service::start().await;
    service.firm().await;
    for sought in [name("Ada Lark"), Sought::Phone("+12015550123".into())] {
        let nobody = "firms/00000000-0000-7000-8000-00000000dead";
        let refused = service.cases().find_cases(find(nobody, sought)).await.unwrap_err();
        assert_eq!(refused.code(), Code::NotFound, "{refused:?}");
    }
}
