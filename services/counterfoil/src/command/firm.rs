//! `firm`: what a firm is, sells, follows and writes to.

mod corrections;
mod packs;
mod security;
mod standings;

use std::path::{Path, PathBuf};

use api::{json, name, v1};
use calendar::CivilDate;
use clap::{Args, Subcommand};
use domain::ids::FirmId;
use prost::Message;
use uuid::Uuid;

use crate::cli::Again;
use crate::connect::{Missing, Session, request_id, today};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::table::Table;
use crate::words;

pub(super) use packs::{own_name, pack_text, read as read_pack};

/// What to do with a firm.
#[derive(Subcommand)]
pub(crate) enum FirmCommand {
    /// Register a firm: a Firm in proto3 JSON; without a name it gets a new one
    Register(FileArgs),
    /// Show the firm with its plans, packs, bureaus and standings
    Show,
    /// Publish a plan, or a new version of one: a Plan in proto3 JSON
    Plan(FileArgs),
    /// Adopt a version of a rule pack
    Pack(packs::PackArgs),
    /// Show the rule packs: their force, what was read, and who stands for each
    Packs,
    /// Record that counsel confirmed a version of a pack
    Confirm(packs::ConfirmArgs),
    /// Use a version of a pack that no counsel has confirmed, at the firm's own risk
    OwnRisk(packs::OwnRiskArgs),
    /// Register a bureau the firm writes to: a Bureau in proto3 JSON
    Bureau(FileArgs),
    /// Record a registration, a bond or another security, a place of the firm, or evidence of an exemption: a Standing
    /// in proto3 JSON
    Standing(FileArgs),
    /// Record that a registration or bond ended before its last day
    EndStanding(standings::EndArgs),
    /// Record an event of security: of how many consumers information was acquired without authorization
    SecurityEvent(security::SecurityArgs),
    /// List the events of security, and which notices to the Federal Trade Commission came late
    SecurityEvents,
    /// Correct a standing, its end, a pack or who stands for it, told wrongly; or list them
    Correct(corrections::CorrectArgs),
}

impl FirmCommand {
    /// Only a firm's registration makes a database.
    pub(crate) fn missing_database(&self) -> Missing {
        if matches!(self, Self::Register(_)) { Missing::Make } else { Missing::Refuse }
    }
}

/// A file and its day.
#[derive(Args)]
pub(crate) struct FileArgs {
    /// The file
    file: PathBuf,
    #[command(flatten)]
    on: On,
}

/// When something happened.
#[derive(Args)]
struct On {
    /// The day it happened; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    #[command(flatten)]
    again: Again,
}

/// Runs one.
pub(crate) async fn run(
    command: FirmCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        FirmCommand::Register(args) => register(&args, session, out).await,
        FirmCommand::Show => show(session, out).await,
        FirmCommand::Plan(args) => plan(&args, session, out).await,
        FirmCommand::Pack(args) => packs::adopt(&args, session, out).await,
        FirmCommand::Packs => packs::list(session, out).await,
        FirmCommand::Confirm(args) => packs::confirm(&args, session, out).await,
        FirmCommand::OwnRisk(args) => packs::own_risk(&args, session, out).await,
        FirmCommand::Bureau(args) => bureau(&args, session, out).await,
        FirmCommand::Standing(args) => standings::record(&args, session, out).await,
        FirmCommand::EndStanding(args) => standings::end(&args, session, out).await,
        FirmCommand::SecurityEvent(args) => security::record(&args, session, out).await,
        FirmCommand::SecurityEvents => security::list(session, out).await,
        FirmCommand::Correct(args) => corrections::run(&args, session, out).await,
    }
}

fn text_of(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path)
        .map_err(|error| Stop::usage(format!("cannot read {}: {error}", path.display())))
}

fn message<M: Message + Default>(path: &Path, name: &str) -> anyhow::Result<M> {
    json::from_json(&text_of(path)?, &format!("counterfoil.v1.{name}"))
        .map_err(|error| Stop::refused(format!("{}: {error}", path.display())))
}

