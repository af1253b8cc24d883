//! Declaring accounts at banks, and taking back what was recorded of them by mistake.

use api::scalar::money_message;
use api::{name, v1};
use calendar::CivilDate;
use clap::Args;
use domain::ids::DepositId;
use domain::money::{Currency, Money};
use uuid::Uuid;

use crate::cli::Again;
use crate::command::payment;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::words;

/// An account at a bank.
#[derive(Args)]
pub(crate) struct AccountArgs {
    /// The firm's own code for it, as `import-bank --bank` names it; no account number is kept
    bank: String,
    /// Its name
    #[arg(long, value_name = "NAME")]
    name: String,
    /// The day at whose beginning the opening balance stood there
    #[arg(long, value_name = "DATE")]
    opened_on: CivilDate,
    /// The balance on it at the beginning of that day; below zero if it was overdrawn
    #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
    opening: String,
    /// The last four digits of its number
    #[arg(long, value_name = "DIGITS", default_value = "")]
    last_four: String,
    /// The account of the accountant's ledger that it is, if that has one for each account at a bank
    #[arg(long, value_name = "NUMBER", default_value = "")]
    ledger_account: String,
    /// Its last day, if the firm closed it
    #[arg(long, value_name = "DATE")]
    closed_on: Option<CivilDate>,
    #[command(flatten)]
    again: Again,
}

/// An amount that may be below zero.
pub(super) fn signed(text: &str, option: &str, currency: Currency) -> anyhow::Result<Money> {
    let (is_negative, digits) =
        text.strip_prefix('-').map_or((false, text), |digits| (true, digits));
    let amount = payment::amount(digits, currency)
        .ok_or_else(|| Stop::usage(format!("{option}: must be an amount like 5.74 or -5.74")))?;
    Ok(if is_negative { amount.negated() } else { amount })
}

/// Declares an account, or declares it anew.
pub(super) async fn declare(
    args: &AccountArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let opening = signed(&args.opening, "--opening", session.currency().await?)?;
    let request = v1::DeclareBankAccountRequest {
        name: session.firm()?,
        request_id: request_id(args.again.request_id),
        account: Some(v1::BankAccount {
            bank: args.bank.clone(),
            display_name: args.name.clone(),
            last_four: args.last_four.clone(),
            ledger_account: args.ledger_account.clone(),
            opened_on: words::message(args.opened_on),
            opening: Some(money_message(opening)),
            closed_on: args.closed_on.and_then(words::message),
        }),
    };
    let answer = session.books.declare_bank_account(request).await?.into_inner();
    let done = "The account is declared: its statements can be imported.";
    out.change(&answer, "DeclareBankAccountResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// What to take back.
#[derive(Args)]
pub(crate) struct TakeBackArgs {
    /// The bank line, payout or statement by its id, as `books deposits` and `books reconcile` list them
    deposit: Uuid,
    /// Why. No place for personal data
    #[arg(long, value_name = "TEXT", default_value = "")]
    reason: String,
    #[command(flatten)]
    again: Again,
}

/// Takes back what was recorded by mistake.
pub(super) async fn take_back(
    args: &TakeBackArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::TakeBackDepositRequest {
        name: name::deposit(session.firm_id()?, DepositId(args.deposit)),
        request_id: request_id(args.again.request_id),
        reason: args.reason.clone(),
    };
    let answer = session.books.take_back_deposit(request).await?.into_inner();
    let done = "It is taken back, and stays in the log.";
    out.change(&answer, "TakeBackDepositResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}
