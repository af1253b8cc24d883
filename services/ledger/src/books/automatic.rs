//! Matching without a person, as far as the firm's policy goes.

use api::requests::{self, MatchAsked, MovementNamed};
use api::scalar::int64;
use api::status::Failure;
use api::{name, v1};
use domain::command::Run;
use domain::event::Movement;
use domain::ids::{FirmId, RequestId};
use domain::money::Money;
use statement::matching::Certainty;

use super::change::{By, make_match};
use super::propose::{Found, Proposed, costs_of};
use crate::access::{Authority, fingerprint};
use crate::ledger::Ledger;
use crate::reading::View;

/// Matches what is certain, line by line. A line that somebody else explains meanwhile is left as it
/// is then.
pub(super) async fn match_automatically(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::MatchAutomaticallyRequest,
) -> Result<v1::MatchAutomaticallyResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let (firm, request_id) = requests::match_automatically(message)?;
    let whole = api::fingerprint(message);
    ledger.begin(authority, (firm, request_id), Run::Matching, whole).await?;
    let view = View::of_primary(ledger, authority);
    let mut position = ledger.engine().head(firm).await?.position;
    view.read_at(firm, position).await?;
    let Some(Proposed { found, proposals }) = Found::propose(&view, firm).await? else {
        return Ok(v1::MatchAutomaticallyResponse {
            deposits: Vec::new(),
            position: int64(position),
        });
    };
    let certain = proposals.iter().filter(|p| p.certainty == Certainty::Certain);
    let mut deposits = Vec::new();
    let own = ledger.engine().own_requests(firm).await?;
    // A piece of a line's money comes with the line that has the movements.
    for proposal in certain.filter(|proposal| !proposal.movements.is_empty()) {
        let line = found.line(proposal.deposit).deposit_id;
        let parts: [&[u8]; 2] = [request_id.0.as_bytes(), line.0.as_bytes()];
        let asked = asked(&found, firm, own.id("automatic match", &parts), proposal)?;
        let print = fingerprint("automatic match", &[line.0.as_bytes()]);
        match make_match(ledger, authority, asked, By::Policy, print).await {
            Ok(answer) => {
                position = position.max(answer.position);
                deposits.push(name::deposit(firm, line));
            }
            Err(Failure::Refused(refusal)) => {
                tracing::info!(%firm, deposit = %line, reason = %refusal.reason, "left to a person");
            }
            Err(Failure::Before { .. }) => {
                tracing::info!(%firm, deposit = %line, "left to a person, as the same request was before");
            }
            Err(failure) => return Err(failure),
        }
    }
    Ok(v1::MatchAutomaticallyResponse { deposits, position: int64(position) })
}

/// What a person would confirm of a proposal that adds up.
fn asked(
    found: &Found,
    firm: FirmId,
    request_id: RequestId,
    proposal: &statement::matching::Proposal,
) -> Result<MatchAsked, Failure> {
    let line = found.line(proposal.deposit);
    let payout = proposal.payout.map(|at| found.payout(at));
    let of_movement = |at: &usize| {
        let row = found.movement(*at);
        let movement = Movement { kind: row.kind, name: row.name.clone() };
        MovementNamed { movement, account: Some(row.account_id) }
    };
    let costs = payout.map_or(0, costs_of);
    let costs = Money::new(costs, line.currency).map_err(|e| Failure::internal(e.to_string()))?;
    Ok(MatchAsked {
        firm,
        request_id,
        deposit: line.deposit_id,
        payout: payout.map(|row| row.deposit_id),
        movements: match payout {
            Some(_) => Vec::new(),
            None => proposal.movements.iter().map(of_movement).collect(),
        },
        joined: proposal.joined.iter().map(|at| found.line(*at).deposit_id).collect(),
        costs: Some(costs),
    })
}

/// Does the same by the clock, under the daily schedule. Whether it was done.
pub(crate) async fn match_by_policy(ledger: &Ledger, firm: FirmId, request_id: RequestId) -> bool {
    let message = v1::MatchAutomaticallyRequest {
        parent: name::firm(firm),
        request_id: request_id.to_string(),
    };
    match match_automatically(ledger, &Authority::Schedule, &message).await {
        Ok(done) => {
            tracing::info!(%firm, lines = done.deposits.len(), "matched by the clock");
            true
        }
        Err(failure) => {
            tracing::warn!(%firm, ?failure, "matching by the clock is left to the next look");
            false
        }
    }
}
