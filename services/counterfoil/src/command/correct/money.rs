//! What was told wrongly of money.

use anyhow::Context;
use api::{name, v1};
use domain::ids::AccountId;
use tonic::Code;
use uuid::Uuid;

use super::{CorrectArgs, DID_NOT_HAPPEN, NOTHING_RECORDED, read, recorded, show};
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::out::Out;
use crate::words;

/// A fact about money, and why it is corrected.
pub(super) struct Asked<'a> {
    pub(super) account: String,
    pub(super) position: i64,
    pub(super) reason: &'a str,
    pub(super) said_by: &'a str,
}

/// The account at which the event at a position stands, if it stands at one: the client's own, or one that the
/// client pays through.
pub(super) async fn account_of(
    session: &mut Session,
    case: &str,
    position: i64,
) -> anyhow::Result<Option<String>> {
    let (firm, _) = name::parse_case(case).context("a case's name is read as it was written")?;
    let Some(after_position) = position.checked_sub(1).filter(|after| *after >= 0) else {
        return Ok(None);
    };
    let request = v1::ReadEventsRequest {
        parent: session.firm()?,
        after_position,
        page_size: 1,
        ..v1::ReadEventsRequest::default()
    };
    let page = match session.cases.read_events(request).await {
        Ok(page) => page.into_inner(),
        // Who may not read says of what it is a correction by the case; a position beyond the log is refused there.
        Err(status) if matches!(status.code(), Code::PermissionDenied | Code::OutOfRange) => {
            return Ok(None);
        }
        Err(status) => return Err(status.into()),
    };
    let account = page.events.first().and_then(|event| event.stream.strip_prefix("account/"));
    let Some(account) = account.and_then(|id| Uuid::try_parse(id).ok()).map(AccountId) else {
        return Ok(None);
    };
    let name = name::account(firm, account);
    let request = v1::GetAccountRequest { name: name.clone(), at_least_position: 0 };
    let known = session.accounts.get_account(request).await?.into_inner().account;
    if known.is_some_and(|known| known.owner == case || known.member == case) {
        return Ok(Some(name));
    }
    Err(Stop::refused(format!(
        "position {position} is of another client's account: name the client it was told of, and with --to the one \
         whose payment it is"
    )))
}

/// Shows what a correction changes, and records it.
pub(super) async fn run(
    args: &CorrectArgs,
    asked: Asked<'_>,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let mut request = v1::CorrectMoneyRequest {
        becomes: Some(becomes(args, session).await?),
        name: asked.account,
        request_id: request_id(args.again.request_id),
        expected_version: None,
        position: asked.position,
        reason: asked.reason.to_owned(),
        said_by: asked.said_by.to_owned(),
        validate_only: true,
    };
    if args.yes && args.again.request_id.is_some() {
        // An earlier try may have been recorded: then it is what is answered, and nothing is left to show.
        request.validate_only = false;
        return record(request, session, out).await;
    }
    let preview = session.accounts.correct_money(request.clone()).await?.into_inner();
    if out.is_json() && !args.yes {
        out.message(&preview, "CorrectMoneyResponse")?;
    } else if !out.is_json() {
        show(preview.fact.as_slice(), &preview.effects, DID_NOT_HAPPEN, out)?;
    }
    if !args.yes {
        out.note(NOTHING_RECORDED)?;
        return Ok(Exit::Done);
    }
    request.validate_only = false;
    // What was shown is what is recorded, or nothing is.
    request.expected_version = Some(preview.version);
    record(request, session, out).await
}

async fn record(
    request: v1::CorrectMoneyRequest,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let done = session.accounts.correct_money(request).await?.into_inner();
    if out.is_json() {
        out.message(&done, "CorrectMoneyResponse")?;
    } else {
        recorded(done.event_count, done.position, out)?;
    }
    Ok(Exit::Done)
}

async fn becomes(
    args: &CorrectArgs,
    session: &mut Session,
) -> anyhow::Result<v1::correct_money_request::Becomes> {
    use v1::correct_money_request::Becomes as B;
    if let Some(on) = args.on {
        let day = words::message(on).context("a date of a person has a message")?;
        return Ok(B::OccurredOn(day));
    }
    if let Some(to) = &args.to {
        let case = session.case(to).await?;
        let (firm, id) =
            name::parse_case(&case).context("a case's name is read as it was written")?;
        let invoice = args.invoice.map(|number| name::invoice(firm, number)).unwrap_or_default();
        let account = name::account(firm, id.own_account());
        return Ok(B::OfAnother(v1::PaymentOfAnother { account, invoice }));
    }
    if args.another_person {
        return Err(Stop::usage("money of another client moves there: name the client with --to"));
    }
    match &args.action {
        Some(path) => read(path, "counterfoil.v1.MoneyFact").map(B::Fact),
        None => Ok(B::TakenBack(v1::NeverHappened {})),
    }
}
