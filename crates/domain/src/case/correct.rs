//! A fact that was told wrongly.

use calendar::CivilDate;

use super::again::action_of;
use super::decide::{Facts, decide};
use super::{Case, announce};
use crate::command::{Becomes, CaseAction, Correction};
use crate::event::{
    CaseEvent, Event, ExposureKind, FactCorrected, FactKind, Reading, RoundSent, WorkOpened,
};
use crate::refusal::{Reason, Refusal};
use crate::terms::Seat;

/// Decides a correction: the event, and what is concluded from the new reading, each with its day. `before` is
/// the reading in force, opened.
///
/// A new reading is decided as the fact would be, on the story without it. If its request `states_order`, it stands among
/// facts of its day as it stands there, and otherwise where it stood before.
pub(crate) fn correct(
    case: &Case,
    facts: &Facts<'_>,
    correction: &Correction,
    before: Option<&Reading>,
    states_order: bool,
) -> Result<Vec<(CivilDate, CaseEvent)>, Refusal> {
    let kind = fact_of(case, facts, correction)?;
    let told = &correction.told;
    let again = match &correction.becomes {
        Becomes::Nothing | Becomes::MovedTo(_) => {
            taken_back(case, facts, correction, kind)?;
            None
        }
        Becomes::OnDay(_) => Some(again(facts, kind, before.cloned())?),
        Becomes::Told(dated) => Some(dated.action.clone()),
    };
    let mut events = match again {
        None => Vec::new(),
        Some(action) => {
            let without = case.without(told.position);
            let events = reading(&without, facts, told_round(&told.event), action)?;
            same_kind(case, facts, kind, events.first())?;
            if !states_order {
                changes_something(facts, before, events.first())?;
            }
            events
        }
    };
    let event = (!events.is_empty()).then(|| events.remove(0));
    if let Some(number) = told_round(&told.event) {
        what_rests_on_it(case, facts, number, event.as_ref())?;
    }
    let reading = event
        .map(|event| Box::new(Reading { event, occurred_at: facts.at, occurred_on: facts.on }));
    let stays = reading.is_some() && facts.on == told.occurred_on && !states_order;
    let corrected = FactCorrected {
        about_another: (correction.about_another || correction.other().is_some()).then_some(true),
        fact: told.reference(),
        kind,
        order_of: stays.then_some(told.request_id),
        reading,
        reason: correction.reason.clone(),
        replaces: correction.replaces.reference(),
        said_by: correction.said_by.clone(),
    };
    // What the new reading broke stays behind it; what else it changes is told as against the old one.
    events.retain(|event| matches!(event, CaseEvent::ExposureFound(_)));
    let after = announce::after(case, facts, &corrected);
    let broke: Vec<ExposureKind> = events.iter().filter_map(exposure_of).collect();
    let mut told = vec![(facts.on, corrected.into())];
    told.extend(events.into_iter().map(|event| (facts.on, event)));
    let beside = || broke.iter().map(|kind| (facts.on, *kind));
    told.extend(after.untold(beside()));
    told.extend(after.untold_by_law_beside(&facts.judge(&after), beside()));
    told.extend(announce::news(case, &after).into_iter().map(|event| (facts.on, event)));
    Ok(told)
}

const fn exposure_of(event: &CaseEvent) -> Option<ExposureKind> {
    if let CaseEvent::ExposureFound(found) = event { Some(found.kind) } else { None }
}

/// The same fact, to be told of another client.
pub(crate) fn moved(
    case: &Case,
    facts: &Facts<'_>,
    correction: &Correction,
    before: Option<&Reading>,
) -> Result<CaseAction, Refusal> {
    let kind = fact_of(case, facts, correction)?;
    if let Some(own) = named_within(kind) {
        let kind = words(kind);
        let detail =
            format!("a {kind} names {own}: take it back, and tell it of the other client anew");
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    again(facts, kind, before.cloned())
}

/// What of its own case a fact names by a number.
const fn named_within(kind: FactKind) -> Option<&'static str> {
    match kind {
        FactKind::Enrolled => Some("the client"),
        FactKind::LetterDelivered
        | FactKind::ClientInformationSent
        | FactKind::ResponseReceived => Some("a round of the case"),
        FactKind::PeriodClosedWithoutFee => Some("a period of the case"),
        FactKind::ResultsFound => Some("an agreement of the case"),
        FactKind::DisclosureDelivered
        | FactKind::DisclosureAcknowledged
        | FactKind::ConsentSigned
        | FactKind::ConsentCancelled
        | FactKind::IdentityPaperReceived
        | FactKind::IdentityPaperAccepted
        | FactKind::IdentityPaperRejected
        | FactKind::ReportSourceConnected
        | FactKind::ReportIdentityFailed
        | FactKind::ReportImported
        | FactKind::BasisAttested
        | FactKind::WorkOpened
        | FactKind::RoundSent
        | FactKind::ItemReinserted
        | FactKind::BureauAsked
        | FactKind::BureauAnswered
        | FactKind::ProgressReportSent
        | FactKind::ContactChanged
        | FactKind::CircumstanceChanged
        | FactKind::BillingDayChanged
        | FactKind::MessageLogged
        | FactKind::ServicePaused
        | FactKind::ServiceResumed
        | FactKind::ServiceEnded => None,
    }
}

