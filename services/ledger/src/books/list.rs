//! Reading the books.

use std::collections::BTreeMap;
use std::sync::Arc;

use api::Paired;
use api::requests::{self, Days};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use books::{Aging, Chart, OpenItem, TrialBalance, TrialRow};
use calendar::{CivilDate, add_months_clamped};
use domain::event::StreamId;
use domain::firm::Firm;
use domain::ids::{AccountId, FirmId};
use domain::money::Currency;
use store::{DepositFilter, MovementFilter};
use uuid::Uuid;

use super::present;
use crate::access::Authority;
use crate::billing::review_due;
use crate::ledger::one_firm;
use crate::paging::Pager;
use crate::present::day;
use crate::reading::View;

/// Open items that one query reads.
const ITEMS_AT_ONCE: u32 = 5_000;

/// The firm as it stands, and the currency of its books.
async fn firm(view: &View<'_>, id: FirmId) -> Result<(Arc<Firm>, Currency), Failure> {
    let (_, states) = view.states(id, &[StreamId::Firm], 0).await?;
    let firm = one_firm(states)?;
    let Some(registered) = &firm.registered else {
        return Err(Failure::NotFound { resource_type: "Firm", name: api::name::firm(id) });
    };
    let currency = registered.currency;
    Ok((firm, currency))
}

pub(super) async fn get_chart(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetChartRequest,
) -> Result<v1::GetChartResponse, Failure> {
    view.ledger().check_name(authority, &message.name).await?;
    let get = requests::get_chart(message)?;
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let (firm, _) = firm(view, get.firm).await?;
    let accounts = Chart::of(&firm).accounts().iter().map(present::chart_account).collect();
    let locked_through = firm.locked_through().and_then(day);
    let automatic = v1::AutomaticMatches::from_domain(firm.automatic_matches());
    Ok(v1::GetChartResponse {
        accounts,
        locked_through,
        position: int64(position),
        automatic_matches: automatic.into(),
        bank_accounts: firm.banks.values().map(super::bank::bank_account).collect(),
    })
}

pub(super) async fn list_journal(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListJournalRequest,
) -> Result<v1::ListJournalResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_journal(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListJournal", &page, |key| {
        let (day, position) = key.split_once(' ')?;
        Some((day.parse::<CivilDate>().ok()?, position.parse::<u64>().ok()?))
    })?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let (_, currency) = firm(view, page.firm).await?;
    // Positions count from 1, so nothing of the first day comes before its zeroth.
    let after = after.unwrap_or((page.filter.days.from, 0));
    let (account, through) = (page.filter.account, page.filter.days.through);
    let entries = view.store().list_journal(page.firm, account, after, through, pager.limit());
    let mut entries = entries.await?;
    let next_page_token =
        pager.cut(&mut entries, |(entry, _)| format!("{} {}", entry.posted_on, entry.position));
    let entries = entries.iter().map(|entry| present::entry(page.firm, currency, entry));
    Ok(v1::ListJournalResponse {
        entries: entries.collect(),
        next_page_token,
        position: int64(position),
        review_due: review_due(view, page.firm, position).await?,
    })
}

pub(super) async fn get_trial_balance(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetTrialBalanceRequest,
) -> Result<v1::GetTrialBalanceResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let get = requests::get_trial_balance(message)?;
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let (firm, currency) = firm(view, get.firm).await?;
    let sums = view.store().trial_sums(get.firm, get.id.from, get.id.through).await?;
    let trial = TrialBalance::of(sums.into_iter().map(TrialRow::from));
    let rows = present::trial_rows(&Chart::of(&firm), &trial, currency);
    let review_due = review_due(view, get.firm, position).await?;
    Ok(v1::GetTrialBalanceResponse { rows, position: int64(position), review_due })
}

pub(super) async fn get_revenue_by_plan(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetRevenueByPlanRequest,
) -> Result<v1::GetRevenueByPlanResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let get = requests::get_revenue_by_plan(message)?;
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let (_, currency) = firm(view, get.firm).await?;
    let plans = view.store().revenue_by_plan(get.firm, get.id.from, get.id.through).await?;
    let plans = plans.iter().map(|plan| present::plan_revenue(plan, currency)).collect();
    let review_due = review_due(view, get.firm, position).await?;
    Ok(v1::GetRevenueByPlanResponse { plans, position: int64(position), review_due })
}

