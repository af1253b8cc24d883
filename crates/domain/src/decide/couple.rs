//! Linking two clients who are one couple.

use std::collections::BTreeSet;

use calendar::CivilDate;

use crate::account::Account;
use crate::case::{Case, CaseStatus};
use crate::command::CoupleAction;
use crate::couple::{Party, matches};
use crate::event::{
    LinkRefused, LinkSuggested, LinkedBy, Match, MemberLinked, MemberUnlinked, PaymentMoved,
    PaymentMovedBack, StreamId,
};
use crate::ids::CaseId;
use crate::refusal::{Reason, Refusal};
use crate::terms::Seat;
use crate::world::{Draft, Halt};

/// Two cases, the one that enrolled first in front: its account pays.
struct Pair {
    payer: CaseId,
    other: CaseId,
    matches: BTreeSet<Match>,
    suggested: Option<BTreeSet<Match>>,
    refused: bool,
}

pub(super) fn decide(
    draft: &mut Draft<'_, '_>,
    first: CaseId,
    second: CaseId,
    action: CoupleAction,
) -> Result<(), Halt> {
    let today = today(draft)?;
    match action {
        CoupleAction::Unlink => unlink(draft, first, second, today),
        CoupleAction::Compare => match pair(draft, first, second)? {
            Ok(pair) => compare(draft, &pair, today),
            // The matcher only proposes; what cannot be a couple is simply none.
            Err(_) => Ok(()),
        },
        CoupleAction::Confirm => {
            let pair = pair(draft, first, second)??;
            link(draft, &pair, LinkedBy::Person, today)
        }
        CoupleAction::Refuse => {
            let pair = pair(draft, first, second)??;
            if pair.refused {
                return Err(refuse(second, "a person refused this pair before").into());
            }
            let account = StreamId::Account(pair.payer.own_account());
            draft.add(account, today, LinkRefused { member: pair.other })?;
            Ok(())
        }
    }
}

fn today(draft: &Draft<'_, '_>) -> Result<CivilDate, Halt> {
    let today = draft.world().firm()?.today(draft.now());
    today.ok_or_else(|| {
        Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered").into()
    })
}

fn refuse(case: CaseId, detail: &str) -> Refusal {
    Refusal::new(Reason::StateRefuses, StreamId::Case(case), detail)
}

/// The two as a pair, if they may be one at all: both on a couple plan, both served, neither linked.
fn pair(
    draft: &Draft<'_, '_>,
    first: CaseId,
    second: CaseId,
) -> Result<Result<Pair, Refusal>, Halt> {
    let world = draft.world();
    let (one, two) = (world.case(first)?, world.case(second)?);
    let (own, other) = (world.account(first.own_account())?, world.account(second.own_account())?);
    if first == second {
        return Ok(Err(refuse(first, "a couple is two clients")));
    }
    for (id, case, account) in [(first, one, own), (second, two, other)] {
        if let Some(reason) = why_not(case, account) {
            return Ok(Err(refuse(id, reason)));
        }
    }
    let since = |case: &Case| case.enrolment.as_ref().map(|e| (e.mark.on, e.mark.at.position));
    let (payer, other_id) =
        if since(one) <= since(two) { (first, second) } else { (second, first) };
    let payers = if payer == first { own } else { other };
    let others = if payer == first { other } else { own };
    Ok(Ok(Pair {
        payer,
        other: other_id,
        matches: match (draft.opened_contact(first)?, draft.opened_contact(second)?) {
            (Some(one), Some(two)) => matches(
                Party { contact: &one, card: draft.opened_card(first.own_account())?.as_ref() },
                Party { contact: &two, card: draft.opened_card(second.own_account())?.as_ref() },
            ),
            _ => BTreeSet::new(),
        },
        suggested: payers.suggested.get(&other_id).map(|s| s.matches.clone()),
        refused: payers.refused.contains(&other_id) || others.refused.contains(&payer),
    }))
}

fn why_not(case: &Case, account: &Account) -> Option<&'static str> {
    if case.enrolment.is_none() {
        return Some("nobody has enrolled under this case");
    }
    if case.seat() != Some(Seat::Couple) {
        return Some("not enrolled on a couple plan");
    }
    if matches!(case.status(), CaseStatus::Ended | CaseStatus::Cancelled) {
        return Some("the service is over");
    }
    if account.is_shared() {
        return Some("linked to another already");
    }
    None
}

fn compare(draft: &mut Draft<'_, '_>, pair: &Pair, today: CivilDate) -> Result<(), Halt> {
    if pair.refused {
        return Ok(());
    }
    if pair.matches.len() == Match::ALL.len() {
        return link(draft, pair, LinkedBy::Rule, today);
    }
    if pair.matches.len() + 1 == Match::ALL.len() && pair.suggested.as_ref() != Some(&pair.matches)
    {
        let account = StreamId::Account(pair.payer.own_account());
        let event = LinkSuggested { matches: pair.matches.clone(), member: pair.other };
        draft.add(account, today, event)?;
    }
    Ok(())
}

fn link(
    draft: &mut Draft<'_, '_>,
    pair: &Pair,
    by: LinkedBy,
    today: CivilDate,
) -> Result<(), Halt> {
    let (payer, other) = (pair.payer.own_account(), pair.other.own_account());
    let linked = MemberLinked { by, matches: pair.matches.clone(), member: pair.other };
    draft.add(StreamId::Account(payer), today, linked)?;
    draft.add(StreamId::Account(other), today, PaymentMoved { to: payer })?;
    Ok(())
}

fn unlink(
    draft: &mut Draft<'_, '_>,
    first: CaseId,
    second: CaseId,
    today: CivilDate,
) -> Result<(), Halt> {
    let world = draft.world();
    let pays_for = |payer: CaseId, member: CaseId| -> Result<bool, Halt> {
        Ok(world.account(payer.own_account())?.members == [payer, member])
    };
    let (payer, other) = if pays_for(first, second)? {
        (first, second)
    } else if pays_for(second, first)? {
        (second, first)
    } else {
        return Err(refuse(first, "these two are not linked").into());
    };
    draft.add(StreamId::Account(payer.own_account()), today, MemberUnlinked { member: other })?;
    draft.add(StreamId::Account(other.own_account()), today, PaymentMovedBack {})?;
    Ok(())
}
