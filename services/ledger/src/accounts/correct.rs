//! Correcting what was told wrongly of money, and showing first what that would change.

use std::collections::BTreeSet;

use api::requests::{self, Asked, MoneyAsked};
use api::scalar::{date_message, int32, int64};
use api::status::Failure;
use api::v1;
use domain::World;
use domain::command::{Command, CorrectedBy, MoneyBecomes, MoneyCorrection};
use domain::event::{Event, Recorded, Scope, StreamId};
use domain::ids::AccountId;
use domain::refusal::{Reason, Refusal};

use crate::access::Authority;
use crate::case_ledger::effects::{self, Said};
use crate::ledger::Ledger;
use crate::openings::{Look, clients_of};
use crate::reading::View;
use crate::trial;

pub(super) async fn correct_money(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CorrectMoneyRequest,
) -> Result<v1::CorrectMoneyResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::correct_money(message, currency)?;
    let view = View::of_primary(ledger, authority);
    let stream = StreamId::Account(asked.account);
    let told = view.event_at(asked.firm, asked.position).await?;
    let told = told.filter(|told| told.stream == stream).ok_or_else(|| {
        let detail = format!("no event of this account stands at position {}", asked.position);
        Failure::from(Refusal::new(Reason::ReferenceUnknown, stream, detail))
    })?;
    let correction = MoneyCorrection {
        becomes: asked.becomes.clone(),
        reason: asked.reason.clone(),
        said_by: asked.said_by.clone(),
        told: Box::new(told),
    };
    if asked.validate_only {
        return preview(&view, authority, &asked, correction).await;
    }
    let MoneyAsked { firm, request_id, account, expected_version, .. } = asked;
    let correction = Box::new(correction);
    let by = by(authority);
    let command = Command::CorrectMoney { account, by, expected_version, correction };
    let asked = Asked { firm, request_id, command };
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let own = answer.streams.iter().find(|(known, _)| *known == stream);
    Ok(v1::CorrectMoneyResponse {
        position: int64(answer.position),
        version: own.map(|(_, version)| int64(*version)).unwrap_or_default(),
        first_position: int64(answer.first_position),
        event_count: int32(answer.count),
        replayed: answer.replayed,
        fact: None,
        effects: Vec::new(),
    })
}

/// Whoever may correct corrects anything; whoever bills takes back what the same token recorded today.
fn by(authority: &Authority) -> CorrectedBy {
    if authority.has_any(&[Scope::Correct]) { CorrectedBy::Anyone } else { CorrectedBy::Recorder }
}

/// What the correction would change, decided as it would be and thrown away.
async fn preview(
    view: &View<'_>,
    authority: &Authority,
    asked: &MoneyAsked,
    mut correction: MoneyCorrection,
) -> Result<v1::CorrectMoneyResponse, Failure> {
    let look = Look::at_clients(authority, "CorrectMoney");
    let stream = StreamId::Account(asked.account);
    if look.may_see {
        let opener = view.ledger().engine().opener(asked.firm, [stream]).await?;
        opener.open_event(&mut correction.told);
    }
    view.ledger().note_openings(look, asked.firm, clients_of([stream])).await?;
    let told = correction.told.clone();
    let (account, expected_version) = (asked.account, asked.expected_version);
    let correction = Box::new(correction);
    let by = by(authority);
    let command = Command::CorrectMoney { account, by, expected_version, correction };
    let tried = trial::run(view, authority, (asked.firm, asked.request_id), &command, &[]).await?;
    let accounts: BTreeSet<AccountId> = match asked.becomes {
        MoneyBecomes::MovedTo { account: other, .. } => [account, other].into(),
        MoneyBecomes::Nothing | MoneyBecomes::OnDay(_) | MoneyBecomes::Told(_) => [account].into(),
    };
    let mut changed = Vec::new();
    for id in accounts {
        let (before, after) = (said(view, id, &tried.before)?, said(view, id, &tried.after)?);
        changed.extend(effects::changes(&before, &after));
    }
    Ok(v1::CorrectMoneyResponse {
        position: int64(tried.position),
        version: int64(tried.before.state(stream).map_or(0, domain::State::version)),
        first_position: 0,
        event_count: int32(tried.events.len()),
        replayed: false,
        fact: Some(fact(&told, &tried.events)),
        effects: changed,
    })
}

/// What an account and the fees on its invoices come to in a world.
fn said(view: &View<'_>, id: AccountId, world: &World) -> Result<Said, Failure> {
    let unloaded = |_| Failure::internal("all that a correction of money looks at was loaded");
    let today = view.ledger().today(world.firm().map_err(unloaded)?);
    effects::of_money(world, id, today).map_err(unloaded)
}

/// The fact as it was told, and as it would be.
fn fact(told: &Recorded, events: &[Recorded]) -> v1::CorrectedFact {
    let again = events.iter().find(|recorded| match &recorded.event {
        Event::Account(event) => event.money_fact().is_some(),
        Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
    });
    v1::CorrectedFact {
        fact_position: int64(told.position),
        r#type: told.event.type_name().to_owned(),
        before_date: Some(date_message(told.occurred_on)),
        after_date: again.map(|again| date_message(again.occurred_on)),
        before_json: told.event.payload_json(),
        after_json: again.map(|again| again.event.payload_json()).unwrap_or_default(),
    }
}
