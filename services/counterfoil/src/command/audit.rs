//! `audit`: what another rule pack would have said of the fees that were claimed.

use api::v1;
use clap::Args;

use crate::cli::Limit;
use crate::connect::Session;
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Which pack.
#[derive(Args)]
pub(crate) struct AuditArgs {
    /// The rule pack: a file, or the name of one that comes with the software, such as us-ca-2
    #[arg(long, value_name = "FILE")]
    pack: String,
    #[command(flatten)]
    limit: Limit,
}

/// Lists every claimed fee that the pack would not have allowed.
pub(crate) async fn run(
    args: &AuditArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    let pack_json = super::firm::pack_text(&args.pack)?;
    let at_least_position = session.position;
    let found = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListDisallowedFeesRequest {
            parent: parent.clone(),
            pack_json: pack_json.clone(),
            page_size,
            page_token,
            at_least_position,
        };
        let answer = session.audit.list_disallowed_fees(request).await?.into_inner();
        Ok((answer.fees, answer.next_page_token))
    });
    let found = found.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = found;
        let position = session.position;
        let answer = v1::ListDisallowedFeesResponse { fees: entries, next_page_token, position };
        out.message(&answer, "ListDisallowedFeesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["case", "period", "claimed", "amount", "~because", "~by"]);
    for fee in &found.entries {
        let because = fee.gates.iter().map(|gate| gate.because.clone());
        let citations = fee.gates.iter().map(|gate| gate.citation.clone());
        table.row([
            words::id(&fee.case),
            fee.period.to_string(),
            words::day(fee.earned_on.as_ref()),
            words::amount(fee.amount.as_ref()),
            because.collect::<Vec<_>>().join("; "),
            citations.collect::<Vec<_>>().join("; "),
        ]);
    }
    out.table(&table, "The pack would have allowed every fee that was claimed.")?;
    let total = words::sum(found.entries.iter().filter_map(|fee| fee.amount.as_ref()))?;
    if !total.is_empty() {
        out.line(format!("{} fees, {total} in all.", found.entries.len()))?;
    }
    if let Some(more) = found.more() {
        out.note(more)?;
    }
    out.line("")?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}
