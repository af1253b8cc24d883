//! Fees that another rule pack would not have allowed.

use api::requests;
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::ids::{CaseId, FirmId};
use domain::what_if::{self, Disallowed};

use crate::access::Authority;
use crate::billing::Matters;
use crate::ledger::Ledger;
use crate::present::{amount, day, fee, reference};
use crate::reading::{CasePage, CasesOf, View};

pub(super) async fn list(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ListDisallowedFeesRequest,
) -> Result<v1::ListDisallowedFeesResponse, Failure> {
    let page = requests::list_disallowed_fees(message)?;
    let view = View::of_primary(ledger, authority);
    let CasePage { ids, next_page_token, position } =
        CasePage::read(&view, "ListDisallowedFees", &page, CasesOf::Claimed).await?;
    // The fees are judged on what is known today.
    let matters = Matters::read(&view, page.firm, ids, position).await?;
    let under = what_if::under(&matters.firm, &page.filter);
    let mut fees = Vec::new();
    for of in matters.each() {
        let found = what_if::disallowed(of.matter(), &under, &page.filter);
        fees.extend(found.iter().map(|found| disallowed(page.firm, of.id, found)));
    }
    Ok(v1::ListDisallowedFeesResponse { fees, next_page_token, position: int64(position) })
}

fn disallowed(firm: FirmId, case: CaseId, found: &Disallowed) -> v1::DisallowedFee {
    v1::DisallowedFee {
        case: name::case(firm, case),
        period: int32(found.fee.period),
        amount: amount(found.fee.amount),
        earned_on: day(found.fee.mark.on),
        event: Some(reference(&found.fee.mark.at)),
        gates: found.closed.iter().map(fee::finding).collect(),
    }
}
