//! `books statement`: what a client or a couple was billed, has paid and got back.

use api::v1;
use calendar::CivilDate;
use clap::Args;
use domain::money::{Currency, Money};
use paper::account::{AccountStatement, AccountStep, ELSEWHERE, KEPT};

use crate::command::invoices::{client, reviewed};
use crate::connect::Session;
use crate::exit::{Exit, Stop};
use crate::find::gather;
use crate::out::Out;
use crate::sheet::SheetFiles;
use crate::table::Table;
use crate::words;

/// Whose account, and which days.
#[derive(Args)]
pub(crate) struct StatementArgs {
    /// The case: its id, a part of it, or the client's name; one of a couple stands for both
    case: String,
    /// Its first day; the first of the account if not given
    #[arg(long, value_name = "DATE")]
    from: Option<CivilDate>,
    /// Its last day; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    through: Option<CivilDate>,
    #[command(flatten)]
    files: SheetFiles,
}

/// Shows the account, or writes it.
pub(super) async fn run(
    args: &StatementArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let through = session.day(args.through).await?;
    if args.from.is_some_and(|from| from > through) {
        return Err(Stop::usage("--from must not be after the last day"));
    }
    let (statement, review_due) = statement(args, through, session).await?;
    if out.is_json() {
        let steps = statement.steps.iter().map(|(step, balance)| {
            serde_json::json!({
                "on": step.on, "what": step.what, "change": step.change.decimal().to_string(),
                "balance": balance.decimal().to_string(),
            })
        });
        let steps: Vec<_> = steps.collect();
        out.value(&serde_json::json!({
            "from": statement.from, "through": statement.through,
            "currency": statement.opening.currency().as_str(),
            "opening": statement.opening.decimal().to_string(), "steps": steps,
            "closing": statement.closing().decimal().to_string(),
            "owed": statement.owed.decimal().to_string(),
            "owedElsewhere": statement.elsewhere.decimal().to_string(),
            "notAskedFor": statement.held.decimal().to_string(),
            "kept": statement.kept.decimal().to_string(),
            "reviewDue": review_due,
        }))?;
    }
    if !args.files.is_empty() {
        args.files.write(&reviewed(statement.sheet()?, review_due), out)?;
        return Ok(Exit::Done);
    }
    if out.is_json() {
        return Ok(Exit::Done);
    }
    let mut table =
        Table::new(&["day", "~what", ">billed, paid back", ">paid, taken off", ">balance"]);
    let side = |side: Option<Money>| side.map_or_else(String::new, |amount| amount.to_string());
    for (step, balance) in &statement.steps {
        let (billed, taken_off) = step.sides();
        let (on, what) = (step.on.to_string(), step.what.clone());
        table.row([on, what, side(billed), side(taken_off), balance.to_string()]);
    }
    if let Some(from) = statement.from {
        out.field("before", format!("{}, {from}", statement.opening))?;
    }
    out.table(&table, "Nothing was billed or paid in these days.")?;
    for (what, sum) in statement.sums()? {
        let what = match what {
            "Open" => "open",
            "Owed to you" => "owed to the client",
            ELSEWHERE => "owed to the client on an own account",
            KEPT => "not allowed, kept",
            _ => "not asked for yet",
        };
        out.field(what, sum)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}

/// The statement, and what is said of a review that is due.
async fn statement(
    args: &StatementArgs,
    through: CivilDate,
    session: &mut Session,
) -> anyhow::Result<(AccountStatement, String)> {
    let case = session.case(&args.case).await?;
    let request = v1::GetCaseRequest {
        name: case,
        at_least_position: session.position,
        ..Default::default()
    };
    let answer = session.cases.get_case(request).await?.into_inner();
    let name = answer.case.map(|case| case.account).unwrap_or_default();
    if name.is_empty() {
        return Err(Stop::refused("this case has no account yet"));
    }
    let request = v1::GetAccountRequest { name, at_least_position: session.position };
    let answer = session.accounts.get_account(request).await?.into_inner();
    let (account, review_due) = (answer.account.unwrap_or_default(), answer.review_due);
    let firm = session.registered().await?.display_name;
    let currency = session.currency().await?;
    let zero = Money::zero(currency);
    let (mut to, mut held, mut kept, mut elsewhere) = (Vec::new(), zero, zero, zero);
    // What is asked for is known of today; of an earlier day only what was open then is told.
    let is_of_today = through >= session.day(None).await?;
    for case in [&account.owner, &account.member].into_iter().filter(|case| !case.is_empty()) {
        to.push(client(session, case).await?);
        if is_of_today {
            let own = words::own_account(case).filter(|own| *own != account.name);
            elsewhere = elsewhere.plus(owed_on(own, currency, session).await?)?;
            for fee in fees_of(case, &account.name, session).await? {
                held = held.plus(words::money(fee.held_open.as_ref(), currency)?)?;
                kept = kept.plus(words::money(fee.kept.as_ref(), currency)?)?;
            }
        }
    }
    let steps = steps(&account.name, through, currency, session).await?;
    let statement = AccountStatement::of(firm, to, (args.from, through), currency, steps)?;
    Ok((AccountStatement { elsewhere, held, kept, ..statement }, review_due))
}

/// What is owed on another account, if there is one.
async fn owed_on(
    account: Option<String>,
    currency: Currency,
    session: &mut Session,
) -> anyhow::Result<Money> {
    let Some(name) = account else { return Ok(Money::zero(currency)) };
    let request = v1::GetAccountRequest { name, at_least_position: session.position };
    let account = session.accounts.get_account(request).await?.into_inner().account;
    words::money(account.unwrap_or_default().owed_to_client.as_ref(), currency)
}

/// A case's fees on an account.
async fn fees_of(case: &str, account: &str, session: &mut Session) -> anyhow::Result<Vec<v1::Fee>> {
    let request = v1::GetCaseRequest { name: case.to_owned(), ..Default::default() };
    let case = session.cases.get_case(request).await?.into_inner().case.unwrap_or_default();
    Ok(case.fees.into_iter().filter(|fee| fee.account == account).collect())
}

/// Every entry that the client is told of, from the account's first on.
async fn steps(
    account: &str,
    through: CivilDate,
    currency: Currency,
    session: &mut Session,
) -> anyhow::Result<Vec<AccountStep>> {
    let filter = v1::ListJournalRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        from: words::message(FIRST),
        through: words::message(through),
        account: account.to_owned(),
        ..Default::default()
    };
    let entries = gather(usize::MAX, async |page_size, page_token| {
        let request = v1::ListJournalRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_journal(request).await?.into_inner();
        Ok((answer.entries, answer.next_page_token))
    });
    let entries = entries.await?.entries;
    let steps = entries.iter().map(|entry| steps_of(entry, currency));
    Ok(steps.collect::<anyhow::Result<Vec<_>>>()?.concat())
}

