//! `charges` and `results`: to the processor and back, as files.

use std::path::PathBuf;

use api::v1;
use calendar::CivilDate;
use clap::Args;

use crate::cli::Again;
use crate::command::import::{self, Input, Mode, Only};
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Up to which day.
#[derive(Args)]
pub(crate) struct ChargesArgs {
    /// Open invoices due, or to be tried again, on or before this day; today if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    /// The folder for the processor's file, `outbox` beside the database if not given; a server puts
    /// it into its own
    #[arg(long, value_name = "DIR", conflicts_with = "server")]
    pub(crate) outbox: Option<PathBuf>,
    #[command(flatten)]
    again: Again,
}

/// Asks for the charges that are due.
pub(crate) async fn request(
    args: &ChargesArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::RequestChargesRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        as_of: words::message(session.day(args.as_of).await?),
        charges_max: 0,
    };
    let id = request.request_id.clone();
    let as_of = request.as_of;
    let answer = match session.accounts.request_charges(request).await {
        Ok(answer) => answer.into_inner(),
        Err(status) => {
            if Exit::of_code(status.code()) == Exit::Unavailable {
                let as_of = words::day(as_of.as_ref());
                eprintln!(
                    "request {id}, asked again by: charges --as-of {as_of} --request-id {id}"
                );
            }
            return Err(status.into());
        }
    };
    if out.is_json() {
        out.message(&answer, "RequestChargesResponse")?;
        return Ok(Exit::Done);
    }
    let (charges, again) = (table(&answer.charges), table(&answer.handed_over_again));
    if answer.handed_over_again.is_empty() {
        out.table(&charges, "No charge is due.")?;
    } else {
        out.table(&charges, "No other charge is due.")?;
        out.section("Asked for earlier, and not known to have been handed over", &again)?;
        out.note("Handed over with this request, each under the key it had: it is charged once.")?;
    }
    let mut skipped = Table::new(&[">invoice", "reason", "~because"]);
    for invoice in &answer.skipped {
        skipped.row([words::id(&invoice.invoice), invoice.reason.clone(), invoice.detail.clone()]);
    }
    out.section("Not asked for", &skipped)?;
    if !answer.charges.is_empty() {
        out.note(format!("Handed over in the outbox under request {id}."))?;
    }
    if answer.more {
        out.note("More invoices are due: run it again.")?;
    }
    Ok(Exit::Done)
}

fn table(charges: &[v1::Charge]) -> Table {
    let mut table = Table::new(&[">invoice", "account", ">amount", ">try"]);
    for charge in charges {
        table.row([
            words::id(&charge.invoice),
            words::id(&charge.account),
            words::amount(charge.amount.as_ref()),
            charge.attempt.to_string(),
        ]);
    }
    table
}

/// Which file.
#[derive(Args)]
pub(crate) struct ResultsArgs {
    /// JSON lines: what became of each charge, as the processor's side writes it, or
    /// RecordPaymentRequest in proto3 JSON; - for standard input
    file: PathBuf,
    /// Start at this line, counted from 1
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u64).range(1..), value_name = "N")]
    from_line: u64,
}

/// Records what became of charges.
pub(crate) async fn results(
    args: &ResultsArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let input = Input { file: &args.file, from_line: args.from_line, only: Only::Payments };
    import::play(&input, Mode::Record, session, out).await
}
