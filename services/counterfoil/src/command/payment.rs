//! `payment`: what was paid, and what is no longer asked for.

use std::path::PathBuf;

use api::google::r#type::Money as MoneyMessage;
use api::{name, scalar, v1};
use calendar::CivilDate;
use clap::{Args, Subcommand};
use domain::money::{Currency, Money};

use crate::cli::{Again, Limit};
use crate::command::refund::{self, RefundArgs};
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What about payments.
#[derive(Subcommand)]
pub(crate) enum PaymentCommand {
    /// List payments
    List(Limit),
    /// List what the firm did against a rule
    Exposures(Limit),
    /// Lower an invoice
    Credit(LowerArgs),
    /// Give up what is open on an invoice
    WriteOff(LowerArgs),
    /// Ask the processor to give money of a payment back, and write it for the processor
    Refund(RefundArgs),
}

impl PaymentCommand {
    /// Where the refund goes that it asks for, if that is said.
    pub(crate) fn outbox(&self) -> Option<PathBuf> {
        match self {
            Self::Refund(args) => args.outbox.clone(),
            Self::List(_) | Self::Exposures(_) | Self::Credit(_) | Self::WriteOff(_) => None,
        }
    }
}

/// By how much an invoice is lowered, and why.
#[derive(Args)]
pub(crate) struct LowerArgs {
    /// The invoice's number
    #[arg(value_parser = clap::value_parser!(u64).range(1..))]
    invoice: u64,
    /// By how much, in the firm's currency: 49.99
    amount: String,
    /// Why (personal)
    #[arg(long)]
    reason: String,
    /// The day it happened; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    #[command(flatten)]
    again: Again,
}

/// Runs one.
pub(crate) async fn run(
    command: PaymentCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        PaymentCommand::List(limit) => list(limit, session, out).await,
        PaymentCommand::Exposures(limit) => exposures(limit, session, out).await,
        PaymentCommand::Credit(args) => credit(args, session, out).await,
        PaymentCommand::WriteOff(args) => write_off(args, session, out).await,
        PaymentCommand::Refund(args) => refund::request(args, session, out).await,
    }
}

/// Reads `49.99` in the minor units of a currency.
pub(crate) fn amount(text: &str, currency: Currency) -> Option<Money> {
    let digits = usize::try_from(currency.minor_digits()).ok()?;
    let (whole, minor) = text.split_once('.').unwrap_or((text, ""));
    let all_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let exact = minor.is_empty() || minor.len() == digits;
    if whole.is_empty() || !exact || !all_digits(whole) || !all_digits(minor) {
        return None;
    }
    let minor = format!("{whole}{minor:0<digits$}").parse().ok()?;
    Money::new(minor, currency).ok()
}

struct Lowering {
    /// Whichever account has the invoice.
    account: String,
    invoice: String,
    amount: Option<MoneyMessage>,
    day: CivilDate,
}

/// What both ways to lower an invoice need: its name, and the amount in the firm's currency.
async fn lowering(args: &LowerArgs, session: &mut Session) -> anyhow::Result<Lowering> {
    let currency = session.currency().await?;
    let money = amount(&args.amount, currency).ok_or_else(|| {
        Stop::usage("the amount must be one of the firm's currency, such as 49.99")
    })?;
    let firm = session.firm_id()?;
    let (account, invoice) = (name::any_account(firm), name::invoice(firm, args.invoice));
    let day = session.day(args.on).await?;
    Ok(Lowering { account, invoice, amount: Some(scalar::money_message(money)), day })
}

async fn credit(args: LowerArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let lowering = lowering(&args, session).await?;
    let request = v1::GrantCreditRequest {
        name: lowering.account,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(lowering.day),
        invoice: lowering.invoice,
        amount: lowering.amount,
        reason: args.reason,
    };
    let answer = session.accounts.grant_credit(request).await?.into_inner();
    out.change(&answer, "GrantCreditResponse", "The invoice is lowered.", answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

async fn write_off(args: LowerArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let lowering = lowering(&args, session).await?;
    let request = v1::WriteOffRequest {
        name: lowering.account,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(lowering.day),
        invoice: lowering.invoice,
        amount: lowering.amount,
        reason: args.reason,
    };
    let answer = session.accounts.write_off(request).await?.into_inner();
    out.change(&answer, "WriteOffResponse", "Given up.", answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

async fn list(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let filter = v1::ListPaymentsRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        ..Default::default()
    };
    let mut review_due = String::new();
    let payments = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListPaymentsRequest { page_size, page_token, ..filter.clone() };
        let answer = session.accounts.list_payments(request).await?.into_inner();
        review_due = answer.review_due;
        Ok((answer.payments, answer.next_page_token))
    });
    let payments = payments.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = payments;
        let position = session.position;
        let payments = entries;
        let answer = v1::ListPaymentsResponse { payments, next_page_token, position, review_due };
        out.message(&answer, "ListPaymentsResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "settled",
        "~payment",
        "account",
        ">amount",
        "invoices",
        ">unearned",
        ">refunded",
        "state",
    ]);
    for payment in &payments.entries {
        table.row([
            words::day(payment.settled_on.as_ref()),
            payment.payment.clone(),
            words::id(&payment.account),
            words::amount(payment.amount.as_ref()),
            words::list(payment.applied.iter().map(|applied| words::id(&applied.invoice))),
            words::amount_if_any(payment.unearned.as_ref()),
            words::amount_if_any(payment.refunded.as_ref()),
            words::payment_state(payment.state),
        ]);
    }
    out.table(&table, "Nothing was paid yet.")?;
    if let Some(more) = payments.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}

async fn exposures(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let filter = v1::ListExposuresRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        ..Default::default()
    };
    let mut review_due = String::new();
    let exposures = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListExposuresRequest { page_size, page_token, ..filter.clone() };
        let answer = session.accounts.list_exposures(request).await?.into_inner();
        review_due = answer.review_due;
        Ok((answer.exposures, answer.next_page_token))
    });
    let exposures = exposures.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = exposures;
        let position = session.position;
        let exposures = entries;
        let answer = v1::ListExposuresResponse { exposures, next_page_token, position, review_due };
        out.message(&answer, "ListExposuresResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "found",
        "case",
        "what",
        ">amount",
        ">owed",
        "back by",
        "asked back",
        "kept",
        ">period",
        "~rule",
    ]);
    for exposure in &exposures.entries {
        let about = if exposure.case.is_empty() { &exposure.account } else { &exposure.case };
        table.row([
            words::day(exposure.found_on.as_ref()),
            words::id(about),
            words::exposure(exposure),
            words::amount(exposure.amount.as_ref()),
            words::amount_if_any(exposure.owed.as_ref()),
            words::day(exposure.return_by.as_ref()),
            words::amount_if_any(exposure.asked_back.as_ref()),
            words::kept(exposure.kept.as_ref(), exposure.kept_on.as_ref()),
            exposure.period.map(|period| period.to_string()).unwrap_or_default(),
            words::exposure_rule(exposure),
        ]);
    }
    out.table(&table, "No exposure is on record.")?;
    if let Some(more) = exposures.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_read_in_the_firms_currency() {
        let usd = |text: &str| amount(text, Currency::USD).map(Money::minor);
        assert_eq!(usd("49.99"), Some(4_999));
        assert_eq!(usd("49"), Some(4_900));
        for wrong in ["", "49.9", ".99", "-1", "49.999", "1e3", "4 9"] {
            assert_eq!(usd(wrong), None, "{wrong}");
        }
        let yen = Currency::parse("JPY").unwrap();
        assert_eq!(amount("500", yen).map(Money::minor), Some(500));
    }
}
