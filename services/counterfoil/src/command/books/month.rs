//! Checking and closing a month.

use std::path::PathBuf;

use api::v1;
use clap::Args;

use super::{Month, MonthArgs, package};
use crate::cli::Again;
use crate::connect::{Session, patient, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Checks a month. What stands in its way ends the command as a refusal would.
pub(super) async fn check(
    args: &MonthArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let answer = checked(args.month, session).await?;
    if out.is_json() {
        out.message(&answer, "CheckMonthResponse")?;
    } else {
        show(&answer, args.month, out)?;
        if can_be_closed(&answer) && !answer.closed {
            out.line("It can be closed.")?;
        }
    }
    Ok(if can_be_closed(&answer) { Exit::Done } else { Exit::Refused })
}

/// Whether nothing stands in the way that nobody accepted.
fn can_be_closed(checked: &v1::CheckMonthResponse) -> bool {
    checked.blocks.iter().all(|block| block.accepted.is_some())
}

/// What a check proves where none of these stands in the way.
const PROVED: &[(&[&str], &str)] = &[
    (&["unbalanced"], "debits and credits agree"),
    (
        &["suspense", "clearing", "receivable", "owed_to_clients", "rows"],
        "suspense, clearing, receivables and what is owed to clients agree with bank lines, payments and invoices",
    ),
    (&["lines_open"], "every bank line on record up to that day is matched or booked"),
    (
        &["bank_undeclared", "statement_missing", "statement_broken", "bank_differs"],
        "every declared account at a bank has statements through that day that continue each other from the declared \
         opening balance on, and every line of them and of the ledger is on both sides",
    ),
    (
        &["payouts_late", "clearing_late"],
        "every payment, refund, chargeback and payout of five business days or more before that day is matched with a \
         bank line",
    ),
    (&["fees_unbilled"], "every fee earned by that day that may be asked for was"),
    (
        &["exposures_open"],
        "nothing is owed or open of fees asked for and payments taken by that day that nothing allowed",
    ),
    (&["earlier_open"], "no earlier month is open"),
    (&["review_due"], "every claimed fee was judged by what is known now"),
];

/// What no check proves.
const NOT_PROVED: &[&str] = &[
    "that every account the firm has at a bank was declared",
    "that what a person said the processor kept is what it kept: where no payout of the processor was imported, only \
     somebody's word says so",
];

/// What was accepted: of a closed month when it was closed, of an open one as it stands in the way.
pub(super) fn accepted_of(checked: &v1::CheckMonthResponse) -> Vec<&v1::CloseAcceptance> {
    if checked.closed {
        return checked.closed_with.iter().collect();
    }
    checked.blocks.iter().filter_map(|block| block.accepted.as_ref()).collect()
}

pub(super) fn accepted_line(accepted: &v1::CloseAcceptance) -> anyhow::Result<String> {
    let rule = accepted.rule.replace('_', "-");
    let on = words::date(accepted.accepted_on.as_ref())?;
    let (at, reason) = (accepted.position, accepted.reason.replace('\n', " "));
    Ok(format!("{rule}, on {on} (position {at}): {reason}"))
}

async fn checked(month: Month, session: &mut Session) -> anyhow::Result<v1::CheckMonthResponse> {
    let request = v1::CheckMonthRequest {
        parent: session.firm()?,
        through: words::message(month.last),
        at_least_position: session.position,
    };
    Ok(session.books.check_month(patient(request)).await?.into_inner())
}

fn show(checked: &v1::CheckMonthResponse, month: Month, out: &mut Out) -> anyhow::Result<()> {
    if checked.closed {
        out.line(format!("{} is closed already.", month.last.format("%Y-%m")))?;
    }
    let mut table = Table::new(&["in the way", "~what", "accepted"]);
    for block in &checked.blocks {
        let accepted = match (&block.accepted, block.acceptable) {
            (Some(accepted), _) => format!("position {}", accepted.position),
            (None, true) => "no".to_owned(),
            (None, false) => "cannot be".to_owned(),
        };
        // As `books accept` takes it.
        table.row([block.rule.replace('_', "-"), block.detail.clone(), accepted]);
    }
    out.table(&table, "Nothing stands in the way of closing it.")?;
    let is_in_the_way =
        |rules: &[&str]| checked.blocks.iter().any(|of| rules.contains(&of.rule.as_str()));
    // Of days to come nothing is proved.
    if !is_in_the_way(&["not_over"]) {
        out.line(format!("Proved of {}:", month.last))?;
        for (_, sentence) in PROVED.iter().filter(|(rules, _)| !is_in_the_way(rules)) {
            out.line(format!("  {sentence};"))?;
        }
    }
    for sentence in NOT_PROVED {
        out.line(format!("Not proved: {sentence}."))?;
    }
    for accepted in accepted_of(checked) {
        out.line(format!("Accepted: {}.", accepted_line(accepted)?))?;
    }
    for outdated in &checked.outdated {
        let line = accepted_line(outdated)?;
        out.line(format!("Accepted of other figures, and in force no more: {line}."))?;
    }
    if checked.exposures > 0 {
        let count = checked.exposures;
        out.line(format!(
            "{count} exposures are on record (counterfoil payment exposures): facts that a rule \
             forbids. What is owed or open of them stops a close, unless it is accepted; what was put right does not. \
             Counsel should know of all."
        ))?;
    }
    Ok(())
}

/// Which month to close.
#[derive(Args)]
pub(crate) struct CloseArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
    /// Also write the month's package for the accountant into this folder, which must not be there
    #[arg(long, value_name = "DIR")]
    package: Option<PathBuf>,
    #[command(flatten)]
    again: Again,
}

