//! `FindCases`: those that fit are opened, and no other.

use api::requests::{self, FindBy, IdPart};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::event::Scope;
use domain::ids::{CaseId, FirmId};
use log::Found;

use super::list::of_cases;
use crate::access::Authority;
use crate::openings::Look;
use crate::reading::{LAST, View, following};

/// Most cases of an answer.
const FOUND_MAX: usize = 50;
/// Ids that are looked at together for their ends.
const IDS_PAGE: u32 = 10_000;
/// Most of such pages; where clients are more, an answer says that it may not be whole.
const ID_PAGES_MAX: usize = 20;

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
    let cases = of_cases(view, look, asked.firm, shown).await?;
    // Clients are found as soon as they are told of, and shown once the read models have them.
    let incomplete = found.incomplete || cases.len() < shown.len();
    Ok(v1::FindCasesResponse { cases, too_many, incomplete, position: int64(position) })
}

/// Cases whose ids begin so or, if none does, end so: no more than shows that there are too many.
async fn by_id(view: &View<'_>, firm: FirmId, part: &IdPart) -> Result<Found, Failure> {
    let mut cases: Vec<CaseId> = Vec::new();
    if let Some((first, last)) = part.range() {
        cases = view.store().case_ids(firm, first, last, limit(FOUND_MAX + 1)).await?.rows;
    }
    let (mut after, mut incomplete) = (None, cases.is_empty());
    // No index knows how an id ends; there are as many as there are clients, and a page is read at once.
    for _ in 0..ID_PAGES_MAX {
        if !incomplete {
            break;
        }
        let page = view.store().case_ids(firm, following(after), LAST, IDS_PAGE).await?.rows;
        after = page.last().copied();
        cases.extend(page.into_iter().filter(|case| part.ends(*case)));
        incomplete = after.is_some() && cases.len() <= FOUND_MAX;
    }
    cases.truncate(FOUND_MAX + 1);
    Ok(Found { cases, incomplete })
}

fn limit(rows: usize) -> u32 {
    u32::try_from(rows).unwrap_or(u32::MAX)
}
