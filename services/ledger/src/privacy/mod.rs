//! `Privacy`: legal holds, erasure, and what is kept of whom until when.

mod elsewhere;

use api::requests;
use api::scalar::int64;
use api::status::Failure;
use api::v1::privacy_server::Privacy;
use api::{name, v1};
use domain::case::Case;
use domain::event::{CaseEvent, Event, Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId};
use domain::world::card_of;
use tonic::{Request, Response, Status};

use crate::access::Authority;
use crate::evidence;
use crate::ledger::{Ledger, as_case, one_firm, receipt};
use crate::present::day;
use crate::reading::{CasePage, CasesOf, View, read};

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
        let answer = self.0.change(&authority, &m.name, m, requests::place_legal_hold).await?;
        Ok(Response::new(v1::PlaceLegalHoldResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn lift_legal_hold(
        &self,
        request: Request<v1::LiftLegalHoldRequest>,
    ) -> Result<Response<v1::LiftLegalHoldResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::lift_legal_hold).await?;
        Ok(Response::new(v1::LiftLegalHoldResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn erase_person(
        &self,
        request: Request<v1::ErasePersonRequest>,
    ) -> Result<Response<v1::ErasePersonResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::erase_person).await?;
        // Nobody reads the documents any more, whether or not they are gone at once.
        if let Some((firm, case)) = name::parse_case(&m.name) {
            evidence::erase(&self.0, firm, case).await;
        }
        let left = what_is_left(&View::of_primary(&self.0, &authority), &m.name).await?;
        Ok(Response::new(v1::ErasePersonResponse {
            receipt: Some(receipt(&answer)),
            clear_card_positions: left.cards.into_iter().map(int64).collect(),
            clear_matter_positions: left.matters.into_iter().map(int64).collect(),
            elsewhere_positions: left.elsewhere.into_iter().map(int64).collect(),
        }))
    }

    async fn list_retention(
        &self,
        request: Request<v1::ListRetentionRequest>,
    ) -> Result<Response<v1::ListRetentionResponse>, Status> {
        read!(self.0, request, list_retention)
    }
}

async fn list_retention(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListRetentionRequest,
) -> Result<v1::ListRetentionResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_retention(message)?;
    let CasePage { ids, next_page_token, position } =
        CasePage::read(view, "ListRetention", &page, CasesOf::Everybody).await?;
    let cases = ids.iter().copied().map(StreamId::Case);
    let streams: Vec<StreamId> = cases.chain([StreamId::Firm]).collect();
    let mut states = view.states_at(page.firm, &streams, position).await?;
    let rules = one_firm(states.pop())?;
    let cases = ids.into_iter().zip(states.into_iter().filter_map(as_case));
    let cases = cases.map(|(id, case)| retention(page.firm, id, &case, &rules)).collect();
    Ok(v1::ListRetentionResponse { cases, next_page_token, position: int64(position) })
}

fn retention(firm: FirmId, id: CaseId, case: &Case, rules: &Firm) -> v1::Retention {
    let retained = case.retained();
    let by_states = case.retained_by_states(rules);
    let of_state = |kept: &domain::case::RetainedByState| v1::RetainedRecord {
        record: format!("{}, by the law of a state", kept.what),
        until: day(kept.until),
        citation: kept.cites.to_string(),
    };
    let record = |kept: &domain::case::Retained| v1::RetainedRecord {
        record: kept.what.to_owned(),
        until: day(kept.until),
        citation: kept.cites.to_owned(),
    };
    let days = retained.iter().map(|kept| kept.until);
    let last = days.chain(by_states.iter().map(|kept| kept.until)).max();
    let unknown = case.retention_unknown(rules);
    let last = last.filter(|_| unknown.is_empty());
    v1::Retention {
        name: name::case(firm, id),
        records: retained.iter().map(record).chain(by_states.iter().map(of_state)).collect(),
        holds: case
            .holds
            .iter()
            .map(|(matter, mark)| v1::LegalHold { matter: matter.to_string(), since: day(mark.on) })
            .collect(),
        erasable_from: last.and_then(|last| last.succ_opt()).and_then(day),
        erased_on: case.erased.as_ref().and_then(|mark| day(mark.on)),
        unknown: unknown.iter().map(|why| format!("{why}: {}", why.way_out())).collect(),
    }
}

/// What of a client goes with no key of the client's.
#[derive(Default)]
struct Left {
    /// A card's token, as before tokens were sealed.
    cards: Vec<u64>,
    /// The matter of a legal hold.
    matters: Vec<u64>,
    /// What other clients' files told of this one.
    elsewhere: Vec<u64>,
}

async fn what_is_left(view: &View<'_>, name: &str) -> Result<Left, Failure> {
    let ledger = view.ledger();
    let mut left = Left::default();
    let Some((firm, case)) = name::parse_case(name) else { return Ok(left) };
    let streams = [StreamId::Case(case), StreamId::Account(case.own_account())];
    let head = ledger.engine().head(firm).await?.position;
    let mut moved = Vec::new();
    for stored in
        ledger.store().load_from_first(firm, &streams, head).await?.iter().flat_map(|l| &l.events)
    {
        let position = stored.position;
        let recorded =
            Recorded::from_bytes(&stored.bytes).map_err(|_| Failure::Corrupt { position })?;
        if card_of(&recorded.event).is_some_and(|card| card.token.revealed().is_some()) {
            left.cards.push(position);
        }
        if let Event::Case(CaseEvent::LegalHoldPlaced(_) | CaseEvent::LegalHoldLifted(_)) =
            &recorded.event
        {
            left.matters.push(position);
        }
        moved.extend(recorded.event.moved());
    }
    left.elsewhere = elsewhere::told_elsewhere(view, firm, case, &moved).await?;
    left.cards.sort_unstable();
    left.matters.sort_unstable();
    Ok(left)
}
