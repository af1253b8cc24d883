//! What the ledger itself could have recorded. It refuses what contradicts the record; whoever holds the
//! firm's key writes any log by hand and signs it. Each event is held against those before it, and an event
//! that fits nothing is named and passed over, so that it hides nothing behind it.
//!
//! FORMAT.md, "What can have been recorded", has the same rules for every verifier.

mod account;
mod case;
mod firm;

use domain::event::{Event, Recorded};
use domain::ids::{AccountId, CaseId};

use crate::derive::{Party, Rows};
pub(crate) use account::{Shared, not_asked};
pub(crate) use firm::FirmRecord;

/// Holds a client's own events against each other and the firm's. Those of the accounts that paid in its stead
/// are held against each other where their own client is told of.
pub(crate) fn check(party: &Party, firm: &FirmRecord, rows: &mut Rows) {
    let (case, own) = (CaseId(party.id), AccountId(party.id));
    case::check(case, party, firm, rows);
    let account = party.accounts.get(&own).map_or(&[][..], Vec::as_slice);
    account::check(own, account, party, firm, rows);
    for recorded in party.case.iter().chain(account) {
        check_day(recorded, firm, rows);
    }
}

/// Of a correction that has nothing of its kind behind it.
pub(crate) const NOT_ANEW: &str = "it says that the fact is told anew, and it is not";

/// Nothing is recorded before it happened.
pub(crate) fn check_day(recorded: &Recorded, firm: &FirmRecord, rows: &mut Rows) {
    let Some(zone) = firm.zone() else { return };
    let today = zone.date_at(recorded.recorded_at.0);
    if recorded.occurred_on > today {
        let what = format!("it happened after {today}, the day on which it was recorded");
        rows.fault(recorded.position, what);
    }
}

/// The events that follow one in its stream, of the same request.
fn following(events: &[Recorded], place: usize) -> impl Iterator<Item = &Event> {
    let request = events[place].request_id;
    let rest = events[place + 1..].iter();
    rest.take_while(move |next| next.request_id == request).map(|next| &next.event)
}
