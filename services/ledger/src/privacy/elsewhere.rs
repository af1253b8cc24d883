//! What was told of a person in another client's file before somebody saw whose it was.

use std::collections::BTreeSet;

use api::status::Failure;
use domain::event::{CaseEvent, Event, FactCorrected, StreamId};
use domain::ids::{CaseId, FirmId};

use crate::reading::View;

/// The positions of other clients' events that told what was moved to this client: every reading of each fact that was `moved` here.
/// They are sealed under the other client's key and opened to nobody; erasing this client does not make them go.
///
/// A fact that is moved is told of the one client and taken back of the other in one request, and a request's events
/// stand side by side.
pub(super) async fn told_elsewhere(
    view: &View<'_>,
    firm: FirmId,
    case: CaseId,
    moved: &[u64],
) -> Result<Vec<u64>, Failure> {
    let mut elsewhere = BTreeSet::new();
    for &position in moved {
        let Some(fact) = view.event_at(firm, position).await? else { continue };
        let mut before = fact.position;
        loop {
            before -= 1;
            let Some(beside) = view.event_at(firm, before).await? else { break };
            if beside.request_id != fact.request_id || beside.stream == StreamId::Case(case) {
                break;
            }
            if let Event::Case(CaseEvent::FactCorrected(corrected)) = beside.event {
                if corrected.about_another == Some(true) {
                    readings(view, firm, corrected, &mut elsewhere).await?;
                }
                break;
            }
        }
    }
    Ok(elsewhere.into_iter().collect())
}

/// Every reading of a fact, from the one that a correction replaced back to the first.
async fn readings(
    view: &View<'_>,
    firm: FirmId,
    corrected: FactCorrected,
    into: &mut BTreeSet<u64>,
) -> Result<(), Failure> {
    into.insert(corrected.fact.position);
    let mut at = corrected.replaces.position;
    while into.insert(at) {
        let earlier = view.event_at(firm, at).await?;
        match earlier.map(|recorded| recorded.event) {
            Some(Event::Case(CaseEvent::FactCorrected(earlier))) => at = earlier.replaces.position,
            Some(_) | None => break,
        }
    }
    Ok(())
}
