//! `firm pack`, `packs`, `confirm`, `own-risk`: the rules a firm follows, and who stands for them.

use std::path::Path;

use anyhow::Context;
use api::v1;
use clap::Args;
use domain::rules::{EXAMPLE_PACKS, RulePack, STATE_PACKS};

use super::{On, text_of};
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// A pack and its day.
#[derive(Args)]
pub(crate) struct PackArgs {
    /// The pack: a file, or the name of one that comes with the software, such as us-federal-1
    pack: String,
    #[command(flatten)]
    on: On,
}

/// What counsel confirmed.
#[derive(Args)]
pub(crate) struct ConfirmArgs {
    /// The pack as counsel read it: a file, or the name of one that comes with the software. The firm has to
    /// have adopted the very same
    pack: String,
    /// Counsel's name
    #[arg(long)]
    counsel: String,
    /// SHA-256 of what counsel signed, which the firm keeps itself
    #[arg(long, value_name = "SHA256", default_value = "", hide_default_value = true)]
    document: String,
    #[command(flatten)]
    on: On,
}

/// What is used without counsel's word.
#[derive(Args)]
pub(crate) struct OwnRiskArgs {
    /// The pack: a file, or the name of one that comes with the software
    pack: String,
    /// Why; it is shown wherever the pack is
    #[arg(long)]
    reason: String,
    #[command(flatten)]
    on: On,
}

/// A pack as it is written.
pub(crate) fn read(pack: &str) -> anyhow::Result<RulePack> {
    RulePack::from_json(pack).map_err(|error| Stop::refused(format!("no rule pack: {error}")))
}

/// The name of a pack that comes with the software: its code and version.
pub(crate) fn own_name(pack: &str) -> Option<String> {
    let pack = read(pack).ok()?;
    Some(format!("{}-{}", pack.code, pack.version))
}

/// The pack that is meant, as it is written.
pub(crate) fn pack_text(asked: &str) -> anyhow::Result<String> {
    let mut along = EXAMPLE_PACKS.iter().chain(STATE_PACKS);
    let own = along.find(|pack| own_name(pack).as_deref() == Some(asked));
    match own {
        Some(pack) => Ok((*pack).to_owned()),
        None if Path::new(asked).exists() => text_of(Path::new(asked)),
        None => {
            let detail = "no such file, and no pack that comes along: pack list names those, such as us-federal-1";
            Err(Stop::usage(detail))
        }
    }
}

pub(super) async fn adopt(
    args: &PackArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
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
    let of_state = !pack.state_code.is_empty();
    let counsel = if of_state { ", which counsel has to confirm" } else { "" };
    let done = format!("Pack {} version {} is adopted{counsel}.", pack.code, pack.version);
    out.receipt(&done, answer.receipt.as_ref())?;
    let mut table = Table::new(&["about", "~requirement", "~citation"]);
    for rule in &pack.rules {
        table.row([rule.dimension.clone(), rule.requirement.clone(), rule.citation.clone()]);
    }
    out.section("Its rules, for counsel to confirm", &table)?;
    unread(&pack, out)?;
    if of_state {
        // That nothing is added is for counsel to say: nobody may risk that.
        let without = if pack.nothing_is_added { "" } else { "; firm own-risk without" };
        out.note(format!("Next: firm confirm, once counsel has read it{without}"))?;
    }
    Ok(Exit::Done)
}

pub(super) async fn confirm(
    args: &ConfirmArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let pack = read(&pack_text(&args.pack)?)?;
    let request = v1::ConfirmPackRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        code: pack.code.to_string(),
        version: api::scalar::int32(pack.version),
        sha256: pack.hash().to_string(),
        counsel: args.counsel.clone(),
        document_sha256: args.document.clone(),
    };
    let answer = session.administration.confirm_pack(request).await?.into_inner();
    let done = format!(
        "Pack {} version {} is on record as confirmed by {}.",
        pack.code, pack.version, args.counsel
    );
    out.change(&answer, "ConfirmPackResponse", &done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

pub(super) async fn own_risk(
    args: &OwnRiskArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let pack = read(&pack_text(&args.pack)?)?;
    let request = v1::UsePackAtOwnRiskRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        code: pack.code.to_string(),
        version: api::scalar::int32(pack.version),
        reason: args.reason.clone(),
    };
    let answer = session.administration.use_pack_at_own_risk(request).await?.into_inner();
    let done = format!(
        "Pack {} version {} is used at the firm's own risk, in what was read of the law.",
        pack.code, pack.version
    );
    out.change(&answer, "UsePackAtOwnRiskResponse", &done, answer.receipt.as_ref())?;
    out.note(words::CAUTION)?;
    Ok(Exit::Done)
}

