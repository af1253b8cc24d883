//! What clients are called, for lists: opened from the sealed names that rows carry.

use std::collections::HashMap;

use api::status::Failure;
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use domain::value::Personal;

use crate::ledger::Ledger;
use crate::openings::Look;

/// Opens the names of clients for whoever may see them, and puts on record whose were opened. A name that stays
/// sealed, since its client was erased, is left out. Keys are the primary's, wherever the rows are from.
pub(crate) async fn open_names<'s>(
    ledger: &Ledger,
    look: Look<'_>,
    firm: FirmId,
    sealed: impl Iterator<Item = (CaseId, Option<&'s str>)> + Clone,
) -> Result<HashMap<CaseId, String>, Failure> {
    if !look.may_see {
        return Ok(HashMap::new());
    }
    let streams: Vec<StreamId> = sealed.clone().map(|(case, _)| StreamId::Case(case)).collect();
    let opener = ledger.engine().opener(firm, streams).await?;
    let open = |(case, sealed): (CaseId, Option<&str>)| {
        let mut name = Personal::from_sealed(sealed?);
        opener.open(StreamId::Case(case), &mut name);
        Some((case, name.revealed()?.to_owned()))
    };
    let names: HashMap<CaseId, String> = sealed.filter_map(open).collect();
    ledger.note_openings(look, firm, names.keys().copied().collect()).await?;
    Ok(names)
}
