//! `couples`.

use api::v1;
use clap::{Args, Subcommand};

use crate::cli::{Again, Limit};
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What to do about couples; without anything they are listed.
#[derive(Args)]
pub(crate) struct CouplesArgs {
    #[command(subcommand)]
    decision: Option<Decision>,
    #[command(flatten)]
    limit: Limit,
}

/// A person's word about two cases.
#[derive(Subcommand)]
enum Decision {
    /// They are a couple: from now on both are on one invoice at the couple's price, and the card of whoever enrolled first is
    /// charged
    Confirm(Two),
    /// They are no couple
    Refuse(Two),
    /// They pay apart again, each by the own card; past invoices stay as they are, of the card they were of
    Unlink(Two),
}

/// The two cases.
#[derive(Args)]
struct Two {
    /// One case: the payer if both enrolled the same day
    first: String,
    /// The other
    second: String,
    #[command(flatten)]
    again: Again,
}

/// Lists suggestions, or decides one.
pub(crate) async fn run(
    args: &CouplesArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match &args.decision {
        None => list(args.limit, session, out).await,
        Some(decision) => decide(decision, session, out).await,
    }
}

async fn decide(decision: &Decision, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let (Decision::Confirm(two) | Decision::Refuse(two) | Decision::Unlink(two)) = decision;
    let parent = session.firm()?;
    let request_id = request_id(two.again.request_id);
    let first_case = session.case(&two.first).await?;
    let second_case = session.case(&two.second).await?;
    let accounts = &mut session.accounts;
    macro_rules! ask {
        ($call:ident, $request:ident, $name:literal, $done:literal) => {{
            let request = v1::$request { parent, request_id, first_case, second_case };
            let answer = accounts.$call(request).await?.into_inner();
            out.change(&answer, $name, $done, answer.receipt.as_ref())?;
        }};
    }
    match decision {
        Decision::Confirm(_) => {
            ask!(
                confirm_link,
                ConfirmLinkRequest,
                "ConfirmLinkResponse",
                "The two are linked: both pay by one invoice, and the card of whoever enrolled first is charged."
            );
        }
        Decision::Refuse(_) => {
            ask!(refuse_link, RefuseLinkRequest, "RefuseLinkResponse", "Noted: no couple.");
        }
        Decision::Unlink(_) => {
            ask!(
                unlink,
                UnlinkRequest,
                "UnlinkResponse",
                "The two pay apart from now on, each by the own card."
            );
        }
    }
    Ok(Exit::Done)
}

async fn list(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    let at_least_position = session.position;
    let links = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListSuggestedLinksRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            at_least_position,
        };
        let answer = session.accounts.list_suggested_links(request).await?.into_inner();
        Ok((answer.suggested_links, answer.next_page_token))
    });
    let links = links.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = links;
        let position = session.position;
        let answer =
            v1::ListSuggestedLinksResponse { suggested_links: entries, next_page_token, position };
        out.message(&answer, "ListSuggestedLinksResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["first case", "second case", "since", "~in common"]);
    for link in &links.entries {
        table.row([
            words::id(&link.first_case),
            words::id(&link.second_case),
            words::day(link.suggested_on.as_ref()),
            words::list(link.matches.iter().map(|matched| words::matched(*matched))),
        ]);
    }
    out.table(&table, "No two clients wait for a word on whether they are a couple.")?;
    if let Some(more) = links.more() {
        out.note(more)?;
    }
    if !table.is_empty() {
        out.note("Decide: counterfoil couples confirm FIRST SECOND, or refuse")?;
    }
    Ok(Exit::Done)
}