/// The first day that is asked for: before any account of a firm whose events this service keeps.
const FIRST: CivilDate = match CivilDate::from_ymd_opt(1970, 1, 1) {
    Some(day) => day,
    None => CivilDate::MIN,
};

/// An entry from the client's side; none if it only concerns the firm. A payment of what had been given up asks for that
/// again, and pays it.
fn steps_of(entry: &v1::JournalEntry, currency: Currency) -> anyhow::Result<Vec<AccountStep>> {
    let Some(mut step) = step(entry, currency)? else { return Ok(Vec::new()) };
    let mut recovered = Money::zero(currency);
    for line in entry.lines.iter().filter(|_| entry.kind == "payment_settled") {
        if matches!(line.account(), v1::BookAccount::BadDebt | v1::BookAccount::ChargebackLosses) {
            recovered = recovered.minus(words::money(line.amount.as_ref(), currency)?)?;
        }
    }
    if recovered.is_zero() {
        return Ok(vec![step]);
    }
    step.change = step.change.minus(recovered)?;
    let again = AccountStep {
        on: step.on,
        what: "Recovered: it had been given up".to_owned(),
        change: recovered,
        owed: Money::zero(currency),
    };
    Ok(vec![again, step])
}

/// What an entry changed for the client, in one step.
fn step(entry: &v1::JournalEntry, currency: Currency) -> anyhow::Result<Option<AccountStep>> {
    let (mut change, mut owed) = (Money::zero(currency), Money::zero(currency));
    let mut moved = Money::zero(currency);
    let mut invoices = Vec::new();
    for line in &entry.lines {
        let amount = words::money(line.amount.as_ref(), currency)?;
        match line.account() {
            v1::BookAccount::Receivable => {
                change = change.plus(amount)?;
                let number = words::id(&line.invoice);
                if !invoices.contains(&number) {
                    invoices.push(number);
                }
            }
            v1::BookAccount::OwedToClients => {
                change = change.plus(amount)?;
                owed = owed.minus(amount)?;
            }
            v1::BookAccount::Clearing => moved = moved.plus(amount)?,
            _ => {}
        }
    }
    if change.is_zero() && moved.is_zero() && owed.is_zero() {
        return Ok(None);
    }
    let invoices = invoices.join(", ");
    let reference = &entry.reference;
    let what = match entry.kind.as_str() {
        "invoice_issued" => format!("Invoice {invoices}"),
        "payment_settled" => format!("Payment {reference}"),
        "refund_issued" => format!("Refund {reference}: {} went back to you", moved.negated()),
        "chargeback_opened" => format!("Your bank took back {}", moved.negated()),
        "chargeback_won" => format!("Your bank returned {moved}"),
        "credit_granted" => format!("Credit on invoice {invoices}"),
        "written_off" => format!("Given up on invoice {invoices}"),
        "money_restated" => {
            "Put in the order of its days: paid, credited, given up or owed".to_owned()
        }
        "money_corrected" if reference.is_empty() => {
            format!("Put right: something was booked by mistake on invoice {invoices}")
        }
        "money_corrected" => format!("Put right: {reference} was booked by mistake"),
        // What was owed of it and went back by the bank is open again; what was paid of it since is owed.
        "fee_marked" if change.is_zero() && owed.is_positive() => {
            "Paid for a fee that is not allowed: owed to you".to_owned()
        }
        "fee_marked" if change.is_zero() => "A fee that is not allowed, open again".to_owned(),
        "fee_marked" if change.minor() < 0 => "Taken off: a fee that is not allowed".to_owned(),
        // Money that went back is a step of its own, and so is what was forgiven.
        "fee_marked" => {
            "Booked again of what was taken off: settled, allowed after all, or kept".to_owned()
        }
        other => other.replace('_', " "),
    };
    Ok(Some(AccountStep { on: words::date(entry.posted_on.as_ref())?, what, change, owed }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marked(receivable: i64, owed_to_clients: i64) -> String {
        let currency = Currency::USD;
        let line = |account: v1::BookAccount, minor: i64| v1::JournalLine {
            account: account.into(),
            amount: Some(api::scalar::money_message(Money::new(minor, currency).unwrap())),
            invoice: "firms/f/invoices/1".into(),
            ..Default::default()
        };
        let entry = v1::JournalEntry {
            kind: "fee_marked".into(),
            posted_on: words::message("2026-07-06".parse().unwrap()),
            lines: vec![
                line(v1::BookAccount::Receivable, receivable),
                line(v1::BookAccount::OwedToClients, owed_to_clients),
            ],
            ..Default::default()
        };
        step(&entry, currency).unwrap().unwrap().what
    }

    #[test]
    fn what_was_paid_of_a_fee_that_is_not_allowed_is_owed_and_not_open_again() {
        assert_eq!(marked(9_900, -9_900), "Paid for a fee that is not allowed: owed to you");
        assert_eq!(marked(-9_900, 9_900), "A fee that is not allowed, open again");
    }
}
