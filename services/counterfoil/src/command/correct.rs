//! `correct`.

mod facts;
mod many;
mod money;

use std::path::{Path, PathBuf};

use anyhow::Context;
use api::{json, v1};
use calendar::CivilDate;
use clap::{ArgGroup, Args};

use crate::cli::Again;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::reading;
use crate::table::Table;
use crate::words;

/// What is said where only the changes were shown.
const NOTHING_RECORDED: &str = "Nothing is recorded. To record it, say the same with --yes.";

/// What becomes of a fact that is taken back.
const DID_NOT_HAPPEN: &str = "did not happen";
/// And of one that moves.
const OF_ANOTHER: &str = "is of the other client";

/// What was told wrongly, and what is right.
#[derive(Args)]
#[command(group = ArgGroup::new("reading").requires("facts"), group = ArgGroup::new("facts"))]
pub(crate) struct CorrectArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    #[arg(required_unless_present = "each")]
    case: Option<String>,
    /// The positions of facts, or of the latest corrections of them, in the order in which they happened where
    /// they are moved to one day; without one, the client's facts are listed. What was told of money is corrected one by
    /// one
    #[arg(requires = "reading", group = "facts", value_name = "POSITION")]
    positions: Vec<i64>,
    /// One mistake over many clients: a file with the position of one fact in each line, or with what this command
    /// and follow print under --json; - is the standard input. What it changes is shown for each client and in all, and nothing
    /// is recorded if one of them is refused
    #[arg(long, value_name = "FILE", group = "facts", requires = "reading", conflicts_with_all = ["case", "positions"])]
    each: Option<PathBuf>,
    /// It did not happen
    #[arg(long, group = "reading")]
    taken_back: bool,
    /// It was another person's: the personal values told there are opened to nobody again
    #[arg(long, group = "reading")]
    another_person: bool,
    /// It happened as told, on this day
    #[arg(long, value_name = "DATE", group = "reading")]
    on: Option<CivilDate>,
    /// What happened instead: a file with one action, as import reads it, for one fact; of money, a file with one
    /// MoneyFact
    #[arg(long = "as", value_name = "FILE", group = "reading")]
    action: Option<PathBuf>,
    /// It is this client's, by the same words as the first: it is told there instead, and a payment moves under its
    /// name
    #[arg(long, value_name = "CASE", group = "reading")]
    to: Option<String>,
    /// The invoice that the payment pays there
    #[arg(long, value_name = "NUMBER", requires = "to", value_parser = clap::value_parser!(u64).range(1..))]
    invoice: Option<u64>,
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
    if let Some(facts) = &args.each {
        return many::run(args, facts, session, out).await;
    }
    let case = args.case.as_deref().context("a case is required where there is no file")?;
    let case = session.case(case).await?;
    if args.positions.is_empty() {
        return facts::list(&case, session, out).await;
    }
    if args.action.is_some() && args.positions.len() > 1 {
        return Err(Stop::usage("--as tells one fact anew: name one position"));
    }
    let (Some(reason), Some(said_by)) = (&args.reason, &args.said_by) else {
        return Err(Stop::usage("a correction says why (--reason) and who said so (--said-by)"));
    };
    if let &[position] = args.positions.as_slice()
        && let Some(account) = money::account_of(session, &case, position).await?
    {
        let asked = money::Asked { account, position, reason, said_by };
        return money::run(args, asked, session, out).await;
    }
    let becomes = becomes(args, session).await?;
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
    if out.is_json() && !args.yes {
        out.message(&preview, "CorrectFactsResponse")?;
    } else if !out.is_json() {
        let gone = if args.to.is_some() { OF_ANOTHER } else { DID_NOT_HAPPEN };
        show(&preview.facts, &preview.effects, gone, out)?;
        for other in &preview.others {
            out.heading(format!("Of client {}", words::id(&other.name)))?;
            effects(&other.effects, out)?;
        }
    }
    if !args.yes {
        out.note(NOTHING_RECORDED)?;
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
        recorded(done.event_count, done.position, out)?;
    }
    Ok(Exit::Done)
}

fn recorded(events: i32, position: i64, out: &mut Out) -> anyhow::Result<()> {
    let events = format!("{events} events up to position {position}");
    Ok(out.line(format!("Corrected: {events}. Both readings stay in the log."))?)
}

async fn becomes(
    args: &CorrectArgs,
    session: &mut Session,
) -> anyhow::Result<v1::fact_correction::Becomes> {
    use v1::fact_correction::Becomes as B;
    if let Some(on) = args.on {
        let day = words::message(on).context("a date of a person has a message")?;
        return Ok(B::OccurredOn(day));
    }
    if let Some(to) = &args.to {
        if args.invoice.is_some() {
            let rule = "--invoice is of a payment: the position is of no fact about money";
            return Err(Stop::usage(rule));
        }
        return Ok(B::OfAnother(v1::FactOfAnother { case: session.case(to).await? }));
    }
    let Some(path) = &args.action else {
        return Ok(B::TakenBack(v1::TakenBack { about_another: args.another_person }));
    };
    read(path, "counterfoil.v1.Action").map(B::Action)
}

/// A message from a file.
fn read<M: prost::Message + Default>(path: &Path, message: &str) -> anyhow::Result<M> {
    let text = std::fs::read_to_string(path)
        .map_err(|error| Stop::usage(format!("cannot read {}: {error}", path.display())))?;
    json::from_json(&text, message)
        .map_err(|error| Stop::refused(format!("{}: {error}", path.display())))
}

fn show(
    facts: &[v1::CorrectedFact],
    effects: &[v1::CorrectionEffect],
    gone: &str,
    out: &mut Out,
) -> anyhow::Result<()> {
    let reading = |day: Option<&_>, payload: &str| reading::of(day, payload, gone);
    for fact in facts {
        let kind = fact.r#type.replace('_', " ");
        out.heading(format!("The {kind} told at position {}", fact.fact_position))?;
        out.field("as it is", reading(fact.before_date.as_ref(), &fact.before_json))?;
        out.field("corrected", reading(fact.after_date.as_ref(), &fact.after_json))?;
    }
    self::effects(effects, out)?;
    out.line(words::CAUTION)?;
    Ok(())
}

fn effects(effects: &[v1::CorrectionEffect], out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&["what follows from it", "as it is", "corrected"]);
    for effect in effects {
        let said = |text: &str| if text.is_empty() { "–".to_owned() } else { text.to_owned() };
        table.row([effect.subject.clone(), said(&effect.before), said(&effect.after)]);
    }
    Ok(out.table(&table, "Nothing else changes: no fee, period, clock, listing or amount.")?)
}
