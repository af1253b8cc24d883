//! `correct`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use anyhow::Context;
use api::{json, name, v1};
use calendar::CivilDate;
use clap::{ArgGroup, Args};
use domain::event::FactKind;
use serde_json::{Value, json};

use crate::cli::Again;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Events of one answer.
const PAGE_SIZE: i32 = 1_000;

/// What was told wrongly, and what is right.
#[derive(Args)]
#[command(group = ArgGroup::new("reading").requires("positions"))]
pub(crate) struct CorrectArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// The positions of facts, or of the latest corrections of them, in the order in which they happened where
    /// they are moved to one day; without one, the client's facts are listed
    #[arg(requires = "reading", value_name = "POSITION")]
    positions: Vec<i64>,
    /// It did not happen
    #[arg(long, group = "reading")]
    taken_back: bool,
    /// It was another person's: the personal values told there are opened to nobody again
    #[arg(long, group = "reading")]
    another_person: bool,
    /// It happened as told, on this day
    #[arg(long, value_name = "DATE", group = "reading")]
    on: Option<CivilDate>,
    /// What happened instead: a file with one action, as import reads it, for one fact
    #[arg(long = "as", value_name = "FILE", group = "reading")]
    action: Option<PathBuf>,
    /// Why (personal data)
    #[arg(long, value_name = "TEXT", required_if_eq_any = [("taken_back", "true"), ("another_person", "true")])]
    reason: Option<String>,
    /// Who said so (personal data)
    #[arg(long, value_name = "TEXT", requires = "reason")]
    said_by: Option<String>,
    /// Record it; without this, only what it would change is shown
    #[arg(long, requires = "reading")]
    yes: bool,
    #[command(flatten)]
    again: Again,
}

/// Shows what a correction changes, and records it.
pub(crate) async fn run(
    args: &CorrectArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let case = session.case(&args.case).await?;
    if args.positions.is_empty() {
        return list(&case, session, out).await;
    }
    if args.action.is_some() && args.positions.len() > 1 {
        return Err(Stop::usage("--as tells one fact anew: name one position"));
    }
    let (Some(reason), Some(said_by)) = (&args.reason, &args.said_by) else {
        return Err(Stop::usage("a correction says why (--reason) and who said so (--said-by)"));
    };
    let becomes = becomes(args)?;
    let correction = |&position: &i64| v1::FactCorrection {
        position,
        reason: reason.clone(),
        said_by: said_by.clone(),
        becomes: Some(becomes.clone()),
    };
    let mut request = v1::CorrectFactsRequest {
        name: case,
        request_id: request_id(args.again.request_id),
        expected_version: None,
        corrections: args.positions.iter().map(correction).collect(),
        validate_only: true,
    };
    if args.yes && args.again.request_id.is_some() {
        // An earlier try may have been recorded: then it is what is answered, and nothing is left to show.
        request.validate_only = false;
        return record(request, session, out).await;
    }
    let preview = session.cases.correct_facts(request.clone()).await?.into_inner();
    if !args.yes || !out.is_json() {
        show(&preview, out)?;
    }
    if !args.yes {
        out.note("Nothing is recorded. To record it, say the same with --yes.")?;
        return Ok(Exit::Done);
    }
    request.validate_only = false;
    // What was shown is what is recorded, or nothing is.
    request.expected_version = Some(preview.version);
    record(request, session, out).await
}

async fn record(
    request: v1::CorrectFactsRequest,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let done = session.cases.correct_facts(request).await?.into_inner();
    if out.is_json() {
        out.message(&done, "CorrectFactsResponse")?;
    } else {
        let events = format!("{} events up to position {}", done.event_count, done.position);
        out.line(format!("Corrected: {events}. Both readings stay in the log."))?;
    }
    Ok(Exit::Done)
}

