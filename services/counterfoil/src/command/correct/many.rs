//! One mistake over many clients.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::Path;

use anyhow::Context;
use api::{name, v1};
use domain::ids::CaseId;
use serde_json::{Value, json};
use tonic::Status;
use uuid::Uuid;

use super::{CorrectArgs, DID_NOT_HAPPEN, NOTHING_RECORDED, OF_ANOTHER, becomes};
use crate::connect::{Session, derived_request_id};
use crate::exit::{Exit, Stop};
use crate::fault::Fault;
use crate::out::Out;
use crate::reading;
use crate::table::Table;
use crate::words;

/// Most facts of one file.
const FACTS_MAX: usize = 10_000;
/// Most corrections of one request.
const PER_REQUEST_MAX: usize = 100;

/// A request, and what it was answered without being recorded.
struct Shown {
    request: v1::CorrectFactsRequest,
    preview: v1::CorrectFactsResponse,
}

/// Shows what one correction of many clients' facts changes, client by client and in all, and records it. Nothing
/// is recorded if one of them is refused.
pub(super) async fn run(
    args: &CorrectArgs,
    facts: &Path,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let again = args.again.request_id.filter(|_| args.yes);
    let requests = requests(args, facts, session).await?;
    if again.is_some() {
        // An earlier try may have recorded some: those are answered as they were then.
        return record(requests, session, out).await;
    }
    let (mut shown, mut refused) = (Vec::new(), Vec::new());
    for request in requests {
        match session.cases.correct_facts(request.clone()).await {
            Ok(preview) => shown.push(Shown { request, preview: preview.into_inner() }),
            Err(status) => refused.push((request.name, status)),
        }
    }
    if let Some((_, status)) = refused.first().cloned() {
        for (name, status) in &refused {
            out.line(format!("client {}: {}", words::id(name), said(status)))?;
        }
        out.note("Nothing is recorded of any client.")?;
        return Ok(Exit::of_code(status.code()));
    }
    if !out.is_json() {
        let gone = if args.to.is_some() { OF_ANOTHER } else { DID_NOT_HAPPEN };
        show(&shown, gone, out)?;
    } else if !args.yes {
        for Shown { request, preview } in &shown {
            told(&request.name, preview, out)?;
        }
    }
    if !args.yes {
        out.note(NOTHING_RECORDED)?;
        return Ok(Exit::Done);
    }
    // What was shown is what is recorded of a client, or nothing is.
    let asked = shown.into_iter().map(|Shown { request, preview }| v1::CorrectFactsRequest {
        expected_version: Some(preview.version),
        ..request
    });
    record(asked.collect(), session, out).await
}

fn said(status: &Status) -> String {
    Fault::of_status(status).one_line()
}

/// A request for each client of whom the file names facts, in the order of their first facts.
async fn requests(
    args: &CorrectArgs,
    facts: &Path,
    session: &mut Session,
) -> anyhow::Result<Vec<v1::CorrectFactsRequest>> {
    let (Some(reason), Some(said_by)) = (&args.reason, &args.said_by) else {
        return Err(Stop::usage("a correction says why (--reason) and who said so (--said-by)"));
    };
    let becomes = becomes(args, session).await?;
    let firm = session.firm_id()?;
    let mut by_case: BTreeMap<CaseId, Vec<i64>> = BTreeMap::new();
    for position in positions(facts)? {
        let case = case_at(position, session).await?;
        by_case.entry(case).or_default().push(position);
    }
    let batch = args.again.request_id.unwrap_or_else(Uuid::now_v7);
    let mut requests = Vec::with_capacity(by_case.len());
    for (case, positions) in by_case {
        if positions.len() > PER_REQUEST_MAX {
            let id = words::id(&name::case(firm, case));
            return Err(Stop::refused(format!(
                "client {id} has {} facts in the file: correct at most {PER_REQUEST_MAX} of one client at once",
                positions.len()
            )));
        }
        let correction = |position| v1::FactCorrection {
            position,
            reason: reason.clone(),
            said_by: said_by.clone(),
            becomes: Some(becomes.clone()),
        };
        requests.push(v1::CorrectFactsRequest {
            name: name::case(firm, case),
            request_id: derived_request_id(&[batch.as_bytes(), case.0.as_bytes()]),
            expected_version: None,
            corrections: positions.into_iter().map(correction).collect(),
            validate_only: true,
        });
    }
    Ok(requests)
}

/// The positions that a file names, each once: a number in each line, or a JSON object with a `position`, as
/// `correct CASE --json` lists them and `follow --json` prints events. What else that prints is passed over.
fn positions(path: &Path) -> anyhow::Result<Vec<i64>> {
    let unread = |error| Stop::usage(format!("cannot read {}: {error}", path.display()));
    let mut text = String::new();
    if path == Path::new("-") {
        std::io::stdin().read_to_string(&mut text).map_err(unread)?;
    } else {
        text = std::fs::read_to_string(path).map_err(unread)?;
    }
    let mut positions = Vec::new();
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    for (at, line) in lines {
        let value: Option<Value> = serde_json::from_str(line).ok();
        if value.as_ref().is_some_and(tells_how_far) {
            continue;
        }
        let position = value.as_ref().and_then(position).filter(|position| *position > 0);
        let position = position.ok_or_else(|| {
            Stop::refused(format!(
                "{}: line {}: must be the position of a fact, or a JSON object with one",
                path.display(),
                at + 1
            ))
        })?;
        if !positions.contains(&position) {
            positions.push(position);
        }
    }
    if positions.is_empty() || positions.len() > FACTS_MAX {
        let rule = format!("{}: must name 1 to {FACTS_MAX} facts", path.display());
        return Err(Stop::refused(rule));
    }
    Ok(positions)
}

