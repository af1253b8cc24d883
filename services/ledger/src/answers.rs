//! Answers that are more than one message.

use std::pin::Pin;

use api::scalar::int64;
use api::status::Failure;
use api::v1;
use futures::Stream;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use crate::ledger::Ledger;

/// Messages that wait for the caller.
pub(crate) const MESSAGES_WAITING: usize = 16;

/// A stream of answers.
pub(crate) type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

/// Where work leaves its answers.
pub(crate) type Outgoing<T> = mpsc::Sender<Result<T, Status>>;

/// The answers of work that nobody wants but its caller: it ends when the caller leaves. Its failure,
/// that of a service that closes among them, is the last message.
pub(crate) fn answers_of<T, W>(
    ledger: &Ledger,
    work: impl FnOnce(Ledger, Outgoing<T>) -> W,
) -> Answers<T>
where
    T: Send + 'static,
    W: Future<Output = Result<(), Failure>> + Send + 'static,
{
    let (outgoing, messages) = mpsc::channel(MESSAGES_WAITING);
    let (ledger, work) = (ledger.clone(), work(ledger.clone(), outgoing.clone()));
    ledger.clone().spawn(async move {
        let worked = tokio::select! {
            biased;
            () = ledger.closing().cancelled() => Err(Failure::ShuttingDown),
            () = outgoing.closed() => return,
            worked = work => worked,
        };
        if let Err(failure) = worked {
            // A caller who has left does not want it.
            let _ = outgoing.send(Err(failure.into())).await;
        }
    });
    Box::pin(ReceiverStream::new(messages))
}

/// How far a run over a firm's log has come.
pub(crate) fn run_progress(position: u64, head: u64) -> v1::RunProgress {
    v1::RunProgress { position: int64(position), head_position: int64(head) }
}
