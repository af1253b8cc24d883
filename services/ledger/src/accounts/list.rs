//! Reading accounts, invoices, payments, suggested links and exposures.

use std::collections::hash_map::Entry;
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use api::requests;
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::account::Account;
use domain::event::{ExposureKind, StreamId};
use domain::ids::{AccountId, CaseId, FirmId};
use domain::money::Currency;
use store::{ExposureRow, InvoiceFilter, InvoiceState, Source};

use crate::access::Authority;
use crate::billing::{OfFees, review_due};
use crate::ledger::{as_account, one_account};
use crate::openings::Look;
use crate::paging::Pager;
use crate::present::against_law::AgainstLaw;
use crate::present::case::standing;
use crate::present::{account as present, amount, day, fee};
use crate::reading::View;

/// The currency of a firm's books; one that nobody registered has none, and nothing to show.
async fn currency(view: &View<'_>, firm: FirmId) -> Result<Currency, Failure> {
    let firm = view.ledger().firms().get(firm).await?;
    Ok(firm.registered.as_ref().map_or(Currency::USD, |registered| registered.currency))
}

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
    let currency = currency(view, get.firm).await?;
    let owed = owed_of_fees(view, get.firm, account).await?;
    let account = present::account(get.firm, (get.id, account), owed, currency, look.may_see);
    let review_due = review_due(view, get.firm).await?;
    let (account, position) = (Some(account), int64(position));
    Ok(v1::GetAccountResponse { account, position, review_due })
}

/// What was collected on an account's invoices for fees that nothing allowed, and neither given back nor kept, as the
/// books have it; minor units.
async fn owed_of_fees(view: &View<'_>, firm: FirmId, account: &Account) -> Result<i64, Failure> {
    let paid = account.invoices.values().filter(|invoice| invoice.paid.is_positive());
    let cases: BTreeSet<CaseId> =
        paid.flat_map(|invoice| invoice.lines.iter().map(|line| line.case)).collect();
    let mut owed = 0;
    for case in cases {
        let matter = OfFees::read(view, firm, case, 0).await?;
        let accounts = matter.accounts();
        let judge = matter.judge(&accounts);
        let of_account = judge.fees_on_record().filter(|judged| {
            judged.invoice.is_some_and(|number| account.invoices.contains_key(&number))
        });
        owed += of_account.map(|judged| judged.owed.minor()).sum::<i64>();
    }
    Ok(owed)
}

