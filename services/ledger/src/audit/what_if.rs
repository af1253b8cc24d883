//! Fees that another rule pack would not have allowed.

use api::requests;
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::case::{Case, EarnedFee};
use domain::ids::{CaseId, FirmId};
use domain::rules::RulePack;
use domain::what_if::{self, Disallowed};

use crate::access::Authority;
use crate::billing::Claimed;
use crate::ledger::Ledger;
use crate::present::{amount, day, fee, reference};
use crate::reading::{CasePage, View};

pub(super) async fn list(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ListDisallowedFeesRequest,
) -> Result<v1::ListDisallowedFeesResponse, Failure> {
    let page = requests::list_disallowed_fees(message)?;
    let CasePage { cases, next_page_token, position } =
        CasePage::read(&View::of_primary(ledger, authority), "ListDisallowedFees", &page).await?;
    let mut fees = Vec::new();
    for (id, case) in &cases {
        fees.extend(of_case(ledger, page.firm, (*id, case), &page.filter).await?);
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
    let Claimed { firm, case, account } = Claimed::read(ledger, firm_id, id, earned).await?;
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
