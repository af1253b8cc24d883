//! `follow`.

use api::v1;
use api::v1::follow_response::Message;
use clap::Args;

use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::words;

/// From where.
#[derive(Args)]
pub(crate) struct FollowArgs {
    /// Print what comes after this position; 0 for the start of the log
    #[arg(long, default_value_t = 0, value_parser = clap::value_parser!(i64).range(0..))]
    after: i64,
    /// Only these event types, by stable name
    #[arg(long, value_delimiter = ',', value_name = "TYPE,...")]
    types: Vec<String>,
    /// Stop at the end of the log instead of waiting for more
    #[arg(long)]
    once: bool,
}

/// Prints events. With `--json` each message is a line and carries the event whole, personal values
/// included; for people a line says only what happened, where and when.
pub(crate) async fn run(
    args: &FollowArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::FollowRequest {
        parent: session.firm()?,
        after_position: args.after,
        types: args.types.clone(),
        progress_interval: None,
    };
    let mut stream = session.cases.follow(request).await?.into_inner();
    let mut live = false;
    loop {
        let response = tokio::select! {
            response = stream.message() => response?,
            _ = tokio::signal::ctrl_c() => return Ok(Exit::Done),
        };
        let Some(response) = response else { return Ok(Exit::Done) };
        let caught_up = matches!(response.message, Some(Message::CaughtUp(_)));
        if out.is_json() {
            out.message(&response, "FollowResponse")?;
        } else {
            show(&response, args.once, out)?;
        }
        if caught_up && args.once {
            return Ok(Exit::Done);
        }
        // Up to the end of the log a full buffer is faster; from there on each line is news.
        live |= caught_up;
        if live {
            out.flush()?;
        }
    }
}

fn show(response: &v1::FollowResponse, once: bool, out: &mut Out) -> std::io::Result<()> {
    match &response.message {
        Some(Message::Event(event)) => out.line(line(event)),
        Some(Message::CaughtUp(end)) if !once => {
            out.note(format!("-- position {}, waiting for more; Ctrl-C ends --", end.position))
        }
        // Members that a newer service sends are ignored.
        Some(Message::CaughtUp(_) | Message::Progress(_)) | None => Ok(()),
    }
}

fn line(event: &v1::Event) -> String {
    let late = match event.late_days {
        Some(days) => format!("  told {days} days late"),
        None => String::new(),
    };
    format!(
        "{:>8}  {}  {:<28}  {} version {}{late}",
        event.position,
        words::day(event.occurred_on.as_ref()),
        event.r#type,
        event.stream,
        event.stream_version,
    )
}
