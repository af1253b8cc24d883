//! `Download`: giving a document out.

use std::sync::Arc;

use api::requests::DocumentAsked;
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use api::v1::download_response::Part;
use domain::ids::DocumentHash;
use domain::media::MediaType;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use super::{count, opened};
use crate::access::Authority;
use crate::answers::Answers;
use crate::ledger::Ledger;
use crate::openings::Look;
use crate::quota::Held;

/// Bytes of content in one message.
const DATA_BYTES: usize = 256 << 10;
/// Messages that wait for the caller.
const MESSAGES_WAITING: usize = 4;
/// What no kind of document is told of any more.
const UNKNOWN: &str = "application/octet-stream";

/// Opens a document whole, puts on record for whom, and then gives it out.
pub(super) async fn open(
    ledger: &Ledger,
    authority: &Authority,
    held: Option<Arc<Held>>,
    asked: DocumentAsked,
) -> Result<Answers<v1::DownloadResponse>, Failure> {
    let DocumentAsked { firm, case, hash } = asked;
    let content = opened(ledger, firm, case, hash).await?;
    ledger.note_openings(Look::at_document(authority), firm, [case].into()).await?;
    let (outgoing, messages) = mpsc::channel(MESSAGES_WAITING);
    let sender = ledger.clone();
    ledger.spawn(async move {
        // A caller who does not take it must not keep others from theirs.
        let patience = sender.limits().request_timeout_max;
        tokio::select! {
            () = sender.closing().cancelled() => {
                let _ = outgoing.try_send(Err(Failure::ShuttingDown.into()));
            }
            _ = tokio::time::timeout(patience, send(&outgoing, hash, content, held)) => {}
        }
    });
    Ok(Box::pin(ReceiverStream::new(messages)))
}

async fn send(
    outgoing: &mpsc::Sender<Result<v1::DownloadResponse, Status>>,
    hash: DocumentHash,
    content: Vec<u8>,
    _held: Option<Arc<Held>>,
) {
    let document = v1::Document {
        sha256: hash.to_string(),
        size_bytes: int64(count(content.len())),
        media_type: MediaType::of(&content).map_or(UNKNOWN, MediaType::code).to_owned(),
    };
    let data = content.chunks(DATA_BYTES).map(|data| Part::Data(data.to_vec()));
    for part in std::iter::once(Part::Document(document)).chain(data) {
        // A caller who has left does not want the rest.
        if outgoing.send(Ok(v1::DownloadResponse { part: Some(part) })).await.is_err() {
            return;
        }
    }
}
