//! An invoice as a page for the client.

use anyhow::Context;
use api::google::r#type::Money as MoneyMessage;
use api::v1;
use domain::money::{Currency, Money};
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
    let (mut not_asked, mut owed) = (Money::zero(currency), Money::zero(currency));
    for line in &invoice.lines {
        let explained = explained(line, session).await?;
        let of_line = NotAllowed::of(invoice, &explained, currency)?;
        not_asked = not_asked.plus(of_line.open)?;
        owed = owed.plus(of_line.owed)?;
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
            done: done(&explained)?,
            fee: amount(line.amount.as_ref())?,
        });
    }
    let mut asked_back = Money::zero(currency);
    for refund in &invoice.refunds_waiting {
        asked_back = asked_back.plus(amount(refund.amount.as_ref())?)?;
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
        not_asked,
        owed,
        asked_back,
    };
    Ok(bill.sheet()?)
}

/// What of a line, or of an invoice, is of fees that nothing allowed.
pub(super) struct NotAllowed {
    /// Open, and not asked for.
    pub(super) open: Money,
    /// Collected, and neither given back nor kept.
    pub(super) owed: Money,
    /// Collected, and kept by counsel's reason.
    pub(super) kept: Money,
    /// The gates that hold beside a fact that was corrected.
    pub(super) corrected: Vec<i32>,
}

impl NotAllowed {
    /// Of the fee of a line; nothing if its period was claimed once more, since what stood before was given back.
    fn of(
        invoice: &v1::Invoice,
        explained: &v1::FeeExplanation,
        currency: Currency,
    ) -> anyhow::Result<Self> {
        let is_of_it = explained.invoice == invoice.name;
        let amount = |money: Option<&MoneyMessage>| match money.filter(|_| is_of_it) {
            Some(money) => words::money(Some(money), currency),
            None => Ok(Money::zero(currency)),
        };
        let open = amount(explained.exposed_open.as_ref())?;
        let kept = amount(explained.kept.as_ref())?;
        let helped = explained.findings.iter().filter(|found| found.holds && found.corrected);
        let corrected = helped.filter(|_| is_of_it).map(|found| found.gate).collect();
        Ok(Self { open, owed: amount(explained.owed.as_ref())?, kept, corrected })
    }

    /// Of all lines of an invoice.
    pub(super) async fn of_all(
        invoice: &v1::Invoice,
        session: &mut Session,
    ) -> anyhow::Result<Self> {
        let currency = session.currency().await?;
        let zero = Money::zero(currency);
        let mut all = Self { open: zero, owed: zero, kept: zero, corrected: Vec::new() };
        for line in &invoice.lines {
            let Self { open, owed, kept, corrected } =
                Self::of(invoice, &explained(line, session).await?, currency)?;
            all.open = all.open.plus(open)?;
            all.owed = all.owed.plus(owed)?;
            all.kept = all.kept.plus(kept)?;
            all.corrected.extend(corrected);
        }
        all.corrected.sort_unstable();
        all.corrected.dedup();
        Ok(all)
    }
}

/// The fee of a line, explained.
async fn explained(
    line: &v1::InvoiceLine,
    session: &mut Session,
) -> anyhow::Result<v1::FeeExplanation> {
    let request = v1::ExplainFeeRequest {
        name: line.case.clone(),
        period: line.period,
        at_least_position: session.position,
        ..Default::default()
    };
    let answer = session.billing.explain_fee(request).await?.into_inner();
    answer.explanation.context("the service answered without an explanation")
}

/// The completed work that evidences a fee, as its explanation names it.
fn done(explained: &v1::FeeExplanation) -> anyhow::Result<Vec<Done>> {
    let work = explained.work.iter().map(|work| {
        let on = work.on.as_ref().map(|day| words::date(Some(day))).transpose()?;
        Ok(Done { work: words::work(work.work), on })
    });
    work.collect()
}
