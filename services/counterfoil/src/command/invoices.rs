//! `invoice` and `invoices`.

mod page;

use anyhow::Context;
use api::{name, v1};
use calendar::CivilDate;
use clap::{Args, ValueEnum};
use paper::sheet::Sheet;
use tonic::Code;

use crate::cli::Limit;
use crate::connect::Session;
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::sheet::SheetFiles;
use crate::table::Table;
use crate::words;

/// Which invoice.
#[derive(Args)]
pub(crate) struct InvoiceArgs {
    /// Its number
    #[arg(value_parser = clap::value_parser!(u64).range(1..))]
    number: u64,
    #[command(flatten)]
    files: SheetFiles,
}

/// Shows one invoice.
pub(crate) async fn one(
    args: &InvoiceArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::GetInvoiceRequest {
        name: name::invoice(session.firm_id()?, args.number),
        at_least_position: session.position,
    };
    let answer = session.accounts.get_invoice(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "GetInvoiceResponse")?;
        return Ok(Exit::Done);
    }
    let invoice = answer.invoice.context("the service answered without an invoice")?;
    if !args.files.is_empty() {
        let sheet = page::of(&invoice, session).await?;
        args.files.write(&reviewed(sheet, answer.review_due), out)?;
        return Ok(Exit::Done);
    }
    let firm = session.registered().await?;
    out.line(format!("Invoice {} of {}", invoice.number, firm.display_name))?;
    for case in clients_of(&invoice) {
        out.field("client", client(session, &case).await?)?;
    }
    out.field("account", words::id(&invoice.account))?;
    out.field("issued", words::day(invoice.issued_on.as_ref()))?;
    out.field("due", words::day(invoice.due_on.as_ref()))?;
    out.field("state", words::invoice_state(invoice.state))?;
    let mut lines = Table::new(&["case", ">period", "from", "through", ">fee"]);
    for line in &invoice.lines {
        lines.row([
            words::id(&line.case),
            line.period.to_string(),
            words::day(line.start_date.as_ref()),
            words::last_day(line.end_date.as_ref()),
            words::amount(line.amount.as_ref()),
        ]);
    }
    out.section("Fees", &lines)?;
    out.heading("Amounts")?;
    out.field("total", words::amount(invoice.total.as_ref()))?;
    out.field("paid", words::amount_if_any(invoice.paid.as_ref()))?;
    out.field("credited", words::amount_if_any(invoice.credited.as_ref()))?;
    out.field("written off", words::amount_if_any(invoice.written_off.as_ref()))?;
    out.field("open", words::amount(invoice.open.as_ref()))?;
    let page::NotAllowed { open, held, owed, kept, corrected } =
        page::NotAllowed::of_all(&invoice, session).await?;
    if open.is_positive() {
        out.field("of that not allowed", format!("{open}, which is not asked for"))?;
    }
    if held.is_positive() {
        out.field(
            "of that held",
            format!("{held}, which is not asked for until every gate holds"),
        )?;
    }
    if owed.is_positive() {
        out.field("owed to the client", owed)?;
    }
    out.field("to be looked at", words::corrected(&corrected))?;
    if kept.is_positive() {
        out.field(
            "not allowed, kept",
            format!("{kept}, by counsel's reason (explain says which)"),
        )?;
    }
    out.field("asked back", words::list(invoice.refunds_waiting.iter().map(words::asked_back)))?;
    if invoice.attempts > 0 {
        out.field("charge tries", invoice.attempts)?;
    }
    out.field("last failure", words::failure(invoice.last_failure))?;
    out.field("next try", words::day(invoice.next_try_on.as_ref()))?;
    out.field("charge waits since", words::day(invoice.charge_waiting_since.as_ref()))?;
    out.line("")?;
    out.review(&answer.review_due)?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

/// A page that says that a review is due, if the service does.
pub(crate) fn reviewed(sheet: Sheet, review_due: String) -> Sheet {
    Sheet { remark: Some(review_due).filter(|said| !said.is_empty()), ..sheet }
}

