//! Correcting facts that were told wrongly, and showing first what that would change.

use api::requests::{self, BecomesAsked, CorrectionAsked, CorrectionsAsked};
use api::scalar::{date_message, int32, int64};
use api::status::Failure;
use api::v1;
use domain::Halt;
use domain::command::{Becomes, Command, Correction};
use domain::event::{CaseEvent, Event, FactCorrected, FactKind, Reading, Recorded, StreamId};
use domain::refusal::{Reason, Refusal};
use log::Answer;

use super::effects;
use crate::access::Authority;
use crate::billing::OfFees;
use crate::couples;
use crate::ledger::Ledger;
use crate::openings::{Look, clients_of};
use crate::reading::View;
use crate::trial;

pub(super) async fn correct_facts(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CorrectFactsRequest,
) -> Result<v1::CorrectFactsResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::correct_facts(message, currency)?;
    let view = View::of_primary(ledger, authority);
    let mut corrections = Vec::with_capacity(asked.corrections.len());
    for (at, of) in asked.corrections.iter().enumerate() {
        let told = told(&view, &asked, of).await;
        corrections.push(told.map_err(|failure| at_action(failure, at))?);
    }
    if asked.validate_only {
        return preview(&view, authority, &asked, corrections).await;
    }
    let CorrectionsAsked { firm, request_id, case, expected_version, .. } = asked;
    // Another name, address or telephone may make the client one of a couple, or end that.
    let changes_pair = corrections.iter().any(|correction| match &correction.told.event {
        Event::Case(event) => {
            matches!(event.fact(), Some(FactKind::Enrolled | FactKind::ContactChanged))
        }
        Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
    });
    let command = Command::Correct { case, expected_version, corrections };
    let asked = requests::Asked { firm, request_id, command };
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await;
    let answer = answer.map_err(Failure::of_actions)?;
    if changes_pair {
        couples::compare_case(ledger, firm, case, answer.position).await;
    }
    Ok(recorded(&answer))
}

fn at_action(failure: Failure, at: usize) -> Failure {
    match failure {
        Failure::Refused(mut refusal) => {
            refusal.action = u32::try_from(at).unwrap_or(u32::MAX);
            Failure::Refused(refusal).of_actions()
        }
        failure => failure,
    }
}

/// The answer, which says where it stands as that to a `Record` does.
fn recorded(answer: &Answer) -> v1::CorrectFactsResponse {
    let v1::RecordResponse { position, version, first_position, event_count, replayed } =
        super::recorded(answer);
    let (facts, effects) = (Vec::new(), Vec::new());
    v1::CorrectFactsResponse {
        position,
        version,
        first_position,
        event_count,
        replayed,
        facts,
        effects,
    }
}

/// The reading that is named and the fact as it was told first, from the log.
async fn told(
    view: &View<'_>,
    asked: &CorrectionsAsked,
    of: &CorrectionAsked,
) -> Result<Correction, Failure> {
    let unknown = |position: u64| -> Failure {
        let detail = format!("no event of this case stands at position {position}");
        Refusal::new(Reason::ReferenceUnknown, StreamId::Case(asked.case), detail).into()
    };
    let own = |found: Option<Recorded>, position: u64| {
        let own = found.filter(|recorded| recorded.stream == StreamId::Case(asked.case));
        own.ok_or_else(|| unknown(position))
    };
    let replaces = own(view.event_at(asked.firm, of.position).await?, of.position)?;
    let told = match &replaces.event {
        Event::Case(CaseEvent::FactCorrected(FactCorrected { fact, .. })) => {
            own(view.event_at(asked.firm, fact.position).await?, fact.position)?
        }
        Event::Case(_)
        | Event::Account(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => replaces.clone(),
    };
    let (about_another, becomes) = match &of.becomes {
        BecomesAsked::Nothing { about_another } => (*about_another, Becomes::Nothing),
        BecomesAsked::OnDay(on) => (false, Becomes::OnDay(*on)),
        BecomesAsked::Told(dated) => (false, Becomes::Told(dated.clone())),
    };
    Ok(Correction {
        about_another,
        becomes,
        reason: of.reason.clone(),
        replaces: Box::new(replaces),
        said_by: of.said_by.clone(),
        told: Box::new(told),
    })
}

/// What the corrections would change, decided as they would be and thrown away.
async fn preview(
    view: &View<'_>,
    authority: &Authority,
    asked: &CorrectionsAsked,
    mut corrections: Vec<Correction>,
) -> Result<v1::CorrectFactsResponse, Failure> {
    let matter = OfFees::read(view, asked.firm, asked.case, 0).await?;
    open(view, authority, asked, &mut corrections).await?;
    let readings: Vec<_> = corrections.iter().map(Correction::reading).collect();
    let command = Command::Correct {
        case: asked.case,
        expected_version: asked.expected_version,
        corrections,
    };
    let mut world = matter.world(asked.firm);
    let events = trial::decide(view.ledger(), authority, asked.request_id, &mut world, &command);
    let events = events.map_err(|halt| match halt {
        Halt::Refused(refusal) => Failure::RefusedAction(refusal),
        Halt::Need(_) | Halt::Unnamed => {
            Failure::internal("all that a correction looks at was loaded")
        }
    })?;
    let accounts = matter.accounts();
    let before = effects::of(&matter.judge(&accounts));
    let after = effects::of(&matter.judge_in(&world, &accounts)?);
    let corrected = events.iter().filter_map(|recorded| match &recorded.event {
        Event::Case(CaseEvent::FactCorrected(corrected)) => Some(corrected),
        Event::Case(_)
        | Event::Account(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => None,
    });
    let facts =
        corrected.zip(&readings).map(|(corrected, before)| fact(corrected, before.as_ref()));
    Ok(v1::CorrectFactsResponse {
        position: int64(matter.position),
        version: int64(matter.case.version),
        first_position: 0,
        event_count: int32(events.len()),
        replayed: false,
        facts: facts.collect(),
        effects: effects::changes(&before, &after),
    })
}

/// Opens what the readings in force tell for whoever may see it, and puts on record that somebody looked.
async fn open(
    view: &View<'_>,
    authority: &Authority,
    asked: &CorrectionsAsked,
    corrections: &mut [Correction],
) -> Result<(), Failure> {
    let look = Look::at_clients(authority, "CorrectFacts");
    let stream = StreamId::Case(asked.case);
    if look.may_see {
        let opener = view.ledger().engine().opener(asked.firm, [stream]).await?;
        for correction in corrections {
            opener.open_event(&mut correction.replaces);
        }
    }
    view.ledger().note_openings(look, asked.firm, clients_of([stream])).await
}

fn fact(corrected: &FactCorrected, before: Option<&Reading>) -> v1::CorrectedFact {
    let after = corrected.reading.as_deref();
    let date = |reading: Option<&Reading>| reading.map(|reading| date_message(reading.occurred_on));
    let json = |reading: Option<&Reading>| reading.map(Reading::payload_json).unwrap_or_default();
    v1::CorrectedFact {
        fact_position: int64(corrected.fact.position),
        r#type: corrected.kind.code().to_owned(),
        before_date: date(before),
        after_date: date(after),
        before_json: json(before),
        after_json: json(after),
    }
}
