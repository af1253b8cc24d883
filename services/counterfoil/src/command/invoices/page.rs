//! An invoice as a page for the client.

use anyhow::Context;
use api::google::r#type::Money as MoneyMessage;
use api::v1;
use paper::bill::{Bill, BillLine, Done};
use paper::sheet::Sheet;

use super::client;
use crate::connect::Session;
use crate::words;

/// The page of an invoice: who it is for, what was done for each fee, and what is open.
pub(super) async fn of(invoice: &v1::Invoice, session: &mut Session) -> anyhow::Result<Sheet> {
    let firm = session.registered().await?;
    let currency = session.currency().await?;
    let amount = |money: Option<&MoneyMessage>| words::money(money, currency);
    let mut to: Vec<String> = Vec::new();
    let mut lines = Vec::new();
    for line in &invoice.lines {
        let addressed = client(session, &line.case).await?;
        let name = addressed.split(", ").next().unwrap_or_default().to_owned();
        if !to.contains(&addressed) {
            to.push(addressed);
        }
        let end = words::date(line.end_date.as_ref())?;
        lines.push(BillLine {
            client: name,
            from: words::date(line.start_date.as_ref())?,
            through: end.pred_opt().unwrap_or(end),
            done: done(line, session).await?,
            fee: amount(line.amount.as_ref())?,
        });
    }
    let bill = Bill {
        firm: firm.display_name,
        number: u64::try_from(invoice.number).unwrap_or_default(),
        to,
        issued_on: words::date(invoice.issued_on.as_ref())?,
        due_on: words::date(invoice.due_on.as_ref())?,
        lines,
        total: amount(invoice.total.as_ref())?,
        paid: amount(invoice.paid.as_ref())?,
        credited: amount(invoice.credited.as_ref())?,
        written_off: amount(invoice.written_off.as_ref())?,
        open: amount(invoice.open.as_ref())?,
    };
    Ok(bill.sheet())
}

/// The completed work that evidences a fee, as its explanation names it.
async fn done(line: &v1::InvoiceLine, session: &mut Session) -> anyhow::Result<Vec<Done>> {
    let request = v1::ExplainFeeRequest {
        name: line.case.clone(),
        period: line.period,
        at_least_position: session.position,
        ..Default::default()
    };
    let answer = session.billing.explain_fee(request).await?.into_inner();
    let explained = answer.explanation.context("the service answered without an explanation")?;
    let work = explained.work.iter().map(|work| {
        let on = work.on.as_ref().map(|day| words::date(Some(day))).transpose()?;
        Ok(Done { work: words::work(work.work), on })
    });
    work.collect()
}
