//! Every case of a firm, page by page.

use std::fmt::Debug;

use api::requests::Page;
use api::status::Failure;
use domain::case::Case;
use domain::event::StreamId;
use domain::ids::CaseId;
use store::CaseFilter;

use super::View;
use crate::ledger::as_case;
use crate::paging::Pager;

/// A page of a firm's cases, in the order of their ids.
pub(crate) struct CasePage {
    pub(crate) cases: Vec<(CaseId, Box<Case>)>,
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
        let all = CaseFilter::default();
        let mut rows = view.store().list_cases(page.firm, all, after, pager.limit()).await?;
        let next_page_token = pager.cut(&mut rows, |row| row.case_id.to_string());
        let streams: Vec<StreamId> = rows.iter().map(|row| StreamId::Case(row.case_id)).collect();
        let (_, states) = view.states(page.firm, &streams, 0).await?;
        let cases = rows.iter().zip(states);
        let cases = cases.filter_map(|(row, state)| Some((row.case_id, as_case(state)?))).collect();
        Ok(Self { cases, next_page_token, position })
    }
}
