//! `RecordStream`: many requests over one stream, answered in order.
//!
//! Requests are put in the writer's queue as they come, without waiting for each other's answers, so
//! that they share commits. The window of unanswered ones is bounded: when it is full nothing more is
//! read, and HTTP/2 holds the client back.

use api::requests;
use api::status::{Failure, status_message, unreadable};
use api::v1;
use api::v1::record_stream_response::Result as Outcome;
use domain::ids::{CaseId, FirmId};
use futures::StreamExt;
use log::{Answer, Pending, Submission, SubmitError};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Status, Streaming};
use tracing::Instrument;

use super::{check_notes, recorded, to_match};
use crate::access::{Authority, token_over};
use crate::answers::Answers;
use crate::couples;
use crate::ledger::Ledger;

/// Answers that wait for the client to take them.
const ANSWERS_WAITING: usize = 64;
/// Most couples that one stream has compared at a time.
const COMPARING_MAX: usize = 32;

/// What the window holds.
enum Waiting {
    /// A request on its way to its answer.
    Request {
        request_id: String,
        /// What to compare once it is recorded.
        matched: Option<(FirmId, CaseId)>,
        outcome: Result<Pending, Failure>,
    },
    /// The end of the stream by the service's will.
    End(Status),
}

/// Takes requests and gives their answers.
pub(super) fn open(
    ledger: &Ledger,
    authority: Authority,
    incoming: Streaming<v1::RecordStreamRequest>,
) -> Answers<v1::RecordStreamResponse> {
    let (window, waiting) = mpsc::channel(ledger.limits().record_stream_in_flight);
    let (answers, outgoing) = mpsc::channel(ANSWERS_WAITING);
    let taking = take(ledger.clone(), authority, incoming, window);
    ledger.spawn(taking.in_current_span());
    ledger.spawn(answer(ledger.clone(), waiting, answers).in_current_span());
    Box::pin(ReceiverStream::new(outgoing))
}

/// Reads until the client has sent everything, or the service stops taking requests.
async fn take(
    ledger: Ledger,
    authority: Authority,
    mut incoming: Streaming<v1::RecordStreamRequest>,
    window: mpsc::Sender<Waiting>,
) {
    let mut over = token_over(&ledger, &authority);
    let most = ledger.limits().message_bytes_max;
    let mut taken = 0;
    loop {
        let message = tokio::select! {
            biased;
            () = ledger.closing().cancelled() => return end(&window, Failure::ShuttingDown.into()).await,
            failure = &mut over => return end(&window, failure.into()).await,
            // Nobody takes the answers any more.
            () = window.closed() => return,
            message = incoming.next() => message,
        };
        let message = match message {
            Some(Ok(message)) => message,
            // Never as if its caller had ended it: what was not taken would be taken for recorded.
            Some(Err(status)) => return end(&window, ended_by(status, taken, most)).await,
            None => return,
        };
        let waiting = enqueue(&ledger, &authority, &message).await;
        taken += 1;
        if window.send(waiting).await.is_err() {
            return;
        }
    }
}

/// Ends the stream after the answers before: the client goes on from what it has no answer for.
async fn end(window: &mpsc::Sender<Waiting>, status: Status) {
    // If nobody waits for answers any more, nobody misses this one.
    let _ = window.send(Waiting::End(status)).await;
}

/// What a stream ends with that cannot be read on. What is no message is named by its place: it and whatever
/// came after it was not taken.
fn ended_by(status: Status, taken: usize, message_bytes_max: usize) -> Status {
    match unreadable(&status, message_bytes_max) {
        Some(errors) => Failure::from(errors.under(&format!("requests[{taken}]"))).into(),
        // The service's own word, such as that nothing has come for too long.
        None => status,
    }
}

async fn enqueue(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RecordStreamRequest,
) -> Waiting {
    let record = message.record.as_ref();
    let request_id = record.map(|record| record.request_id.clone()).unwrap_or_default();
    match submit(ledger, authority, message).await {
        Ok((matched, pending)) => Waiting::Request { request_id, matched, outcome: Ok(pending) },
        Err(failure) => Waiting::Request { request_id, matched: None, outcome: Err(failure) },
    }
}

async fn submit(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RecordStreamRequest,
) -> Result<(Option<(FirmId, CaseId)>, Pending), Failure> {
    let name = message.record.as_ref().map_or("", |record| record.name.as_str());
    ledger.check_name(authority, name).await?;
    let currency = ledger.currency(name).await?;
    let asked = requests::record_stream(message, currency)?;
    check_notes(ledger, authority, &asked).await?;
    // As the same request by `Record`, so that either replays the other.
    let fingerprint = message.record.as_ref().map(api::fingerprint).unwrap_or_default();
    let firm = asked.firm;
    let matched = to_match(&asked).map(|case| (firm, case));
    let submission = Submission {
        request_id: asked.request_id,
        fingerprint,
        author: authority.author(),
        command: asked.command,
    };
    Ok((matched, ledger.engine().enqueue(firm, submission).await?))
}

/// Answers in order, and ends when every request has its answer and every couple was compared.
async fn answer(
    ledger: Ledger,
    mut waiting: mpsc::Receiver<Waiting>,
    answers: mpsc::Sender<Result<v1::RecordStreamResponse, Status>>,
) {
    let mut comparing = JoinSet::new();
    while let Some(waiting) = waiting.recv().await {
        let (request_id, matched, outcome) = match waiting {
            Waiting::Request { request_id, matched, outcome } => (request_id, matched, outcome),
            Waiting::End(status) => {
                let _ = answers.send(Err(status)).await;
                break;
            }
        };
        let outcome = settle(outcome).await;
        if let (Ok(answer), Some((firm, case))) = (&outcome, matched) {
            if comparing.len() >= COMPARING_MAX {
                comparing.join_next().await;
            }
            let (ledger, position) = (ledger.clone(), answer.position);
            comparing
                .spawn(async move { couples::compare_case(&ledger, firm, case, position).await });
        }
        if answers.send(Ok(response(request_id, outcome))).await.is_err() {
            break;
        }
    }
    while comparing.join_next().await.is_some() {}
}

async fn settle(outcome: Result<Pending, Failure>) -> Result<Answer, Failure> {
    Ok(outcome?.await.unwrap_or(Err(SubmitError::OutcomeUnknown))?)
}

fn response(request_id: String, outcome: Result<Answer, Failure>) -> v1::RecordStreamResponse {
    let result = match outcome {
        Ok(answer) => Outcome::Recorded(recorded(&answer)),
        Err(failure) => Outcome::Error(status_message(&failure.of_actions().into())),
    };
    v1::RecordStreamResponse { request_id, result: Some(result) }
}
