//! Documents that go along with a bundle.

use std::collections::{BTreeMap, BTreeSet};

use api::status::Failure;
use bundle::Document;
use domain::event::Scope;
use domain::ids::{CaseId, DocumentHash, FirmId};
use vault::BlobKeys;

use super::hidden::of_another;
use super::kept;
use crate::access::Authority;
use crate::access::table::{Rpc, rpc};
use crate::ledger::Ledger;

/// Cases whose keys are fetched at once.
const KEYS_AT_ONCE: usize = 500;

/// Whether the caller may have documents: whoever may download them.
pub(crate) fn may_read(authority: &Authority) -> Result<(), Failure> {
    let Rpc::Scoped(scopes) = rpc("/counterfoil.v1.Evidence/Download") else {
        return Err(Failure::internal("downloads have no scope"));
    };
    if authority.has_any(scopes) {
        return Ok(());
    }
    Err(Failure::PermissionDenied { scope: Some(Scope::Read.code()) })
}

/// Those of the documents that were uploaded and can be opened, with their lengths. What events name
/// and nobody uploaded here is not among them, nor anything of a client who was erased, nor what was
/// taken back as another person's.
pub(crate) async fn attached(
    ledger: &Ledger,
    firm: FirmId,
    named: &BTreeSet<(CaseId, DocumentHash)>,
) -> Result<Vec<Document>, Failure> {
    kept(ledger)?;
    let cases: BTreeSet<CaseId> = named.iter().map(|(case, _)| *case).collect();
    let cases: Vec<CaseId> = cases.into_iter().collect();
    let mut keys: BTreeMap<CaseId, BlobKeys> = BTreeMap::new();
    for some in cases.chunks(KEYS_AT_ONCE) {
        keys.extend(ledger.engine().blob_keys(firm, some).await?);
    }
    let mut hidden = BTreeMap::new();
    for case in keys.keys() {
        hidden.insert(*case, of_another(ledger, firm, *case).await?);
    }
    let mut attached = Vec::new();
    for (case, hash) in named {
        let Some(keys) = keys.get(case) else { continue };
        if hidden.get(case).is_some_and(|hidden| hidden.contains(hash)) {
            continue;
        }
        let name = keys.name(&hash.0);
        if let Some(row) = ledger.store().evidence(firm, *case, name.0.into()).await? {
            attached.push(Document { case: *case, hash: *hash, bytes: row.bytes });
        }
    }
    Ok(attached)
}
