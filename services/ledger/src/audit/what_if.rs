//! Fees that another rule pack would not have allowed.

use api::requests;
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::case::{Case, EarnedFee};
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use domain::rules::RulePack;
use domain::what_if::{self, Disallowed};
use domain::world::State;
use store::CaseFilter;

use crate::ledger::{Ledger, as_case, one_account, one_case};
use crate::paging::Pager;
use crate::present::{amount, day, fee, reference};

pub(super) async fn list(
    ledger: &Ledger,
    message: &v1::ListDisallowedFeesRequest,
) -> Result<v1::ListDisallowedFeesResponse, Failure> {
    let page = requests::list_disallowed_fees(message)?;
    let pack = &page.filter;
    let (pager, after) =
        Pager::open_at("ListDisallowedFees", &page, |key| CaseId::parse(key).ok())?;
    let position = ledger.read_at(page.firm, page.at_least_position).await?;
    let all = CaseFilter::default();
    let mut rows = ledger.store().list_cases(page.firm, all, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.case_id.to_string());
    let streams: Vec<StreamId> = rows.iter().map(|row| StreamId::Case(row.case_id)).collect();
    let (_, states) = ledger.engine().states(page.firm, &streams).await?;
    let mut fees = Vec::new();
    for (row, case) in rows.iter().zip(states.into_iter().filter_map(as_case)) {
        fees.extend(of_case(ledger, page.firm, (row.case_id, &case), pack).await?);
    }
    Ok(v1::ListDisallowedFeesResponse { fees, next_page_token, position: int64(position) })
}

async fn of_case(
    ledger: &Ledger,
    firm: FirmId,
    (id, case): (CaseId, &Case),
    pack: &RulePack,
) -> Result<Vec<v1::DisallowedFee>, Failure> {
    let concerned = case.agreements.iter().any(|a| pack.state.is_none_or(|state| state == a.state));
    let mut found = Vec::new();
    for (period, earned) in case.earned.iter().filter(|_| concerned) {
        let fee = (*period, earned.as_ref());
        if let Some(disallowed) = judge(ledger, firm, id, fee, pack).await? {
            found.push(message(firm, id, *period, &disallowed));
        }
    }
    Ok(found)
}

/// One fee, on what its claim saw.
async fn judge(
    ledger: &Ledger,
    firm_id: FirmId,
    id: CaseId,
    (period, earned): (u32, &EarnedFee),
    pack: &RulePack,
) -> Result<Option<Disallowed>, Failure> {
    let before = earned.mark.at.position - 1;
    let streams = [StreamId::Firm, StreamId::Case(id), StreamId::Account(earned.account)];
    let states = ledger.engine().states_at(firm_id, &streams, before).await?;
    let account = one_account(&states)?.clone();
    let firm = states.iter().find_map(|state| match state {
        State::Firm(firm) => Some(firm.clone()),
        State::Case(_) | State::Account(_) => None,
    });
    let firm =
        firm.ok_or_else(|| Failure::internal("the firm stream folded into another state"))?;
    let case = one_case(states)?;
    Ok(what_if::disallowed((id, &case), &account, &firm, (period, earned), pack))
}

fn message(firm: FirmId, case: CaseId, period: u32, found: &Disallowed) -> v1::DisallowedFee {
    v1::DisallowedFee {
        case: name::case(firm, case),
        period: int32(period),
        amount: amount(found.fee.amount),
        earned_on: day(found.fee.mark.on),
        event: Some(reference(&found.fee.mark.at)),
        gates: found.closed().map(fee::finding).collect(),
    }
}
