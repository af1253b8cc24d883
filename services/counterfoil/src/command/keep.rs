//! `keep`: counsel's reason to keep money that was collected for what nothing allowed.

use anyhow::Context;
use api::{scalar, v1};
use calendar::CivilDate;
use clap::Args;
use domain::money::Money;

use crate::cli::Again;
use crate::command::billing::fee_page;
use crate::command::payment::amount;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::words;

/// Which fee, and why.
#[derive(Args)]
pub(crate) struct KeepArgs {
    /// The case: its id, a part of it, or the client's name
    case: String,
    /// The period of the fee, counted from 1
    #[arg(value_parser = clap::value_parser!(i32).range(1..))]
    period: i32,
    /// The position at which the fee was claimed, if its period was claimed more than once
    #[arg(long, value_name = "POSITION", value_parser = clap::value_parser!(i64).range(1..))]
    claim: Option<i64>,
    /// How much is kept in all, in the firm's currency; all that was collected and is owed if not given
    #[arg(long, conflicts_with = "withdraw")]
    amount: Option<String>,
    /// Take the decision back: nothing is kept any more
    #[arg(long)]
    withdraw: bool,
    /// Counsel's name
    #[arg(long)]
    counsel: String,
    /// Why (personal)
    #[arg(long)]
    reason: String,
    /// SHA-256 of what counsel wrote, as uploaded
    #[arg(long, value_name = "SHA256", default_value = "")]
    document: String,
    /// The day counsel decided; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    /// Record it; without it, it is only shown
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    again: Again,
}

/// Shows what would be kept, or records it.
pub(crate) async fn run(
    args: KeepArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    use v1::keep_fee_request::Fee;
    let currency = session.currency().await?;
    let text = if args.withdraw { Some("0") } else { args.amount.as_deref() };
    let wrong = || Stop::usage("the amount must be one of the firm's currency, such as 49.99");
    let kept = text.map(|text| amount(text, currency).ok_or_else(wrong)).transpose()?;
    let request = v1::KeepFeeRequest {
        name: session.case(&args.case).await?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(args.on).await?),
        fee: Some(args.claim.map_or(Fee::Period(args.period), Fee::ClaimPosition)),
        amount: kept.map(scalar::money_message),
        counsel: args.counsel,
        reason: args.reason,
        document_sha256: args.document,
        validate_only: !args.yes,
    };
    let answer = session.billing.keep_fee(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "KeepFeeResponse")?;
        return Ok(Exit::Done);
    }
    let fee = answer.explanation.context("the service answered without the fee")?;
    fee_page(&fee, out)?;
    out.line("")?;
    out.line(if kept.is_some_and(Money::is_zero) {
        "Nothing of this fee is kept any more. That something was stays in the log."
    } else {
        "It opens no gate: no more of this fee may be asked for, and it is shown as kept until that is withdrawn."
    })?;
    if !args.yes {
        out.note("Nothing is recorded. To record it, say the same with --yes.")?;
    }
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}