/// Whether a line of `follow --json` is of no event: how far the log was read.
fn tells_how_far(value: &Value) -> bool {
    value.get("caughtUp").or_else(|| value.get("progress")).is_some()
}

fn position(value: &Value) -> Option<i64> {
    let told = value.get("event").unwrap_or(value);
    let position = told.get("position").unwrap_or(told);
    position.as_i64().or_else(|| position.as_str()?.parse().ok())
}

/// The client whose fact stands at a position.
async fn case_at(position: i64, session: &mut Session) -> anyhow::Result<CaseId> {
    let request = v1::ReadEventsRequest {
        parent: session.firm()?,
        after_position: position - 1,
        page_size: 1,
        ..v1::ReadEventsRequest::default()
    };
    let page = session.cases.read_events(request).await?.into_inner();
    let event = page.events.first().context("the service answered without the event")?;
    let case = event.stream.strip_prefix("case/").and_then(|id| Uuid::try_parse(id).ok());
    case.map(CaseId).ok_or_else(|| {
        Stop::refused(format!(
            "position {position} is no fact of a client's case but of {}: what was told of money is corrected one \
             by one",
            event.stream
        ))
    })
}

fn show(shown: &[Shown], gone: &str, out: &mut Out) -> anyhow::Result<()> {
    let mut facts = Table::new(&["client", ">position", "fact", "as it is", "corrected"]);
    let mut effects = Table::new(&["client", "what follows from it", "as it is", "corrected"]);
    let (mut count, mut changed) = (0_usize, 0_usize);
    let reading = |day: Option<&_>, payload: &str| reading::of(day, payload, gone);
    for Shown { request, preview } in shown {
        let client = words::id(&request.name);
        for fact in &preview.facts {
            facts.row([
                client.clone(),
                fact.fact_position.to_string(),
                fact.r#type.replace('_', " "),
                reading(fact.before_date.as_ref(), &fact.before_json),
                reading(fact.after_date.as_ref(), &fact.after_json),
            ]);
        }
        let own = preview.effects.iter().map(|effect| (client.clone(), effect));
        let others = preview
            .others
            .iter()
            .flat_map(|other| other.effects.iter().map(|effect| (words::id(&other.name), effect)));
        for (client, effect) in own.chain(others) {
            effects.row([
                client,
                effect.subject.clone(),
                effect.before.clone(),
                effect.after.clone(),
            ]);
        }
        count += preview.facts.len();
        changed += usize::from(!preview.effects.is_empty());
    }
    out.table(&facts, "No fact is corrected.")?;
    out.table(&effects, "Nothing else changes: no fee, period, clock, listing or amount.")?;
    let owed = |of: fn(&v1::CorrectFactsResponse) -> Option<&api::google::r#type::Money>| {
        words::sum(shown.iter().filter_map(|shown| of(&shown.preview)))
    };
    let (before, after) = (
        owed(|preview| preview.owed_before.as_ref())?,
        owed(|preview| preview.owed_after.as_ref())?,
    );
    let clients = shown.len();
    out.line(format!(
        "{count} facts of {clients} clients; something follows for {changed} of them."
    ))?;
    if before != after {
        let said = |sum: String| if sum.is_empty() { "nothing".to_owned() } else { sum };
        out.line(format!(
            "Owed back of their fees: {} as it is, {} corrected.",
            said(before),
            said(after)
        ))?;
    }
    out.line(words::CAUTION)?;
    Ok(())
}

fn told(name: &str, answer: &v1::CorrectFactsResponse, out: &mut Out) -> anyhow::Result<()> {
    let answer = api::json::to_json(answer, "counterfoil.v1.CorrectFactsResponse");
    out.value(&json!({ "name": name, "answer": answer.context("the answer has no JSON form")? }))
}

/// Records each client's, and says of each that was refused meanwhile.
async fn record(
    requests: Vec<v1::CorrectFactsRequest>,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let (mut clients, mut events, mut exit) = (0_usize, 0_i64, Exit::Done);
    for request in requests {
        let request = v1::CorrectFactsRequest { validate_only: false, ..request };
        let name = request.name.clone();
        match session.cases.correct_facts(request).await {
            Ok(done) => {
                let done = done.into_inner();
                (clients, events) = (clients + 1, events + i64::from(done.event_count));
                if out.is_json() {
                    told(&name, &done, out)?;
                }
            }
            Err(status) => {
                out.line(format!(
                    "client {}, nothing recorded: {}",
                    words::id(&name),
                    said(&status)
                ))?;
                exit = Exit::of_code(status.code());
            }
        }
    }
    out.note(format!(
        "Corrected: {events} events of {clients} clients. Both readings stay in the log."
    ))?;
    Ok(exit)
}