/// Accounts folded as they stand now, by id, with their cards opened if somebody looks at those.
pub(super) async fn accounts(
    view: &View<'_>,
    look: Option<Look<'_>>,
    firm: FirmId,
    ids: impl IntoIterator<Item = AccountId>,
) -> Result<HashMap<AccountId, Account>, Failure> {
    let mut ids: Vec<AccountId> = ids.into_iter().collect();
    ids.sort_unstable();
    ids.dedup();
    let streams: Vec<StreamId> = ids.iter().copied().map(StreamId::Account).collect();
    let (_, mut states) = view.states(firm, &streams, 0).await?;
    if let Some(look) = look {
        view.open(look, firm, &streams, &mut states).await?;
    }
    let folded = ids.into_iter().zip(states);
    Ok(folded
        .filter_map(|(id, state)| Some((id, Arc::unwrap_or_clone(as_account(state)?))))
        .collect())
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
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let mut rows = view.store().list_accounts(page.firm, page.filter, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.account_id.to_string());
    let look = Look::at_cards(authority, "ListAccounts");
    let ids = rows.iter().map(|row| row.account_id);
    let folded = accounts(view, Some(look), page.firm, ids).await?;
    let currency = currency(view, page.firm).await?;
    let mut shown = Vec::with_capacity(rows.len());
    for row in &rows {
        let Some(account) = folded.get(&row.account_id) else { continue };
        let owed = owed_of_fees(view, page.firm, account).await?;
        let account = (row.account_id, account);
        shown.push(present::account(page.firm, account, owed, currency, look.may_see));
    }
    let review_due = review_due(view, page.firm).await?;
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
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let missing = || Failure::NotFound { resource_type: "Invoice", name: message.name.clone() };
    let id = view.store().account_of_invoice(get.firm, get.id).await?.ok_or_else(missing)?;
    let folded = accounts(view, None, get.firm, [id]).await?;
    let account = folded.get(&id).ok_or_else(missing)?;
    let invoice = account.invoices.get(&get.id).ok_or_else(missing)?;
    let invoice = present::invoice(get.firm, (id, account), get.id, invoice);
    let review_due = review_due(view, get.firm).await?;
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
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let requests::InvoiceFilter { account, state, due_by } = page.filter;
    let filter = InvoiceFilter { state: state.and_then(invoice_state), account, due_by };
    let after = after.unwrap_or(0);
    let mut rows = view.store().list_invoices(page.firm, filter, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.number.to_string());
    let folded = accounts(view, None, page.firm, rows.iter().map(|row| row.account_id)).await?;
    // The rows say which, the accounts what they are now: one that was paid meanwhile is open no more.
    let invoices = rows.iter().filter_map(|row| {
        let account = folded.get(&row.account_id)?;
        let invoice = account.invoices.get(&row.number)?;
        let is_wanted = filter.state.is_none_or(|state| state == InvoiceState::of(invoice));
        let number = row.number;
        is_wanted.then(|| present::invoice(page.firm, (row.account_id, account), number, invoice))
    });
    Ok(v1::ListInvoicesResponse {
        invoices: invoices.collect(),
        next_page_token,
        position: int64(position),
        review_due: review_due(view, page.firm).await?,
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
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let after = after.unwrap_or(0);
    let rows = view.store().list_payments(page.firm, page.filter, after, pager.limit()).await;
    let mut rows = rows?;
    let next_page_token = pager.cut(&mut rows, |row| row.position.to_string());
    let folded = accounts(view, None, page.firm, rows.iter().map(|row| row.account_id)).await?;
    let payments = rows.iter().filter_map(|row| {
        let account = folded.get(&row.account_id)?;
        let payment = account.payments.get(&row.payment)?;
        Some(present::payment(page.firm, (row.account_id, account), &row.payment, payment))
    });
    Ok(v1::ListPaymentsResponse {
        payments: payments.collect(),
        next_page_token,
        position: int64(position),
        review_due: review_due(view, page.firm).await?,
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

pub(super) async fn list_exposures(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListExposuresRequest,
) -> Result<v1::ListExposuresResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_exposures(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListExposures", &page, |key| {
        let (day, position) = key.split_once(' ')?;
        Some((day.parse().ok()?, position.parse().ok()?))
    })?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let wanted = (page.filter.case, page.filter.kind);
    let mut found = view.store().list_exposures(page.firm, wanted, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut found, |row| format!("{} {}", row.found_on, row.position));
    let currency = currency(view, page.firm).await?;
    let mut exposures: Vec<v1::Exposure> =
        found.iter().map(|row| present::exposure(page.firm, row, currency)).collect();
    fees_as_judged(view, page.firm, (&found, &mut exposures)).await?;
    payments_as_they_stand(view, page.firm, (&found, &mut exposures)).await?;
    let review_due = review_due(view, page.firm).await?;
    let position = int64(position);
    Ok(v1::ListExposuresResponse { exposures, next_page_token, position, review_due })
}

/// What a case is exposed by.
struct OfCase {
    /// Its claimed fees that nothing allowed.
    fees: Vec<v1::Exposure>,
    against: AgainstLaw,
    /// The positions of the others that nothing put right.
    standing: BTreeSet<u64>,
}

/// Shows exposed fees as they are judged now, and what was put right as that.
async fn fees_as_judged(
    view: &View<'_>,
    firm: FirmId,
    (rows, exposures): (&[ExposureRow], &mut [v1::Exposure]),
) -> Result<(), Failure> {
    let mut judged: HashMap<CaseId, OfCase> = HashMap::new();
    for (row, exposure) in rows.iter().zip(exposures) {
        if row.source == Source::Account {
            continue;
        }
        let of_case = match judged.entry(row.case_id) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => {
                let matter = OfFees::read(view, firm, row.case_id, 0).await?;
                let accounts = matter.accounts();
                let of_case = (row.case_id, matter.case.as_ref());
                let judge = matter.judge(&accounts);
                let fees = fee::exposures(firm, of_case, &judge);
                let against = AgainstLaw::of(&judge);
                new.insert(OfCase { fees, against, standing: standing(matter.case.as_ref()) })
            }
        };
        let is_it = |of: &&v1::Exposure| of.event == exposure.event;
        if row.kind != ExposureKind::FeeAskedUnearned {
            let against = &of_case.against;
            exposure.put_right = !of_case.standing.contains(&row.position)
                || against.put_right(row.kind, row.found_on);
            exposure.details = against.details(row.kind, row.found_on);
        } else if let Some(now) = of_case.fees.iter().find(is_it) {
            *exposure = now.clone();
        }
    }
    Ok(())
}

/// Says what of payments is owed now, and was asked back.
async fn payments_as_they_stand(
    view: &View<'_>,
    firm: FirmId,
    (rows, exposures): (&[ExposureRow], &mut [v1::Exposure]),
) -> Result<(), Failure> {
    let of_payments = rows.iter().filter(|row| row.source == Source::Account);
    let ids = of_payments.map(|row| row.case_id.own_account());
    let folded = accounts(view, None, firm, ids).await?;
    for (row, exposure) in rows.iter().zip(exposures) {
        let account = folded.get(&row.case_id.own_account());
        let Some(account) = account.filter(|_| row.source == Source::Account) else { continue };
        let found = account.payments.iter().find(|(_, of)| of.mark.at.position == row.position);
        let Some((name, payment)) = found else { continue };
        exposure.owed = amount(payment.unearned_left);
        let waiting = account.refund_waiting(name).map(|(_, asked)| asked.amount);
        exposure.asked_back = waiting.and_then(|asked| amount(asked.min(payment.unearned_left)));
        if payment.unearned_left.is_positive() {
            let matter = OfFees::read(view, firm, row.case_id, 0).await?;
            let accounts = matter.accounts();
            if let Some(back) = matter.judge(&accounts).money_back(row.found_on) {
                exposure.return_by = day(back.by);
                exposure.return_citation = back.cites.to_string();
            }
        }
    }
    Ok(())
}