pub(super) async fn list_months(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListMonthsRequest,
) -> Result<v1::ListMonthsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_months(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListMonths", &page, |key| {
        format!("{key}-01").parse::<CivilDate>().ok()
    })?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let (_, currency) = firm(view, page.firm).await?;
    let Days { from, through } = page.filter;
    let from = after.map_or(from, |last| add_months_clamped(last, 1));
    let mut months = view.store().list_months(page.firm, from, through, pager.limit()).await?;
    let next_page_token = pager.cut(&mut months, |month| month.month.clone());
    let months = months.iter().map(|month| present::month(month, currency)).collect();
    let review_due = review_due(view, page.firm, position).await?;
    let position = int64(position);
    Ok(v1::ListMonthsResponse { months, next_page_token, position, review_due })
}

/// What is open on every invoice of some accounts, whole accounts only: from one account on, until
/// that many accounts are there.
async fn open_items(
    view: &View<'_>,
    firm: FirmId,
    as_of: CivilDate,
    mut from: AccountId,
    accounts: usize,
) -> Result<BTreeMap<AccountId, Vec<OpenItem>>, Failure> {
    let mut whole: BTreeMap<AccountId, Vec<OpenItem>> = BTreeMap::new();
    while whole.len() < accounts {
        let rows = view.store().open_items(firm, as_of, from, ITEMS_AT_ONCE).await?;
        let full = rows.len() == usize::try_from(ITEMS_AT_ONCE).unwrap_or(usize::MAX);
        let last = rows.last().map(|row| row.account_id);
        let first = rows.first().map(|row| row.account_id);
        if full && first == last {
            let what = "an account with more open invoices than one page holds";
            return Err(Failure::internal(what));
        }
        // The last account of a full page may have more on the next, where it comes whole.
        let cut = last.filter(|_| full);
        for item in rows.into_iter().map(OpenItem::from).filter(|i| Some(i.account) != cut) {
            whole.entry(item.account).or_default().push(item);
        }
        match cut {
            Some(next) => from = next,
            None => break,
        }
    }
    Ok(whole)
}

pub(super) async fn list_aging(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListAgingRequest,
) -> Result<v1::ListAgingResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_aging(message)?;
    let (firm_id, as_of) = (page.firm, page.filter);
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListAging", &page, |key| AccountId::parse(key).ok())?;
    let position = view.read_at(firm_id, page.at_least_position).await?;
    let (_, currency) = firm(view, firm_id).await?;
    let next = |AccountId(id): AccountId| id.as_u128().checked_add(1).map(Uuid::from_u128);
    let from = after.map_or(Some(Uuid::nil()), next).map(AccountId);
    // The first page carries the totals, so it reads every account; the others read their own.
    let accounts = if after.is_none() { usize::MAX } else { pager.rows() };
    let items = match from {
        Some(from) => open_items(view, firm_id, as_of, from, accounts).await?,
        None => BTreeMap::new(),
    };
    let totals = after.is_none().then(|| {
        let all = items.values().flatten().copied();
        present::aged(Aging::of(as_of, all).totals(), currency)
    });
    let mut rows: Vec<_> = items.into_iter().take(pager.rows()).collect();
    let next_page_token = pager.cut(&mut rows, |(account, _)| account.to_string());
    let shown = rows.into_iter().map(|row| present::aged_account(firm_id, currency, as_of, row));
    Ok(v1::ListAgingResponse {
        accounts: shown.collect(),
        next_page_token,
        position: int64(position),
        totals,
        review_due: review_due(view, firm_id, position).await?,
    })
}

pub(super) async fn list_deposits(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListDepositsRequest,
) -> Result<v1::ListDepositsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_deposits(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListDeposits", &page, |key| key.parse().ok())?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let filter = DepositFilter {
        status: page.filter.state.and_then(present::deposit_status),
        from: page.filter.from,
        through: page.filter.through,
    };
    let after = after.unwrap_or(0);
    let mut rows = view.store().list_deposits(page.firm, filter, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.position.to_string());
    let deposits = rows.iter().map(|row| present::deposit(page.firm, row)).collect();
    Ok(v1::ListDepositsResponse { deposits, next_page_token, position: int64(position) })
}

pub(super) async fn list_movements(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListMovementsRequest,
) -> Result<v1::ListMovementsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_movements(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListMovements", &page, |key| key.parse().ok())?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let filter = MovementFilter { open: page.filter.open, deposit: page.filter.deposit };
    let after = after.unwrap_or(0);
    let mut rows = view.store().list_movements(page.firm, filter, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.position.to_string());
    let movements = rows.iter().map(|row| present::movement(page.firm, row)).collect();
    Ok(v1::ListMovementsResponse { movements, next_page_token, position: int64(position) })
}
