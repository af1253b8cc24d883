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
        if answer.blocks.is_empty() && !answer.closed {
            out.line("Nothing stands in the way of closing it.")?;
        }
    }
    Ok(if answer.blocks.is_empty() { Exit::Done } else { Exit::Refused })
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
    let mut table = Table::new(&["in the way", "~what"]);
    for block in &checked.blocks {
        table.row([block.rule.replace('_', " "), block.detail.clone()]);
    }
    out.table(&table, "The books balance, and every deposit is proved.")?;
    if checked.exposures > 0 {
        let count = checked.exposures;
        out.line(format!(
            "{count} exposures are on record (counterfoil payment exposures): facts that a rule \
             forbids. They do not stop a close; counsel should know."
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

/// Checks a month, says what it found, and closes it if nothing is in the way.
pub(super) async fn close(
    args: &CloseArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let found = checked(args.month, session).await?;
    if !found.blocks.is_empty() {
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
    let done = "The month is closed: what is told of it later lands in the open one.";
    out.change(&answer, "CloseMonthResponse", done, answer.receipt.as_ref())?;
    if let Some(to) = &args.package {
        let position = answer.receipt.map_or(0, |receipt| receipt.position);
        session.position = session.position.max(position);
        package::write(args.month, to, session).await?;
        out.note(format!("Its package lies in {}.", to.display()))?;
    }
    Ok(Exit::Done)
}
