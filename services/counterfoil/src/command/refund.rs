//! `payment refund`: money of a payment is asked back from the processor.

use std::path::PathBuf;

use anyhow::Context;
use api::{name, scalar, v1};
use calendar::CivilDate;
use clap::Args;

use crate::cli::Again;
use crate::command::payment::amount;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What is to be given back, and why.
#[derive(Args)]
pub(crate) struct RefundArgs {
    /// The processor's name for the payment it is to come from
    payment: String,
    /// How much, in the firm's currency: 49.99; what is owed of the payment if not given
    amount: Option<String>,
    /// Why (personal)
    #[arg(long)]
    reason: String,
    /// Only show what would be asked for
    #[arg(long)]
    dry_run: bool,
    /// The day it is asked for; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    /// The folder for the processor's file, `outbox` beside the database if not given; a server puts
    /// it into its own
    #[arg(long, value_name = "DIR", conflicts_with = "server")]
    pub(crate) outbox: Option<PathBuf>,
    #[command(flatten)]
    again: Again,
}

/// Asks for a refund.
pub(super) async fn request(
    args: RefundArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let currency = session.currency().await?;
    let wrong = || Stop::usage("the amount must be one of the firm's currency, such as 49.99");
    let read = |text: &String| amount(text, currency).ok_or_else(wrong);
    let amount = args.amount.as_ref().map(read).transpose()?;
    let request = v1::RequestRefundRequest {
        name: name::any_account(session.firm_id()?),
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(args.on).await?),
        payment: args.payment,
        amount: amount.map(scalar::money_message),
        reason: args.reason,
        validate_only: args.dry_run,
    };
    let id = request.request_id.clone();
    let answer = match session.accounts.request_refund(request).await {
        Ok(answer) => answer.into_inner(),
        Err(status) => {
            if Exit::of_code(status.code()) == Exit::Unavailable {
                eprintln!("asked again by the same command with --request-id {id}");
            }
            return Err(status.into());
        }
    };
    if out.is_json() {
        out.message(&answer, "RequestRefundResponse")?;
        return Ok(Exit::Done);
    }
    let refund = answer.refund.as_ref().context("the service answered without the refund")?;
    page(refund, out)?;
    let mut again = Table::new(&["account", ">request", "~payment", ">amount"]);
    for refund in &answer.handed_over_again {
        again.row([
            words::id(&refund.account),
            refund.number.to_string(),
            refund.payment.clone(),
            words::amount(refund.amount.as_ref()),
        ]);
    }
    out.section("Asked for earlier, and not known to have been handed over", &again)?;
    let mut skipped = Table::new(&["account", ">request", "~because"]);
    for refund in &answer.skipped {
        skipped.row([words::id(&refund.account), refund.number.to_string(), refund.detail.clone()]);
    }
    out.section("Not handed over", &skipped)?;
    if args.dry_run {
        out.note("Nothing is recorded, and nothing was handed over.")?;
    } else if answer.handed_over {
        out.note(format!(
            "Handed over in the outbox under request {id}. It is given back when the processor says so: record that \
             with its number, {}.",
            refund.number
        ))?;
    }
    Ok(Exit::Done)
}

fn page(refund: &v1::Refund, out: &mut Out) -> anyhow::Result<()> {
    out.line(format!(
        "Refund request {} of account {}",
        refund.number,
        words::id(&refund.account)
    ))?;
    out.field("payment", &refund.payment)?;
    out.field("to give back", words::amount(refund.amount.as_ref()))?;
    let parts = refund.invoices.iter().map(|part| {
        format!("{} of invoice {}", words::amount(part.amount.as_ref()), words::id(&part.invoice))
    });
    out.field("of that", words::list(parts))?;
    out.field("left of it then", words::amount(refund.left.as_ref()))?;
    Ok(())
}
