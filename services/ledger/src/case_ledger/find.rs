//! `FindCases`: those that fit are opened, and no other.

use api::requests::{self, FindBy, IdPart};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::event::Scope;
use domain::ids::{CaseId, FirmId};
use log::Found;
use store::CaseFilter;

use super::read::summaries;
use crate::access::Authority;
use crate::openings::Look;
use crate::reading::View;

/// Most cases of an answer.
const FOUND_MAX: usize = 50;
/// Ids that are looked at together for their ends.
const IDS_PAGE: u32 = 10_000;

pub(super) async fn find_cases(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::FindCasesRequest,
) -> Result<v1::FindCasesResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let asked = requests::find_cases(message)?;
    let look = Look::at_clients(authority, "FindCases");
    let position = view.read_at(asked.firm, asked.at_least_position).await?;
    let found = match &asked.by {
        FindBy::Id(part) => by_id(view, asked.firm, part).await?,
        // Whoever may not see a name may not ask whether somebody is called so.
        FindBy::Client(_) if !look.may_see => {
            return Err(Failure::PermissionDenied { scope: Some(Scope::Read.code()) });
        }
        FindBy::Client(sought) => {
            let ledger = view.ledger();
            ledger.index_people(asked.firm).await?;
            ledger.engine().find_clients(asked.firm, sought, FOUND_MAX + 1).await?
        }
    };
    let too_many = found.cases.len() > FOUND_MAX;
    let shown = if too_many { &[] } else { &found.cases[..] };
    Ok(v1::FindCasesResponse {
        cases: summaries(view, look, asked.firm, shown).await?,
        too_many,
        incomplete: found.incomplete,
        position: int64(position),
    })
}

/// Cases whose ids begin so or, if none does, end so: no more than shows that there are too many.
async fn by_id(view: &View<'_>, firm: FirmId, part: &IdPart) -> Result<Found, Failure> {
    let mut cases: Vec<CaseId> = Vec::new();
    if let Some((first, last)) = part.range() {
        let rows = view.store().cases_within(firm, first, last, limit(FOUND_MAX + 1)).await?;
        cases.extend(rows.iter().map(|row| row.case_id));
    }
    let mut after = None;
    let begun = !cases.is_empty();
    while !begun && cases.len() <= FOUND_MAX {
        let rows = view.store().list_cases(firm, CaseFilter::default(), after, IDS_PAGE).await?;
        let Some(last) = rows.last() else { break };
        after = Some(last.case_id);
        cases.extend(rows.iter().map(|row| row.case_id).filter(|case| part.ends(*case)));
    }
    cases.truncate(FOUND_MAX + 1);
    Ok(Found { cases, incomplete: false })
}

fn limit(rows: usize) -> u32 {
    u32::try_from(rows).unwrap_or(u32::MAX)
}
