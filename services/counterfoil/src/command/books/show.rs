//! Reading the books.

use api::v1;
use calendar::CivilDate;
use clap::Args;

use super::{Month, MonthArgs};
use crate::cli::Limit;
use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Shows the chart of accounts.
pub(super) async fn chart(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request =
        v1::GetChartRequest { name: session.firm()?, at_least_position: session.position };
    let answer = session.books.get_chart(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "GetChartResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["number", "~name", "type", "meaning", "accountant's code"]);
    for account in &answer.accounts {
        table.row([
            account.number.clone(),
            account.display_name.clone(),
            account.account_type.clone(),
            words::book_account(account.account),
            account.accountant_code.clone(),
        ]);
    }
    out.table(&table, "")?;
    let mut banks =
        Table::new(&["bank", "~name", "ending", ">opening", "on", "closed", "ledger account"]);
    for bank in &answer.bank_accounts {
        banks.row([
            bank.bank.clone(),
            bank.display_name.clone(),
            bank.last_four.clone(),
            words::amount(bank.opening.as_ref()),
            words::day(bank.opened_on.as_ref()),
            words::day(bank.closed_on.as_ref()),
            bank.ledger_account.clone(),
        ]);
    }
    out.section("Accounts at banks", &banks)?;
    match answer.locked_through.as_ref() {
        Some(_) => {
            out.note(format!("Closed through {}.", words::day(answer.locked_through.as_ref())))
        }
        None => out.note("No month is closed."),
    }?;
    out.note(match answer.automatic_matches() {
        v1::AutomaticMatches::Certain => {
            "What a bank line names, to the cent, is matched without a person."
        }
        _ => "A person confirms every match.",
    })?;
    Ok(Exit::Done)
}

/// Which entries.
#[derive(Args)]
pub(crate) struct JournalArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
    #[command(flatten)]
    limit: Limit,
}

/// Lists entries, a row for each line.
pub(super) async fn journal(
    args: &JournalArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let filter = v1::ListJournalRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        from: words::message(args.month.first),
        through: words::message(args.month.last),
        ..Default::default()
    };
    let mut review_due = String::new();
    let entries = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListJournalRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_journal(request).await?.into_inner();
        review_due = answer.review_due;
        Ok((answer.entries, answer.next_page_token))
    });
    let entries = entries.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = entries;
        let position = session.position;
        let answer = v1::ListJournalResponse { entries, next_page_token, position, review_due };
        out.message(&answer, "ListJournalResponse")?;
        return Ok(Exit::Done);
    }
    let mut table =
        Table::new(&["day", ">entry", "what", "account", ">debit", ">credit", "~about"]);
    for entry in &entries.entries {
        for (at, line) in entry.lines.iter().enumerate() {
            let first = |text: String| if at == 0 { text } else { String::new() };
            let (debit, credit) = words::debit_credit(line.amount.as_ref());
            table.row([
                first(words::day(entry.posted_on.as_ref())),
                first(entry.number.to_string()),
                first(entry.kind.replace('_', " ")),
                words::book_account(line.account),
                debit,
                credit,
                first(about(entry)),
            ]);
        }
    }
    out.table(&table, "No entry counts for that month.")?;
    if let Some(more) = entries.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}

fn about(entry: &v1::JournalEntry) -> String {
    let mut parts = Vec::new();
    if entry.posted_on != entry.occurred_on {
        parts.push(format!("happened {}", words::day(entry.occurred_on.as_ref())));
    }
    if !entry.reverses.is_empty() {
        parts.push("takes an entry back".to_owned());
    }
    for name in [&entry.reference, &entry.account, &entry.deposit] {
        if !name.is_empty() {
            parts.push(words::id(name));
        }
    }
    parts.join(", ")
}

/// Sums every account.
pub(super) async fn trial_balance(
    args: &MonthArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::GetTrialBalanceRequest {
        parent: session.firm()?,
        from: words::message(args.month.first),
        through: words::message(args.month.last),
        at_least_position: session.position,
    };
    let answer = session.books.get_trial_balance(patient(request)).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "GetTrialBalanceResponse")?;
        return Ok(Exit::Done);
    }
    let mut table =
        Table::new(&["number", "~account", ">opening", ">debits", ">credits", ">debit", ">credit"]);
    for row in &answer.rows {
        let (debit, credit) = words::debit_credit(row.closing.as_ref());
        table.row([
            row.number.clone(),
            row.display_name.clone(),
            words::amount_if_any(row.opening.as_ref()),
            words::amount_if_any(row.debits.as_ref()),
            words::amount_if_any(row.credits.as_ref()),
            debit,
            credit,
        ]);
    }
    out.table(&table, "")?;
    let sides = answer.rows.iter().filter_map(|row| row.closing.as_ref());
    out.note(format!("Debits less credits: {}.", words::sum(sides)?))?;
    out.review(&answer.review_due)?;
    Ok(Exit::Done)
}

