//! Correcting what was told of a case.

use calendar::CivilDate;

use super::{billing, check_day, check_request, check_time, one_action, placed};
use crate::case::{self, Case};
use crate::command::{Becomes, CaseAction, CorrectedBy, Correction, Dated};
use crate::event::{CaseEvent, CorrectionNoted, Recorded, StreamId};
use crate::gates::{Answer, Gate};
use crate::ids::CaseId;
use crate::judge::Judge;
use crate::refusal::{Reason, Refusal};
use crate::terms::Seat;
use crate::world::{Draft, Halt};

/// Corrects facts of one case in their order, all or none.
pub(super) fn correct_all(
    draft: &mut Draft<'_, '_>,
    id: CaseId,
    by: CorrectedBy,
    expected_version: Option<u64>,
    corrections: &[Correction],
) -> Result<(), Halt> {
    check_request(draft, id, expected_version, ("corrections", corrections.len()))?;
    // Loaded before anything is drafted, so that a need never comes after an event.
    draft.world().firm()?;
    draft.world().account(id.own_account())?;
    for other in corrections.iter().filter_map(Correction::other) {
        draft.world().case(other)?;
    }
    let before = match by {
        CorrectedBy::Anyone => None,
        CorrectedBy::Recorder => {
            draft.world().payers(id)?;
            Some(draft.world().case(id)?.clone())
        }
    };
    for (at, correction) in corrections.iter().enumerate() {
        if by == CorrectedBy::Recorder {
            of_today_by_its_recorder(draft, id, correction)
                .map_err(|refusal| placed(refusal.into(), at))?;
        }
        // Told together, facts of one day stand in the order in which they are told.
        let on = correction.day();
        let others = corrections.iter().filter(|other| on.is_some() && other.day() == on);
        let states_order = others.count() > 1;
        correct(draft, id, correction, states_order).map_err(|halt| placed(halt, at))?;
    }
    if let Some(before) = before
        && let Some((day, gate)) = opened_gate(draft, id, &before)?
    {
        let detail = format!(
            "without it {} would hold of the fee from {day}: that is for whoever has the scope correct",
            gate.code()
        );
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Case(id), detail).into());
    }
    Ok(())
}

/// A gate that holds of a fee and did not before, with the first day of the fee's period.
fn opened_gate(
    draft: &Draft<'_, '_>,
    id: CaseId,
    before: &Case,
) -> Result<Option<(CivilDate, Gate)>, Halt> {
    let accounts = draft.world().payers(id)?;
    let after = billing::judge(draft, id, &accounts)?;
    let before = after.of_same_matter(before);
    Ok(opened(&after, &before))
}

/// A gate that holds of a fee by one judgement and does not by the one before.
pub(super) fn opened(after: &Judge<'_>, before: &Judge<'_>) -> Option<(CivilDate, Gate)> {
    let periods = after.periods().filter_map(|of| after.explain(of.number, after.today()));
    let claimed = after.fees().map(|judged| after.explain_claimed(&judged));
    for explained in periods.chain(claimed) {
        let was = before.answers(&explained);
        let mut opened = explained
            .findings
            .iter()
            .zip(was)
            .filter(|(finding, was)| finding.holds() && *was != Answer::Holds);
        if let Some((finding, _)) = opened.next() {
            return Some((explained.period.start, finding.gate));
        }
    }
    None
}

/// Whoever recorded a fact takes it back on the same day, and does nothing else with it.
fn of_today_by_its_recorder(
    draft: &Draft<'_, '_>,
    id: CaseId,
    correction: &Correction,
) -> Result<(), Refusal> {
    if correction.becomes == Becomes::Nothing && is_of_today(draft, &correction.told) {
        return Ok(());
    }
    Err(Refusal::new(Reason::StateRefuses, StreamId::Case(id), OF_TODAY))
}

/// What whoever records may take back.
pub(super) const OF_TODAY: &str = "whoever records takes back what the same token recorded today; all else is corrected by \
                                   whoever has the scope correct";

/// Whether the same token told it today.
pub(super) fn is_of_today(draft: &Draft<'_, '_>, told: &Recorded) -> bool {
    let is_own = told.access.is_some() && told.access == draft.author().access;
    let today = draft
        .world()
        .firm()
        .ok()
        .and_then(|firm| Some((firm.today(draft.now())?, firm.today(told.recorded_at)?)));
    is_own && today.is_some_and(|(today, then)| today == then)
}

/// The seat that an enrolment is corrected to.
fn seat_told(correction: &Correction) -> Option<Seat> {
    let Becomes::Told(dated) = &correction.becomes else { return None };
    let CaseAction::Enrol(enrol) = &dated.action else { return None };
    Some(enrol.seat)
}

fn correct(
    draft: &mut Draft<'_, '_>,
    id: CaseId,
    correction: &Correction,
    states_order: bool,
) -> Result<(), Halt> {
    let now = draft.now();
    let world = draft.world();
    let firm = world.firm()?;
    let today = firm.today(now).unwrap_or(correction.told.occurred_on);
    let (on, at) = match &correction.becomes {
        Becomes::Nothing | Becomes::MovedTo(_) => (today, None),
        // A time belongs to its day.
        Becomes::OnDay(on) => {
            let reading = correction.reading().filter(|reading| reading.occurred_on == *on);
            (*on, reading.and_then(|reading| reading.occurred_at))
        }
        Becomes::Told(dated) => (dated.occurred_on, dated.occurred_at),
    };
    check_day(firm, now, "occurred_on", on)?;
    let enrolment = world.case(id)?.enrolment.as_ref();
    if let Some(zone) = enrolment.map(|enrolment| enrolment.zone) {
        check_time(zone, now, on, at)?;
    }
    let before =
        correction.reading().and_then(|reading| draft.opened(StreamId::Case(id), &reading));
    let (position, request) = (world.position(), draft.request());
    let facts = case::Facts { id, firm, at, on, now, position, request };
    let case = world.case(id)?;
    if let Some(seat) = seat_told(correction)
        && case.seat() != Some(seat)
        && world.account(id.own_account())?.is_shared()
    {
        let detail = "the client is linked as one of a couple: unlink the two first";
        return Err(facts.refuse(Reason::StateRefuses, detail).into());
    }
    let moved = match correction.other() {
        Some(other) if other == id => {
            return Err(facts.refuse(Reason::ValueRefused, "it is of this client already").into());
        }
        Some(other) => Some((other, case::moved(case, &facts, correction, before.as_ref())?)),
        None => None,
    };
    for (on, event) in case::correct(case, &facts, correction, before.as_ref(), states_order)? {
        draft.add(StreamId::Case(id), on, event)?;
    }
    if let (Some((other, action)), Some(reading)) = (moved, before) {
        let (occurred_at, occurred_on) = (reading.occurred_at, reading.occurred_on);
        let corrects = draft.world().position() + 1;
        one_action(draft, other, &Dated { occurred_at, occurred_on, action })?;
        let note = correction.reason.clone();
        let noted = CorrectionNoted { corrects, moved: Some(true), note };
        draft.add(StreamId::Case(other), today, CaseEvent::CorrectionNoted(noted))?;
    }
    Ok(())
}