/// The cases whose fees it carries, each once.
fn clients_of(invoice: &v1::Invoice) -> Vec<String> {
    let mut cases: Vec<String> = invoice.lines.iter().map(|line| line.case.clone()).collect();
    cases.dedup();
    cases
}

/// The client's name and address; the case's id if the token may not see them, or they are gone.
pub(crate) async fn client(session: &mut Session, case: &str) -> anyhow::Result<String> {
    let request = v1::GetCaseRequest { name: case.to_owned(), ..Default::default() };
    let client = match session.cases.get_case(request).await {
        Ok(answer) => answer.into_inner().case.and_then(|case| case.client),
        Err(status) if status.code() == Code::PermissionDenied => None,
        Err(status) => return Err(status.into()),
    };
    let addressed = client.map(|client| addressed(&client)).filter(|text| !text.is_empty());
    Ok(addressed.unwrap_or_else(|| words::id(case)))
}

/// Name and address on one line.
pub(crate) fn addressed(client: &v1::Contact) -> String {
    let mut parts = vec![client.display_name.clone()];
    if let Some(address) = &client.address {
        parts.push(address.line1.clone());
        parts.push(address.line2.clone());
        parts.push(format!("{} {} {}", address.city, address.state_code, address.zip));
    }
    parts.retain(|part| !part.trim().is_empty());
    parts.join(", ")
}

/// Where an invoice stands.
#[derive(Clone, Copy, ValueEnum)]
enum State {
    /// Something is open on it
    Open,
    /// Paid
    Paid,
    /// Credits and write-offs closed it
    Closed,
}

impl State {
    fn message(self) -> v1::InvoiceState {
        match self {
            Self::Open => v1::InvoiceState::Open,
            Self::Paid => v1::InvoiceState::Paid,
            Self::Closed => v1::InvoiceState::Closed,
        }
    }
}

/// Which invoices.
#[derive(Args)]
pub(crate) struct InvoicesArgs {
    /// Only invoices in this state
    #[arg(long)]
    state: Option<State>,
    /// Only invoices due on or before this day
    #[arg(long, value_name = "DATE")]
    due_by: Option<CivilDate>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists invoices.
pub(crate) async fn list(
    args: &InvoicesArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let filter = v1::ListInvoicesRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        state: args.state.map_or(0, |state| state.message().into()),
        due_by: args.due_by.and_then(words::message),
        ..Default::default()
    };
    let mut review_due = String::new();
    let invoices = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListInvoicesRequest { page_size, page_token, ..filter.clone() };
        let answer = session.accounts.list_invoices(request).await?.into_inner();
        review_due = answer.review_due;
        Ok((answer.invoices, answer.next_page_token))
    });
    let invoices = invoices.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = invoices;
        let position = session.position;
        let invoices = entries;
        let answer = v1::ListInvoicesResponse { invoices, next_page_token, position, review_due };
        out.message(&answer, "ListInvoicesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        ">invoice",
        "account",
        "issued",
        "due",
        "state",
        ">total",
        ">paid",
        ">open",
        ">tries",
        "last failure",
        "next try",
        "waits since",
    ]);
    for invoice in &invoices.entries {
        table.row([
            invoice.number.to_string(),
            words::id(&invoice.account),
            words::day(invoice.issued_on.as_ref()),
            words::day(invoice.due_on.as_ref()),
            words::invoice_state(invoice.state),
            words::amount(invoice.total.as_ref()),
            words::amount_if_any(invoice.paid.as_ref()),
            words::amount_if_any(invoice.open.as_ref()),
            invoice.attempts.to_string(),
            words::failure(invoice.last_failure),
            words::day(invoice.next_try_on.as_ref()),
            words::day(invoice.charge_waiting_since.as_ref()),
        ]);
    }
    out.table(&table, "No such invoice.")?;
    if let Some(more) = invoices.more() {
        out.note(more)?;
    }
    out.review(&review_due)?;
    Ok(Exit::Done)
}
