//! The figures of a close, from the log alone.

use std::sync::Arc;

use api::status::Failure;
use books::{Anew, Controls, Reconciled, Unfinished};
use calendar::CivilDate;
use domain::event::{AccountEvent, DepositEvent, Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::FirmId;
use log::{Fault, Stored, state_of};
use proof::{Frontier, leaf_hash};

use crate::ledger::{Ledger, as_firm};

/// Events read at a time.
const EVENTS_PAGE: usize = 2_000;

/// What the events up to a position make of a month, what of it is not finished, and the accounts at banks. Every hash is made anew: if the position is the
/// end, the log that the month is closed by has the root of its head.
pub(super) async fn controls(
    ledger: &Ledger,
    firm: FirmId,
    (end, through): (u64, CivilDate),
) -> Result<(Controls, Unfinished, Reconciled), Failure> {
    let folded = folded(ledger, firm, end).await?;
    let mut anew = Anew::new(&folded, through);
    let (mut position, mut frontier) = (0, Frontier::new());
    while position < end {
        let left = usize::try_from(end - position).unwrap_or(EVENTS_PAGE);
        let page = ledger.store().read(firm, position, left.min(EVENTS_PAGE)).await?;
        if page.is_empty() {
            return Err(Failure::Corrupt { position: position + 1 });
        }
        let mut events = Vec::new();
        for stored in &page {
            position += 1;
            if stored.position != position {
                return Err(Failure::Corrupt { position });
            }
            frontier.push(leaf_hash(&stored.bytes));
            events.extend(of_the_books(firm, stored)?);
        }
        anew.take(&events).map_err(|impossible| corrupt(&Fault::from(impossible)))?;
    }
    let head = ledger.engine().head(firm).await?;
    if head.position == end && head.frontier != frontier {
        return Err(Failure::Corrupt { position: end });
    }
    Ok(anew.figures())
}

/// The firm from its first event on: no snapshot is asked.
async fn folded(ledger: &Ledger, firm: FirmId, end: u64) -> Result<Firm, Failure> {
    let loaded = ledger.store().load_from_first(firm, &[StreamId::Firm], end).await?;
    let loaded = loaded.first().ok_or_else(|| Failure::internal("no stream was loaded"))?;
    let (state, _) = state_of(firm, loaded).map_err(|fault| corrupt(&fault))?;
    let folded = as_firm(state).ok_or_else(|| Failure::internal("the firm is no firm"))?;
    Ok(Arc::unwrap_or_clone(folded))
}

fn corrupt(fault: &Fault) -> Failure {
    tracing::error!(position = fault.position, what = fault.what, "the books cannot be made anew");
    Failure::Corrupt { position: fault.position }
}

/// An event that the books are made of. What a case tells beside its fees is most of a log, and
/// is passed by unread.
fn of_the_books(firm: FirmId, stored: &Stored) -> Result<Option<Recorded>, Failure> {
    let corrupt = Failure::Corrupt { position: stored.position };
    let Some(kind) = Recorded::kind_of(&stored.bytes) else { return Err(corrupt) };
    let is_one_of = |types: &[(&str, u32)]| types.iter().any(|(name, _)| *name == kind);
    if !OF_OTHERS.contains(&kind.as_str())
        && !is_one_of(AccountEvent::TYPES)
        && !is_one_of(DepositEvent::TYPES)
    {
        return Ok(None);
    }
    match Recorded::from_bytes(&stored.bytes) {
        Ok(recorded) if recorded.firm == firm && recorded.position == stored.position => {
            Ok(Some(recorded))
        }
        Ok(_) | Err(_) => Err(corrupt),
    }
}

/// The events of a case and of the firm that move money, [`domain::event::Event::moves_money`].
const OF_OTHERS: [&str; 4] =
    ["fee_earned", "fee_marked", "bank_account_declared", "bank_account_taken_back"];
