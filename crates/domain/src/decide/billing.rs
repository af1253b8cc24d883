//! Claiming fees. There is no other way to make an invoice line.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::check_day;
use crate::account::PaymentPath;
use crate::event::{FeeEarned, FeeHeld, InvoiceIssued, InvoiceLine, StreamId};
use crate::gates::{Explanation, Gate, Judgement};
use crate::ids::{AccountId, CaseId};
use crate::money::{Money, MoneyError};
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt, World};

/// Most periods of one member that one claim settles; the rest waits for the next run. It keeps an
/// invoice far below the size of an event, and a client of five years may still be caught up at once.
const PERIODS_MAX: usize = 60;

/// The account that pays for a case.
fn paying_account(world: &World, case: CaseId) -> Result<AccountId, Halt> {
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
    let explanation = explain(world, account, case, period, as_of)?.ok_or_else(|| {
        Refusal::new(
            Reason::ReferenceUnknown,
            StreamId::Case(case),
            format!("there is no period {period}"),
        )
    })?;
    if !explanation.is_claimable() {
        return Err(explanation.refusal().into());
    }
    let due_days = due_days(world)?;
    let line = earn(draft, account, &explanation)?;
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
    for member in &members {
        world.case(*member)?;
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
    for period in open_periods(draft.world(), member, as_of)? {
        let Some(explanation) = explain(draft.world(), account, member, period, as_of)? else {
            continue;
        };
        if explanation.is_claimable() {
            // What one invoice cannot say waits for the next run, as too many periods do.
            let sum = total_of(lines.iter().map(|line| line.amount).chain(explanation.amount));
            if sum.is_err() {
                return Ok(());
            }
            lines.push(earn(draft, account, &explanation)?);
            continue;
        }
        let gates: BTreeSet<Gate> = explanation.closed_gates().collect();
        if draft.world().case(member)?.held.get(&period) != Some(&gates) {
            draft.add(StreamId::Case(member), as_of, FeeHeld { gates, period })?;
        }
    }
    Ok(())
}

/// The periods that are over by a day and neither claimed nor given up.
fn open_periods(world: &World, case: CaseId, as_of: CivilDate) -> Result<Vec<u32>, Halt> {
    Ok(world.case(case)?.open_periods(as_of).take(PERIODS_MAX).collect())
}

fn explain(
    world: &World,
    account: AccountId,
    case: CaseId,
    period: u32,
    as_of: CivilDate,
) -> Result<Option<Explanation>, Halt> {
    let account = world.account(account)?;
    assert_eq!(account.path_of(case), PaymentPath::Here, "who pays was asked of the accounts");
    let judgement =
        Judgement { id: case, case: world.case(case)?, account, firm: world.firm()?, as_of };
    Ok(judgement.explain(period))
}

fn due_days(world: &World) -> Result<u16, Halt> {
    Ok(world.firm()?.registered.as_ref().map_or(0, |firm| firm.invoice_due_days))
}

fn earn(
    draft: &mut Draft<'_, '_>,
    account: AccountId,
    explanation: &Explanation,
) -> Result<InvoiceLine, Halt> {
    let (case, period) = (explanation.case, explanation.period);
    let amount = explanation.amount.expect("a claimable fee has an amount: gate G8 checked it");
    let of_case = draft.world().case(case)?;
    let agreement = of_case.agreement_for(period.start);
    let rules = agreement.map(|a| a.rules.packs.clone()).unwrap_or_default();
    let enrolment = of_case.enrolment.as_ref();
    let plan = enrolment.map(|enrolment| enrolment.plan.clone());
    let evidence = explanation.evidence();
    // ASC 606, work billed in arrears: earned when the period was over and the promised work done.
    // Where the right to payment hung on the telemarketing wait, not before it was asked for.
    let waited = enrolment.zip(agreement).is_some_and(|(enrolment, agreement)| {
        !agreement.rules.telemarketing.exempts(&enrolment.sale)
    });
    let last_day = period.end.pred_opt().unwrap_or(period.end);
    let done_on = evidence.iter().map(|e| e.on).fold(last_day, CivilDate::max);
    let earned_on = if waited { explanation.as_of } else { done_on.min(explanation.as_of) };
    let event = FeeEarned {
        account,
        amount,
        as_of: explanation.as_of,
        earned_on: Some(earned_on),
        end: period.end,
        evidence,
        period: period.number,
        plan,
        rules,
        start: period.start,
    };
    draft.add(StreamId::Case(case), explanation.as_of, event)?;
    Ok(InvoiceLine { amount, case, end: period.end, period: period.number, start: period.start })
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
