//! `Evidence`: scans and letters, sealed under their clients' keys beside the log.
//!
//! A document is held in memory while it is uploaded or downloaded, and so is bounded in size and, for each
//! firm, in number ([`Kind::Document`](crate::quota::Kind::Document)): its key is made of its hash, which is known once all of it is there, and nothing of it may
//! lie anywhere unsealed meanwhile. What is sent out was opened whole and held against its hash first.

mod attach;
mod check;
mod download;
mod hidden;
mod rows;
mod sweep;
mod upload;

use std::sync::Arc;

use api::requests;
use api::status::{Failure, with_causes};
use api::v1;
use api::v1::evidence_server::Evidence;
use domain::event::StreamId;
use domain::ids::{CaseId, DocumentHash, FirmId};
use domain::refusal::{Reason, Refusal};
use tonic::{Request, Response, Status, Streaming};
use vault::{BlobKeys, BlobStore, StorageError};

use crate::access::Authority;
use crate::answers::Answers;
use crate::ledger::{Ledger, one_case};
use crate::quota;

pub(crate) use attach::{attached, may_read};
pub(crate) use rows::row_faults;
pub use sweep::Swept;
pub(crate) use sweep::{erase, sweep_from_time_to_time};
pub(crate) use upload::keep_for;

/// The service.
pub(crate) struct EvidenceRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Evidence for EvidenceRpc {
    type DownloadStream = Answers<v1::DownloadResponse>;
    type CheckEvidenceStream = Answers<v1::CheckEvidenceResponse>;

    async fn upload(
        &self,
        request: Request<Streaming<v1::UploadRequest>>,
    ) -> Result<Response<v1::UploadResponse>, Status> {
        let authority = Authority::of(&request)?;
        let held = quota::of(&request);
        Ok(Response::new(upload::upload(&self.0, &authority, held, request.into_inner()).await?))
    }

    async fn download(
        &self,
        request: Request<v1::DownloadRequest>,
    ) -> Result<Response<Self::DownloadStream>, Status> {
        let authority = Authority::of(&request)?;
        let message = request.get_ref();
        self.0.check_name(&authority, &message.name).await?;
        let asked = requests::download(message).map_err(Failure::from)?;
        Ok(Response::new(download::open(&self.0, &authority, quota::of(&request), asked).await?))
    }

    async fn check_evidence(
        &self,
        request: Request<v1::CheckEvidenceRequest>,
    ) -> Result<Response<Self::CheckEvidenceStream>, Status> {
        let authority = Authority::of(&request)?;
        let message = request.get_ref();
        self.0.check_name(&authority, &message.parent).await?;
        let firm = requests::check_evidence(message).map_err(Failure::from)?;
        Ok(Response::new(check::open(&self.0, firm)?))
    }
}

/// Where evidence is kept, if the service was told.
fn kept(ledger: &Ledger) -> Result<&Arc<BlobStore>, Failure> {
    ledger.evidence().ok_or(Failure::Unready {
        reason: "NO_EVIDENCE_STORE",
        what: "the service was not told where to keep evidence",
    })
}

/// The keys of a client's documents; the refusal, if there are none any more or never were.
async fn keys_of(ledger: &Ledger, firm: FirmId, case: CaseId) -> Result<BlobKeys, Failure> {
    if let Some(keys) = ledger.engine().blob_keys(firm, &[case]).await?.remove(&case) {
        return Ok(keys);
    }
    let stream = StreamId::Case(case);
    let (_, states) = ledger.states(firm, &[stream], 0).await?;
    Err(if one_case(states)?.erased.is_some() {
        let erased = "the client was erased, and every document with the client";
        Refusal::new(Reason::StateRefuses, stream, erased).into()
    } else {
        Failure::NotFound { resource_type: "Case", name: api::name::case(firm, case) }
    })
}

/// A document, opened whole and held against its hash.
pub(crate) async fn opened(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
    hash: DocumentHash,
) -> Result<Vec<u8>, Failure> {
    let store = kept(ledger)?;
    let keys = keys_of(ledger, firm, case).await?;
    if hidden::of_another(ledger, firm, case).await?.contains(&hash) {
        let detail = "it was taken back as another person's: it is opened to nobody";
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Case(case), detail).into());
    }
    let name = keys.name(&hash.0);
    let found = store.get(firm.0, case.0, name, stored_bytes_max()).await;
    let Some(sealed) = found.map_err(|error| unavailable(&error))? else {
        return Err(match ledger.store().evidence(firm, case, name.0.into()).await? {
            Some(_) => missing(hash),
            None => Failure::NotFound { resource_type: "Document", name: hash.to_string() },
        });
    };
    let opened = aside(move || keys.open(&hash.0, &sealed)).await?;
    opened.map_err(|_| altered(hash))
}

/// Whether a document of a client was uploaded.
pub(crate) async fn is_uploaded(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
    hash: DocumentHash,
) -> Result<bool, Failure> {
    let name = keys_of(ledger, firm, case).await?.name(&hash.0);
    Ok(ledger.store().evidence(firm, case, name.0.into()).await?.is_some())
}

/// Work that takes a processor longer than others should wait for it.
async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Failure> {
    tokio::task::spawn_blocking(work).await.map_err(Failure::internal)
}

/// A store of evidence that fails is the operator's to look at.
fn unavailable(error: &StorageError) -> Failure {
    tracing::error!(error = with_causes(error), "the store of evidence fails");
    Failure::EvidenceUnavailable
}

fn missing(hash: DocumentHash) -> Failure {
    lost("EVIDENCE_MISSING", "the document was uploaded, and is not there any more", hash)
}

fn altered(hash: DocumentHash) -> Failure {
    lost("EVIDENCE_ALTERED", "what is there is not the document that was uploaded", hash)
}

fn lost(reason: &'static str, what: &'static str, hash: DocumentHash) -> Failure {
    tracing::error!(reason, "a document is not what was uploaded");
    Failure::Lost { reason, what, resource_type: "Document", name: hash.to_string() }
}

/// A number of bytes.
fn count(bytes: usize) -> u64 {
    u64::try_from(bytes).unwrap_or(u64::MAX)
}

/// The most bytes that a whole document is stored as.
fn stored_bytes_max() -> u64 {
    vault::sealed_len(count(api::DOCUMENT_BYTES_MAX))
}
