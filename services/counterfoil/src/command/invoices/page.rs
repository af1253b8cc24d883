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
    let zero = Money::zero(currency);
    let (mut not_asked, mut held, mut owed, mut kept) = (zero, zero, zero, zero);
    for line in &invoice.lines {
        let explained = explained(invoice, line, session).await?;
        let of_line = NotAllowed::of(&explained, currency)?;
        not_asked = not_asked.plus(of_line.open)?;
        held = held.plus(of_line.held)?;
        owed = owed.plus(of_line.owed)?;
        kept = kept.plus(of_line.kept)?;
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
    let mut asked_back = zero;
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
        held,
        owed,
        kept,
        asked_back,
    };
    Ok(bill.sheet()?)
}

/// What of a line, or of an invoice, is of fees that nothing allowed, or that are not known to be.
pub(super) struct NotAllowed {
    /// Open, and not asked for.
    pub(super) open: Money,
    /// Open, and not asked for until every gate holds: it may stand.
    pub(super) held: Money,
    /// Collected, and neither given back nor kept.
    pub(super) owed: Money,
    /// Collected, and kept by counsel's reason.
    pub(super) kept: Money,
    /// The gates that hold, and would not but for a correction.
    pub(super) corrected: Vec<i32>,
}

impl NotAllowed {
    /// Of the fee of a line.
    fn of(explained: &v1::FeeExplanation, currency: Currency) -> anyhow::Result<Self> {
        let amount = |money: Option<&MoneyMessage>| words::money(money, currency);
        let open = amount(explained.exposed_open.as_ref())?;
        let kept = amount(explained.kept.as_ref())?;
        let helped = explained.findings.iter().filter(|found| found.holds && found.corrected);
        let corrected = helped.map(|found| found.gate).collect();
        let held = amount(explained.held_open.as_ref())?;
        Ok(Self { open, held, owed: amount(explained.owed.as_ref())?, kept, corrected })
    }

    /// Of all lines of an invoice.
    pub(super) async fn of_all(
        invoice: &v1::Invoice,
        session: &mut Session,
    ) -> anyhow::Result<Self> {
        let currency = session.currency().await?;
        let zero = Money::zero(currency);
        let mut all =
            Self { open: zero, held: zero, owed: zero, kept: zero, corrected: Vec::new() };
        for line in &invoice.lines {
            let Self { open, held, owed, kept, corrected } =
                Self::of(&explained(invoice, line, session).await?, currency)?;
            all.open = all.open.plus(open)?;
            all.held = all.held.plus(held)?;
            all.owed = all.owed.plus(owed)?;
            all.kept = all.kept.plus(kept)?;
            all.corrected.extend(corrected);
        }
        all.corrected.sort_unstable();
        all.corrected.dedup();
        Ok(all)
    }
}

/// The fee of a line, explained: the one that was claimed for its days on this invoice, whatever stands for them now.
async fn explained(
    invoice: &v1::Invoice,
    line: &v1::InvoiceLine,
    session: &mut Session,
) -> anyhow::Result<v1::FeeExplanation> {
    let mut request = v1::ExplainFeeRequest {
        name: line.case.clone(),
        period: line.period,
        at_least_position: session.position,
        ..Default::default()
    };
    let answer = session.billing.explain_fee(request.clone()).await?.into_inner();
    let missing = "the service answered without the fee of a line";
    let found = answer.explanation.context(missing)?;
    let days = (line.start_date.as_ref(), line.end_date.as_ref());
    let mut claims = found.claims.iter();
    let claim = claims.find(|claim| {
        claim.invoice == invoice.name
            && (claim.start_date.as_ref(), claim.end_date.as_ref()) == days
    });
    let claim = claim.and_then(|claim| claim.event.as_ref()).context(missing)?;
    request.claim_position = Some(claim.position);
    let answer = session.billing.explain_fee(request).await?.into_inner();
    answer.explanation.context(missing)
}

/// The finished work that counts for a fee by what is known now; what is missing or was taken back is not among it.
fn done(explained: &v1::FeeExplanation) -> anyhow::Result<Vec<Done>> {
    let finished = explained.work.iter().filter(|work| work.event.is_some());
    let work = finished
        .map(|work| Ok(Done { work: words::work(work.work), on: words::date(work.on.as_ref())? }));
    work.collect()
}
