//! `firm`: what a firm is, sells, follows and writes to.

use std::path::{Path, PathBuf};

use anyhow::Context;
use api::{json, name, v1};
use calendar::CivilDate;
use clap::{Args, Subcommand};
use domain::ids::FirmId;
use domain::rules::EXAMPLE_PACKS;
use prost::Message;
use serde_json::Value;
use uuid::Uuid;

use crate::cli::Again;
use crate::connect::{Missing, Session, request_id, today};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What to do with a firm.
#[derive(Subcommand)]
pub(crate) enum FirmCommand {
    /// Register a firm: a Firm in proto3 JSON; without a name it gets a new one
    Register(FileArgs),
    /// Show the firm with its plans, packs, bureaus and standings
    Show,
    /// Publish a plan, or a new version of one: a Plan in proto3 JSON
    Plan(FileArgs),
    /// Adopt a rule pack for agreements signed from now on
    Pack(PackArgs),
    /// Register a bureau the firm writes to: a Bureau in proto3 JSON
    Bureau(FileArgs),
    /// Record a registration or bond: a Standing in proto3 JSON
    Standing(FileArgs),
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

/// A pack and its day.
#[derive(Args)]
pub(crate) struct PackArgs {
    /// The pack: a file, or the name of one that comes with the software, such as us-federal-1
    pack: String,
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
        FirmCommand::Pack(args) => pack(&args, session, out).await,
        FirmCommand::Bureau(args) => bureau(&args, session, out).await,
        FirmCommand::Standing(args) => standing(&args, session, out).await,
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

async fn standing(args: &FileArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::RecordStandingRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        standing: Some(message(&args.file, "Standing")?),
    };
    let answer = session.administration.record_standing(request).await?.into_inner();
    out.change(
        &answer,
        "RecordStandingResponse",
        "The standing is recorded.",
        answer.receipt.as_ref(),
    )?;
    Ok(Exit::Done)
}

/// The name of a pack that comes with the software: its code and version.
fn own_name(pack: &str) -> Option<String> {
    let value: Value = serde_json::from_str(pack).ok()?;
    Some(format!("{}-{}", value.get("code")?.as_str()?, value.get("version")?))
}

pub(super) fn pack_text(asked: &str) -> anyhow::Result<String> {
    let own = EXAMPLE_PACKS.iter().find(|pack| own_name(pack).as_deref() == Some(asked));
    match own {
        Some(pack) => Ok((*pack).to_owned()),
        None if Path::new(asked).exists() => text_of(Path::new(asked)),
        None => {
            let names = words::list(EXAMPLE_PACKS.iter().filter_map(|pack| own_name(pack)));
            Err(Stop::usage(format!("no such file, and the packs that come along are {names}")))
        }
    }
}

async fn pack(args: &PackArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::AdoptPackRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        pack_json: pack_text(&args.pack)?,
    };
    let answer = session.administration.adopt_pack(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "AdoptPackResponse")?;
        return Ok(Exit::Done);
    }
    let pack = answer.pack.context("the service answered without the pack")?;
    out.receipt(&pack_line(&pack), answer.receipt.as_ref())?;
    let mut table = Table::new(&["about", "~requirement", "~citation"]);
    for rule in &pack.rules {
        table.row([rule.dimension.clone(), rule.requirement.clone(), rule.citation.clone()]);
    }
    out.section("Its rules, for counsel to confirm", &table)?;
    Ok(Exit::Done)
}

fn pack_line(pack: &v1::RulePack) -> String {
    let counsel = if pack.confirmed_by_counsel { "" } else { ", not confirmed by counsel" };
    format!("Pack {} version {}{counsel}.", pack.code, pack.version)
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
    let mut packs = Table::new(&["pack", ">version", "state", "in force", "counsel", "~note"]);
    for pack in &firm.packs {
        packs.row([
            pack.code.clone(),
            pack.version.to_string(),
            pack.state_code.clone(),
            words::day(pack.in_force_from.as_ref()),
            if pack.confirmed_by_counsel { "confirmed" } else { "not confirmed" }.to_owned(),
            pack.note.clone(),
        ]);
    }
    out.section("Rule packs", &packs)?;
    let mut bureaus = Table::new(&["bureau", "~name", "~address"]);
    for bureau in &firm.bureaus {
        bureaus.row([bureau.code.clone(), bureau.display_name.clone(), bureau.address.clone()]);
    }
    out.section("Bureaus", &bureaus)?;
    let mut standings = Table::new(&["standing", "state", "from", "through", ">amount"]);
    for standing in &firm.standings {
        standings.row([
            words::standing_kind(standing.kind),
            standing.state_code.clone(),
            words::day(standing.valid_from.as_ref()),
            words::day(standing.valid_through.as_ref()),
            words::amount(standing.amount.as_ref()),
        ]);
    }
    out.section("Registrations and bonds", &standings)?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packs_that_come_along_have_names() {
        for pack in EXAMPLE_PACKS {
            let name = own_name(pack).unwrap();
            assert_eq!(pack_text(&name).unwrap(), *pack, "{name}");
        }
        assert!(pack_text("no-such-pack").unwrap_err().to_string().contains("us-federal-1"));
    }
}
