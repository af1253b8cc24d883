//! `audit`: what another rule pack would have said of the fees that were claimed.

use std::collections::BTreeMap;

use api::v1;
use clap::Args;
use domain::money::Money;

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
    /// The rule pack: a file, or the name of one that comes with the software, such as us-ca-1
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
    for total in totals(&found.entries) {
        out.line(format!("{} fees, {total} in all.", found.entries.len()))?;
    }
    if let Some(more) = found.more() {
        out.note(more)?;
    }
    out.line("")?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

/// The sum of each currency.
fn totals(fees: &[v1::DisallowedFee]) -> Vec<Money> {
    let amounts = fees.iter().filter_map(|fee| fee.amount.as_ref());
    let amounts = amounts.filter_map(|amount| api::scalar::money(amount, None).ok());
    let mut totals: BTreeMap<String, Money> = BTreeMap::new();
    for amount in amounts {
        let code = amount.currency().as_str().to_owned();
        let total = match totals.get(&code) {
            None => Some(amount),
            Some(total) => total.plus(amount).ok(),
        };
        // A sum beyond what money can say is left out rather than told wrong.
        match total {
            Some(total) => totals.insert(code, total),
            None => totals.remove(&code),
        };
    }
    totals.into_values().collect()
}
