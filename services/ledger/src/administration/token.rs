//! Giving out, listing and taking back tokens.

use api::requests::{self, Asked};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::command::{Command, Dated, FirmAction};
use domain::event::{AccessGranted, Event, FirmEvent, Recorded};
use domain::firm::Access;
use domain::ids::{AccessId, FirmId};
use log::Answer;

use crate::access::{Authority, new_token};
use crate::ledger::{Ledger, receipt};
use crate::paging::Pager;
use crate::present::firm as present;

/// Makes a token and records its hash. The text leaves here once: a repeated request is answered
/// with the token's id and without its text, which nobody has any more.
pub(super) async fn create(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CreateTokenRequest,
) -> Result<v1::CreateTokenResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let asked = requests::create_token(message)?;
    let token = new_token(asked.firm)
        .map_err(|error| Failure::internal(format!("no randomness: {error}")))?;
    let granted = AccessGranted {
        access: token.access,
        bounds: asked.bounds,
        expires_on: asked.expires_on,
        label: asked.label,
        scopes: asked.scopes,
        token_hash: token.hash,
    };
    let action = Dated {
        occurred_at: None,
        occurred_on: asked.occurred_on,
        action: FirmAction::GrantAccess(granted),
    };
    let command =
        Asked { firm: asked.firm, request_id: asked.request_id, command: Command::Firm { action } };
    let answer = ledger.submit(authority, command, api::fingerprint(message)).await?;
    let (granted, granted_on) = granted_by(ledger, asked.firm, &answer).await?;
    // The event tells whether this very token was recorded, now or by a first try of this call.
    let secret = if granted.access == token.access { token.text } else { String::new() };
    Ok(v1::CreateTokenResponse {
        receipt: Some(receipt(&answer)),
        token: Some(present::token(asked.firm, &granted, granted_on)),
        secret,
    })
}

/// The grant that a request recorded.
async fn granted_by(
    ledger: &Ledger,
    firm: FirmId,
    answer: &Answer,
) -> Result<(AccessGranted, calendar::CivilDate), Failure> {
    let position = answer.first_position;
    let page = ledger.engine().read(firm, position.saturating_sub(1), 1).await?;
    let recorded = page.first().map(|stored| Recorded::from_bytes(&stored.bytes));
    let recorded = recorded.transpose().map_err(|_| Failure::Corrupt { position })?;
    match recorded.map(|recorded| (recorded.event, recorded.occurred_on)) {
        Some((Event::Firm(FirmEvent::AccessGranted(granted)), on)) => Ok((granted, on)),
        Some(_) | None => Err(Failure::Corrupt { position }),
    }
}

/// The tokens in force.
pub(super) async fn list(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ListTokensRequest,
) -> Result<v1::ListTokensResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let page = requests::list_tokens(message)?;
    let (pager, after) =
        Pager::open_at(ledger, "ListTokens", &page, |key| AccessId::parse(key).ok())?;
    let position = ledger.read_at(page.firm, page.at_least_position).await?;
    let firm = ledger.firms().get(page.firm).await?;
    let following = firm.access.iter().filter(|(id, _)| after.is_none_or(|after| **id > after));
    let mut found: Vec<(&AccessId, &Access)> = following.take(pager.rows()).collect();
    let next_page_token = pager.cut(&mut found, |(id, _)| id.to_string());
    let tokens = found
        .into_iter()
        .map(|(_, access)| present::token(page.firm, &access.granted, access.on))
        .collect();
    Ok(v1::ListTokensResponse { tokens, next_page_token, position: int64(position) })
}