/// Sums revenue, by plan.
pub(super) async fn revenue(
    args: &MonthArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::GetRevenueByPlanRequest {
        parent: session.firm()?,
        from: words::message(args.month.first),
        through: words::message(args.month.last),
        at_least_position: session.position,
    };
    let answer = session.books.get_revenue_by_plan(patient(request)).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "GetRevenueByPlanResponse")?;
        return Ok(Exit::Done);
    }
    // What was earned before and taken off in that month, because nothing allowed it, lowers its revenue and is no fee of it.
    let mut table = Table::new(&["plan", ">fees earned", ">revenue"]);
    for plan in &answer.plans {
        let name = if plan.plan.is_empty() { "(not kept)" } else { &plan.plan };
        table.row([name.to_owned(), plan.fees.to_string(), words::amount(plan.amount.as_ref())]);
    }
    out.table(&table, "No fee was earned in that month, and none taken off.")?;
    out.review(&answer.review_due)?;
    Ok(Exit::Done)
}

/// Which months.
#[derive(Args)]
pub(crate) struct MonthsArgs {
    /// The first month, YYYY-MM; without it the first in which anything was
    #[arg(long, value_name = "MONTH")]
    from: Option<Month>,
    /// The last month; this one if not given
    #[arg(long, value_name = "MONTH")]
    through: Option<Month>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists the firm's money month by month.
pub(super) async fn months(
    args: &MonthsArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let today = session.day(None).await?;
    let filter = v1::ListMonthsRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        from: args.from.and_then(|month| words::message(month.first)),
        through: words::message(args.through.map_or(today, |month| month.last)),
        ..Default::default()
    };
    let mut review_due = String::new();
    let months = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListMonthsRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_months(patient(request)).await?.into_inner();
        review_due = answer.review_due;
        Ok((answer.months, answer.next_page_token))
    });
    let months = months.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = months;
        let position = session.position;
        let months = entries;
        let answer = v1::ListMonthsResponse { months, next_page_token, position, review_due };
        out.message(&answer, "ListMonthsResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "month",
        ">earned",
        ">collected",
        ">given back",
        ">open",
        ">owed to clients",
        ">at risk",
        ">held",
    ]);
    for month in &months.entries {
        table.row([
            month.month.clone(),
            words::amount(month.earned.as_ref()),
            words::amount_if_any(month.collected.as_ref()),
            words::amount_if_any(month.given_back.as_ref()),
            words::amount_if_any(month.receivable.as_ref()),
            words::amount_if_any(month.owed_to_clients.as_ref()),
            words::amount_if_any(month.at_risk.as_ref()),
            if month.held_count == 0 { String::new() } else { month.held_count.to_string() },
        ]);
    }
    out.table(&table, "Nothing was earned, collected or held in these months.")?;
    if let Some(more) = months.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}

/// As of which day.
#[derive(Args)]
pub(crate) struct AgingArgs {
    /// The day; today if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists what clients owe, by age.
pub(super) async fn aging(
    args: &AgingArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let day = session.day(args.as_of).await?;
    let filter = v1::ListAgingRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        as_of: words::message(day),
        ..Default::default()
    };
    let mut totals = None;
    let mut review_due = String::new();
    let accounts = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListAgingRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_aging(patient(request)).await?.into_inner();
        totals = totals.take().or(answer.totals);
        review_due = answer.review_due;
        Ok((answer.accounts, answer.next_page_token))
    });
    let accounts = accounts.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = accounts;
        let position = session.position;
        let accounts = entries;
        let answer =
            v1::ListAgingResponse { accounts, next_page_token, position, review_due, totals };
        out.message(&answer, "ListAgingResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "account",
        ">not due",
        ">1 to 30 days",
        ">31 to 60",
        ">61 to 90",
        ">over 90",
        ">total",
    ]);
    let mut row = |name: String, amounts: &v1::AgedAmounts| {
        table.row([
            name,
            words::amount_if_any(amounts.current.as_ref()),
            words::amount_if_any(amounts.days_1_to_30.as_ref()),
            words::amount_if_any(amounts.days_31_to_60.as_ref()),
            words::amount_if_any(amounts.days_61_to_90.as_ref()),
            words::amount_if_any(amounts.over_90.as_ref()),
            words::amount(amounts.total.as_ref()),
        ]);
    };
    for account in &accounts.entries {
        if let Some(amounts) = &account.amounts {
            row(words::id(&account.account), amounts);
        }
    }
    if let Some(totals) = totals.as_ref().filter(|_| !accounts.entries.is_empty()) {
        row("all accounts".to_owned(), totals);
    }
    out.table(&table, &format!("Nobody owed anything on {day}."))?;
    if let Some(more) = accounts.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}
