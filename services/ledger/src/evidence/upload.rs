//! `Upload`: taking a document in.

use std::collections::BTreeSet;
use std::sync::Arc;

use api::requests::{self, UploadAsked};
use api::scalar::int64;
use api::status::Failure;
use api::v1::upload_request::Part;
use api::{FieldErrors, v1};
use domain::ids::{CaseId, DocumentHash, FirmId};
use domain::media::{KEPT, MediaType};
use sha2::{Digest as _, Sha256};
use store::EvidenceRow;
use tonic::{Status, Streaming};
use vault::{BlobName, BlobStore};

use super::{aside, count, kept, keys_of, opened, unavailable};
use crate::access::Authority;
use crate::ledger::Ledger;
use crate::quota::Held;

/// Takes a document. Nothing of it is stored before all of it is there and found to be one.
pub(super) async fn upload(
    ledger: &Ledger,
    authority: &Authority,
    held: Option<Arc<Held>>,
    mut incoming: Streaming<v1::UploadRequest>,
) -> Result<v1::UploadResponse, Status> {
    let first = incoming.message().await?.unwrap_or_default();
    if let Some(Part::Start(start)) = &first.part {
        ledger.check_name(authority, &start.name).await?;
    }
    let asked = requests::upload(&first).map_err(Failure::from)?;
    let store = kept(ledger)?;
    keys_of(ledger, asked.firm, asked.case).await?;
    let content = receive(&mut incoming, asked.size).await?;
    // Once it is here it is kept whether or not its sender waits for that.
    let (ledger, store) = (ledger.clone(), Arc::clone(store));
    let keeping = ledger.clone().spawn(async move {
        let answer = keep(&ledger, &store, asked, content).await;
        drop(held);
        answer
    });
    Ok(keeping.await.map_err(Failure::internal)?.ok_or(Failure::ShuttingDown)??)
}

/// The content, of exactly the size that was said. A stream that its sender breaks off ends here like one
/// that is whole, so that nothing but its length tells.
async fn receive(
    incoming: &mut Streaming<v1::UploadRequest>,
    size: usize,
) -> Result<Vec<u8>, Status> {
    let refused = |rule: &str| Status::from(Failure::Fields(FieldErrors::one("data", rule)));
    let other_size = "must have as many bytes in all as start.size_bytes says";
    // Nothing is set aside for what was only promised.
    let mut content = Vec::new();
    while let Some(message) = incoming.message().await? {
        let Some(Part::Data(data)) = message.part else {
            return Err(refused("is required in every message after the first"));
        };
        if data.len() > size - content.len() {
            return Err(refused(other_size));
        }
        content.extend_from_slice(&data);
    }
    if content.len() == size { Ok(content) } else { Err(refused(other_size)) }
}

/// Keeps documents of one client for another too, of whom the fact is that names them. What was never uploaded is
/// nowhere to be kept.
pub(crate) async fn keep_for(
    ledger: &Ledger,
    firm: FirmId,
    (from, to): (CaseId, CaseId),
    hashes: BTreeSet<DocumentHash>,
) -> Result<(), Failure> {
    let Some(store) = ledger.evidence() else { return Ok(()) };
    for hash in hashes {
        let content = match opened(ledger, firm, from, hash).await {
            Ok(content) => content,
            // Moved before, which a try of the same request is answered with.
            Err(Failure::NotFound { .. } | Failure::Refused(_)) => continue,
            Err(failure) => return Err(failure),
        };
        let (size, expected) = (content.len(), Some(hash));
        keep(ledger, store, UploadAsked { firm, case: to, size, expected }, content).await?;
    }
    Ok(())
}

async fn keep(
    ledger: &Ledger,
    store: &BlobStore,
    asked: UploadAsked,
    content: Vec<u8>,
) -> Result<v1::UploadResponse, Failure> {
    let UploadAsked { firm, case, size, expected } = asked;
    let refused = |field, rule: String| Failure::Fields(FieldErrors::one(field, rule));
    let (size, uploaded_at) = (count(size), ledger.now());
    // As of now: the client may have been erased while the content came.
    let keys = keys_of(ledger, firm, case).await?;
    let sealed = aside(move || {
        let media_type = MediaType::of(&content)
            .ok_or_else(|| refused("data", format!("{KEPT}, as its bytes tell")))?;
        let hash: [u8; 32] = Sha256::digest(&content).into();
        if expected.is_some_and(|expected| expected.0 != hash) {
            let rule = "must be the SHA-256 of the content that follows".to_owned();
            return Err(refused("start.sha256", rule));
        }
        let sealed = keys.seal(&hash, &content);
        let row = EvidenceRow {
            person: case,
            name: keys.name(&hash).0.into(),
            bytes: size,
            media_type,
            uploaded_at,
            sealed_hash: None,
        };
        let sealed_hash = Some(keys.seal_hash(&hash, &row.stated()));
        Ok((DocumentHash(hash), sealed, EvidenceRow { sealed_hash, ..row }))
    });
    let (hash, sealed, row) = sealed.await??;
    let (name, media_type) = (BlobName(*row.name.as_bytes()), row.media_type);
    let existed = store.put(firm.0, case.0, name, sealed).await.map_err(|e| unavailable(&e))?;
    // The row comes after the blob, so that a row without a blob always means a loss.
    ledger.store().keep_evidence(firm, &row).await?;
    // Whoever erased the client meanwhile has not seen what was stored since.
    if let Err(gone) = keys_of(ledger, firm, case).await {
        super::erase(ledger, firm, case).await;
        return Err(gone);
    }
    tracing::info!(%firm, bytes = size, media_type = media_type.code(), existed, "a document was kept");
    let document = v1::Document {
        sha256: hash.to_string(),
        size_bytes: int64(size),
        media_type: media_type.code().to_owned(),
    };
    Ok(v1::UploadResponse { document: Some(document), existed })
}
