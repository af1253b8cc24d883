//! A service with nothing in it: tonic, our own messages, one group-committing writer, a leaf and a
//! Merkle frontier, a durable head row. No tokens, no domain, no idempotency, no read models. What
//! Counterfoil loses against this is its own doing. The echo has not even a writer.

use std::pin::Pin;

use api::v1::case_ledger_server::{CaseLedger, CaseLedgerServer};
use api::v1::{self, record_stream_response};
use futures::{Stream, StreamExt};
use proof::{Frontier, Hash, leaf_hash};
use tokio::sync::{mpsc, oneshot};
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Status, Streaming};

use crate::ours::{CASES, parent_is_gone};
use crate::{postgres, sqlite};

type Job = (v1::RecordRequest, oneshot::Sender<i64>);

/// Most requests of one commit.
const GROUP_MAX: usize = 1_000;

/// Bytes of an event that stand around its text.
const ENVELOPE_BYTES: usize = 420;

/// An event as a bare writer stores it.
pub(crate) struct Row {
    pub(crate) position: i64,
    pub(crate) stream: String,
    pub(crate) leaf: Hash,
    pub(crate) body: String,
}

/// Where the writer's jobs come from, and how far its log is.
pub(crate) struct Jobs {
    waiting: mpsc::Receiver<Job>,
    group: Vec<Job>,
    answers: Vec<(oneshot::Sender<i64>, i64)>,
    pub(crate) frontier: Frontier,
    pub(crate) position: i64,
}

impl Jobs {
    fn new(waiting: mpsc::Receiver<Job>) -> Self {
        let (group, answers) = (Vec::new(), Vec::new());
        Self { waiting, group, answers, frontier: Frontier::new(), position: 0 }
    }

    /// The rows of everything that waits; none once nobody will ask any more.
    pub(crate) async fn next(&mut self) -> Vec<Row> {
        self.waiting.recv_many(&mut self.group, GROUP_MAX).await;
        let mut rows = Vec::with_capacity(self.group.len());
        for (request, answer) in self.group.drain(..) {
            for action in &request.actions {
                self.position += 1;
                let body = body(action);
                let leaf = leaf_hash(body.as_bytes());
                self.frontier.push(leaf);
                let stream = request.name.clone();
                rows.push(Row { position: self.position, stream, leaf, body });
            }
            self.answers.push((answer, self.position));
        }
        rows
    }

    /// Tells everyone whose rows are durable now.
    pub(crate) fn answer(&mut self) {
        for (answer, position) in self.answers.drain(..) {
            let _ = answer.send(position);
        }
    }
}

/// As many bytes as our event has.
fn body(action: &v1::Action) -> String {
    let text = match &action.action {
        Some(v1::action::Action::MessageLogged(message)) => message.text.as_str(),
        _ => "",
    };
    let mut body = "x".repeat(ENVELOPE_BYTES);
    body.push_str(text);
    body
}

/// The service, with or without a writer behind it.
struct Bare(Option<mpsc::Sender<Job>>);

async fn put(
    jobs: Option<&mpsc::Sender<Job>>,
    request: v1::RecordRequest,
) -> oneshot::Receiver<i64> {
    let (answer, pending) = oneshot::channel();
    match jobs {
        Some(jobs) => jobs.send((request, answer)).await.unwrap(),
        None => answer.send(0).unwrap(),
    }
    pending
}

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

#[tonic::async_trait]
impl CaseLedger for Bare {
    async fn record(
        &self,
        request: Request<v1::RecordRequest>,
    ) -> Result<Response<v1::RecordResponse>, Status> {
        let position = put(self.0.as_ref(), request.into_inner()).await.await.unwrap();
        Ok(Response::new(v1::RecordResponse { position, ..Default::default() }))
    }

    type RecordStreamStream = Answers<v1::RecordStreamResponse>;

    async fn record_stream(
        &self,
        request: Request<Streaming<v1::RecordStreamRequest>>,
    ) -> Result<Response<Self::RecordStreamStream>, Status> {
        let (jobs, mut requests) = (self.0.clone(), request.into_inner());
        let (sender, pending) = mpsc::channel(GROUP_MAX);
        tokio::spawn(async move {
            while let Some(Ok(message)) = requests.next().await {
                let answer = put(jobs.as_ref(), message.record.unwrap()).await;
                if sender.send(answer).await.is_err() {
                    break;
                }
            }
        });
        let answers = ReceiverStream::new(pending).then(|answer| async move {
            let position = answer.await.unwrap();
            let recorded = v1::RecordResponse { position, ..Default::default() };
            let result = Some(record_stream_response::Result::Recorded(recorded));
            Ok(v1::RecordStreamResponse { request_id: String::new(), result })
        });
        Ok(Response::new(Box::pin(answers)))
    }

    async fn correct_facts(
        &self,
        _: Request<v1::CorrectFactsRequest>,
    ) -> Result<Response<v1::CorrectFactsResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn record_finding(
        &self,
        _: Request<v1::RecordFindingRequest>,
    ) -> Result<Response<v1::RecordFindingResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn get_case(
        &self,
        _: Request<v1::GetCaseRequest>,
    ) -> Result<Response<v1::GetCaseResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn prepare_agreement(
        &self,
        _: Request<v1::PrepareAgreementRequest>,
    ) -> Result<Response<v1::PrepareAgreementResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn list_cases(
        &self,
        _: Request<v1::ListCasesRequest>,
    ) -> Result<Response<v1::ListCasesResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn find_cases(
        &self,
        _: Request<v1::FindCasesRequest>,
    ) -> Result<Response<v1::FindCasesResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn name_clients(
        &self,
        _: Request<v1::NameClientsRequest>,
    ) -> Result<Response<v1::NameClientsResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn read_events(
        &self,
        _: Request<v1::ReadEventsRequest>,
    ) -> Result<Response<v1::ReadEventsResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    type FollowStream = Answers<v1::FollowResponse>;

    async fn follow(
        &self,
        _: Request<v1::FollowRequest>,
    ) -> Result<Response<Self::FollowStream>, Status> {
        Err(Status::unimplemented("bare"))
    }
}

/// Serves a writer on a fresh database until the parent closes this process's standard input.
pub(crate) async fn serve(database: &str) {
    let (jobs, waiting) = mpsc::channel(GROUP_MAX);
    let waiting = Jobs::new(waiting);
    if let Some(path) = database.strip_prefix("sqlite:").map(std::path::PathBuf::from) {
        std::thread::spawn(move || sqlite::ceiling::write(&path, waiting));
    } else {
        let plain = postgres::plain::Plain::fresh(database).await;
        tokio::spawn(plain.write(waiting));
    }
    answer(Bare(Some(jobs))).await;
}

/// Serves nothing at all.
pub(crate) async fn serve_echo() {
    answer(Bare(None)).await;
}

async fn answer(bare: Bare) {
    let incoming =
        TcpIncoming::bind("127.0.0.1:0".parse().unwrap()).unwrap().with_nodelay(Some(true));
    println!("{} 0 none {CASES} none", incoming.local_addr().unwrap());
    let serving =
        Server::builder().add_service(CaseLedgerServer::new(bare)).serve_with_incoming(incoming);
    tokio::select! {
        ended = serving => ended.unwrap(),
        () = parent_is_gone() => {}
    }
}
