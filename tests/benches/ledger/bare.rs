//! A service with nothing in it: tonic, our own messages, one group-committing writer, a leaf and a
//! Merkle frontier, a durable head row. No tokens, no domain, no idempotency, no read models. What
//! Counterfoil loses against this is its own doing.

use std::path::Path;
use std::pin::Pin;

use api::v1::case_ledger_server::{CaseLedger, CaseLedgerServer};
use api::v1::{self, record_stream_response};
use futures::{Stream, StreamExt};
use proof::{Frontier, leaf_hash};
use rusqlite::params;
use tokio::sync::{mpsc, oneshot};
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Status, Streaming};

use crate::ceiling;

type Job = (v1::RecordRequest, oneshot::Sender<i64>);

/// Most requests of one commit.
const GROUP_MAX: usize = 1_000;

/// Bytes of an event that stand around its text.
const ENVELOPE_BYTES: usize = 420;

fn writer(path: &Path, mut jobs: mpsc::Receiver<Job>) {
    let mut connection = ceiling::fresh(path);
    let firm = [1_u8; 16];
    connection.execute("INSERT INTO head VALUES (?1, 0, x'')", params![firm]).unwrap();
    let (mut group, mut frontier, mut position) = (Vec::new(), Frontier::new(), 0_i64);
    while jobs.blocking_recv_many(&mut group, GROUP_MAX) > 0 {
        let transaction = connection.transaction().unwrap();
        let mut answers = Vec::with_capacity(group.len());
        {
            let sql = "INSERT INTO event VALUES (?,?,?,?,?,?,?,?,?)";
            let mut insert = transaction.prepare_cached(sql).unwrap();
            for (request, answer) in group.drain(..) {
                position += 1;
                let body = body(&request);
                let leaf = leaf_hash(body.as_bytes());
                frontier.push(leaf);
                let id = position.to_be_bytes().repeat(2);
                insert
                    .execute(params![
                        firm,
                        position,
                        request.name,
                        position,
                        id,
                        "message_logged",
                        id,
                        leaf.as_bytes(),
                        body
                    ])
                    .unwrap();
                answers.push((answer, position));
            }
            let sql = "UPDATE head SET position = ?2, root = ?3 WHERE firm = ?1";
            let root = frontier.root();
            transaction
                .prepare_cached(sql)
                .unwrap()
                .execute(params![firm, position, root.as_bytes()])
                .unwrap();
        }
        transaction.commit().unwrap();
        for (answer, position) in answers {
            let _ = answer.send(position);
        }
    }
}

/// As many bytes as our event has.
fn body(request: &v1::RecordRequest) -> String {
    let text = match request.actions.first().and_then(|a| a.action.as_ref()) {
        Some(v1::action::Action::MessageLogged(message)) => message.text.as_str(),
        _ => "",
    };
    let mut body = "x".repeat(ENVELOPE_BYTES);
    body.push_str(text);
    body
}

struct Bare(mpsc::Sender<Job>);

async fn put(jobs: &mpsc::Sender<Job>, request: v1::RecordRequest) -> oneshot::Receiver<i64> {
    let (answer, pending) = oneshot::channel();
    jobs.send((request, answer)).await.unwrap();
    pending
}

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

#[tonic::async_trait]
impl CaseLedger for Bare {
    async fn record(
        &self,
        request: Request<v1::RecordRequest>,
    ) -> Result<Response<v1::RecordResponse>, Status> {
        let position = put(&self.0, request.into_inner()).await.await.unwrap();
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
                let answer = put(&jobs, message.record.unwrap()).await;
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

    async fn get_case(
        &self,
        _: Request<v1::GetCaseRequest>,
    ) -> Result<Response<v1::GetCaseResponse>, Status> {
        Err(Status::unimplemented("bare"))
    }

    async fn list_cases(
        &self,
        _: Request<v1::ListCasesRequest>,
    ) -> Result<Response<v1::ListCasesResponse>, Status> {
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

/// Serves until the parent closes this process's standard input.
pub(crate) async fn serve(path: &str) {
    let (jobs, waiting) = mpsc::channel(GROUP_MAX);
    let path = std::path::PathBuf::from(path);
    std::thread::spawn(move || writer(&path, waiting));
    let incoming =
        TcpIncoming::bind("127.0.0.1:0".parse().unwrap()).unwrap().with_nodelay(Some(true));
    println!("{} none none 0", incoming.local_addr().unwrap());
    let serving = Server::builder()
        .add_service(CaseLedgerServer::new(Bare(jobs)))
        .serve_with_incoming(incoming);
    tokio::select! {
        ended = serving => ended.unwrap(),
        () = crate::ours::parent_is_gone() => {}
    }
}