/// What to accept.
#[derive(Args)]
pub(crate) struct AcceptArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
    /// What stands in the way, as `books check` names it: lines-open, payouts-late, clearing-late, fees-unbilled,
    /// exposures-open, bank-undeclared, statement-missing, statement-broken or bank-differs
    #[arg(value_name = "WHAT", value_parser = acceptable)]
    what: String,
    /// Why; it is printed in the month's package. No place for personal data
    #[arg(long, value_name = "TEXT")]
    reason: String,
    #[command(flatten)]
    again: Again,
}

/// The rule of what may be accepted, as it is written at the command line.
fn acceptable(text: &str) -> Result<String, String> {
    const NAMES: &[&str] = &[
        "lines-open",
        "payouts-late",
        "clearing-late",
        "fees-unbilled",
        "exposures-open",
        "bank-undeclared",
        "statement-missing",
        "statement-broken",
        "bank-differs",
    ];
    let name = text.trim().to_lowercase().replace(['_', ' '], "-");
    if NAMES.contains(&name.as_str()) {
        return Ok(name.replace('-', "_"));
    }
    Err(format!("what may be accepted is {}; all else is put right", NAMES.join(", ")))
}

/// Accepts something that stands in the way of closing a month, as much of it as there is now.
pub(super) async fn accept(
    args: &AcceptArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::AcceptForCloseRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        through: words::message(args.month.last),
        rule: args.what.clone(),
        reason: args.reason.clone(),
    };
    let answer = session.books.accept_for_close(patient(request)).await?.into_inner();
    let accepted = answer.accepted.clone().unwrap_or_default();
    // Of these the check says which side has more.
    let is_sided = ["statement_broken", "bank_differs"].contains(&args.what.as_str());
    let amount = accepted.amount.as_ref().filter(|_| !is_sided);
    let amount = match words::amount_if_any(amount) {
        amount if amount.is_empty() => amount,
        amount => format!(", {amount}"),
    };
    let done = format!(
        "Accepted as it is now, {} in all{amount}: once anything of that changes, what is left stands in the way again.",
        accepted.count,
    );
    out.change(&answer, "AcceptForCloseResponse", &done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Accepts no more what was accepted.
pub(super) async fn withdraw(
    args: &AcceptArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::WithdrawAcceptanceRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        through: words::message(args.month.last),
        rule: args.what.clone(),
        reason: args.reason.clone(),
    };
    let answer = session.books.withdraw_acceptance(request).await?.into_inner();
    let done = "It is accepted no more: it stands in the way again.";
    out.change(&answer, "WithdrawAcceptanceResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Checks a month, says what it found, and closes it if nothing is in the way.
pub(super) async fn close(
    args: &CloseArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let found = checked(args.month, session).await?;
    if !can_be_closed(&found) {
        if out.is_json() {
            out.message(&found, "CheckMonthResponse")?;
        } else {
            show(&found, args.month, out)?;
        }
        return Ok(Exit::Refused);
    }
    let request = v1::CloseMonthRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        through: words::message(args.month.last),
    };
    let answer = session.books.close_month(patient(request)).await?.into_inner();
    if !out.is_json() {
        show(&found, args.month, out)?;
    }
    let done =
        "The month is closed: what is told of it later counts on the first day that is open.";
    out.change(&answer, "CloseMonthResponse", done, answer.receipt.as_ref())?;
    if let Some(to) = &args.package {
        let position = answer.receipt.map_or(0, |receipt| receipt.position);
        session.position = session.position.max(position);
        package::write(args.month, to, session).await?;
        out.note(format!("Its package lies in {}.", to.display()))?;
    }
    Ok(Exit::Done)
}
