//! Which lines of an invoice its money is of, recorded where it is not what the events of the money say.

use std::collections::{BTreeMap, BTreeSet};

use super::billing::judge;
use crate::account::{NotAsked, Unfit};
use crate::event::{InvoiceLine, LineShare, LinesShared, MoneyRestated, StreamId};
use crate::ids::{AccountId, CaseId};
use crate::money::Money;
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt, World};

/// What waits to be recorded of the lines of an invoice.
pub(super) type Shares = Vec<(AccountId, LinesShared)>;

/// These cases, and those whose fees stand on an invoice with one of theirs, and so on: what is given back of one line is
/// not given back of another.
pub(super) fn sharing(world: &World, of: &BTreeSet<CaseId>) -> Result<BTreeSet<CaseId>, Halt> {
    let (mut cases, mut found) = (BTreeSet::new(), of.clone());
    while let Some(case) = found.pop_first() {
        if !cases.insert(case) || world.case(case)?.earned.is_empty() {
            continue;
        }
        for (_, account) in world.payers(case)? {
            let invoices = account.invoices.values().map(|invoice| &invoice.lines);
            let shared = invoices.filter(|lines| lines.iter().any(|line| line.case == case));
            found.extend(shared.flatten().map(|line| line.case).filter(|of| !cases.contains(of)));
        }
    }
    Ok(cases)
}

/// What the money of an account comes to by the days of what was told of it, where the events before say otherwise.
pub(super) fn restated(
    draft: &Draft<'_, '_>,
    id: AccountId,
) -> Result<Option<MoneyRestated>, Halt> {
    let world = draft.world();
    let account = world.account(id)?;
    if account.told.is_empty() {
        return Ok(None);
    }
    let mut not_asked = BTreeMap::new();
    let several = account.invoices.values().filter(|invoice| invoice.lines.len() > 1);
    let cases: BTreeSet<CaseId> =
        several.flat_map(|invoice| &invoice.lines).map(|line| line.case).collect();
    for case in cases {
        not_asked.extend(judge(draft, case, &world.payers(case)?)?.not_asked());
    }
    let of_lines = |number: u64| -> Vec<NotAsked> {
        let lines = account.invoices.get(&number).map_or(&[][..], |invoice| &invoice.lines);
        // One line alone leaves no question.
        let known = |line: u32| not_asked.get(&(id, number, line)).filter(|_| lines.len() > 1);
        let nothing = |of: &InvoiceLine| NotAsked::nothing(Money::zero(of.amount.currency()));
        let of_line = |(line, of)| known(line).cloned().unwrap_or_else(|| nothing(of));
        (1..).zip(lines).map(of_line).collect()
    };
    Ok(account.restated(of_lines).map_err(|unfit| unfit_account(id, unfit))?)
}

/// Records that, and what is found to be owed of payments since.
pub(super) fn restate(draft: &mut Draft<'_, '_>, id: AccountId) -> Result<(), Halt> {
    let today = draft.world().firm()?.today(draft.now()).ok_or(Halt::Need(StreamId::Firm))?;
    if let Some(restated) = restated(draft, id)? {
        draft.add(StreamId::Account(id), today, restated)?;
    }
    let found = draft.world().account(id)?.found_unearned();
    for found in found.map_err(|unfit| unfit_account(id, unfit))? {
        draft.add(StreamId::Account(id), today, found)?;
    }
    Ok(())
}

fn unfit_account(id: AccountId, unfit: Unfit) -> Refusal {
    Refusal::new(Reason::ValueRefused, StreamId::Account(id), unfit.to_string())
}

/// What would be recorded now: the money of each invoice of several lines by what is known of its fees.
pub(super) fn otherwise(draft: &Draft<'_, '_>, cases: &BTreeSet<CaseId>) -> Result<Shares, Halt> {
    let (world, mut not_asked) = (draft.world(), BTreeMap::new());
    let mut accounts = BTreeMap::new();
    for &case in cases {
        if world.case(case)?.earned.is_empty() {
            continue;
        }
        let payers = world.payers(case)?;
        let has_several = payers
            .iter()
            .any(|(_, account)| account.invoices.values().any(|invoice| invoice.lines.len() > 1));
        if has_several {
            not_asked.extend(judge(draft, case, &payers)?.not_asked());
            accounts.extend(payers);
        }
    }
    let mut shares = Shares::new();
    for (id, account) in accounts {
        for (&number, invoice) in account.invoices.iter() {
            let nothing = NotAsked::nothing(Money::zero(invoice.total.currency()));
            let of_line = |line: u32| not_asked.get(&(id, number, line)).cloned();
            let lines: Vec<NotAsked> = (1..)
                .zip(&invoice.lines)
                .map(|(line, _)| of_line(line).unwrap_or_else(|| nothing.clone()))
                .collect();
            let shared = account.shared_otherwise(number, &lines);
            let shared = shared.map_err(|unfit| unfit_account(id, unfit))?;
            shares.extend(shared.map(|of| (id, of)));
        }
    }
    Ok(shares)
}

/// Records of which lines money is, but for what waits for an administrator's review.
pub(super) fn share(
    draft: &mut Draft<'_, '_>,
    cases: &BTreeSet<CaseId>,
    awaited: &Shares,
) -> Result<(), Halt> {
    let asks_as = |one: &LineShare, other: &LineShare| {
        (one.exposed, &one.kept, one.unproved) == (other.exposed, &other.kept, other.unproved)
    };
    let is_awaited = |id: AccountId, shared: &LinesShared| {
        awaited.iter().any(|(of, other)| {
            (*of, other.invoice) == (id, shared.invoice)
                && other.lines.iter().zip(&shared.lines).all(|(one, other)| asks_as(one, other))
        })
    };
    // What is given back of one invoice bears on the fees of later ones: once for each.
    let mut shared = BTreeSet::new();
    loop {
        let found = otherwise(draft, cases)?;
        let news = found
            .into_iter()
            .filter(|(id, of)| !shared.contains(&(*id, of.invoice)) && !is_awaited(*id, of));
        let Some((id, of)) = news.min_by_key(|(_, of)| of.invoice) else { return Ok(()) };
        shared.insert((id, of.invoice));
        let today = draft.world().firm()?.today(draft.now()).ok_or(Halt::Need(StreamId::Firm))?;
        draft.add(StreamId::Account(id), today, of)?;
    }
}
