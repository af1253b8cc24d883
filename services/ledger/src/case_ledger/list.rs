//! Cases in short, from their rows alone.

use std::collections::HashMap;

use api::requests::{self, NamesAsked, Page};
use api::scalar::int64;
use api::status::Failure;
use api::{name, v1};
use calendar::CivilDate;
use domain::ids::{CaseId, FirmId};
use store::{CaseFilter, CaseOrder, ListedCase};

use crate::access::Authority;
use crate::names::open_names;
use crate::openings::Look;
use crate::paging::Pager;
use crate::present::case as present;
use crate::reading::View;

pub(super) async fn list_cases(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListCasesRequest,
) -> Result<v1::ListCasesResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page: Page<requests::CaseFilter> = requests::list_cases(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListCases", &page, |key| {
        let (day, case) = key.split_once(' ')?;
        Some((day.parse::<CivilDate>().ok()?, CaseId::parse(case).ok()?))
    })?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let requests::CaseFilter { state, has_exception, order } = page.filter;
    let order = match order {
        requests::CaseOrder::Name => CaseOrder::Id,
        requests::CaseOrder::NextDue => CaseOrder::NextDue,
        requests::CaseOrder::Enrolled => CaseOrder::Enrolled,
    };
    let filter = CaseFilter { state: state.and_then(present::status), has_exception };
    let rows = view.store().list_cases(page.firm, (filter, order), after, pager.limit());
    let mut rows = rows.await?;
    let next_page_token =
        pager.cut(&mut rows, |row| format!("{} {}", order.day(&row.case), row.case.case_id));
    let look = Look::at_clients(authority, "ListCases");
    let cases = summaries(view, look, page.firm, &rows).await?;
    Ok(v1::ListCasesResponse { cases, next_page_token, position: int64(position) })
}

pub(super) async fn name_clients(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::NameClientsRequest,
) -> Result<v1::NameClientsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let NamesAsked { firm, cases, at_least_position } = requests::name_clients(message)?;
    let position = view.read_at(firm, at_least_position).await?;
    let rows = view.store().names_of(firm, &cases).await?;
    let sealed = rows.iter().map(|row| (row.case_id, row.name_sealed.as_deref()));
    let look = Look::at_clients(authority, "NameClients");
    let mut names = open_names(view.ledger(), look, firm, sealed).await?;
    let clients = cases.iter().filter_map(|case| {
        let display_name = names.remove(case)?;
        Some(v1::ClientName { case: name::case(firm, *case), display_name })
    });
    Ok(v1::NameClientsResponse { clients: clients.collect(), position: int64(position) })
}

/// These cases in short, in this order, as far as the read models have them.
pub(super) async fn of_cases(
    view: &View<'_>,
    look: Look<'_>,
    firm: FirmId,
    cases: &[CaseId],
) -> Result<Vec<v1::CaseSummary>, Failure> {
    let rows = view.store().cases_of(firm, cases).await?;
    let mut rows: HashMap<CaseId, ListedCase> =
        rows.into_iter().map(|row| (row.case.case_id, row)).collect();
    let rows: Vec<ListedCase> = cases.iter().filter_map(|case| rows.remove(case)).collect();
    summaries(view, look, firm, &rows).await
}

/// Cases with their clients' names opened if the caller may see them, and on record as seen.
async fn summaries(
    view: &View<'_>,
    look: Look<'_>,
    firm: FirmId,
    rows: &[ListedCase],
) -> Result<Vec<v1::CaseSummary>, Failure> {
    let today = view.ledger().today(&*view.ledger().firms().get(firm).await?);
    let sealed = rows.iter().map(|row| (row.case.case_id, row.case.name_sealed.as_deref()));
    let mut names = open_names(view.ledger(), look, firm, sealed).await?;
    let summary = |row: &ListedCase| {
        let name = names.remove(&row.case.case_id).unwrap_or_default();
        present::summary(firm, row, name, today)
    };
    Ok(rows.iter().map(summary).collect())
}
