//! `CaseLedger`: what happens to cases, and what became of them.

mod changed;
mod correct;
pub(crate) mod effects;
mod events;
mod find;
mod follow;
mod list;
mod prepare;
mod read;
mod stream;
mod told_first;

use api::requests::{self, Asked};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use api::v1::case_ledger_server::CaseLedger;
use domain::command::{CaseAction, Command};
use domain::event::StreamId;
use domain::ids::CaseId;
use domain::refusal::{Reason, Refusal};
use domain::sealing::person_of;
use domain::terms::Seat;
use log::Answer;
use tonic::{Request, Response, Status, Streaming};

use crate::access::Authority;
use crate::answers::Answers;
use crate::couples;
use crate::ledger::Ledger;
use crate::reading::{View, read};

pub(crate) use self::read::Payers;
pub(crate) use self::told_first::told_first;

/// The service.
pub(crate) struct CaseLedgerRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl CaseLedger for CaseLedgerRpc {
    type RecordStreamStream = Answers<v1::RecordStreamResponse>;
    type FollowStream = Answers<v1::FollowResponse>;

    async fn record(
        &self,
        request: Request<v1::RecordRequest>,
    ) -> Result<Response<v1::RecordResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(record(&self.0, &authority, request.get_ref()).await?))
    }

    async fn record_stream(
        &self,
        request: Request<Streaming<v1::RecordStreamRequest>>,
    ) -> Result<Response<Self::RecordStreamStream>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(stream::open(&self.0, authority, request.into_inner())))
    }

    async fn correct_facts(
        &self,
        request: Request<v1::CorrectFactsRequest>,
    ) -> Result<Response<v1::CorrectFactsResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = correct::correct_facts(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(answer))
    }

    async fn record_finding(
        &self,
        request: Request<v1::RecordFindingRequest>,
    ) -> Result<Response<v1::RecordFindingResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(record_finding(&self.0, &authority, request.get_ref()).await?))
    }

    async fn get_case(
        &self,
        request: Request<v1::GetCaseRequest>,
    ) -> Result<Response<v1::GetCaseResponse>, Status> {
        read!(self.0, request, read::get_case)
    }

    async fn prepare_agreement(
        &self,
        request: Request<v1::PrepareAgreementRequest>,
    ) -> Result<Response<v1::PrepareAgreementResponse>, Status> {
        read!(self.0, request, prepare::prepare_agreement)
    }

    async fn list_cases(
        &self,
        request: Request<v1::ListCasesRequest>,
    ) -> Result<Response<v1::ListCasesResponse>, Status> {
        read!(self.0, request, list::list_cases)
    }

    async fn find_cases(
        &self,
        request: Request<v1::FindCasesRequest>,
    ) -> Result<Response<v1::FindCasesResponse>, Status> {
        read!(self.0, request, find::find_cases)
    }

    async fn name_clients(
        &self,
        request: Request<v1::NameClientsRequest>,
    ) -> Result<Response<v1::NameClientsResponse>, Status> {
        read!(self.0, request, list::name_clients)
    }

    async fn read_events(
        &self,
        request: Request<v1::ReadEventsRequest>,
    ) -> Result<Response<v1::ReadEventsResponse>, Status> {
        read!(self.0, request, events::read_events)
    }

    async fn follow(
        &self,
        request: Request<v1::FollowRequest>,
    ) -> Result<Response<Self::FollowStream>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(follow::open(&self.0, authority, request.get_ref()).await?))
    }
}

async fn record(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RecordRequest,
) -> Result<v1::RecordResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::record(message, currency)?;
    check_notes(ledger, authority, &asked).await.map_err(Failure::of_actions)?;
    let (firm, matched) = (asked.firm, to_match(&asked));
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await;
    let answer = answer.map_err(Failure::of_actions)?;
    if let Some(case) = matched {
        couples::compare_case(ledger, firm, case, answer.position).await;
    }
    Ok(recorded(&answer))
}

async fn record_finding(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RecordFindingRequest,
) -> Result<v1::RecordFindingResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::record_finding(message, currency)?;
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let v1::RecordResponse { position, version, first_position, event_count, replayed } =
        recorded(&answer);
    Ok(v1::RecordFindingResponse { position, version, first_position, event_count, replayed })
}

/// The case that may have become one of a couple, or stopped being one, by what was asked.
fn to_match(asked: &Asked) -> Option<CaseId> {
    let Command::Case { case, actions, .. } = &asked.command else { return None };
    // Nothing else an action says changes a telephone, an address or a card.
    let changes_pair = |action: &CaseAction| {
        matches!(action, CaseAction::Enrol(enrol) if enrol.seat == Seat::Couple)
            || matches!(action, CaseAction::ContactChanged(_))
    };
    actions.iter().any(|dated| changes_pair(&dated.action)).then_some(*case)
}

/// A note corrects nothing of another client's.
async fn check_notes(ledger: &Ledger, authority: &Authority, asked: &Asked) -> Result<(), Failure> {
    let Command::Case { case, actions, .. } = &asked.command else { return Ok(()) };
    let view = View::of_primary(ledger, authority);
    for (at, dated) in (0_u32..).zip(actions) {
        let CaseAction::NoteCorrection(note) = &dated.action else { continue };
        let Some(noted) = view.event_at(asked.firm, note.corrects).await? else { continue };
        if person_of(noted.stream).is_some_and(|person| person != case.0) {
            let detail = format!("the event at position {} is another client's", note.corrects);
            let mut refusal = Refusal::new(Reason::ReferenceUnknown, StreamId::Case(*case), detail);
            refusal.action = at;
            return Err(Failure::from(refusal));
        }
    }
    Ok(())
}

/// The answer to a `Record`.
fn recorded(answer: &Answer) -> v1::RecordResponse {
    let case = answer.streams.iter().find(|(stream, _)| matches!(stream, StreamId::Case(_)));
    v1::RecordResponse {
        position: int64(answer.position),
        version: case.map(|(_, version)| int64(*version)).unwrap_or_default(),
        first_position: int64(answer.first_position),
        event_count: int32(answer.count),
        replayed: answer.replayed,
    }
}
