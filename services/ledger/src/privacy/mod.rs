//! `Privacy`: legal holds, erasure, and what is kept of whom until when.

use api::FieldErrors;
use api::requests::{self, Asked};
use api::scalar::int64;
use api::status::Failure;
use api::v1::privacy_server::Privacy;
use api::{name, v1};
use domain::case::Case;
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use log::Answer;
use store::CaseFilter;
use tonic::{Request, Response, Status};

use crate::access::Authority;
use crate::evidence;
use crate::ledger::{Ledger, as_case, receipt};
use crate::paging::Pager;
use crate::present::day;
use crate::reading::{View, read};

/// The service.
pub(crate) struct PrivacyRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Privacy for PrivacyRpc {
    async fn place_legal_hold(
        &self,
        request: Request<v1::PlaceLegalHoldRequest>,
    ) -> Result<Response<v1::PlaceLegalHoldResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change(&authority, &m.name, m, requests::place_legal_hold).await?;
        Ok(Response::new(v1::PlaceLegalHoldResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn lift_legal_hold(
        &self,
        request: Request<v1::LiftLegalHoldRequest>,
    ) -> Result<Response<v1::LiftLegalHoldResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change(&authority, &m.name, m, requests::lift_legal_hold).await?;
        Ok(Response::new(v1::LiftLegalHoldResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn erase_person(
        &self,
        request: Request<v1::ErasePersonRequest>,
    ) -> Result<Response<v1::ErasePersonResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change(&authority, &m.name, m, requests::erase_person).await?;
        // Nobody reads the documents any more, whether or not they are gone at once.
        if let Some((firm, case)) = name::parse_case(&m.name) {
            evidence::erase(&self.0, firm, case).await;
        }
        Ok(Response::new(v1::ErasePersonResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn list_retention(
        &self,
        request: Request<v1::ListRetentionRequest>,
    ) -> Result<Response<v1::ListRetentionResponse>, Status> {
        read!(self.0, request, list_retention)
    }
}

impl PrivacyRpc {
    async fn change<M: prost::Message>(
        &self,
        authority: &Authority,
        name: &str,
        message: &M,
        check: impl FnOnce(&M) -> Result<Asked, FieldErrors>,
    ) -> Result<Answer, Failure> {
        authority.check_name(name)?;
        let asked = check(message)?;
        self.0.submit(authority, asked, api::fingerprint(message)).await
    }
}

async fn list_retention(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListRetentionRequest,
) -> Result<v1::ListRetentionResponse, Failure> {
    authority.check_name(&message.parent)?;
    let page = requests::list_retention(message)?;
    let (pager, after) = Pager::open_at("ListRetention", &page, |key| CaseId::parse(key).ok())?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let all = CaseFilter::default();
    let mut rows = view.store().list_cases(page.firm, all, after, pager.limit()).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.case_id.to_string());
    let streams: Vec<StreamId> = rows.iter().map(|row| StreamId::Case(row.case_id)).collect();
    let (_, states) = view.states(page.firm, &streams, 0).await?;
    let cases = rows
        .iter()
        .zip(states)
        .filter_map(|(row, state)| Some(retention(page.firm, row.case_id, &*as_case(state)?)));
    Ok(v1::ListRetentionResponse {
        cases: cases.collect(),
        next_page_token,
        position: int64(position),
    })
}

fn retention(firm: FirmId, id: CaseId, case: &Case) -> v1::Retention {
    let retained = case.retained();
    let record = |kept: &domain::case::Retained| v1::RetainedRecord {
        record: kept.what.to_owned(),
        until: day(kept.until),
        citation: kept.cites.to_owned(),
    };
    let last = retained.iter().map(|kept| kept.until).max();
    v1::Retention {
        name: name::case(firm, id),
        records: retained.iter().map(record).collect(),
        holds: case
            .holds
            .iter()
            .map(|(matter, mark)| v1::LegalHold { matter: matter.to_string(), since: day(mark.on) })
            .collect(),
        erasable_from: last.and_then(|last| last.succ_opt()).and_then(day),
        erased_on: case.erased.as_ref().and_then(|mark| day(mark.on)),
    }
}
