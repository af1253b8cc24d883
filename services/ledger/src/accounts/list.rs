//! Reading accounts, invoices, payments and suggested links.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use api::requests;
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::account::Account;
use domain::event::StreamId;
use domain::ids::{AccountId, CaseId, FirmId};
use store::{InvoiceFilter, InvoiceState};

use crate::access::Authority;
use crate::billing::{Matters, review_due};
use crate::ledger::{as_account, one_account};
use crate::openings::Look;
use crate::paging::Pager;
use crate::present::account as present;
use crate::reading::View;

pub(super) async fn get_account(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetAccountRequest,
) -> Result<v1::GetAccountResponse, Failure> {
    view.ledger().check_name(authority, &message.name).await?;
    let get = requests::get_account(message)?;
    let streams = [StreamId::Account(get.id)];
    let (position, mut states) = view.states(get.firm, &streams, get.at_least_position).await?;
    let look = Look::at_cards(authority, "GetAccount");
    view.open(look, get.firm, &streams, &mut states).await?;
    let account = one_account(&states)?;
    if account.members.is_empty() {
        return Err(Failure::NotFound { resource_type: "Account", name: message.name.clone() });
    }
    let matters = Matters::read(view, get.firm, paid_for(account), position).await?;
    let currency = matters.currency();
    let owed = owed_of_fees(&matters, account)?;
    let account = present::account(get.firm, (get.id, account), owed, currency, look.may_see);
    let review_due = review_due(view, get.firm, position).await?;
    let (account, position) = (Some(account), int64(position));
    Ok(v1::GetAccountResponse { account, position, review_due })
}

/// The cases of an account's invoices that anything was paid of.
fn paid_for(account: &Account) -> BTreeSet<CaseId> {
    let paid = account.invoices.values().filter(|invoice| invoice.paid.is_positive());
    paid.flat_map(|invoice| invoice.lines.iter().map(|line| line.case)).collect()
}

/// What was collected on an account's invoices for fees that nothing allowed, and neither given back nor kept, as the
/// books have it; minor units.
fn owed_of_fees(matters: &Matters, account: &Account) -> Result<i64, Failure> {
    let mut owed = 0;
    for case in paid_for(account) {
        let of = matters.of(case)?;
        let judge = of.judge();
        let of_account = judge.fees_on_record().filter(|judged| {
            judged.invoice.is_some_and(|number| account.invoices.contains_key(&number))
        });
        owed += of_account.map(|judged| judged.owed.minor()).sum::<i64>();
    }
    Ok(owed)
}

/// Accounts folded up to the end of the log, by id.
pub(super) async fn accounts(
    view: &View<'_>,
    firm: FirmId,
    ids: impl IntoIterator<Item = AccountId>,
) -> Result<HashMap<AccountId, Account>, Failure> {
    let ids: Vec<AccountId> = ids.into_iter().collect();
    let position = view.head(firm, 0).await?;
    accounts_at(view, None, firm, ids, position).await
}

/// The same up to a position, with their cards opened if somebody looks at those.
async fn accounts_at(
    view: &View<'_>,
    look: Option<Look<'_>>,
    firm: FirmId,
    ids: impl IntoIterator<Item = AccountId>,
    position: u64,
) -> Result<HashMap<AccountId, Account>, Failure> {
    let ids: BTreeSet<AccountId> = ids.into_iter().collect();
    let streams: Vec<StreamId> = ids.iter().copied().map(StreamId::Account).collect();
    let mut states = view.states_at(firm, &streams, position).await?;
    if let Some(look) = look {
        view.open(look, firm, &streams, &mut states).await?;
    }
    let folded = ids.into_iter().zip(states);
    Ok(folded
        .filter_map(|(id, state)| Some((id, Arc::unwrap_or_clone(as_account(state)?))))
        .collect())
}

/// What a row names is there in the stream that it is a row of, folded up to where it was read.
pub(super) fn named<T>(found: Option<T>) -> Result<T, Failure> {
    let what = "a row of the read model names what its stream does not have: rebuild it";
    found.ok_or_else(|| Failure::internal(what))
}

pub(super) async fn list_accounts(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListAccountsRequest,
) -> Result<v1::ListAccountsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_accounts(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListAccounts", &page, |key| AccountId::parse(key).ok())?;
    let applied = view.read_at(page.firm, page.at_least_position).await?;
    let found = view.store().list_accounts(page.firm, page.filter, after, pager.limit()).await?;
    let (mut ids, position) = (found.rows, found.position.unwrap_or(applied));
    let next_page_token = pager.cut(&mut ids, AccountId::to_string);
    let look = Look::at_cards(authority, "ListAccounts");
    let folded = accounts_at(view, Some(look), page.firm, ids.iter().copied(), position).await?;
    let cases: BTreeSet<CaseId> = folded.values().flat_map(paid_for).collect();
    let matters = Matters::read(view, page.firm, cases, position).await?;
    let mut shown = Vec::with_capacity(ids.len());
    for id in ids {
        let account = named(folded.get(&id))?;
        let owed = owed_of_fees(&matters, account)?;
        let currency = matters.currency();
        shown.push(present::account(page.firm, (id, account), owed, currency, look.may_see));
    }
    let review_due = review_due(view, page.firm, position).await?;
    let (accounts, position) = (shown, int64(position));
    Ok(v1::ListAccountsResponse { accounts, next_page_token, position, review_due })
}

