//! Every case of a firm, page by page.

use std::fmt::Debug;

use api::requests::Page;
use api::status::Failure;
use domain::ids::CaseId;
use uuid::Uuid;

use super::View;
use crate::paging::Pager;

/// The last id there can be.
pub(crate) const LAST: CaseId = CaseId(Uuid::max());

/// The id that a page begins with, after the last one of the page before.
pub(crate) fn following(after: Option<CaseId>) -> CaseId {
    let next = after.map_or(0, |CaseId(id)| id.as_u128().saturating_add(1));
    CaseId(Uuid::from_u128(next))
}

/// A page of a firm's cases, in the order of their ids.
pub(crate) struct CasePage {
    pub(crate) ids: Vec<CaseId>,
    pub(crate) next_page_token: String,
    /// Where their rows were read, so that it is where they are folded.
    pub(crate) position: u64,
}

/// Which cases a list is of.
#[derive(Clone, Copy)]
pub(crate) enum CasesOf {
    Everybody,
    /// Those of whom a fee was claimed.
    Claimed,
}

impl CasePage {
    /// The page that a request to an RPC asks for.
    pub(crate) async fn read<F: Debug>(
        view: &View<'_>,
        rpc: &str,
        page: &Page<F>,
        of: CasesOf,
    ) -> Result<Self, Failure> {
        let (pager, after) =
            Pager::open_at(view.ledger(), rpc, page, |key| CaseId::parse(key).ok())?;
        let applied = view.read_at(page.firm, page.at_least_position).await?;
        let (store, rows) = (view.store(), pager.limit());
        let found = match of {
            CasesOf::Everybody => store.case_ids(page.firm, following(after), LAST, rows).await?,
            CasesOf::Claimed => store.cases_with_fees(page.firm, after, rows).await?,
        };
        let (mut ids, position) = (found.rows, found.position.unwrap_or(applied));
        let next_page_token = pager.cut(&mut ids, CaseId::to_string);
        Ok(Self { ids, next_page_token, position })
    }
}
