//! Documents of another person than the client: nobody is shown them.

use std::collections::BTreeSet;

use api::status::Failure;
use domain::event::{Event, Recorded, StreamId};
use domain::ids::{CaseId, DocumentHash, FirmId};

use crate::ledger::{Ledger, one_case};

/// The documents that a case names in what was taken back as another person's, unless a correction or what was moved
/// here since names them as the client's own: to record a fact that names one is not enough.
pub(super) async fn of_another(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
) -> Result<BTreeSet<DocumentHash>, Failure> {
    let stream = StreamId::Case(case);
    let (position, states) = ledger.states(firm, &[stream], 0).await?;
    let state = one_case(states)?;
    let (mut hidden, mut shown) = (BTreeSet::new(), BTreeSet::new());
    if state.corrected.values().all(|known| !known.about_another) {
        return Ok(hidden);
    }
    let loaded = ledger.store().load_from_first(firm, &[stream], position).await?;
    for stored in loaded.iter().flat_map(|loaded| &loaded.events) {
        let recorded = Recorded::from_bytes(&stored.bytes);
        let corrupt = |_| Failure::Corrupt { position: stored.position };
        let recorded = recorded.map_err(corrupt)?;
        let Event::Case(event) = &recorded.event else { continue };
        let (position, corrects) = (recorded.position, recorded.event.corrects());
        let documents = if state.is_of_another(position, corrects) {
            &mut hidden
        } else if corrects.is_some() || state.moved_here.contains_key(&position) {
            &mut shown
        } else {
            continue;
        };
        event.each_document(&mut |hash| {
            documents.insert(hash);
        });
    }
    Ok(&hidden - &shown)
}
