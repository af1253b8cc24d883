//! The reconciliation of accounts at banks, on the screen and as a page.

use api::v1;
use clap::Args;
use domain::money::Currency;
use paper::reconciliation::{ReconciledBank, ReconciledRow, Reconciliation, item_words};

use super::Month;
use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::out::Out;
use crate::sheet::SheetFiles;
use crate::table::Table;
use crate::words;

/// Which month, and which account.
#[derive(Args)]
pub(crate) struct ReconcileArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
    /// Only this account at a bank, by the firm's own code; all if not given
    #[arg(long, value_name = "CODE", default_value = "")]
    bank: String,
    #[command(flatten)]
    files: SheetFiles,
}

/// Shows the reconciliation of a month's last day, or writes it.
pub(super) async fn run(
    args: &ReconcileArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let answer = asked(args.month, &args.bank, session).await?;
    if out.is_json() {
        out.message(&answer, "GetReconciliationResponse")?;
    }
    let of = of_answer(&answer, args.month, session).await?;
    if !args.files.is_empty() {
        args.files.write(&of.sheet()?, out)?;
        return Ok(Exit::Done);
    }
    if out.is_json() {
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["bank", "day", "~what", "line or movement", ">amount"]);
    for row in of.rows()? {
        table.row([
            row.bank,
            row.on.map_or_else(String::new, |day| day.to_string()),
            row.what,
            row.about,
            row.amount.map_or_else(String::new, |amount| amount.to_string()),
        ]);
    }
    out.table(&table, "No account at a bank is known.")?;
    for bank in &answer.banks {
        let mut statements =
            Table::new(&["statement", "from", "through", ">opening", ">closing", ">lines"]);
        for statement in &bank.statements {
            statements.row([
                words::id(&statement.name),
                words::day(statement.from.as_ref()),
                words::day(statement.through.as_ref()),
                words::amount(statement.opening.as_ref()),
                words::amount(statement.closing.as_ref()),
                statement.line_count.to_string(),
            ]);
        }
        out.section(&format!("Statements of {}", bank.bank), &statements)?;
    }
    Ok(Exit::Done)
}

/// The reconciliation of a month's last day.
pub(super) async fn asked(
    month: Month,
    bank: &str,
    session: &mut Session,
) -> anyhow::Result<v1::GetReconciliationResponse> {
    let request = v1::GetReconciliationRequest {
        parent: session.firm()?,
        through: words::message(month.last),
        bank: bank.to_owned(),
        at_least_position: session.position,
    };
    Ok(session.books.get_reconciliation(patient(request)).await?.into_inner())
}

/// The same as it is written.
pub(super) async fn of_answer(
    answer: &v1::GetReconciliationResponse,
    month: Month,
    session: &mut Session,
) -> anyhow::Result<Reconciliation> {
    let currency = session.currency().await?;
    let banks = answer.banks.iter().map(|bank| of_bank(bank, currency));
    let mut in_transit: Vec<ReconciledRow> = answer
        .in_transit
        .iter()
        .map(|movement| {
            let kind = match movement.kind() {
                v1::MovementKind::Unspecified => {
                    "taken by a match that was taken back since".to_owned()
                }
                _ => words::movement_kind(movement.kind),
            };
            let arrived = if movement.deposit.is_empty() { "" } else { ", at the bank since" };
            Ok(ReconciledRow {
                bank: String::new(),
                on: movement.happened_on.as_ref().map(|day| words::date(Some(day))).transpose()?,
                what: format!("{kind}{arrived}"),
                about: movement.name.clone(),
                amount: Some(words::money(movement.amount.as_ref(), currency)?),
            })
        })
        .collect::<anyhow::Result<_>>()?;
    if answer.more_in_transit {
        in_transit.push(ReconciledRow {
            bank: String::new(),
            on: None,
            what: "and more, not listed".into(),
            about: String::new(),
            amount: None,
        });
    }
    Ok(Reconciliation {
        firm: session.registered().await?.display_name,
        through: month.last,
        currency,
        banks: banks.collect::<anyhow::Result<_>>()?,
        in_transit,
        clearing: words::money(answer.clearing.as_ref(), currency)?,
    })
}

fn of_bank(bank: &v1::BankReconciliation, currency: Currency) -> anyhow::Result<ReconciledBank> {
    let name = match &bank.account {
        Some(account) if account.last_four.is_empty() => account.display_name.clone(),
        Some(account) => format!("{}, ending {}", account.display_name, account.last_four),
        None => format!("{}: nobody declared it", bank.bank),
    };
    let row = |on, what: String, about: &str, amount| {
        Ok::<_, anyhow::Error>(ReconciledRow {
            bank: bank.bank.clone(),
            on: Some(words::date(on)?),
            what,
            about: words::id(about),
            amount: Some(words::money(amount, currency)?),
        })
    };
    let items = bank.items.iter().map(|item| {
        let through = item.through.as_ref().map(|day| words::day(Some(day)));
        let through = through.map_or_else(String::new, |day| format!(", through {day}"));
        let what = format!("{}{through}", item_words(&item.kind));
        row(item.happened_on.as_ref(), what, &item.deposit, item.amount.as_ref())
    });
    let lines = bank.not_explained.iter().map(|line| {
        let what = if line.explained_since { "Line, explained since" } else { "Line" };
        row(line.booked_on.as_ref(), what.to_owned(), &line.deposit, line.amount.as_ref())
    });
    let statement = match &bank.stated_on {
        Some(day) => {
            let balance = words::money(bank.statement_balance.as_ref(), currency)?;
            Some((words::date(Some(day))?, balance))
        }
        None => None,
    };
    Ok(ReconciledBank {
        bank: bank.bank.clone(),
        name,
        statement,
        ledger: words::money(bank.ledger_balance.as_ref(), currency)?,
        items: items.collect::<Result<_, _>>()?,
        not_explained: lines.collect::<Result<_, _>>()?,
    })
}
