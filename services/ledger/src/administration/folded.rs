//! What needs a person and no row says: charges that would be refused, and what is left to settle with an estate. The rows
//! choose the few cases that are folded for it.

use std::collections::BTreeSet;

use api::status::Failure;
use api::{name, v1};
use calendar::CivilDate;
use domain::account::{Account, Charged, Invoice};
use domain::case::ListingStatus;
use domain::ids::{CaseId, FirmId};
use domain::money::Money;
use store::InvoiceRow;

use crate::billing::Matters;
use crate::present::day;
use crate::reading::View;

/// Most rows that are judged for one answer, and for one count: the list goes on after them.
pub(super) const JUDGED_MAX: u32 = 200;

/// What was found of rows that were judged.
#[derive(Default)]
pub(super) struct Judged {
    /// Entries with their places in the list.
    pub(super) entries: Vec<(String, v1::DueItem)>,
    /// The place of the last row that was judged, if there may be more rows.
    pub(super) goes_on: Option<String>,
}

impl Judged {
    /// Every row that there is was judged, unless there were as many as may be.
    fn of<R>(rows: &[R], place: impl Fn(&R) -> String) -> Self {
        let is_full = u32::try_from(rows.len()).is_ok_and(|rows| rows >= JUDGED_MAX);
        let goes_on = rows.last().filter(|_| is_full).map(place);
        Self { entries: Vec::new(), goes_on }
    }
}

/// Charges of invoices that are due and that nothing the client authorized covers.
pub(super) async fn refused(
    view: &View<'_>,
    (firm, today): (FirmId, CivilDate),
    after: Option<&str>,
) -> Result<Judged, Failure> {
    let place = |row: &InvoiceRow| row.number.to_string();
    let after = after.and_then(|after| after.parse().ok()).unwrap_or(0);
    let found = view.store().charges_bound(firm, today, after, JUDGED_MAX).await?;
    let Some(position) = found.position else { return Ok(Judged::default()) };
    let owners = found.rows.iter().map(|row| row.account_id.owner());
    let mut matters = Matters::read(view, firm, owners, position).await?;
    let mut others = BTreeSet::new();
    for row in &found.rows {
        let account = matters.own_account(row.account_id.owner())?;
        let lines = account.invoices.get(&row.number).into_iter().flat_map(|of| &of.lines);
        others.extend(lines.map(|line| line.case));
    }
    matters.add(view, others).await?;
    let mut judged = Judged::of(&found.rows, place);
    for row in &found.rows {
        let item = refused_charge(&matters, (firm, today), row)?;
        judged.entries.extend(item.map(|item| (place(row), item)));
    }
    Ok(judged)
}

fn refused_charge(
    matters: &Matters,
    (firm, on): (FirmId, CivilDate),
    row: &InvoiceRow,
) -> Result<Option<v1::DueItem>, Failure> {
    let (number, case) = (row.number, row.account_id.owner());
    let (owner, account) = (matters.of(case)?.case, matters.own_account(case)?);
    let Some(invoice) = account.invoices.get(&number) else { return Ok(None) };
    let amount = matters.may_be_asked(number, invoice)?;
    // What is open of a client who died is the estate's.
    if !amount.is_positive() || owner.died_on().is_some() {
        return Ok(None);
    }
    let charge = Charged { amount, invoice: number, on };
    let barred = owner.bars_charge(charge, &account.charged());
    Ok(barred.map(|(why, cites)| v1::DueItem {
        kind: v1::DueKind::ChargeRefused.into(),
        case: name::case(firm, case),
        account: name::account(firm, row.account_id),
        invoice: name::invoice(firm, number),
        since: day(row.due_on),
        detail: format!("a charge of {amount} is refused: {why}"),
        citation: cites.to_owned(),
        ..v1::DueItem::default()
    }))
}

/// Clients who died of whom something is left to settle.
pub(super) async fn estates(
    view: &View<'_>,
    firm: FirmId,
    after: Option<&str>,
) -> Result<Judged, Failure> {
    let after = after.and_then(|after| CaseId::parse(after).ok());
    let found = view.store().cases_of_the_dead(firm, after, JUDGED_MAX).await?;
    let Some(position) = found.position else { return Ok(Judged::default()) };
    let cases = found.rows.iter().copied();
    let mut matters = Matters::read(view, firm, cases, position).await?;
    let mut others = BTreeSet::new();
    for case in &found.rows {
        let invoices = unpaid(matters.own_account(*case)?);
        others.extend(invoices.flat_map(|(_, of)| of.lines.iter().map(|line| line.case)));
    }
    matters.add(view, others).await?;
    let mut judged = Judged::of(&found.rows, CaseId::to_string);
    for case in found.rows {
        let item = estate(&matters, firm, case)?;
        judged.entries.extend(item.map(|item| (case.to_string(), item)));
    }
    Ok(judged)
}

/// What is open, owed and waits of a client who died.
fn estate(matters: &Matters, firm: FirmId, id: CaseId) -> Result<Option<v1::DueItem>, Failure> {
    let (of, account) = (matters.of(id)?, matters.own_account(id)?);
    let Some(died) = of.case.died_on() else { return Ok(None) };
    let mut open = Money::zero(matters.currency());
    for (number, invoice) in unpaid(account) {
        open = sum(open, matters.may_be_asked(number, invoice)?)?;
    }
    let mut owed = Money::zero(matters.currency());
    for judged in of.judge().fees_on_record() {
        owed = sum(owed, judged.owed)?;
    }
    for payment in account.payments.values() {
        owed = sum(owed, payment.unearned_left)?;
    }
    let disputes = of.case.listings.values();
    let disputes = disputes.filter(|listing| listing.status == ListingStatus::InDispute).count();
    let mut parts = vec![format!("the client died on {died}")];
    if open.is_positive() {
        parts.push(format!("{open} is open: ask the estate for it"));
    }
    if owed.is_positive() {
        parts.push(format!("{owed} is owed back: give it to the estate"));
    }
    if disputes > 0 {
        let (word, wait) = if disputes == 1 { ("dispute", "waits") } else { ("disputes", "wait") };
        parts.push(format!(
            "{disputes} {word} {wait} for a bureau's answer: no more letters go out, and what comes is the estate's"
        ));
    }
    Ok((parts.len() > 1).then(|| v1::DueItem {
        kind: v1::DueKind::Estate.into(),
        case: name::case(firm, id),
        account: name::account(firm, id.own_account()),
        since: day(died),
        detail: parts.join("; "),
        citation: "common law of agency".to_owned(),
        ..v1::DueItem::default()
    }))
}

fn unpaid(account: &Account) -> impl Iterator<Item = (u64, &Invoice)> {
    let invoices = account.invoices.iter().map(|(number, invoice)| (*number, invoice));
    invoices.filter(|(_, invoice)| invoice.open().is_positive())
}

fn sum(one: Money, other: Money) -> Result<Money, Failure> {
    one.plus(other).map_err(|_| Failure::internal("amounts of one firm"))
}
