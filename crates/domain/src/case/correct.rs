//! A fact that was told wrongly.

use super::Case;
use super::again::action_of;
use super::announce;
use super::decide::{Facts, decide};
use crate::command::{Becomes, CaseAction, Correction};
use crate::event::{CaseEvent, Event, FactCorrected, FactKind, Reading, RoundSent, WorkOpened};
use crate::refusal::{Reason, Refusal};

/// Decides a correction: the event, and what is concluded from the new reading, all of its day. `before` is
/// the reading in force, opened.
///
/// A new reading is decided as the fact would be, on the story without it.
pub(crate) fn correct(
    case: &Case,
    facts: &Facts<'_>,
    correction: &Correction,
    before: Option<Reading>,
) -> Result<Vec<CaseEvent>, Refusal> {
    let kind = fact_of(case, facts, correction)?;
    let told = &correction.told;
    let again = match &correction.becomes {
        Becomes::Nothing => {
            taken_back(case, facts, correction, kind)?;
            None
        }
        Becomes::OnDay(_) => Some(again(facts, kind, before)?),
        Becomes::Told(dated) => Some(dated.action.clone()),
    };
    let mut events = match again {
        None => Vec::new(),
        Some(action) => {
            let without = case.without(told.position);
            let events = reading(&without, facts, told_round(&told.event), action)?;
            same_kind(case, facts, kind, events.first())?;
            events
        }
    };
    let event = (!events.is_empty()).then(|| events.remove(0));
    let reading = event.map(|event| Box::new(Reading { event, occurred_on: facts.on }));
    let stays = reading.is_some() && facts.on == told.occurred_on;
    let corrected = FactCorrected {
        about_another: correction.about_another.then_some(true),
        fact: told.reference(),
        kind,
        order_of: stays.then_some(told.request_id),
        reading,
        reason: correction.reason.clone(),
        replaces: correction.replaces.reference(),
        said_by: correction.said_by.clone(),
    };
    // What the new reading broke stays behind it; what it changes of listings is told as against the old one.
    events.retain(|event| matches!(event, CaseEvent::ExposureFound(_)));
    events.extend(announce::news(case, facts, &corrected));
    events.insert(0, corrected.into());
    Ok(events)
}

/// The same fact, told as it was.
fn again(
    facts: &Facts<'_>,
    kind: FactKind,
    before: Option<Reading>,
) -> Result<CaseAction, Refusal> {
    let action = before.and_then(|reading| action_of(reading.event));
    action.ok_or_else(|| {
        let detail = format!("what the {kind} told is not known any more: tell it anew");
        facts.refuse(Reason::StateRefuses, detail)
    })
}

/// What kind of fact it is, if it is one of this case and its reading in force is named.
fn fact_of(case: &Case, facts: &Facts<'_>, correction: &Correction) -> Result<FactKind, Refusal> {
    let Correction { told, replaces, .. } = correction;
    if case.enrolment.is_none() {
        return Err(facts.refuse(Reason::CaseUnknown, "nobody has enrolled under this case"));
    }
    if let Some(erased) = &case.erased {
        let detail = format!("the client was erased on {}: the case is closed for good", erased.on);
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    if told.stream != facts.subject() {
        return Err(facts.unknown(&format!("the event at position {}", told.position)));
    }
    let kind = match &told.event {
        Event::Case(event) => event.fact(),
        Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    };
    let Some(kind) = kind else {
        let detail = format!(
            "the event at position {} is a {}: only what happened is corrected; what was decided on it is \
             judged again",
            told.position,
            told.event.type_name()
        );
        return Err(facts.refuse(Reason::StateRefuses, detail));
    };
    let in_force =
        case.corrected.get(&told.position).map_or(told.position, |known| known.reading.at.position);
    if replaces.position == in_force {
        Ok(kind)
    } else {
        let detail = format!(
            "the reading at position {} was replaced; the one in force is at position {in_force}",
            replaces.position
        );
        Err(facts.refuse(Reason::StateRefuses, detail))
    }
}

fn taken_back(
    case: &Case,
    facts: &Facts<'_>,
    correction: &Correction,
    kind: FactKind,
) -> Result<(), Refusal> {
    if case.corrected.get(&correction.told.position).is_some_and(|known| !known.stands) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "the fact is taken back already"));
    }
    if kind == FactKind::Enrolled {
        let detail = "an enrolment is corrected, not taken back: everything else rests on it";
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    Ok(())
}

/// The number of a round, which it keeps.
const fn told_round(event: &Event) -> Option<u32> {
    if let Event::Case(CaseEvent::RoundSent(sent)) = event { Some(sent.round) } else { None }
}

/// The new reading and what follows from it. That it was an order is no matter any more: it happened, whether
/// it should have or not.
fn reading(
    without: &Case,
    facts: &Facts<'_>,
    number: Option<u32>,
    action: CaseAction,
) -> Result<Vec<CaseEvent>, Refusal> {
    if action == CaseAction::OpenWork {
        return Ok(vec![WorkOpened {}.into()]);
    }
    if let CaseAction::Enrol(enrol) = &action
        && enrol.card.is_some()
    {
        let detail = "a card is no part of an enrolment that is corrected: record it as changed";
        return Err(facts.refuse(Reason::ValueRefused, detail));
    }
    let action = if let CaseAction::SendRound(round) = action {
        CaseAction::NoteRoundSent(round)
    } else {
        action
    };
    let mut events = decide(without, facts, &action)?;
    if let (Some(number), Some(CaseEvent::RoundSent(RoundSent { round, .. }))) =
        (number, events.first_mut())
    {
        *round = number;
    }
    Ok(events)
}

/// A fact keeps its kind. Whether a client pays alone or as one of a couple binds two accounts: it is not
/// corrected here.
fn same_kind(
    case: &Case,
    facts: &Facts<'_>,
    kind: FactKind,
    event: Option<&CaseEvent>,
) -> Result<(), Refusal> {
    if event.and_then(CaseEvent::fact) != Some(kind) {
        let detail = format!(
            "a {kind} stays one: take it back, and tell what happened as a fact of its own"
        );
        return Err(facts.refuse(Reason::ValueRefused, detail));
    }
    match event {
        Some(CaseEvent::Enrolled(enrolled)) if case.seat() != Some(enrolled.seat) => {
            let detail = "alone or one of a couple is not corrected: enrol the client anew";
            Err(facts.refuse(Reason::ValueRefused, detail))
        }
        Some(_) | None => Ok(()),
    }
}
