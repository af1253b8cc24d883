//! Documents of another person than the client: nobody is shown them.

use std::collections::BTreeSet;

use api::status::Failure;
use domain::event::{CaseEvent, Event, Recorded, StreamId};
use domain::ids::{CaseId, DocumentHash, FirmId};
use log::LogStore as _;

use crate::ledger::{Ledger, one_case};

/// The documents that facts of a case named which were taken back as another person's, and that the readings in
/// force do not name.
pub(super) async fn of_another(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
) -> Result<BTreeSet<DocumentHash>, Failure> {
    let (_, states) = ledger.states(firm, &[StreamId::Case(case)], 0).await?;
    let case = one_case(states)?;
    let (mut hidden, mut shown) = (BTreeSet::new(), BTreeSet::new());
    for (&fact, known) in case.corrected.iter().filter(|(_, known)| known.about_another) {
        // From the latest reading back to what was told first.
        let mut at = known.reading.at.position;
        loop {
            let recorded = event_at(ledger, firm, at).await?;
            let Event::Case(event) = &recorded.event else { break };
            let documents = if at == known.reading.at.position { &mut shown } else { &mut hidden };
            event.each_document(&mut |hash| {
                documents.insert(hash);
            });
            match event {
                CaseEvent::FactCorrected(corrected) if at != fact => {
                    at = corrected.replaces.position;
                }
                _ => break,
            }
        }
    }
    Ok(&hidden - &shown)
}

async fn event_at(ledger: &Ledger, firm: FirmId, position: u64) -> Result<Recorded, Failure> {
    let read = ledger.store().read(firm, position.saturating_sub(1), 1).await?;
    let stored = read.first().filter(|stored| stored.position == position);
    let recorded = stored.and_then(|stored| Recorded::from_bytes(&stored.bytes).ok());
    recorded.ok_or(Failure::Corrupt { position })
}