pub(super) async fn get_invoice(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetInvoiceRequest,
) -> Result<v1::GetInvoiceResponse, Failure> {
    view.ledger().check_name(authority, &message.name).await?;
    let get = requests::get_invoice(message)?;
    view.read_at(get.firm, get.at_least_position).await?;
    let missing = || Failure::NotFound { resource_type: "Invoice", name: message.name.clone() };
    let id = view.store().account_of_invoice(get.firm, get.id).await?.ok_or_else(missing)?;
    let (position, states) = view.states(get.firm, &[StreamId::Account(id)], 0).await?;
    let account = one_account(&states)?;
    let invoice = account.invoices.get(&get.id).ok_or_else(missing)?;
    let invoice = present::invoice(get.firm, (id, account), get.id, invoice);
    let review_due = review_due(view, get.firm, position).await?;
    let (invoice, position) = (Some(invoice), int64(position));
    Ok(v1::GetInvoiceResponse { invoice, position, review_due })
}

/// The state that a filter names.
fn invoice_state(state: v1::InvoiceState) -> Option<InvoiceState> {
    match state {
        v1::InvoiceState::Unspecified => None,
        v1::InvoiceState::Open => Some(InvoiceState::Open),
        v1::InvoiceState::Paid => Some(InvoiceState::Paid),
        v1::InvoiceState::Closed => Some(InvoiceState::Closed),
    }
}

pub(super) async fn list_invoices(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListInvoicesRequest,
) -> Result<v1::ListInvoicesResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_invoices(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListInvoices", &page, |key| key.parse().ok())?;
    let applied = view.read_at(page.firm, page.at_least_position).await?;
    let requests::InvoiceFilter { account, state, due_by } = page.filter;
    let filter = InvoiceFilter { state: state.and_then(invoice_state), account, due_by };
    let after = after.unwrap_or(0);
    let found = view.store().list_invoices(page.firm, filter, after, pager.limit()).await?;
    let (mut rows, position) = (found.rows, found.position.unwrap_or(applied));
    let next_page_token = pager.cut(&mut rows, |row| row.number.to_string());
    let ids = rows.iter().map(|row| row.account_id);
    let folded = accounts_at(view, None, page.firm, ids, position).await?;
    let invoices = rows.iter().map(|row| {
        let account = named(folded.get(&row.account_id))?;
        let invoice = named(account.invoices.get(&row.number))?;
        Ok(present::invoice(page.firm, (row.account_id, account), row.number, invoice))
    });
    Ok(v1::ListInvoicesResponse {
        invoices: invoices.collect::<Result<_, Failure>>()?,
        next_page_token,
        position: int64(position),
        review_due: review_due(view, page.firm, position).await?,
    })
}

pub(super) async fn list_payments(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListPaymentsRequest,
) -> Result<v1::ListPaymentsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_payments(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListPayments", &page, |key| key.parse().ok())?;
    let applied = view.read_at(page.firm, page.at_least_position).await?;
    let after = after.unwrap_or(0);
    let found = view.store().list_payments(page.firm, page.filter, after, pager.limit()).await?;
    let (mut rows, position) = (found.rows, found.position.unwrap_or(applied));
    let next_page_token = pager.cut(&mut rows, |row| row.position.to_string());
    let ids = rows.iter().map(|row| row.account_id);
    let folded = accounts_at(view, None, page.firm, ids, position).await?;
    let payments = rows.iter().map(|row| {
        let account = named(folded.get(&row.account_id))?;
        let payment = named(account.payments.get(&row.payment))?;
        Ok(present::payment(page.firm, (row.account_id, account), &row.payment, payment))
    });
    Ok(v1::ListPaymentsResponse {
        payments: payments.collect::<Result<_, Failure>>()?,
        next_page_token,
        position: int64(position),
        review_due: review_due(view, page.firm, position).await?,
    })
}

pub(super) async fn list_suggested_links(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListSuggestedLinksRequest,
) -> Result<v1::ListSuggestedLinksResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_suggested_links(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListSuggestedLinks", &page, |key| {
        let (account, member) = key.split_once(' ')?;
        Some((AccountId::parse(account).ok()?, CaseId::parse(member).ok()?))
    })?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let mut rows = view.store().list_suggested_links(page.firm, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| format!("{} {}", row.account_id, row.member));
    // That two clients share a telephone, an address or a card tells of both.
    let look = Look { authority, what: "ListSuggestedLinks", may_see: true };
    let named = rows.iter().flat_map(|row| [row.account_id.owner(), row.member]).collect();
    view.ledger().note_openings(look, page.firm, named).await?;
    let suggested_links = rows.iter().map(|row| present::suggested(page.firm, row)).collect();
    Ok(v1::ListSuggestedLinksResponse {
        suggested_links,
        next_page_token,
        position: int64(position),
    })
}
