//! What was told of a person in another client's file before somebody saw whose it was.

use std::collections::BTreeSet;

use api::status::Failure;
use domain::event::{CaseEvent, Event, FactCorrected, Recorded, StreamId};
use domain::ids::{CaseId, FirmId};
use log::LogStore as _;

use crate::ledger::Ledger;

/// The positions of other clients' events that told what was moved to this client: every reading of each such fact.
/// They are sealed under the other client's key and opened to nobody; erasing this client does not make them go.
///
/// A fact that is moved is told of the one client and taken back of the other in one request, and a request's events
/// stand side by side.
pub(super) async fn told_elsewhere(
    ledger: &Ledger,
    firm: FirmId,
    case: CaseId,
    own: &[Recorded],
) -> Result<Vec<u64>, Failure> {
    let mut elsewhere = BTreeSet::new();
    let moved = own.iter().filter_map(|recorded| recorded.event.moved());
    let facts = own.iter().filter(|recorded| moved.clone().any(|at| at == recorded.position));
    for fact in facts {
        let mut before = fact.position;
        loop {
            before -= 1;
            let Some(beside) = event_at(ledger, firm, before).await? else { break };
            if beside.request_id != fact.request_id || beside.stream == StreamId::Case(case) {
                break;
            }
            if let Event::Case(CaseEvent::FactCorrected(corrected)) = beside.event {
                if corrected.about_another == Some(true) {
                    readings(ledger, firm, corrected, &mut elsewhere).await?;
                }
                break;
            }
        }
    }
    Ok(elsewhere.into_iter().collect())
}

/// Every reading of a fact, from the one that a correction replaced back to the first.
async fn readings(
    ledger: &Ledger,
    firm: FirmId,
    corrected: FactCorrected,
    into: &mut BTreeSet<u64>,
) -> Result<(), Failure> {
    into.insert(corrected.fact.position);
    let mut at = corrected.replaces.position;
    while into.insert(at) {
        let earlier = event_at(ledger, firm, at).await?;
        match earlier.map(|recorded| recorded.event) {
            Some(Event::Case(CaseEvent::FactCorrected(earlier))) => at = earlier.replaces.position,
            Some(_) | None => break,
        }
    }
    Ok(())
}

async fn event_at(
    ledger: &Ledger,
    firm: FirmId,
    position: u64,
) -> Result<Option<Recorded>, Failure> {
    let Some(after) = position.checked_sub(1) else { return Ok(None) };
    let read = ledger.store().read(firm, after, 1).await?;
    let stored = read.first().filter(|stored| stored.position == position);
    let corrupt = |_| Failure::Corrupt { position };
    stored.map(|stored| Recorded::from_bytes(&stored.bytes).map_err(corrupt)).transpose()
}
