//! `hold`, `release`, `erase`, `retention`.

use api::v1;
use clap::{Args, ValueEnum};

use crate::cli::{Again, Limit};
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// A legal hold on one client.
#[derive(Args)]
pub(crate) struct HoldArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// The matter, without personal values: a docket number, a file's name. It is kept in the clear, and
    /// stays when the client is erased
    #[arg(long, value_name = "TEXT")]
    matter: String,
    #[command(flatten)]
    again: Again,
}

/// Why a client is erased.
#[derive(Clone, Copy, ValueEnum)]
enum Basis {
    /// The client asked for it
    Asked,
    /// No law asks to keep the record any longer
    RetentionOver,
}

/// Who is erased, and why.
#[derive(Args)]
pub(crate) struct EraseArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// Why
    #[arg(long)]
    basis: Basis,
    /// Do it: nobody can bring the values back
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    again: Again,
}

/// Places a hold.
pub(crate) async fn hold(
    args: &HoldArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::PlaceLegalHoldRequest {
        name: session.case(&args.case).await?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(None).await?),
        matter: args.matter.clone(),
    };
    let answer = session.privacy.place_legal_hold(request).await?.into_inner();
    out.change(
        &answer,
        "PlaceLegalHoldResponse",
        "The hold stands: nothing of this client is erased.",
        answer.receipt.as_ref(),
    )?;
    Ok(Exit::Done)
}

/// Lifts a hold.
pub(crate) async fn release(
    args: &HoldArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::LiftLegalHoldRequest {
        name: session.case(&args.case).await?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(None).await?),
        matter: args.matter.clone(),
    };
    let answer = session.privacy.lift_legal_hold(request).await?.into_inner();
    out.change(&answer, "LiftLegalHoldResponse", "The hold is lifted.", answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Erases a client.
pub(crate) async fn erase(
    args: &EraseArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let name = session.case(&args.case).await?;
    if !args.yes {
        return Err(Stop::usage(format!(
            "erasing {name} destroys the key of everything personal in it, for good; the events, the \
             money and the proofs stay. State law may ask to keep more than this program knows: ask \
             counsel, then say it with --yes"
        )));
    }
    let basis = match args.basis {
        Basis::Asked => v1::ErasureBasis::Asked,
        Basis::RetentionOver => v1::ErasureBasis::RetentionOver,
    };
    let request = v1::ErasePersonRequest {
        name,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(None).await?),
        basis: basis.into(),
    };
    let answer = session.privacy.erase_person(request).await?.into_inner();
    out.change(&answer, "ErasePersonResponse", "The client is erased.", answer.receipt.as_ref())?;
    let left = &answer.clear_card_positions;
    if !left.is_empty() {
        out.note(format!(
            "Recorded before tokens of cards were sealed, and so left in the clear for good: the token \
             in event {}. Have the processor delete it.",
            words::list(left.iter().map(ToString::to_string))
        ))?;
    }
    let matters = &answer.clear_matter_positions;
    if !matters.is_empty() {
        out.note(format!(
            "The matters of legal holds are kept in the clear, and so stay readable: in event {}.",
            words::list(matters.iter().map(ToString::to_string))
        ))?;
    }
    let elsewhere = &answer.elsewhere_positions;
    if !elsewhere.is_empty() {
        out.note(format!(
            "Told of another client first, and so sealed in that client's file, opened to nobody: event {}.",
            words::list(elsewhere.iter().map(ToString::to_string))
        ))?;
    }
    out.note("Charges that were handed to the processor lie where it took them from.")?;
    out.note("Backups still open until they expire: ops/backup.md says when.")?;
    Ok(Exit::Done)
}

/// The laws that keep a record, and why there may be more of them.
fn kept_by(case: &v1::Retention) -> String {
    let unknown = case.unknown.iter().map(|why| format!("not known: {why}"));
    words::list(case.records.iter().map(|record| record.citation.clone()).chain(unknown))
}

/// Lists what is kept of whom.
pub(crate) async fn retention(
    limit: Limit,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    let at_least_position = session.position;
    let kept = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListRetentionRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            at_least_position,
        };
        let answer = session.privacy.list_retention(request).await?.into_inner();
        Ok((answer.cases, answer.next_page_token))
    });
    let kept = kept.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = kept;
        let position = session.position;
        let answer = v1::ListRetentionResponse { cases: entries, next_page_token, position };
        out.message(&answer, "ListRetentionResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["case", "may be erased from", "erased", "~holds", "~kept by"]);
    for case in &kept.entries {
        table.row([
            case.name.clone(),
            words::day(case.erasable_from.as_ref()),
            words::day(case.erased_on.as_ref()),
            words::list(case.holds.iter().map(|hold| hold.matter.clone())),
            kept_by(case),
        ]);
    }
    out.table(&table, "No client has enrolled.")?;
    if let Some(more) = kept.more() {
        out.note(more)?;
    }
    out.note("By federal law and the packs that the firm adopted, as far as they were read. State law may be longer, and licensed \
         counsel decides.")?;
    Ok(Exit::Done)
}
