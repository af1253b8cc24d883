//! Fees that another rule pack would not have allowed.

use api::requests;
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::case::Case;
use domain::event::StreamId;
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId};
use domain::judge::Matter;
use domain::rules::RulePack;
use domain::what_if::{self, Disallowed};

use crate::access::Authority;
use crate::case_ledger::Payers;
use crate::ledger::{Ledger, one_account, one_firm};
use crate::present::{amount, day, fee, reference};
use crate::reading::{CasePage, View};

pub(super) async fn list(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ListDisallowedFeesRequest,
) -> Result<v1::ListDisallowedFeesResponse, Failure> {
    let page = requests::list_disallowed_fees(message)?;
    let view = View::of_primary(ledger, authority);
    let CasePage { cases, next_page_token, position } =
        CasePage::read(&view, "ListDisallowedFees", &page).await?;
    let (_, states) = view.states(page.firm, &[StreamId::Firm], position).await?;
    let firm = one_firm(states)?;
    let under = what_if::under(&firm, &page.filter);
    let mut fees = Vec::new();
    for (id, case) in &cases {
        let judged = (firm.as_ref(), &under, &page.filter);
        fees.extend(of_case(&view, page.firm, (*id, case), judged).await?);
    }
    Ok(v1::ListDisallowedFeesResponse { fees, next_page_token, position: int64(position) })
}

/// The fees of one case, judged on what is known today.
async fn of_case(
    view: &View<'_>,
    firm_id: FirmId,
    (id, case): (CaseId, &Case),
    (firm, under, pack): (&Firm, &Firm, &RulePack),
) -> Result<Vec<v1::DisallowedFee>, Failure> {
    if case.earned.is_empty() {
        return Ok(Vec::new());
    }
    let own = [StreamId::Account(id.own_account())];
    let (position, states) = view.states(firm_id, &own, 0).await?;
    let own_account = one_account(&states)?;
    let payers = Payers::read(view, firm_id, (id, case), own_account, position).await?;
    let accounts = payers.all();
    let today = view.ledger().today(firm);
    let matter = Matter { id, case, accounts: &accounts, firm, today };
    let found = what_if::disallowed(matter, under, pack);
    Ok(found.iter().map(|found| message(firm_id, id, found)).collect())
}

fn message(firm: FirmId, case: CaseId, found: &Disallowed) -> v1::DisallowedFee {
    v1::DisallowedFee {
        case: name::case(firm, case),
        period: int32(found.fee.period),
        amount: amount(found.fee.amount),
        earned_on: day(found.fee.mark.on),
        event: Some(reference(&found.fee.mark.at)),
        gates: found.closed.iter().map(fee::finding).collect(),
    }
}
