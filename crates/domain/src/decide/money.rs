//! Correcting what was told of money.

use std::collections::BTreeSet;

use super::{billing, check_day, fact};
use crate::account::{self, Account, Corrected};
use crate::command::{Command, CorrectedBy, MoneyBecomes, MoneyCorrection};
use crate::event::{Event, StreamId};
use crate::ids::{AccountId, CaseId};
use crate::money::Money;
use crate::named::{self, MovementName};
use crate::refusal::{NamedVersion, Reason, Refusal, Versions};
use crate::world::{Draft, Halt};

/// Takes back what a fact moved, and tells what happened instead: at the same account, or at that of another
/// client, in one append.
pub(super) fn correct(
    draft: &mut Draft<'_, '_>,
    (id, by): (AccountId, CorrectedBy),
    expected_version: Option<u64>,
    correction: &MoneyCorrection,
) -> Result<(), Halt> {
    let takes_back = correction.becomes == MoneyBecomes::Nothing;
    if by == CorrectedBy::Recorder && !(takes_back && fact::is_of_today(draft, &correction.told)) {
        let stream = StreamId::Account(id);
        return Err(Refusal::new(Reason::StateRefuses, stream, fact::OF_TODAY).into());
    }
    let (now, world) = (draft.now(), draft.world());
    let firm = world.firm()?;
    let own = world.account(id)?;
    if let Some(expected) = expected_version
        && expected != own.version
    {
        let versions = Versions { actual: own.version, expected: NamedVersion(expected) };
        return Err(Refusal::stale(StreamId::Account(id), versions).into());
    }
    let other = match correction.becomes {
        MoneyBecomes::MovedTo { account, .. } => Some(account),
        MoneyBecomes::Nothing | MoneyBecomes::OnDay(_) | MoneyBecomes::Told(_) => None,
    };
    let today = firm.today(now).unwrap_or(correction.told.occurred_on);
    let on = match &correction.becomes {
        MoneyBecomes::Nothing => today,
        MoneyBecomes::OnDay(on) => *on,
        MoneyBecomes::Told(dated) => dated.occurred_on,
        MoneyBecomes::MovedTo { .. } => correction.told.occurred_on,
    };
    check_day(firm, now, "occurred_on", on)?;
    let currency = firm.registered.as_ref().expect("a day was checked against the firm").currency;
    let facts = |id: AccountId| {
        let exposed = billing::exposed(world, id)?;
        Ok::<_, Halt>(account::Facts {
            id,
            currency,
            exposed,
            held: Money::zero(currency),
            on,
            token: None,
        })
    };
    let (own_facts, other_facts) = (facts(id)?, other.map(facts).transpose()?);
    let other_account = other.map(|other| world.account(other)).transpose()?;
    let correction = opened(draft, id, correction)?;
    let to = other_account.zip(other_facts.as_ref());
    let Corrected { event, again } = account::correct(own, &own_facts, &correction, to)?;
    // What keeps its name keeps it wherever it is told.
    let name_of = |event: &Event| match event {
        Event::Account(event) => MovementName::of(event),
        Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    };
    let name = again.first().and_then(MovementName::of);
    if let Some(name) = name.filter(|name| name_of(&correction.told.event).as_ref() != Some(name)) {
        named::check(draft, id, &name)?;
    }
    let at = event.again;
    draft.add(StreamId::Account(id), today, event)?;
    for event in again {
        let at = at.expect("a correction names the account of what is told anew");
        draft.add(StreamId::Account(at), on, event)?;
    }
    Ok(())
}

/// A case, and the accounts by which its fees are judged.
pub(super) type Held = (CaseId, Vec<(AccountId, Account)>);

/// The accounts by which each case is judged, as they stand before whoever recorded something of money takes it back.
pub(super) fn held_before(
    draft: &Draft<'_, '_>,
    command: &Command,
    touched: &BTreeSet<CaseId>,
) -> Result<Vec<Held>, Halt> {
    let Command::CorrectMoney { by: CorrectedBy::Recorder, .. } = command else {
        return Ok(Vec::new());
    };
    let world = draft.world();
    let accounts = touched.iter().map(|&case| {
        let payers = world.payers(case)?.into_iter();
        Ok((case, payers.map(|(id, account)| (id, account.clone())).collect()))
    });
    accounts.collect()
}

/// What is taken back by whoever recorded it opens no gate.
pub(super) fn opens_nothing(draft: &Draft<'_, '_>, before: &[Held]) -> Result<(), Halt> {
    for (case, accounts) in before {
        let payers = draft.world().payers(*case)?;
        let accounts: Vec<(AccountId, &Account)> =
            accounts.iter().map(|(id, account)| (*id, account)).collect();
        let after = billing::judge(draft, *case, &payers)?;
        let before = billing::judge(draft, *case, &accounts)?;
        if let Some((day, gate)) = fact::opened(&after, &before) {
            let detail = format!(
                "without it {} would hold of the fee from {day}: that is for whoever has the scope correct",
                gate.code()
            );
            return Err(Refusal::new(Reason::StateRefuses, StreamId::Case(*case), detail).into());
        }
    }
    Ok(())
}

/// The correction with the fact's reason opened, so that it can be told anew.
fn opened(
    draft: &Draft<'_, '_>,
    id: AccountId,
    correction: &MoneyCorrection,
) -> Result<MoneyCorrection, Halt> {
    let (mut opened, mut is_whole) = (correction.clone(), true);
    opened.told.event.each_personal(
        &mut |value| match draft.opened(StreamId::Account(id), value) {
            Some(clear) => *value = clear,
            None => is_whole = false,
        },
    );
    if !is_whole {
        let detail =
            "the client was erased: nothing personal can be recorded of this person any more";
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Account(id), detail).into());
    }
    Ok(opened)
}
