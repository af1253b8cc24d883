//! Correcting what the firm told of itself.

use super::check_day;
use crate::command::{FirmBecomes, FirmCorrection};
use crate::event::StreamId;
use crate::firm::{self, FactCorrected};
use crate::world::{Draft, Halt};

/// Takes a fact back, and tells what is true in its stead.
pub(super) fn correct(draft: &mut Draft<'_, '_>, correction: &FirmCorrection) -> Result<(), Halt> {
    let (now, firm) = (draft.now(), draft.world().firm()?);
    let today = firm.today(now).unwrap_or(correction.told.occurred_on);
    let on = match &correction.becomes {
        FirmBecomes::Nothing => today,
        FirmBecomes::OnDay(on) => *on,
        FirmBecomes::Told(dated) => dated.occurred_on,
    };
    check_day(firm, now, "occurred_on", on)?;
    let FactCorrected { event, again } = firm::correct(firm, on, correction)?;
    draft.add(StreamId::Firm, today, event)?;
    if let Some(event) = again {
        draft.add(StreamId::Firm, on, event)?;
    }
    Ok(())
}
