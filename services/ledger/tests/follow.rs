//! Following: no gap, no repeat, and a good end.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::time::Duration;

use api::v1;
use api::v1::follow_response::Message;
use common::{Service, enrol, new_case, reason, record};
use tonic::Code;

const PHONE: &str = "+12015550123";

async fn enrol_many(service: &Service, firm: &str, count: usize) -> i64 {
    let records: Vec<v1::RecordStreamRequest> = (0..count)
        .map(|_| record(&new_case(firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]))
        .map(|record| v1::RecordStreamRequest { record: Some(record) })
        .collect();
    let answers = service.cases().record_stream(futures::stream::iter(records)).await.unwrap();
    let mut answers = answers.into_inner();
    let mut last = 0;
    while let Some(answer) = answers.message().await.unwrap() {
        match answer.result.unwrap() {
            v1::record_stream_response::Result::Recorded(recorded) => last = recorded.position,
            v1::record_stream_response::Result::Error(error) => panic!("{}", error.message),
        }
    }
    last
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_reader_gets_every_event_once_and_then_what_is_new() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let last = enrol_many(&service, &firm, 1_500).await;
    let follow = v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut stream = service.cases().follow(follow).await.unwrap().into_inner();
    let (mut expected, mut late) = (1, 0);
    loop {
        match stream.message().await.unwrap().unwrap().message.unwrap() {
            Message::Event(event) => {
                assert_eq!(event.position, expected);
                expected += 1;
                // Now and then the reader is busy, and once the log grows meanwhile.
                if event.position % 1_000 == 0 {
                    tokio::task::yield_now().await;
                }
                if event.position == 2_000 {
                    late = enrol_many(&service, &firm, 10).await;
                }
            }
            Message::CaughtUp(caught_up) if caught_up.position >= last.max(late) => break,
            Message::CaughtUp(_) | Message::Progress(_) => {}
        }
    }
    // What was opened for the reader is an event as well, and comes after what it was opened of.
    assert!(expected > late);
    let live = enrol_many(&service, &firm, 1).await;
    while expected <= live {
        if let Message::Event(event) = stream.message().await.unwrap().unwrap().message.unwrap() {
            assert_eq!(event.position, expected);
            expected += 1;
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_filtered_reader_hears_how_far_it_is() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let last = enrol_many(&service, &firm, 20).await;
    let follow = v1::FollowRequest {
        parent: firm.clone(),
        types: vec!["firm_registered".into()],
        progress_interval: Some(prost_types::Duration { seconds: 1, nanos: 0 }),
        ..v1::FollowRequest::default()
    };
    let mut stream = service.cases().follow(follow).await.unwrap().into_inner();
    let mut events = 0;
    loop {
        match stream.message().await.unwrap().unwrap().message.unwrap() {
            Message::Event(event) => {
                assert_eq!(event.r#type, "firm_registered");
                events += 1;
            }
            Message::CaughtUp(caught_up) => assert_eq!(caught_up.position, last),
            Message::Progress(progress) => {
                assert_eq!(progress.position, last);
                break;
            }
        }
    }
    assert_eq!(events, 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_holds_so_many_streams_and_loses_them_when_it_is_revoked() {
    let limits = common::follows(1);
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let token = service.create_token(&firm, &[v1::Scope::Read], None).await;
    let wire = service.wire(Some(&token.secret)).await;
    let mut client = v1::case_ledger_client::CaseLedgerClient::new(wire);
    let follow = || v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut stream = client.follow(follow()).await.unwrap().into_inner();
    let second = client.follow(follow()).await.unwrap_err();
    assert_eq!(second.code(), Code::ResourceExhausted);
    let revoke = v1::RevokeTokenRequest {
        parent: firm.clone(),
        request_id: common::id(),
        occurred_on: common::date(2026, 3, 2),
        token_id: token.token.unwrap().token_id,
    };
    service.administration().revoke_token(revoke).await.unwrap();
    // Only what comes more than a second later is sure to find the token gone.
    let ended = async {
        loop {
            enrol_many(&service, &firm, 1).await;
            tokio::select! {
                message = stream.message() => if let Err(status) = message { break status },
                () = tokio::time::sleep(Duration::from_millis(200)) => {}
            }
        }
    };
    let status = tokio::time::timeout(Duration::from_secs(20), ended).await.unwrap();
    assert_eq!(status.code(), Code::Unauthenticated);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_shutdown_ends_followers_and_answers_what_is_in_flight() {
    let mut service = Service::start().await;
    let firm = service.firm().await;
    let follow = v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut stream = service.cases().follow(follow).await.unwrap().into_inner();
    stream.message().await.unwrap().unwrap();
    let in_flight: Vec<_> = (0..64)
        .map(|_| {
            let mut client = service.cases();
            let request =
                record(&new_case(&firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]);
            tokio::spawn(async move { client.record(request).await })
        })
        .collect();
    // Some are recorded, others on their way.
    while !is_enrolment(&stream.message().await.unwrap().unwrap()) {}
    assert!(service.ledger.shutdown().await, "everything ends within the deadline");
    service.listening.take().unwrap().ended().await;
    let ended = loop {
        match stream.message().await {
            Ok(Some(_)) => {}
            Ok(None) => panic!("a follower is told why it ends"),
            Err(status) => break status,
        }
    };
    assert_eq!((ended.code(), reason(&ended).as_str()), (Code::Unavailable, "SHUTTING_DOWN"));
    // What was taken was answered, and what was not answered was not taken: turned away by the
    // service, or never sent by a client whose connection had ended.
    let mut answered = 0;
    for request in in_flight {
        match request.await.unwrap() {
            Ok(_) => answered += 1,
            Err(status) => {
                assert!(matches!(status.code(), Code::Unavailable | Code::Cancelled), "{status}");
            }
        }
    }
    let firm = domain::ids::FirmId::parse(firm.strip_prefix("firms/").unwrap()).unwrap();
    let log = service.ledger.engine().read(firm, 0, 1_000).await.unwrap();
    let recorded =
        log.iter().map(|stored| domain::event::Recorded::from_bytes(&stored.bytes).unwrap());
    let enrolled = recorded.filter(|recorded| recorded.event.type_name() == "enrolled").count();
    assert!(answered > 0);
    assert_eq!(enrolled, answered);
}

fn is_enrolment(response: &v1::FollowResponse) -> bool {
    matches!(&response.message, Some(Message::Event(event)) if event.r#type == "enrolled")
}
