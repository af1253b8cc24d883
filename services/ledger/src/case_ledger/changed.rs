//! What a correction changed of what follows from the facts, for whoever follows the log.

use api::status::Failure;
use api::v1;
use domain::event::{Recorded, StreamId};
use domain::ids::FirmId;

use super::effects;
use crate::billing::OfFees;
use crate::reading::View;

/// What an event changed, if it is a correction: of fees, owed money, periods, clocks and listings, as they were
/// judged on the day it was recorded.
pub(super) async fn by_event(
    view: &View<'_>,
    firm: FirmId,
    recorded: &Recorded,
) -> Result<Vec<v1::CorrectionEffect>, Failure> {
    let (Some(_), StreamId::Case(case)) = (recorded.event.corrects(), recorded.stream) else {
        return Ok(Vec::new());
    };
    let position = recorded.position;
    let after = OfFees::read_as_of(view, firm, case, position, recorded.recorded_at).await?;
    let before = OfFees::read_as_of(view, firm, case, position - 1, recorded.recorded_at).await?;
    let said = |matter: &OfFees| effects::of(&matter.judge(&matter.accounts()));
    Ok(effects::changes(&said(&before), &said(&after)))
}
