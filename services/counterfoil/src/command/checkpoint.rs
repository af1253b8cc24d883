//! `checkpoint`.

use std::path::PathBuf;

use anyhow::Context;
use api::{name, v1};
use clap::{Args, Subcommand};

use crate::cli::Limit;
use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What to do with signed checkpoints.
#[derive(Subcommand)]
pub(crate) enum CheckpointCommand {
    /// Sign the log as it stands, after proving that it continues the last checkpoint
    Make,
    /// Show one as a signed note
    Show(ShowArgs),
    /// List them, the latest first
    List(Limit),
    /// Add the signatures of registered witnesses that a note has
    Cosign(CosignArgs),
}

/// Which.
#[derive(Args)]
pub(crate) struct ShowArgs {
    /// Its size; the latest if none is given
    #[arg(value_parser = clap::value_parser!(u64).range(1..))]
    size: Option<u64>,
}

/// Which note.
#[derive(Args)]
pub(crate) struct CosignArgs {
    /// The note, signed by a witness
    #[arg(value_name = "FILE")]
    note: PathBuf,
}

/// Runs one.
pub(crate) async fn run(
    command: CheckpointCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        CheckpointCommand::Make => {
            // Of a log that grew before there were checkpoints, tiles are made first.
            let request = patient(v1::MakeCheckpointRequest { parent: session.firm()? });
            let answer = session.audit.make_checkpoint(request).await?.into_inner();
            show(&answer, "MakeCheckpointResponse", answer.checkpoint.as_ref(), out)
        }
        CheckpointCommand::Show(args) => {
            let firm = session.firm_id()?;
            let name = args
                .size
                .map_or_else(|| name::latest_checkpoint(firm), |size| name::checkpoint(firm, size));
            let request = v1::GetCheckpointRequest { name };
            let answer = session.audit.get_checkpoint(request).await?.into_inner();
            show(&answer, "GetCheckpointResponse", answer.checkpoint.as_ref(), out)
        }
        CheckpointCommand::List(limit) => list(limit, session, out).await,
        CheckpointCommand::Cosign(args) => {
            let note = std::fs::read_to_string(&args.note)
                .with_context(|| format!("cannot read {}", args.note.display()))?;
            let request = v1::AddCosignatureRequest { parent: session.firm()?, note };
            let answer = session.audit.add_cosignature(request).await?.into_inner();
            show(&answer, "AddCosignatureResponse", answer.checkpoint.as_ref(), out)
        }
    }
}

fn show<M: prost::Message>(
    answer: &M,
    message: &str,
    checkpoint: Option<&v1::Checkpoint>,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    if out.is_json() {
        out.message(answer, message)?;
        return Ok(Exit::Done);
    }
    let checkpoint = checkpoint.context("the service answered without a checkpoint")?;
    // A note of ours, byte for byte: what a file of it has to hold.
    out.raw(checkpoint.note.as_bytes())?;
    Ok(Exit::Done)
}

async fn list(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    let gathered = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListCheckpointsRequest { parent: parent.clone(), page_size, page_token };
        let answer = session.audit.list_checkpoints(request).await?.into_inner();
        Ok((answer.checkpoints, answer.next_page_token))
    });
    let checkpoints = gathered.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = checkpoints;
        let position = session.position;
        let answer =
            v1::ListCheckpointsResponse { checkpoints: entries, next_page_token, position };
        out.message(&answer, "ListCheckpointsResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">size", ">continues", "made", "root"]);
    for checkpoint in &checkpoints.entries {
        table.row([
            checkpoint.size.to_string(),
            checkpoint.previous_size.to_string(),
            words::instant(checkpoint.made_at.as_ref()),
            checkpoint.root.clone(),
        ]);
    }
    out.table(&table, "No checkpoint was signed; sign one: counterfoil checkpoint make")?;
    if let Some(more) = checkpoints.more() {
        out.note(more)?;
    }
    Ok(Exit::Done)
}
