//! Correcting facts that were told wrongly, and showing first what that would change.

use std::collections::BTreeSet;

use api::requests::{self, BecomesAsked, CorrectionAsked, CorrectionsAsked};
use api::scalar::{date_message, int32, int64, money_message};
use api::status::Failure;
use api::{name, v1};
use domain::command::{Becomes, Command, CorrectedBy, Correction};
use domain::event::{
    CaseEvent, Event, FactCorrected, FactKind, Reading, Recorded, Scope, StreamId,
};
use domain::ids::CaseId;
use domain::refusal::{Reason, Refusal};
use domain::{Halt, World};
use log::Answer;

use super::effects;
use crate::access::Authority;
use crate::couples;
use crate::evidence;
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
    // Another name, address or telephone may make a client one of a couple, or end that.
    let paired = corrections.iter().filter(|correction| match &correction.told.event {
        Event::Case(event) => {
            matches!(event.fact(), Some(FactKind::Enrolled | FactKind::ContactChanged))
        }
        Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
    });
    let paired = paired.flat_map(|correction| correction.other().into_iter().chain([asked.case]));
    let paired: BTreeSet<CaseId> = paired.collect();
    let (firm, request_id) = (asked.firm, asked.request_id);
    for correction in &corrections {
        let Some(other) = correction.other() else { continue };
        let mut documents = BTreeSet::new();
        if let Event::Case(event) = &correction.replaces.event {
            event.each_document(&mut |hash| {
                documents.insert(hash);
            });
        }
        evidence::keep_for(ledger, firm, (asked.case, other), documents).await?;
    }
    let command = command(authority, &asked, corrections);
    let submitted = requests::Asked { firm, request_id, command };
    let answer = ledger.submit(authority, submitted, api::fingerprint(message)).await;
    let answer = answer.map_err(Failure::of_actions)?;
    for case in paired {
        couples::compare_case(ledger, firm, case, answer.position).await;
    }
    Ok(recorded(&answer, asked.case))
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
fn recorded(answer: &Answer, case: CaseId) -> v1::CorrectFactsResponse {
    let v1::RecordResponse { position, first_position, event_count, replayed, .. } =
        super::recorded(answer);
    let own = answer.streams.iter().find(|(stream, _)| *stream == StreamId::Case(case));
    let version = own.map(|(_, version)| int64(*version)).unwrap_or_default();
    v1::CorrectFactsResponse {
        position,
        version,
        first_position,
        event_count,
        replayed,
        ..v1::CorrectFactsResponse::default()
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
        BecomesAsked::MovedTo(other) => (false, Becomes::MovedTo(*other)),
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
    open(view, authority, asked, &mut corrections).await?;
    let readings: Vec<_> = corrections.iter().map(Correction::reading).collect();
    let others: BTreeSet<CaseId> = corrections.iter().filter_map(Correction::other).collect();
    let case = asked.case;
    let command = command(authority, asked, corrections);
    let judged: Vec<CaseId> = std::iter::once(case).chain(others.iter().copied()).collect();
    let request = (asked.firm, asked.request_id);
    let tried = trial::run(view, authority, request, &command, &judged).await;
    let tried = tried.map_err(Failure::of_actions)?;
    let today = view.ledger().today(tried.before.firm().map_err(unloaded)?);
    let owed = |world: &World| trial::judge(world, case, today, effects::owed).map_err(unloaded);
    let changes = |case: CaseId| {
        let before = trial::judge(&tried.before, case, today, effects::of).map_err(unloaded)?;
        let after = trial::judge(&tried.after, case, today, effects::of).map_err(unloaded)?;
        Ok::<_, Failure>(effects::changes(&before, &after))
    };
    let of_others = others.into_iter().map(|other| {
        let name = name::case(asked.firm, other);
        Ok::<_, Failure>(v1::EffectsOfAnother { name, effects: changes(other)? })
    });
    let of_others: Result<Vec<_>, Failure> = of_others.collect();
    let corrected = tried.events.iter().filter_map(|recorded| match &recorded.event {
        Event::Case(CaseEvent::FactCorrected(corrected)) => Some(corrected),
        Event::Case(_)
        | Event::Account(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => None,
    });
    let facts =
        corrected.zip(&readings).map(|(corrected, before)| fact(corrected, before.as_ref()));
    let version = tried.before.case(case).map_err(unloaded)?.version;
    Ok(v1::CorrectFactsResponse {
        position: int64(tried.position),
        version: int64(version),
        first_position: 0,
        event_count: int32(tried.events.len()),
        replayed: false,
        facts: facts.collect(),
        effects: changes(case)?,
        others: of_others?,
        owed_before: owed(&tried.before)?.map(money_message),
        owed_after: owed(&tried.after)?.map(money_message),
    })
}

fn unloaded(_: Halt) -> Failure {
    Failure::internal("all that a correction looks at was loaded")
}

/// Whoever may correct corrects anything; whoever records takes back what the same token recorded today.
fn command(
    authority: &Authority,
    asked: &CorrectionsAsked,
    corrections: Vec<Correction>,
) -> Command {
    let may_correct = authority.has_any(&[Scope::Correct]);
    let by = if may_correct { CorrectedBy::Anyone } else { CorrectedBy::Recorder };
    Command::Correct { by, case: asked.case, expected_version: asked.expected_version, corrections }
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
