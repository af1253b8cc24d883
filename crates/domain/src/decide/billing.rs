//! Claiming fees. There is no other way to make an invoice line.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::check_day;
use crate::account::{Account, Exposed};
use crate::event::{FeeEarned, FeeHeld, InvoiceIssued, InvoiceLine, StreamId};
use crate::gates::Gate;
use crate::ids::{AccountId, CaseId};
use crate::judge::{Judge, Matter};
use crate::money::{Currency, Money, MoneyError};
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt, World};

/// Most periods of one member that one claim settles; the rest waits for the next run. It keeps an
/// invoice far below the size of an event, and a client of five years may still be caught up at once.
const PERIODS_MAX: usize = 60;

/// The account that pays for a case.
pub(super) fn paying_account(world: &World, case: CaseId) -> Result<AccountId, Halt> {
    let own = case.own_account();
    Ok(world.account(own)?.moved_to.unwrap_or(own))
}

/// Claims one period, or refuses with every gate that does not hold.
pub(super) fn claim(
    draft: &mut Draft<'_, '_>,
    case: CaseId,
    period: u32,
    as_of: CivilDate,
) -> Result<(), Halt> {
    let world = draft.world();
    check_day(world.firm()?, draft.now(), "as_of", as_of)?;
    if world.case(case)?.enrolment.is_none() {
        return Err(
            Refusal::new(Reason::CaseUnknown, StreamId::Case(case), "nobody has enrolled").into()
        );
    }
    let account = paying_account(world, case)?;
    let accounts = accounts_of(world, case, account)?;
    let judge = judge(draft, case, &accounts)?;
    let explanation = judge.explain_anew(period, as_of).ok_or_else(|| {
        Refusal::new(
            Reason::ReferenceUnknown,
            StreamId::Case(case),
            format!("there is no period {period}"),
        )
    })?;
    if !explanation.is_claimable() {
        return Err(explanation.refusal().into());
    }
    let fee = judge.claim(account, &explanation);
    let due_days = due_days(world)?;
    let line = earn(draft, case, fee)?;
    issue(draft, account, as_of, due_days, vec![line])
}

/// Claims whatever the members of an account have earned, on one invoice, and notes what is held.
pub(super) fn bill(draft: &mut Draft<'_, '_>, id: AccountId, as_of: CivilDate) -> Result<(), Halt> {
    let world = draft.world();
    check_day(world.firm()?, draft.now(), "as_of", as_of)?;
    let account = world.account(id)?;
    if account.members.is_empty() {
        return Err(
            Refusal::new(Reason::AccountUnknown, StreamId::Account(id), "no such account").into()
        );
    }
    if account.moved_to.is_some() {
        return Ok(());
    }
    let members = account.members.clone();
    // All are loaded before anything is drafted.
    for member in &members {
        accounts_of(world, *member, id)?;
    }
    let due_days = due_days(world)?;
    let mut lines = Vec::new();
    for member in members {
        bill_member(draft, id, member, as_of, &mut lines)?;
    }
    if lines.is_empty() { Ok(()) } else { issue(draft, id, as_of, due_days, lines) }
}

fn bill_member(
    draft: &mut Draft<'_, '_>,
    account: AccountId,
    member: CaseId,
    as_of: CivilDate,
    lines: &mut Vec<InvoiceLine>,
) -> Result<(), Halt> {
    for period in open_periods(draft, account, member, as_of)? {
        // What was claimed a moment ago counts for what is claimed next.
        let accounts = accounts_of(draft.world(), member, account)?;
        let judge = judge(draft, member, &accounts)?;
        let Some(explanation) = judge.explain(period, as_of) else { continue };
        if explanation.is_claimable() {
            // What one invoice cannot say waits for the next run, as too many periods do.
            let sum = total_of(lines.iter().map(|line| line.amount).chain(explanation.amount));
            if sum.is_err() {
                return Ok(());
            }
            let fee = judge.claim(account, &explanation);
            lines.push(earn(draft, member, fee)?);
            continue;
        }
        let gates: BTreeSet<Gate> = explanation.closed_gates().collect();
        let (end, start) = (Some(explanation.period.end), Some(explanation.period.start));
        let held = FeeHeld { end, gates, period, start };
        if draft.world().case(member)?.held.get(&period) != Some(&held) {
            draft.add(StreamId::Case(member), as_of, held)?;
        }
    }
    Ok(())
}