/// The same fact, told as it was.
fn again(
    facts: &Facts<'_>,
    kind: FactKind,
    before: Option<Reading>,
) -> Result<CaseAction, Refusal> {
    let Some(reading) = before else {
        let detail = "it was taken back: tell what happened anew, with its day";
        return Err(facts.refuse(Reason::StateRefuses, detail));
    };
    action_of(reading.event).ok_or_else(|| {
        let detail = format!("not all that a {} told was kept then: tell it anew", words(kind));
        facts.refuse(Reason::StateRefuses, detail)
    })
}

/// A kind of fact in words.
fn words(kind: FactKind) -> String {
    kind.code().replace('_', " ")
}

/// A correction that changes nothing would only move what points to it.
fn changes_something(
    facts: &Facts<'_>,
    before: Option<&Reading>,
    event: Option<&CaseEvent>,
) -> Result<(), Refusal> {
    let is_same = |before: &Reading| {
        let when = (before.occurred_on, before.occurred_at);
        when == (facts.on, facts.at) && Some(&before.event) == event
    };
    if before.is_some_and(is_same) {
        let detail = "that is what the reading in force tells: nothing would change";
        return Err(facts.refuse(Reason::AlreadyRecorded, detail));
    }
    Ok(())
}

/// What came of the letters of a round is told of it still: they went out, and before it.
fn what_rests_on_it(
    case: &Case,
    facts: &Facts<'_>,
    number: u32,
    event: Option<&CaseEvent>,
) -> Result<(), Refusal> {
    let Some(round) = case.rounds.iter().find(|round| round.number == number) else {
        return Ok(());
    };
    for letter in &round.letters {
        let is_sent = match event {
            Some(CaseEvent::RoundSent(sent)) => {
                sent.letters.iter().any(|sent| sent.bureau == letter.bureau)
            }
            Some(_) | None => false,
        };
        let told = letter.delivered.iter().chain(&letter.information);
        let told = told.chain(letter.answers.iter().map(|answer| &answer.moment));
        let mut wrong = told.filter(|moment| !is_sent || moment.on() < facts.on);
        if let Some(moment) = wrong.next() {
            let detail = format!(
                "position {} tells of {} what came of its letter to {}: correct that event first",
                moment.mark.at.position,
                moment.on(),
                letter.bureau
            );
            return Err(facts.refuse(Reason::DateImpossible, detail));
        }
    }
    Ok(())
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
            "the event at position {} is {}: only what happened is corrected; what was decided on it is \
             judged again",
            told.position,
            told.event.type_name().replace('_', " ")
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

/// A fact keeps its kind. An agreement has the terms of the plan and the seat that its client was enrolled on.
fn same_kind(
    case: &Case,
    facts: &Facts<'_>,
    kind: FactKind,
    event: Option<&CaseEvent>,
) -> Result<(), Refusal> {
    if event.and_then(CaseEvent::fact) != Some(kind) {
        let kind = words(kind);
        let detail = format!(
            "a {kind} stays one: take it back, and tell what happened as a fact of its own"
        );
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    let (Some(CaseEvent::Enrolled(enrolled)), Some(known)) = (event, &case.enrolment) else {
        return Ok(());
    };
    if (&known.plan, known.seat) != (&enrolled.plan, enrolled.seat)
        && let Some(agreement) = case.agreements.first()
    {
        let detail = format!(
            "the agreement signed on {} has the terms of the plan {} for {}: take the signing back, correct the \
             enrolment, then tell the signing anew",
            agreement.signed.on(),
            known.plan.as_str(),
            match known.seat {
                Seat::Individual => "one client",
                Seat::Couple => "one of a couple",
            }
        );
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    Ok(())
}
