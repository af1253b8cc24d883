//! What needs a person and no row says: charges that would be refused, and what is left to settle with an estate. The rows
//! choose the few cases that are folded for it.

use api::status::Failure;
use api::{name, v1};
use calendar::CivilDate;
use domain::account::{Account, Charged, Invoice};
use domain::case::ListingStatus;
use domain::event::StreamId;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::money::{Currency, Money};
use store::InvoiceRow;

use crate::billing::{OfFees, may_be_asked};
use crate::ledger::one_account;
use crate::present::day;
use crate::reading::View;

/// Rows read at a time.
const PAGE: u32 = 200;

/// Entries with their places in the list.
type Entries = Vec<(String, v1::DueItem)>;

/// Charges of invoices that are due and that nothing the client authorized covers.
pub(super) async fn refused(
    view: &View<'_>,
    (firm, today): (FirmId, CivilDate),
    after: Option<&str>,
    limit: u32,
) -> Result<Entries, Failure> {
    let most = usize::try_from(limit).unwrap_or(usize::MAX);
    let mut found = Entries::new();
    let mut after = after.and_then(|after| after.parse().ok()).unwrap_or(0);
    loop {
        let page = view.store().charges_bound(firm, today, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(found) };
        after = last.number;
        for row in &page {
            let item = refused_charge(view, (firm, today), row).await?;
            found.extend(item.map(|item| (row.number.to_string(), item)));
            if found.len() >= most {
                return Ok(found);
            }
        }
    }
}

async fn refused_charge(
    view: &View<'_>,
    (firm, on): (FirmId, CivilDate),
    row: &InvoiceRow,
) -> Result<Option<v1::DueItem>, Failure> {
    let (number, case) = (row.number, row.account_id.owner());
    let owner = OfFees::read(view, firm, case, 0).await?;
    let account = own_account(view, firm, row.account_id).await?;
    let Some(invoice) = account.invoices.get(&number) else { return Ok(None) };
    let amount = may_be_asked(view, firm, (number, invoice)).await?;
    // What is open of a client who died is the estate's.
    if !amount.is_positive() || owner.case.died_on().is_some() {
        return Ok(None);
    }
    let charge = Charged { amount, invoice: number, on };
    let barred = owner.case.bars_charge(charge, &account.charged());
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

async fn own_account(view: &View<'_>, firm: FirmId, id: AccountId) -> Result<Account, Failure> {
    let (_, states) = view.states(firm, &[StreamId::Account(id)], 0).await?;
    Ok(one_account(&states)?.clone())
}

/// Clients who died of whom something is left to settle.
pub(super) async fn estates(
    view: &View<'_>,
    firm: FirmId,
    after: Option<&str>,
    limit: u32,
) -> Result<Entries, Failure> {
    let most = usize::try_from(limit).unwrap_or(usize::MAX);
    let mut found = Entries::new();
    let mut after = after.and_then(|after| CaseId::parse(after).ok());
    loop {
        let page = view.store().cases_of_the_dead(firm, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(found) };
        after = Some(*last);
        for case in &page {
            let item = estate(view, firm, *case).await?;
            found.extend(item.map(|item| (case.to_string(), item)));
            if found.len() >= most {
                return Ok(found);
            }
        }
    }
}

/// What is open, owed and waits of a client who died.
async fn estate(view: &View<'_>, firm: FirmId, id: CaseId) -> Result<Option<v1::DueItem>, Failure> {
    let matter = OfFees::read(view, firm, id, 0).await?;
    let Some(died) = matter.case.died_on() else { return Ok(None) };
    let account = own_account(view, firm, id.own_account()).await?;
    let currency = matter.firm.registered.as_ref().map_or(Currency::USD, |firm| firm.currency);
    let mut open = Money::zero(currency);
    for (number, invoice) in unpaid(&account) {
        open = sum(open, may_be_asked(view, firm, (number, invoice)).await?)?;
    }
    let accounts = matter.accounts();
    let mut owed = Money::zero(currency);
    for judged in matter.judge(&accounts).fees_on_record() {
        owed = sum(owed, judged.owed)?;
    }
    for payment in account.payments.values() {
        owed = sum(owed, payment.unearned_left)?;
    }
    let disputes = matter.case.listings.values();
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
