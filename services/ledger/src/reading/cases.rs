//! Every case of a firm, page by page.

use std::fmt::Debug;
use std::sync::Arc;

use api::requests::Page;
use api::status::Failure;
use domain::case::Case;
use domain::event::StreamId;
use domain::ids::CaseId;
use uuid::Uuid;

use super::View;
use crate::ledger::as_case;
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
    pub(crate) cases: Vec<(CaseId, Arc<Case>)>,
    pub(crate) next_page_token: String,
    /// Where the list was read.
    pub(crate) position: u64,
}

impl CasePage {
    /// The page that a request to an RPC asks for.
    pub(crate) async fn read<F: Debug>(
        view: &View<'_>,
        rpc: &str,
        page: &Page<F>,
    ) -> Result<Self, Failure> {
        let (pager, after) =
            Pager::open_at(view.ledger(), rpc, page, |key| CaseId::parse(key).ok())?;
        let position = view.read_at(page.firm, page.at_least_position).await?;
        let mut ids =
            view.store().case_ids(page.firm, following(after), LAST, pager.limit()).await?;
        let next_page_token = pager.cut(&mut ids, CaseId::to_string);
        let streams: Vec<StreamId> = ids.iter().copied().map(StreamId::Case).collect();
        let (_, states) = view.states(page.firm, &streams, 0).await?;
        let cases = ids.into_iter().zip(states);
        let cases = cases.filter_map(|(id, state)| Some((id, as_case(state)?))).collect();
        Ok(Self { cases, next_page_token, position })
    }
}
