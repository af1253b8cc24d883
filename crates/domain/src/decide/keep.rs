//! Keeping money that was collected for what nothing allowed, by counsel's recorded reason.

use super::billing::judge;
use super::check_day;
use crate::command::{Dated, FeeNamed, KeepFee};
use crate::event::{FeeKept, StreamId};
use crate::ids::CaseId;
use crate::judge::JudgedFee;
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt};

/// Only money that was collected can be kept. What is open stays what nobody may ask for (15 USC 1679b(b), 1679f).
pub(super) fn fee(
    draft: &mut Draft<'_, '_>,
    case: CaseId,
    told: &Dated<KeepFee>,
) -> Result<(), Halt> {
    let (on, action) = (told.occurred_on, &told.action);
    let world = draft.world();
    check_day(world.firm()?, draft.now(), "occurred_on", on)?;
    if world.case(case)?.enrolment.is_none() {
        let detail = "nobody has enrolled";
        return Err(Refusal::new(Reason::CaseUnknown, StreamId::Case(case), detail).into());
    }
    let accounts = world.payers(case)?;
    let kept = {
        let judge = judge(draft, case, &accounts)?;
        let named = match action.fee {
            FeeNamed::Period(number) => judge.fee_for(number),
            FeeNamed::Claimed(at) => judge.fees().find(|fee| fee.fee.mark.at.position == at),
        };
        let named = named.ok_or_else(|| {
            let detail = "no such fee of this case was claimed";
            Refusal::new(Reason::ReferenceUnknown, StreamId::Case(case), detail)
        })?;
        if on < named.fee.mark.on {
            let detail = format!("the fee was claimed on {}", named.fee.mark.on);
            return Err(Refusal::new(Reason::DateImpossible, "occurred_on", detail).into());
        }
        let is_kept = world.case(case)?.keeping_of(&named.fee.mark.at).is_some();
        decided(case, &named, is_kept, action)?
    };
    draft.add(StreamId::Case(case), on, kept)?;
    Ok(())
}

fn decided(
    case: CaseId,
    fee: &JudgedFee<'_>,
    is_kept: bool,
    action: &KeepFee,
) -> Result<FeeKept, Refusal> {
    let refused = |reason, detail: &str| Err(Refusal::new(reason, StreamId::Case(case), detail));
    let unfit = |detail: String| Refusal::new(Reason::ValueRefused, "amount", detail);
    // What the processor was asked to give back is not kept as well.
    let most = fee.owed.above(fee.asked_back).plus(fee.kept);
    let most = most.map_err(|error| unfit(error.to_string()))?;
    let amount = action.amount.unwrap_or(most);
    let currency = fee.fee.amount.currency();
    if amount.currency() != currency || amount.minor() < 0 {
        return Err(unfit(format!("must not be below zero, and in {}", currency.as_str())));
    }
    if amount.is_zero() && !is_kept {
        return refused(
            Reason::StateRefuses,
            "nothing of this fee is kept, and nothing is owed of it that was not asked back already",
        );
    }
    if amount.is_positive() && !fee.exposed.is_positive() {
        return refused(
            Reason::StateRefuses,
            "nothing of this fee is exposed: there is nothing to keep",
        );
    }
    if amount.minor() > most.minor() {
        let detail = format!(
            "only {most} was collected for what nothing allowed and not asked back: nobody can keep what is open"
        );
        return Err(unfit(detail));
    }
    if amount.is_positive() && amount == fee.kept {
        return refused(Reason::AlreadyRecorded, "that much of this fee is kept already");
    }
    Ok(FeeKept {
        amount,
        counsel: action.counsel.clone(),
        document: action.document,
        exposed: fee.exposed,
        fee: fee.fee.mark.at.clone(),
        gates: fee.closed.iter().copied().collect(),
        reason: action.reason.clone(),
    })
}
