//! `firm security-event` and `firm security-events`: what somebody took of consumers, and who is told.

use api::v1;
use calendar::CivilDate;
use clap::Args;

use super::On;
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What is known of it. Recorded again under its name it takes the place of what was recorded before.
#[derive(Args)]
pub(crate) struct SecurityArgs {
    /// What the firm calls it; no place for personal data
    name: String,
    /// The first day on which anybody of the firm but the culprit knew of it
    #[arg(long, value_name = "DATE")]
    discovered: CivilDate,
    /// Of how many consumers, as far as is known; 0 if it turned out to be none
    #[arg(long, value_name = "COUNT")]
    consumers: i32,
    /// The day on which the Federal Trade Commission was notified
    #[arg(long, value_name = "DATE")]
    notified: Option<CivilDate>,
    /// SHA-256 of what is known of it, which the firm keeps itself
    #[arg(long, value_name = "SHA256", default_value = "", hide_default_value = true)]
    document: String,
    #[command(flatten)]
    on: On,
}

pub(super) async fn record(
    args: &SecurityArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::RecordSecurityEventRequest {
        parent: session.firm()?,
        request_id: request_id(args.on.again.request_id),
        occurred_on: words::message(session.day(args.on.on).await?),
        security_event: Some(v1::SecurityEvent {
            display_name: args.name.clone(),
            discovered_on: words::message(args.discovered),
            consumers: args.consumers,
            notified_on: args.notified.and_then(words::message),
            document_sha256: args.document.clone(),
            ..v1::SecurityEvent::default()
        }),
    };
    let answer = session.administration.record_security_event(request).await?.into_inner();
    let done = "The event of security is recorded.";
    out.change(&answer, "RecordSecurityEventResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Lists every event of security, as it was told last.
pub(super) async fn list(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let firm = session.registered().await?;
    if out.is_json() {
        for event in &firm.security_events {
            out.message(event, "SecurityEvent")?;
        }
        return Ok(Exit::Done);
    }
    out.table(&table(&firm), "No event of security is on record.")?;
    Ok(Exit::Done)
}

/// That the notice came too late, or is not there and late (16 CFR 314.4(j)).
fn late(event: &v1::SecurityEvent) -> String {
    match (event.days_late, &event.notified_on) {
        (0, _) => String::new(),
        (days, Some(_)) => format!("notified {days} days late (16 CFR 314.4(j))"),
        (days, None) => format!("{days} days late (16 CFR 314.4(j))"),
    }
}

/// What is known, and when the Commission was to be told of it.
pub(super) fn table(firm: &v1::Firm) -> Table {
    let mut table = Table::new(&[
        "~event of security",
        "discovered",
        ">consumers",
        "notify by",
        "notified",
        "~late",
    ]);
    for event in &firm.security_events {
        table.row([
            event.display_name.clone(),
            words::day(event.discovered_on.as_ref()),
            event.consumers.to_string(),
            words::day(event.notify_by.as_ref()),
            words::day(event.notified_on.as_ref()),
            late(event),
        ]);
    }
    table
}