/// Each version of a pack by itself.
pub(super) async fn list(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let firm = session.registered().await?;
    if out.is_json() {
        let answer = v1::GetFirmResponse { firm: Some(firm), position: session.position };
        out.message(&answer, "GetFirmResponse")?;
        return Ok(Exit::Done);
    }
    if firm.packs.is_empty() {
        out.line("The firm has adopted no rule pack.")?;
    }
    for pack in &firm.packs {
        out.heading(format!("{} version {}", pack.code, pack.version))?;
        let state = if pack.state_code.is_empty() { "federal" } else { &pack.state_code };
        out.field("law", state)?;
        out.field("in force", force(pack))?;
        confirmations(pack, out)?;
        if let Some(risk) = &pack.own_risk {
            let since = words::day(risk.since.as_ref());
            out.field("at own risk", format!("since {since}: {}", risk.reason))?;
        }
        if pack.nothing_is_added {
            out.field("adds", "nothing to the federal rules, as it says")?;
        }
        out.field("read", pack.read_dimensions.join(", "))?;
        unread(pack, out)?;
        out.field("sha256", &pack.sha256)?;
        out.field("note", &pack.note)?;
    }
    out.heading(words::CAUTION)?;
    Ok(Exit::Done)
}

fn force(pack: &v1::RulePack) -> String {
    let from = words::day(pack.in_force_from.as_ref());
    match &pack.in_force_through {
        Some(last) => format!("{from} to {}", words::day(Some(last))),
        None => format!("from {from}"),
    }
}

fn confirmations(pack: &v1::RulePack, out: &mut Out) -> anyhow::Result<()> {
    for confirmation in &pack.confirmations {
        let document = match confirmation.document_sha256.as_str() {
            "" => String::new(),
            hash => format!(", document {hash}"),
        };
        let on = words::day(confirmation.confirmed_on.as_ref());
        out.field("confirmed", format!("by {} on {on}{document}", confirmation.counsel))?;
    }
    if !pack.confirmations.is_empty() {
        return Ok(());
    }
    let said = match (pack.confirmed_by_counsel, pack.state_code.is_empty()) {
        (true, _) => "as its adoption said, without counsel's name",
        (false, true) => "by nobody; the federal statute holds without",
        (false, false) => "by nobody",
    };
    Ok(out.field("confirmed", said)?)
}

fn unread(pack: &v1::RulePack, out: &mut Out) -> anyhow::Result<()> {
    if pack.unread_dimensions.is_empty() {
        return Ok(());
    }
    let unread = pack.unread_dimensions.join(", ");
    Ok(out.field("not read", format!("{unread}; what the law asks there is not known"))?)
}

/// Who stands for a pack, in two words.
fn backing(pack: &v1::RulePack) -> &'static str {
    if pack.confirmed_by_counsel {
        "counsel"
    } else if pack.state_code.is_empty() {
        "the statute"
    } else if pack.own_risk.is_some() {
        "own risk"
    } else {
        "nobody"
    }
}

/// The packs in one table.
pub(super) fn table(firm: &v1::Firm) -> Table {
    let mut table =
        Table::new(&["pack", ">version", "state", "in force", "stands for it", "~note"]);
    for pack in &firm.packs {
        table.row([
            pack.code.clone(),
            pack.version.to_string(),
            pack.state_code.clone(),
            force(pack),
            backing(pack).to_owned(),
            pack.note.clone(),
        ]);
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packs_that_come_along_have_names() {
        for pack in EXAMPLE_PACKS.iter().chain(STATE_PACKS) {
            let name = own_name(pack).unwrap();
            assert_eq!(pack_text(&name).unwrap(), *pack, "{name}");
        }
        assert!(pack_text("no-such-pack").unwrap_err().to_string().contains("us-federal-1"));
    }
}
