//! What a firm told wrongly of itself.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use anyhow::Context;
use api::{json, v1};
use calendar::CivilDate;
use clap::{ArgGroup, Args};
use domain::event::FirmFact;
use serde_json::{Value, json};

use crate::cli::Again;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::reading;
use crate::table::Table;
use crate::words;

/// Events of one answer.
const PAGE_SIZE: i32 = 1_000;

/// What was told wrongly, and what is true.
#[derive(Args)]
#[command(group = ArgGroup::new("reading").requires("position"))]
pub(crate) struct CorrectArgs {
    /// The position of a registration or bond, of its end, or of a pack and who stands for it; without one, they
    /// are listed
    #[arg(requires = "reading", value_name = "POSITION")]
    position: Option<i64>,
    /// It is not so
    #[arg(long, group = "reading")]
    taken_back: bool,
    /// It is as told, of this day
    #[arg(long, value_name = "DATE", group = "reading")]
    on: Option<CivilDate>,
    /// The registration or bond as it is: a StandingAnew in proto3 JSON
    #[arg(long = "as", value_name = "FILE", group = "reading")]
    standing: Option<PathBuf>,
    /// Why (no personal data: it is shown)
    #[arg(long, value_name = "TEXT", required_if_eq("taken_back", "true"))]
    reason: Option<String>,
    /// Who said so: an office or a role (no personal data)
    #[arg(long, value_name = "TEXT", requires = "reason")]
    said_by: Option<String>,
    /// Record it; without this, only what it would be is shown
    #[arg(long, requires = "reading")]
    yes: bool,
    #[command(flatten)]
    again: Again,
}

/// Shows what a correction makes of it, and records it.
pub(super) async fn run(
    args: &CorrectArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let Some(position) = args.position else { return list(session, out).await };
    let (Some(reason), Some(said_by)) = (&args.reason, &args.said_by) else {
        return Err(Stop::usage("a correction says why (--reason) and who said so (--said-by)"));
    };
    let request = v1::CorrectFirmRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        position,
        reason: reason.clone(),
        said_by: said_by.clone(),
        validate_only: !args.yes,
        becomes: Some(becomes(args)?),
    };
    let answer = session.administration.correct_firm(request).await?.into_inner();
    if args.yes {
        let done = "Corrected; both readings stay in the log. review shows which fees it changes: until it is \
                    recorded, nothing is asked of clients.";
        out.change(&answer, "CorrectFirmResponse", done, answer.receipt.as_ref())?;
        return Ok(Exit::Done);
    }
    if out.is_json() {
        out.message(&answer, "CorrectFirmResponse")?;
        return Ok(Exit::Done);
    }
    if let Some(fact) = &answer.fact {
        let reading = |day: Option<&_>, payload: &str| reading::of(day, payload, "is not so");
        let kind = fact.r#type.replace('_', " ");
        out.heading(format!("The {kind} told at position {}", fact.fact_position))?;
        out.field("as it is", reading(fact.before_date.as_ref(), &fact.before_json))?;
        out.field("corrected", reading(fact.after_date.as_ref(), &fact.after_json))?;
    }
    out.note("Nothing is recorded. To record it, say the same with --yes.")?;
    Ok(Exit::Done)
}

fn becomes(args: &CorrectArgs) -> anyhow::Result<v1::correct_firm_request::Becomes> {
    use v1::correct_firm_request::Becomes as B;
    if let Some(on) = args.on {
        let day = words::message(on).context("a date of a person has a message")?;
        return Ok(B::OccurredOn(day));
    }
    let Some(path) = &args.standing else { return Ok(B::TakenBack(v1::NeverHappened {})) };
    let text = std::fs::read_to_string(path)
        .map_err(|error| Stop::usage(format!("cannot read {}: {error}", path.display())))?;
    json::from_json(&text, "counterfoil.v1.StandingAnew")
        .map(B::Standing)
        .map_err(|error| Stop::refused(format!("{}: {error}", path.display())))
}

/// The event that takes one back.
const CORRECTED: &str = "firm_corrected";

/// A fact as it stands.
struct Fact {
    kind: String,
    on: String,
    told: String,
    now: &'static str,
}

/// Lists what the firm told of itself that fees are judged by.
async fn list(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let (mut facts, mut anew) = (BTreeMap::new(), BTreeSet::new());
    let mut page_token = String::new();
    let types = FirmFact::ALL.iter().map(|fact| fact.code()).chain([CORRECTED]);
    let types: Vec<String> = types.map(str::to_owned).collect();
    loop {
        let request = v1::ReadEventsRequest {
            parent: session.firm()?,
            page_size: PAGE_SIZE,
            page_token,
            stream: Some("firm".into()),
            types: types.clone(),
            ..v1::ReadEventsRequest::default()
        };
        let page = session.cases.read_events(request).await?.into_inner();
        for event in &page.events {
            take(&mut facts, &mut anew, event)?;
        }
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    if out.is_json() {
        for (position, Fact { kind, on, told, now }) in facts {
            out.value(&json!({
                "position": position.to_string(), "type": kind, "occurredOn": on, "recordedAt": told, "now": now,
            }))?;
        }
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">position", "fact", "on", "told", "now"]);
    for (position, Fact { kind, on, told, now }) in facts {
        table.row([position.to_string(), kind.replace('_', " "), on, told, now.to_owned()]);
    }
    out.table(&table, "Nothing was told that fees are judged by.")?;
    Ok(Exit::Done)
}

fn take(
    facts: &mut BTreeMap<i64, Fact>,
    anew: &mut BTreeSet<i64>,
    event: &v1::Event,
) -> anyhow::Result<()> {
    if FirmFact::from_code(&event.r#type).is_some() {
        let now = if anew.contains(&event.position) { "corrected" } else { "as told" };
        let (on, told) =
            (words::day(event.occurred_on.as_ref()), words::instant(event.recorded_at));
        facts.insert(event.position, Fact { kind: event.r#type.clone(), on, told, now });
    } else if event.r#type == CORRECTED {
        let stored: Value =
            serde_json::from_str(&event.canonical_json).context("an event is JSON")?;
        let Some(at) = stored["payload"]["fact"]["position"].as_i64() else { return Ok(()) };
        if stored["payload"]["again"] == true {
            facts.remove(&at);
            anew.insert(event.position + 1);
        } else if let Some(fact) = facts.get_mut(&at) {
            fact.now = "taken back";
        }
    }
    Ok(())
}
