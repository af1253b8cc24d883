//! `firm standing`, `firm end-standing`: what is on file with a state.

use api::v1;
use calendar::CivilDate;
use clap::{Args, ValueEnum};

use super::{FileArgs, On, message};
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What is on file.
#[derive(Clone, Copy, ValueEnum)]
enum Kind {
    /// A registration or licence
    Registration,
    /// A surety bond
    Bond,
    /// A letter of credit
    LetterOfCredit,
    /// A deposit, or a surety account
    Deposit,
    /// A trust account
    TrustAccount,
    /// A place of the firm
    Office,
    /// Evidence that the firm is outside the state's act
    Exemption,
}

/// Why it ended.
#[derive(Clone, Copy, ValueEnum)]
enum Reason {
    /// The surety cancelled the bond
    SuretyCancelled,
    /// The state took it back
    Revoked,
    /// The firm gave it up
    Surrendered,
    /// It was recorded wrongly, and never stood as long as was recorded, or at all
    RecordedWrongly,
}

/// What ended, and when.
#[derive(Args)]
pub(crate) struct EndArgs {
    /// What ended
    kind: Kind,
    /// The state, by its two letters
    state: String,
    /// Its first day, as recorded
    #[arg(long, value_name = "DATE")]
    valid_from: CivilDate,
    /// Its last day now; it may lie ahead. The day before its first if it never stood
    #[arg(long, value_name = "DATE")]
    last_day: CivilDate,
    /// Why
    #[arg(long)]
    reason: Reason,
    /// SHA-256 of the paper that says so, which the firm keeps itself
    #[arg(long, value_name = "SHA256", default_value = "", hide_default_value = true)]
    document: String,
    #[command(flatten)]
    on: On,
}

pub(super) async fn record(
    args: &FileArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::RecordStandingRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        standing: Some(message(&args.file, "Standing")?),
    };
    let answer = session.administration.record_standing(request).await?.into_inner();
    out.change(
        &answer,
        "RecordStandingResponse",
        "The standing is recorded.",
        answer.receipt.as_ref(),
    )?;
    Ok(Exit::Done)
}

pub(super) async fn end(
    args: &EndArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let kind = match args.kind {
        Kind::Registration => v1::StandingKind::Registration,
        Kind::Bond => v1::StandingKind::Bond,
        Kind::LetterOfCredit => v1::StandingKind::LetterOfCredit,
        Kind::Deposit => v1::StandingKind::Deposit,
        Kind::TrustAccount => v1::StandingKind::TrustAccount,
        Kind::Office => v1::StandingKind::Office,
        Kind::Exemption => v1::StandingKind::Exemption,
    };
    let reason = match args.reason {
        Reason::SuretyCancelled => v1::StandingEndReason::SuretyCancelled,
        Reason::Revoked => v1::StandingEndReason::Revoked,
        Reason::Surrendered => v1::StandingEndReason::Surrendered,
        Reason::RecordedWrongly => v1::StandingEndReason::RecordedWrongly,
    };
    let request = v1::EndStandingRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        kind: kind.into(),
        state_code: args.state.clone(),
        valid_from: words::message(args.valid_from),
        last_day: words::message(args.last_day),
        reason: reason.into(),
        document_sha256: args.document.clone(),
    };
    let answer = session.administration.end_standing(request).await?.into_inner();
    let done = format!("Its last day is {}.", args.last_day);
    out.change(&answer, "EndStandingResponse", &done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// What is on file, and until when.
pub(super) fn table(firm: &v1::Firm) -> Table {
    let mut table =
        Table::new(&["standing", "state", "from", "through", ">amount", "~ended early"]);
    for standing in &firm.standings {
        let end = standing.end.as_ref();
        let last_day = end.map_or(&standing.valid_through, |end| &end.last_day);
        table.row([
            words::standing_kind(standing.kind),
            standing.state_code.clone(),
            words::day(standing.valid_from.as_ref()),
            words::day(last_day.as_ref()),
            words::amount(standing.amount.as_ref()),
            end.map_or_else(String::new, |end| {
                let told_on = words::day(end.told_on.as_ref());
                format!("{}, told on {told_on}", words::standing_end_reason(end.reason))
            }),
        ]);
    }
    table
}
