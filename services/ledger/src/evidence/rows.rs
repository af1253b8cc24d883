//! Holding the rows of documents against what was sealed with them when they were uploaded.

use std::collections::BTreeMap;

use api::status::Failure;
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use proof::Hash;
use store::EvidenceRow;
use vault::{Altered, BlobKeys, BlobName, ContentHash};

use super::sweep::owners_of_rows;
use crate::ledger::Ledger;

/// Rows read at a time.
const ROWS_PAGE: u32 = 1_000;
/// Clients whose keys are fetched at once.
const CLIENTS_PAGE: usize = 500;

/// The hash of the content that a row is of; nothing of a row of an earlier version, which does not tell.
pub(super) fn hash_of(row: &EvidenceRow, keys: &BlobKeys) -> Result<Option<ContentHash>, Altered> {
    let Some(sealed) = &row.sealed_hash else { return Ok(None) };
    keys.open_hash(&BlobName(*row.name.as_bytes()), &row.stated(), sealed).map(Some)
}

/// The rows of a client.
pub(super) async fn rows_of(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
) -> Result<BTreeMap<BlobName, EvidenceRow>, Failure> {
    let (mut rows, mut after): (BTreeMap<BlobName, EvidenceRow>, Option<Hash>) = Default::default();
    loop {
        let page = ledger.store().evidence_after(firm, case, after, ROWS_PAGE).await?;
        let Some(last) = page.last() else { return Ok(rows) };
        after = Some(last.name);
        rows.extend(page.into_iter().map(|row| (BlobName(*row.name.as_bytes()), row)));
    }
}

/// Rows that do not say what was uploaded, and those of clients whom the log does not know.
pub(crate) async fn row_faults(ledger: &Ledger, firm: FirmId) -> Result<Vec<String>, Failure> {
    let mut faults = Vec::new();
    for owners in owners_of_rows(ledger, firm).await?.chunks(CLIENTS_PAGE) {
        let keys = ledger.engine().blob_keys(firm, owners).await?;
        for case in owners {
            let Some(keys) = keys.get(case) else {
                // Rows of an erased client go with the next sweep. That a key is missing is found elsewhere.
                let (_, states) = ledger.states(firm, &[StreamId::Case(*case)], 0).await?;
                if states.iter().all(|state| state.version() == 0) {
                    faults.push(format!(
                        "rows of evidence are of {case}, whom the log does not know"
                    ));
                }
                continue;
            };
            for (name, row) in rows_of(ledger, firm, *case).await? {
                if hash_of(&row, keys).is_err() {
                    faults.push(format!(
                        "the row of evidence {name} of {case} does not say what was uploaded"
                    ));
                }
            }
        }
    }
    Ok(faults)
}
