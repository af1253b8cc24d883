//! `tokens`.

use anyhow::Context;
use api::{scalar, v1};
use calendar::CivilDate;
use clap::{Args, Subcommand, ValueEnum};
use uuid::Uuid;

use crate::cli::{Again, Limit};
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What to do with tokens.
#[derive(Subcommand)]
pub(crate) enum TokensCommand {
    /// Give out a token; it is shown this once and never kept
    Create(CreateArgs),
    /// List tokens, without the tokens themselves
    List(Limit),
    /// Take a token back
    Revoke(RevokeArgs),
}

/// What a token may do.
#[derive(Clone, Copy, ValueEnum)]
enum Scope {
    /// Record actions
    Record,
    /// Read
    Read,
    /// Run billing, record payments
    Bill,
    /// Read as an examiner
    Examine,
    /// Change the firm: plans, packs, bureaus, tokens
    Administer,
    /// Correct facts that were told wrongly; not together with record or bill
    Correct,
    /// Judge what the record shows, and record counsel's reasons to keep money; not together with record or bill
    Accept,
}

impl Scope {
    fn message(self) -> v1::Scope {
        match self {
            Self::Record => v1::Scope::Record,
            Self::Read => v1::Scope::Read,
            Self::Bill => v1::Scope::Bill,
            Self::Examine => v1::Scope::Examine,
            Self::Administer => v1::Scope::Administer,
            Self::Correct => v1::Scope::Correct,
            Self::Accept => v1::Scope::Accept,
        }
    }
}

/// A new token.
#[derive(Args)]
pub(crate) struct CreateArgs {
    /// Who or what it is for
    #[arg(long)]
    label: String,
    /// What it may do
    #[arg(long, required = true, value_delimiter = ',', value_name = "SCOPE,...")]
    scopes: Vec<Scope>,
    /// Last day of validity, at most 366 days from today; 90 days from today if not given
    #[arg(long, value_name = "DATE")]
    expires: Option<CivilDate>,
    /// Of an examiner's token: the cases it shows
    #[arg(long, value_delimiter = ',', value_name = "CASE,...")]
    cases: Vec<String>,
    /// Of an examiner's token: the first day whose events it shows
    #[arg(long, value_name = "DATE")]
    from: Option<CivilDate>,
    /// Of an examiner's token: the last day
    #[arg(long, value_name = "DATE")]
    through: Option<CivilDate>,
    #[command(flatten)]
    again: Again,
}

/// Which token.
#[derive(Args)]
pub(crate) struct RevokeArgs {
    /// The token's public id, as listed
    token_id: Uuid,
    #[command(flatten)]
    again: Again,
}

/// Runs one.
pub(crate) async fn run(
    command: TokensCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        TokensCommand::Create(args) => create(args, session, out).await,
        TokensCommand::List(limit) => list(limit, session, out).await,
        TokensCommand::Revoke(args) => revoke(&args, session, out).await,
    }
}

async fn create(args: CreateArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let cases = session.cases_named(&args.cases).await?;
    let bound = !cases.is_empty() || args.from.is_some() || args.through.is_some();
    let bounds = bound.then(|| v1::TokenBounds {
        cases,
        from: args.from.and_then(words::message),
        through: args.through.and_then(words::message),
    });
    let token = v1::Token {
        bounds,
        label: args.label,
        scopes: args.scopes.iter().map(|scope| scope.message().into()).collect(),
        expires_on: args.expires.and_then(words::message),
        ..Default::default()
    };
    let request = v1::CreateTokenRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(None).await?),
        token: Some(token),
    };
    let answer = session.administration.create_token(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "CreateTokenResponse")?;
        return Ok(Exit::Done);
    }
    let token = answer.token.context("the service answered without a token")?;
    if answer.secret.is_empty() {
        out.line(format!("Token {} was made before and cannot be shown again.", token.token_id))?;
        out.note("Revoke it and create another.")?;
        return Ok(Exit::Done);
    }
    let (id, label) = (&token.token_id, &token.label);
    let last = words::day(token.expires_on.as_ref());
    out.note(format!("Token {id} for {label}, good through {last}, shown this once:"))?;
    out.line(answer.secret)?;
    Ok(Exit::Done)
}

async fn list(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    let at_least_position = session.position;
    let tokens = gather(limit.limit, async |page_size, page_token| {
        let request = v1::ListTokensRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            at_least_position,
        };
        let answer = session.administration.list_tokens(request).await?.into_inner();
        Ok((answer.tokens, answer.next_page_token))
    });
    let tokens = tokens.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = tokens;
        let position = session.position;
        let answer = v1::ListTokensResponse { tokens: entries, next_page_token, position };
        out.message(&answer, "ListTokensResponse")?;
        return Ok(Exit::Done);
    }
    let today = session.day(None).await?;
    let mut table = Table::new(&["token", "~for", "scopes", "since", "through", "state"]);
    for token in &tokens.entries {
        table.row([
            token.token_id.clone(),
            token.label.clone(),
            words::list(token.scopes.iter().map(|scope| words::scope(*scope))),
            words::day(token.granted_on.as_ref()),
            words::day(token.expires_on.as_ref()),
            state(token, today).to_owned(),
        ]);
    }
    out.table(&table, "No token was given out.")?;
    let endless = tokens.entries.iter().filter(|token| token.expires_on.is_none()).count();
    if endless > 0 {
        out.note(format!(
            "Tokens without an end: {endless}. Whoever finds one is let in for ever: give out others, and revoke them."
        ))?;
    }
    Ok(Exit::Done)
}

/// What there is to know of a token besides its days.
fn state(token: &v1::Token, today: CivilDate) -> &'static str {
    match token.expires_on.as_ref().map(scalar::date) {
        None => "WITHOUT END",
        Some(Ok(last)) if last < today => "over",
        Some(_) => "in force",
    }
}

async fn revoke(args: &RevokeArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::RevokeTokenRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(session.day(None).await?),
        token_id: args.token_id.to_string(),
    };
    let answer = session.administration.revoke_token(request).await?.into_inner();
    out.change(
        &answer,
        "RevokeTokenResponse",
        "The token is taken back.",
        answer.receipt.as_ref(),
    )?;
    Ok(Exit::Done)
}
