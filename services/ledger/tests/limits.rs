//! Too much at once is turned away with a reason, and leaves nothing behind.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;

use api::v1;
use api::v1::record_stream_response::Result as Outcome;
use common::{Service, action, date, enrol, id, new_case, reason, record};
use counterfoil_ledger::Limits;
use domain::ids::FirmId;
use futures::StreamExt;
use futures::stream::FuturesUnordered;
use log::{LoadedStream, NOTHING_KNOWN, Opening, Plan, Settings, Step};
use store::Store;
use tonic::{Code, Status};
use tonic_types::StatusExt;

const PHONE: &str = "+12015550123";

fn firm_id(firm: &str) -> FirmId {
    FirmId::parse(firm.strip_prefix("firms/").unwrap()).unwrap()
}

async fn position(service: &Service, firm: &str) -> u64 {
    service.ledger.engine().head(firm_id(firm)).await.unwrap().position
}

fn enrolment(firm: &str) -> v1::RecordRequest {
    record(&new_case(firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")])
}

/// Asks again with room: the request is recorded now, for the first time.
async fn is_new(service: &Service, request: v1::RecordRequest) {
    let answer = service.cases().record(request).await.unwrap().into_inner();
    assert!(!answer.replayed && answer.event_count > 0, "{answer:?}");
}

/// The details that go with too much work at once: when to try again, and nothing personal.
fn is_overloaded(status: &Status) {
    assert_eq!((status.code(), reason(status).as_str()), (Code::Unavailable, "OVERLOADED"));
    let retry = status.get_details_retry_info().unwrap().retry_delay.unwrap();
    assert!(!retry.is_zero());
}

/// A transaction that holds the log's turn to write until it is told to let go.
struct Held {
    let_go: mpsc::Sender<()>,
    thread: JoinHandle<()>,
}

struct Holding {
    begun: mpsc::Sender<()>,
    let_go: mpsc::Receiver<()>,
}

impl Plan for Holding {
    fn open(&mut self, _: Opening) -> Step {
        self.begun.send(()).unwrap();
        self.let_go.recv().unwrap();
        Step::Nothing
    }
    fn loaded(&mut self, _: Vec<LoadedStream>) -> Step {
        Step::Nothing
    }
}

impl Held {
    fn hold(store: Arc<Store>, firm: FirmId) -> Self {
        let (begun, has_begun) = mpsc::channel();
        let (let_go, held) = mpsc::channel();
        let runtime = tokio::runtime::Handle::current();
        let thread = std::thread::spawn(move || {
            let mut plan = Holding { begun, let_go: held };
            runtime.block_on(store.transact(firm, NOTHING_KNOWN, &[], &mut plan)).unwrap();
        });
        has_begun.recv().unwrap();
        Self { let_go, thread }
    }

    fn let_go(self) {
        self.let_go.send(()).unwrap();
        self.thread.join().unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_queue_turns_requests_away_and_records_nothing_of_them() {
    const REQUESTS: usize = 12;
    const QUEUE: usize = 2;
    let settings =
        Settings { queue_depth_max: QUEUE, batch_commands_max: 1, ..Settings::default() };
    let service = Service::over(Limits::default(), settings).await;
    let firm = service.firm().await;
    let held = Held::hold(service.store.clone(), firm_id(&firm));
    let requests: Vec<_> = (0..REQUESTS).map(|_| enrolment(&firm)).collect();
    let mut answers: FuturesUnordered<_> = requests
        .iter()
        .map(|request| {
            let (mut client, request) = (service.cases(), request.clone());
            async move { (request.clone(), client.record(request).await) }
        })
        .collect();
    // One is with the writer, who may still be taking it, and the queue is full; nobody else waits.
    let mut refused = Vec::new();
    while refused.len() < REQUESTS - QUEUE - 1 {
        let (request, answer) = answers.next().await.unwrap();
        is_overloaded(&answer.unwrap_err());
        refused.push(request);
    }
    held.let_go();
    let mut recorded = 0;
    while let Some((request, answer)) = answers.next().await {
        match answer {
            Ok(answer) => recorded += answer.into_inner().event_count,
            Err(status) => {
                is_overloaded(&status);
                refused.push(request);
            }
        }
    }
    assert!(refused.len() >= REQUESTS - QUEUE - 1 && refused.len() <= REQUESTS - QUEUE);
    let log = service.ledger.engine().read(firm_id(&firm), 0, 1_000).await.unwrap();
    let events = log.iter().map(|stored| String::from_utf8(stored.bytes.clone()).unwrap());
    let events: Vec<String> = events.collect();
    let of = |request: &v1::RecordRequest| {
        events.iter().filter(|event| event.contains(&request.request_id)).count()
    };
    let answered = requests.iter().filter(|request| !refused.contains(request));
    assert_eq!(answered.map(of).sum::<usize>(), usize::try_from(recorded).unwrap());
    assert!(recorded > 0);
    for request in refused {
        assert_eq!(of(&request), 0, "a request that was turned away left something");
        is_new(&service, request).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn more_requests_at_once_than_are_worked_on_are_shed() {
    let limits = Limits { requests_max: 1, ..Limits::default() };
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let before = position(&service, &firm).await;
    let held = Held::hold(service.store.clone(), firm_id(&firm));
    let (one, two) = (enrolment(&firm), enrolment(&firm));
    let (mut first, mut second) = (service.cases(), service.cases());
    let (first, second) = (first.record(one.clone()), second.record(two.clone()));
    tokio::pin!(first, second);
    // Whichever comes second is turned away while the other waits for the log.
    let (shed, refused, waiting) = match futures::future::select(first, second).await {
        futures::future::Either::Left((answer, waiting)) => (answer, one, waiting),
        futures::future::Either::Right((answer, waiting)) => (answer, two, waiting),
    };
    is_overloaded(&shed.unwrap_err());
    assert_eq!(position(&service, &firm).await, before);
    held.let_go();
    assert!(waiting.await.unwrap().into_inner().event_count > 0);
    is_new(&service, refused).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_that_holds_too_many_streams_hears_its_quota() {
    let limits = common::follows(2);
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let token = service.create_token(&firm, &[v1::Scope::Read], None).await;
    let access = token.token.unwrap().token_id;
    let wire = service.wire(Some(&token.secret)).await;
    let mut client = v1::case_ledger_client::CaseLedgerClient::new(wire);
    let follow = || v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut open = Vec::new();
    for _ in 0..2 {
        open.push(client.follow(follow()).await.unwrap().into_inner());
    }
    let status = client.follow(follow()).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::ResourceExhausted, "QUOTA_EXCEEDED")
    );
    let quota = status.get_details_quota_failure().unwrap();
    let violation = &quota.violations[0];
    assert_eq!(violation.subject, format!("token {access}"));
    assert_eq!(violation.description, "2 open Follow streams");
    // The quota is the token's own.
    let other = service.token(&firm, &[v1::Scope::Read]).await;
    let wire = service.wire(Some(&other)).await;
    let mut other = v1::case_ledger_client::CaseLedgerClient::new(wire);
    other.follow(follow()).await.unwrap();
    // A stream that ends makes room; the service hears of it a moment later.
    drop(open.pop());
    let room = async {
        while client.follow(follow()).await.is_err() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(std::time::Duration::from_secs(20), room).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_too_large_is_not_taken() {
    let limits = Limits { message_bytes_max: 64 << 10, ..Limits::default() };
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let before = position(&service, &firm).await;
    let message = |characters: usize| {
        let logged = v1::MessageLogged {
            direction: v1::Direction::Incoming.into(),
            text: "a".repeat(characters),
            complaint: false,
        };
        action(date(2026, 3, 2), v1::action::Action::MessageLogged(logged))
    };
    let large = record(&case, vec![message(128 << 10)]);
    let token = service.token(&firm, &[v1::Scope::Record]).await;
    let before = before + 1;
    let wire = service.wire(Some(&token)).await;
    let mut wire = v1::case_ledger_client::CaseLedgerClient::new(wire);
    for status in [
        service.cases().record(large.clone()).await.unwrap_err(),
        wire.record(large.clone()).await.unwrap_err(),
    ] {
        // Nothing is used up, and waiting would not help.
        assert_eq!(status.code(), Code::InvalidArgument, "{status}");
        let bad = status.get_details_bad_request().unwrap();
        assert_eq!(bad.field_violations[0].field, "request");
        assert!(bad.field_violations[0].description.contains("65536 bytes"), "{bad:?}");
        assert!(!status.message().contains("aaaa"));
    }
    assert_eq!(position(&service, &firm).await, before, "only the token was recorded since");
    // The same request, cut down, is new: nothing of the large one is remembered.
    is_new(&service, v1::RecordRequest { actions: vec![message(1_000)], ..large }).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn too_many_actions_in_a_request_are_refused_whole() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let before = position(&service, &firm).await;
    let connected = || {
        let source = v1::ReportSourceConnected { source: "Northern portal".into() };
        action(date(2026, 3, 2), v1::action::Action::ReportSourceConnected(source))
    };
    let most = domain::ACTIONS_MAX;
    let request = record(&case, (0..=most).map(|_| connected()).collect());
    let status = service.cases().record(request.clone()).await.unwrap_err();
    let says_so = |status: &Status| {
        assert_eq!(
            (status.code(), reason(status).as_str()),
            (Code::InvalidArgument, "FIELD_INVALID")
        );
        let bad = status.get_details_bad_request().unwrap();
        assert_eq!(bad.field_violations.len(), 1);
        assert_eq!(bad.field_violations[0].field, "actions");
        let rule = &bad.field_violations[0].description;
        assert!(rule.contains(&most.to_string()), "{rule}");
    };
    says_so(&status);
    // By the stream as well, which then goes on.
    let allowed = v1::RecordRequest {
        request_id: id(),
        actions: request.actions[..most].to_vec(),
        ..request.clone()
    };
    let messages =
        [request.clone(), allowed].map(|record| v1::RecordStreamRequest { record: Some(record) });
    let answers = service.cases().record_stream(futures::stream::iter(messages)).await.unwrap();
    let answers: Vec<_> = answers.into_inner().map(|answer| answer.unwrap()).collect().await;
    let [Some(Outcome::Error(error)), Some(Outcome::Recorded(recorded))] =
        [answers[0].result.clone(), answers[1].result.clone()]
    else {
        panic!("{answers:?}");
    };
    assert_eq!(Code::from(error.code), Code::InvalidArgument);
    let most = u64::try_from(most).unwrap();
    assert_eq!(u64::try_from(recorded.event_count).unwrap(), most);
    assert_eq!(position(&service, &firm).await, before + most);
}
