//! Recording: replays, refusals and errors that say nothing of a client.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::record_stream_response::Result as Outcome;
use common::{Service, action, enrol, first_month, new_case, reason, record};
use futures::StreamExt;
use tonic::Code;

const PHONE: &str = "+12015550123";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repeated_request_gets_the_first_answer() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let request = record(&new_case(&firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]);
    let first = service.cases().record(request.clone()).await.unwrap().into_inner();
    let again = service.cases().record(request.clone()).await.unwrap().into_inner();
    assert_eq!(again, v1::RecordResponse { replayed: true, ..first });
    // By another door, too.
    let stream = futures::stream::iter([v1::RecordStreamRequest { record: Some(request.clone()) }]);
    let mut answers = service.cases().record_stream(stream).await.unwrap().into_inner();
    let answer = answers.message().await.unwrap().unwrap();
    assert_eq!(answer.result, Some(Outcome::Recorded(again)));
    // The same id for something else.
    let other = v1::RecordRequest { name: new_case(&firm), ..request };
    let status = service.cases().record(other).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::InvalidArgument, "REQUEST_ID_REUSED")
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refusal_is_repeated_even_when_it_would_be_granted_now() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let open = record(
        &case,
        vec![action(common::date(2026, 3, 2), v1::action::Action::OpenWork(v1::OpenWork {}))],
    );
    let first = service.cases().record(open.clone()).await.unwrap_err();
    service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let again = service.cases().record(open).await.unwrap_err();
    assert_eq!((again.code(), reason(&again)), (first.code(), reason(&first)));
    assert_eq!(reason(&again), "CASE_UNKNOWN");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_decision_on_an_old_version_is_aborted() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let disclosed = v1::action::Action::DisclosureDelivered(v1::DisclosureDelivered::default());
    let mut request = record(&case, vec![action(common::date(2026, 1, 5), disclosed)]);
    request.expected_version = Some(7);
    let status = service.cases().record(request).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::Aborted, "VERSION_MISMATCH"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_field_error_names_the_field_and_never_the_value() {
    let service = Service::start().await;
    let firm = service.firm().await;
    // A published test card number (from memory), where a name belongs.
    let card = "4111 1111 1111 1111";
    let mut action = enrol(v1::Seat::Individual, "not a telephone", "tok_1");
    if let Some(v1::action::Action::Enrol(enrol)) = &mut action.action {
        enrol.contact.as_mut().unwrap().display_name = card.into();
    }
    let status = service.cases().record(record(&new_case(&firm), vec![action])).await.unwrap_err();
    assert_eq!(status.code(), Code::InvalidArgument);
    let shown = format!("{} {}", status.message(), String::from_utf8_lossy(status.details()));
    assert!(shown.contains("actions[0].enrol.contact.display_name"), "{shown}");
    assert!(shown.contains("actions[0].enrol.contact.phone"), "{shown}");
    assert!(!shown.contains("4111") && !shown.contains("not a telephone"), "{shown}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_answers_in_order_and_goes_on_after_an_error() {
    const REQUESTS: usize = 600;
    let service = Service::start().await;
    let firm = service.firm().await;
    let requests: Vec<v1::RecordRequest> = (0..REQUESTS)
        .map(|at| {
            let case = new_case(&firm);
            match at % 3 {
                0 => record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]),
                // Malformed, then refused: nobody enrolled.
                1 => record(&case, Vec::new()),
                _ => record(
                    &case,
                    vec![action(
                        common::date(2026, 3, 2),
                        v1::action::Action::OpenWork(v1::OpenWork {}),
                    )],
                ),
            }
        })
        .collect();
    let ids: Vec<String> = requests.iter().map(|request| request.request_id.clone()).collect();
    let messages =
        requests.into_iter().map(|record| v1::RecordStreamRequest { record: Some(record) });
    let answers = service.cases().record_stream(futures::stream::iter(messages)).await.unwrap();
    let answers: Vec<v1::RecordStreamResponse> =
        answers.into_inner().map(|answer| answer.unwrap()).collect().await;
    assert_eq!(answers.iter().map(|answer| answer.request_id.clone()).collect::<Vec<_>>(), ids);
    for (at, answer) in answers.iter().enumerate() {
        match (at % 3, answer.result.as_ref().unwrap()) {
            (0, Outcome::Recorded(recorded)) => assert!(recorded.event_count > 0),
            (1, Outcome::Error(error)) => assert_eq!(Code::from(error.code), Code::InvalidArgument),
            (2, Outcome::Error(error)) => assert_eq!(Code::from(error.code), Code::NotFound),
            (_, other) => panic!("request {at} answered {other:?}"),
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_couple_is_linked_in_either_order_and_by_stream() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (one, two) = (new_case(&firm), new_case(&firm));
    for case in [&one, &two] {
        service.record(case, first_month(v1::Seat::Couple, PHONE, "tok_pair")).await;
    }
    let get =
        |case: &str| v1::GetCaseRequest { name: case.into(), ..v1::GetCaseRequest::default() };
    let first = service.cases().get_case(get(&one)).await.unwrap().into_inner().case.unwrap();
    let second = service.cases().get_case(get(&two)).await.unwrap().into_inner().case.unwrap();
    assert_eq!(first.account, second.account);

    let (three, four) = (new_case(&firm), new_case(&firm));
    let phone = "+12015550177";
    let messages = [&three, &four].map(|case| {
        let record = record(case, vec![enrol(v1::Seat::Couple, phone, "tok_other")]);
        v1::RecordStreamRequest { record: Some(record) }
    });
    let answers = service.cases().record_stream(futures::stream::iter(messages)).await.unwrap();
    assert_eq!(answers.into_inner().count().await, 2);
    let third = service.cases().get_case(get(&three)).await.unwrap().into_inner().case.unwrap();
    let fourth = service.cases().get_case(get(&four)).await.unwrap().into_inner().case.unwrap();
    assert_eq!(third.account, fourth.account);
    assert_ne!(first.account, third.account);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_case_is_read_as_it_stood_at_a_position() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let enrolled = service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let cancelled = v1::action::Action::Cancel(v1::Cancel {
        sent_on: common::date(2026, 1, 6),
        reason: String::new(),
    });
    let month = first_month(v1::Seat::Individual, PHONE, "tok_1");
    let signed: Vec<v1::Action> = month.into_iter().skip(1).take(3).collect();
    service.record(&case, signed).await;
    service.record(&case, vec![action(common::date(2026, 1, 6), cancelled)]).await;
    let get = |as_of_position| v1::GetCaseRequest {
        name: case.clone(),
        at_least_position: 0,
        as_of_position,
    };
    let now = service.cases().get_case(get(None)).await.unwrap().into_inner().case.unwrap();
    assert_eq!(now.state(), v1::CaseState::Cancelled);
    let then = service.cases().get_case(get(Some(enrolled.position))).await.unwrap().into_inner();
    assert_eq!(then.case.unwrap().state(), v1::CaseState::Enrolled);
    assert_eq!(then.position, enrolled.position);
    let beyond = service.cases().get_case(get(Some(10_000))).await.unwrap_err();
    assert_eq!(
        (beyond.code(), reason(&beyond).as_str()),
        (Code::OutOfRange, "POSITION_BEYOND_LOG")
    );
}