fn becomes(args: &CorrectArgs) -> anyhow::Result<v1::fact_correction::Becomes> {
    use v1::fact_correction::Becomes as B;
    if let Some(on) = args.on {
        let day = words::message(on).context("a date of a person has a message")?;
        return Ok(B::OccurredOn(day));
    }
    let Some(path) = &args.action else {
        return Ok(B::TakenBack(v1::TakenBack { about_another: args.another_person }));
    };
    let text = std::fs::read_to_string(path)
        .map_err(|error| Stop::usage(format!("cannot read {}: {error}", path.display())))?;
    json::from_json(&text, "counterfoil.v1.Action")
        .map(B::Action)
        .map_err(|error| Stop::refused(format!("{}: {error}", path.display())))
}

fn show(preview: &v1::CorrectFactsResponse, out: &mut Out) -> anyhow::Result<()> {
    if out.is_json() {
        return out.message(preview, "CorrectFactsResponse");
    }
    for fact in &preview.facts {
        let kind = fact.r#type.replace('_', " ");
        out.heading(format!("The {kind} told at position {}", fact.fact_position))?;
        out.field("as it is", reading(fact.before_date.as_ref(), &fact.before_json))?;
        out.field("corrected", reading(fact.after_date.as_ref(), &fact.after_json))?;
    }
    let mut table = Table::new(&["what follows from it", "as it is", "corrected"]);
    for effect in &preview.effects {
        let said = |text: &str| if text.is_empty() { "–".to_owned() } else { text.to_owned() };
        table.row([effect.subject.clone(), said(&effect.before), said(&effect.after)]);
    }
    out.table(&table, "Nothing else changes: no fee, period, clock or listing.")?;
    out.line(words::CAUTION)?;
    Ok(())
}

fn reading(day: Option<&api::google::r#type::Date>, payload: &str) -> String {
    match day {
        Some(day) => format!("on {}, {payload}", words::day(Some(day))),
        None => "did not happen".into(),
    }
}

/// A fact as it stands.
struct Fact {
    kind: String,
    on: String,
    told: String,
    reading: i64,
    now: &'static str,
}

/// Lists the client's facts by position, each with the reading in force.
async fn list(case: &str, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let (_, id) = name::parse_case(case).context("a case's name is read as it was written")?;
    let mut facts: BTreeMap<i64, Fact> = BTreeMap::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ReadEventsRequest {
            parent: session.firm()?,
            page_size: PAGE_SIZE,
            page_token,
            stream: Some(format!("case/{id}")),
            ..v1::ReadEventsRequest::default()
        };
        let page = session.cases.read_events(request).await?.into_inner();
        for event in &page.events {
            take(&mut facts, event)?;
        }
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    if out.is_json() {
        for Fact { kind, on, told, reading, now } in facts.into_values() {
            out.value(&json!({
                "position": reading.to_string(), "type": kind, "occurredOn": on, "recordedAt": told, "now": now,
            }))?;
        }
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">position", "fact", "on", "told", "now"]);
    for Fact { kind, on, told, reading, now } in facts.into_values() {
        table.row([reading.to_string(), kind.replace('_', " "), on, told, now.to_owned()]);
    }
    out.table(&table, "Nothing was told of this client.")?;
    Ok(Exit::Done)
}

fn take(facts: &mut BTreeMap<i64, Fact>, event: &v1::Event) -> anyhow::Result<()> {
    let (on, told) = (words::day(event.occurred_on.as_ref()), words::instant(event.recorded_at));
    let stored: Value = serde_json::from_str(&event.canonical_json).context("an event is JSON")?;
    let payload = &stored["payload"];
    // That a listing is back is a fact where the bureau's notice says so, and else a conclusion.
    let is_concluded = payload["seen_by"].as_str().is_some_and(|seen_by| seen_by != "notice");
    if FactKind::from_code(&event.r#type).is_some() && !is_concluded {
        let (kind, reading) = (event.r#type.clone(), event.position);
        facts.insert(event.position, Fact { kind, on, told, reading, now: "as told" });
    } else if event.r#type == "fact_corrected" {
        let fact = payload["fact"]["position"].as_i64().and_then(|at| facts.get_mut(&at));
        if let Some(fact) = fact {
            fact.reading = event.position;
            if payload["reading"].is_object() {
                (fact.on, fact.now) = (on, "corrected");
            } else if payload["about_another"] == true {
                fact.now = "taken back, another person's";
            } else {
                fact.now = "taken back";
            }
        }
    }
    Ok(())
}
