//! Deleting the documents of clients who were erased, and what was never finished.
//!
//! Without their keys nobody reads them, so a document that stays a while longer harms nobody. Documents
//! of somebody whom this database does not know are let be: several may share one store, and one that
//! was restored to an earlier day knows fewer clients than the store does.

use std::collections::BTreeSet;
use std::time::{Duration, SystemTime};

use api::status::Failure;
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use log::StoreError;
use store::{Leases, Work};

use super::{aside, kept, unavailable};
use crate::ledger::{Ledger, as_case};
use crate::paging::limit;

/// How long what is not finished is let be: longer than any upload takes.
const UNFINISHED_AFTER: Duration = Duration::from_hours(24);
/// Clients looked up at a time.
const CLIENTS_PAGE: usize = 500;

/// What a sweep did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Swept {
    /// Erased clients whose documents were deleted.
    pub clients: u64,
    /// Uploads that were never finished, and were deleted.
    pub unfinished: u64,
}

/// Sweeps every firm now and from time to time until the service closes, in one process of those on the
/// database. Two that both did would delete the same.
pub(crate) async fn sweep_from_time_to_time(ledger: Ledger) {
    let mut leases = ledger.store().leases();
    loop {
        if let Err(error) = look(&ledger, &mut leases).await {
            tracing::warn!(%error, "evidence is left to the next sweep");
        }
        tokio::select! {
            () = ledger.closing().cancelled() => return,
            () = tokio::time::sleep(ledger.limits().evidence_sweep) => {}
        }
    }
}

async fn look(ledger: &Ledger, leases: &mut Leases) -> Result<(), StoreError> {
    for firm in ledger.store().firms().await? {
        if leases.ask(firm, Work::Evidence).await?
            && let Err(failure) = ledger.sweep_evidence(firm).await
        {
            tracing::warn!(%firm, ?failure, "evidence is left to the next sweep");
        }
    }
    Ok(())
}

impl Ledger {
    /// Deletes the documents of a firm's erased clients, and uploads that were begun more than a day ago
    /// and never finished. The service does so by itself from time to time while it serves.
    pub async fn sweep_evidence(&self, firm: FirmId) -> Result<Swept, Failure> {
        let store = kept(self)?;
        let stored = store.people(firm.0).await.map_err(|error| unavailable(&error))?;
        let mut owners: BTreeSet<CaseId> = stored.into_iter().map(CaseId).collect();
        owners.extend(owners_of_rows(self, firm).await?);
        let owners: Vec<CaseId> = owners.into_iter().collect();
        let mut swept = Swept::default();
        for page in owners.chunks(CLIENTS_PAGE) {
            for case in erased(self, firm, page).await? {
                swept.clients += u64::from(erase(self, firm, case).await);
            }
        }
        let (store, before) = (store.clone(), self.real_time() - UNFINISHED_AFTER);
        let cleared = aside(move || store.clear_unfinished(firm.0, before)).await?;
        swept.unfinished = cleared.map_err(|error| unavailable(&error))?;
        if swept != Swept::default() {
            let Swept { clients, unfinished } = swept;
            tracing::info!(%firm, clients, unfinished, "evidence was swept");
        }
        Ok(swept)
    }

    fn real_time(&self) -> SystemTime {
        let micros = u64::try_from(self.now().0).unwrap_or_default();
        SystemTime::UNIX_EPOCH + Duration::from_micros(micros)
    }
}

/// Everybody whom the database has documents of.
pub(super) async fn owners_of_rows(
    ledger: &Ledger,
    firm: FirmId,
) -> Result<Vec<CaseId>, StoreError> {
    let most = limit(CLIENTS_PAGE);
    let mut owners: Vec<CaseId> = Vec::new();
    loop {
        let page = ledger.store().evidence_owners(firm, owners.last().copied(), most).await?;
        if page.is_empty() {
            return Ok(owners);
        }
        owners.extend(page);
    }
}

/// Those who were erased.
async fn erased(ledger: &Ledger, firm: FirmId, cases: &[CaseId]) -> Result<Vec<CaseId>, Failure> {
    let keys = ledger.engine().blob_keys(firm, cases).await?;
    let keyless: Vec<CaseId> =
        cases.iter().copied().filter(|case| !keys.contains_key(case)).collect();
    let streams: Vec<StreamId> = keyless.iter().copied().map(StreamId::Case).collect();
    let (_, states) = ledger.states(firm, &streams, 0).await?;
    let is_erased = |state| as_case(state).is_some_and(|case| case.erased.is_some());
    let cases = keyless.into_iter().zip(states);
    Ok(cases.filter_map(|(case, state)| is_erased(state).then_some(case)).collect())
}

/// Deletes everything of a client who was erased. Whether it is gone: what fails is told to the operator
/// and made up for by the next sweep.
pub(crate) async fn erase(ledger: &Ledger, firm: FirmId, case: CaseId) -> bool {
    let Some(store) = ledger.evidence() else { return false };
    let gone = async {
        let deleted = store.delete_all(firm.0, case.0).await;
        deleted.map_err(|error| unavailable(&error))?;
        ledger.store().forget_evidence(firm, case).await.map_err(Failure::from)
    };
    match gone.await {
        Ok(_) => true,
        Err(failure) => {
            tracing::warn!(%firm, %case, ?failure, "documents of an erased client are left to the next sweep");
            false
        }
    }
}