async fn register(args: &FileArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let mut firm: v1::Firm = message(&args.file, "Firm")?;
    if firm.name.is_empty() {
        firm.name = name::firm(FirmId(Uuid::now_v7()));
    }
    let name = firm.name.clone();
    let day = match args.on.on {
        Some(day) => day,
        None => today(&firm.time_zone).map_err(|error| Stop::refused(error.to_string()))?,
    };
    let request = v1::RegisterFirmRequest {
        firm: Some(firm),
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(day),
    };
    let answer = session.administration.register_firm(request).await?.into_inner();
    let done = format!("The firm {} is registered.", words::id(&name));
    out.change(&answer, "RegisterFirmResponse", &done, answer.receipt.as_ref())?;
    out.note("Next: firm plan, firm pack, firm bureau; then import")?;
    Ok(Exit::Done)
}

async fn plan(args: &FileArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::PublishPlanRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        plan: Some(message(&args.file, "Plan")?),
    };
    let answer = session.administration.publish_plan(request).await?.into_inner();
    out.change(&answer, "PublishPlanResponse", "The plan is published.", answer.receipt.as_ref())?;
    if !out.is_json() && !answer.misfits.is_empty() {
        let mut table = Table::new(&["state", "~why", "~statute"]);
        for misfit in &answer.misfits {
            table.row([misfit.state_code.clone(), misfit.reason.clone(), misfit.citation.clone()]);
        }
        out.section("Where it does not fit", &table)?;
        out.note(words::CAUTION)?;
    }
    Ok(Exit::Done)
}

async fn bureau(args: &FileArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::RegisterBureauRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        bureau: Some(message(&args.file, "Bureau")?),
    };
    let answer = session.administration.register_bureau(request).await?.into_inner();
    out.change(
        &answer,
        "RegisterBureauResponse",
        "The bureau is registered.",
        answer.receipt.as_ref(),
    )?;
    Ok(Exit::Done)
}

async fn show(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let firm = session.registered().await?;
    if out.is_json() {
        let answer = v1::GetFirmResponse { firm: Some(firm), position: session.position };
        out.message(&answer, "GetFirmResponse")?;
        return Ok(Exit::Done);
    }
    out.line(&firm.display_name)?;
    out.field("firm", words::id(&firm.name))?;
    out.field("currency", &firm.currency_code)?;
    out.field("time zone", &firm.time_zone)?;
    out.field("invoices due", format!("{} days after issue", firm.invoice_due_days))?;
    out.field("letters travel", format!("{} days if no scan says", firm.transit_days))?;
    out.section("Plans", &plans(&firm))?;
    out.section("Rule packs", &packs::table(&firm))?;
    let mut bureaus = Table::new(&["bureau", "~name", "~address"]);
    for bureau in &firm.bureaus {
        bureaus.row([bureau.code.clone(), bureau.display_name.clone(), bureau.address.clone()]);
    }
    out.section("Bureaus", &bureaus)?;
    out.section("On file with states", &standings::table(&firm))?;
    out.section("Events of security", &security::table(&firm))?;
    Ok(Exit::Done)
}

fn plans(firm: &v1::Firm) -> Table {
    let mut table = Table::new(&[
        "plan",
        ">version",
        "~name",
        ">first",
        ">monthly",
        ">couple first",
        ">couple monthly",
        ">periods",
        "~work of a period",
    ]);
    let first = |p: &Option<v1::Prices>| {
        words::amount(p.as_ref().and_then(|prices| prices.first_fee.as_ref()))
    };
    let monthly = |p: &Option<v1::Prices>| {
        words::amount(p.as_ref().and_then(|prices| prices.monthly_fee.as_ref()))
    };
    for plan in &firm.plans {
        table.row([
            plan.code.clone(),
            plan.version.to_string(),
            plan.display_name.clone(),
            first(&plan.individual),
            monthly(&plan.individual),
            first(&plan.couple),
            monthly(&plan.couple),
            plan.periods.to_string(),
            words::list(plan.monthly_work.iter().map(|work| words::work(*work))),
        ]);
    }
    table
}