/// The periods that a billing run looks at: over by a day, never claimed and not given up. One whose fee was
/// given back is for a person to claim.
fn open_periods(
    draft: &Draft<'_, '_>,
    account: AccountId,
    case: CaseId,
    as_of: CivilDate,
) -> Result<Vec<u32>, Halt> {
    let accounts = accounts_of(draft.world(), case, account)?;
    let judge = judge(draft, case, &accounts)?;
    let open = judge.open_periods(as_of).filter(|&period| !judge.was_claimed(period));
    Ok(open.take(PERIODS_MAX).collect())
}

impl World {
    /// The accounts on which the fees of a case stand: first the one that pays now.
    pub fn payers(&self, case: CaseId) -> Result<Vec<(AccountId, &Account)>, Halt> {
        accounts_of(self, case, paying_account(self, case)?)
    }
}

/// The accounts on which a case's fees stand: first the one that pays now.
pub(super) fn accounts_of(
    world: &World,
    case: CaseId,
    paying: AccountId,
) -> Result<Vec<(AccountId, &Account)>, Halt> {
    let mut accounts = vec![(paying, world.account(paying)?)];
    for fee in &world.case(case)?.earned {
        if accounts.iter().all(|(known, _)| *known != fee.account) {
            accounts.push((fee.account, world.account(fee.account)?));
        }
    }
    Ok(accounts)
}

/// What is open on an invoice for fees that may not be asked for on a day: the gates stand before every charge
/// request, as they stood before the invoice.
pub(super) fn held(
    draft: &Draft<'_, '_>,
    id: AccountId,
    number: u64,
    on: CivilDate,
) -> Result<Money, Halt> {
    let world = draft.world();
    let account = world.account(id)?;
    let Some(invoice) = account.invoices.get(&number) else {
        return Ok(Money::zero(currency(world)?));
    };
    let mut held = Money::zero(invoice.total.currency());
    for line in &invoice.lines {
        let accounts = accounts_of(world, line.case, id)?;
        let judge = judge(draft, line.case, &accounts)?;
        held = held.plus(judge.held_of(number, line, on)).map_err(|error| {
            Refusal::new(Reason::ValueRefused, StreamId::Account(id), error.to_string())
        })?;
    }
    Ok(held)
}

/// What nothing allowed of the lines of an account's invoices, as their fees were marked last.
pub(super) fn exposed(world: &World, id: AccountId) -> Result<Exposed, Halt> {
    let account = world.account(id)?;
    let lines = account.invoices.values().flat_map(|invoice| &invoice.lines);
    let cases: BTreeSet<CaseId> = lines.map(|line| line.case).collect();
    let mut exposed = Exposed::new();
    for case in cases {
        exposed.extend(world.case(case)?.exposed_lines(case, id, account));
    }
    Ok(exposed)
}

fn currency(world: &World) -> Result<Currency, Halt> {
    let registered = world.firm()?.registered.as_ref();
    registered.map(|firm| firm.currency).ok_or(Halt::Need(StreamId::Firm))
}

pub(super) fn judge<'a>(
    draft: &'a Draft<'_, '_>,
    id: CaseId,
    accounts: &'a [(AccountId, &'a Account)],
) -> Result<Judge<'a>, Halt> {
    let (world, now) = (draft.world(), draft.now());
    let firm = world.firm()?;
    let today = firm.today(now).ok_or(Halt::Need(StreamId::Firm))?;
    Ok(Judge::of(Matter { id, case: world.case(id)?, accounts, firm, today }))
}

fn due_days(world: &World) -> Result<u16, Halt> {
    Ok(world.firm()?.registered.as_ref().map_or(0, |firm| firm.invoice_due_days))
}

/// Claims a fee that every gate allows.
fn earn(draft: &mut Draft<'_, '_>, case: CaseId, fee: FeeEarned) -> Result<InvoiceLine, Halt> {
    let FeeEarned { amount, as_of, end, period, start, .. } = fee;
    draft.add(StreamId::Case(case), as_of, fee)?;
    Ok(InvoiceLine { amount, case, end, period, start })
}

/// The sum of one or more amounts.
fn total_of(mut amounts: impl Iterator<Item = Money>) -> Result<Money, MoneyError> {
    let first = amounts.next().expect("an invoice has a line");
    amounts.try_fold(first, Money::plus)
}

fn issue(
    draft: &mut Draft<'_, '_>,
    account: AccountId,
    as_of: CivilDate,
    due_days: u16,
    lines: Vec<InvoiceLine>,
) -> Result<(), Halt> {
    let total = total_of(lines.iter().map(|line| line.amount))
        .expect("a line is added only if the sum is an amount");
    let number = draft.world().invoices() + 1;
    let due_on = calendar::BusinessCalendar::EveryDay.add_business_days(as_of, due_days);
    draft.add(StreamId::Account(account), as_of, InvoiceIssued { due_on, lines, number, total })?;
    Ok(())
}
