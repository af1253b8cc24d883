//! `follow`.

use std::fmt;

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
    /// Print what comes after this position; 0 for the start of the log. With the leaf hash of the event
    /// there (POSITION:HASH, as the last line and --json give it) a log that is another one, or was
    /// restored and written to anew, is found
    #[arg(long, default_value = "0", value_name = "POSITION[:HASH]", value_parser = After::parse)]
    after: After,
    /// Only these event types, by stable name
    #[arg(long, value_delimiter = ',', value_name = "TYPE,...")]
    types: Vec<String>,
    /// Stop at the end of the log instead of waiting for more
    #[arg(long)]
    once: bool,
}

/// A position, and the leaf hash of the event there.
#[derive(Clone, Debug, PartialEq, Eq)]
struct After {
    position: i64,
    leaf_hash: Vec<u8>,
}

impl After {
    fn parse(text: &str) -> Result<Self, String> {
        let form = "must be a position, or POSITION:HASH with 64 hexadecimal digits";
        let (position, leaf) = match text.split_once(':') {
            Some((position, leaf)) => (position, Some(leaf)),
            None => (text, None),
        };
        let position = position.parse().ok().filter(|position| *position >= 0).ok_or(form)?;
        let mut leaf_hash = Vec::new();
        if let Some(leaf) = leaf {
            leaf_hash = hex::decode(leaf).ok().filter(|leaf| leaf.len() == 32).ok_or(form)?;
        }
        Ok(Self { position, leaf_hash })
    }
}

impl fmt::Display for After {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.leaf_hash.as_slice() {
            [] => write!(f, "{}", self.position),
            leaf => write!(f, "{}:{}", self.position, hex::encode(leaf)),
        }
    }
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
        after_position: args.after.position,
        after_leaf_hash: args.after.leaf_hash.clone(),
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
        Some(Message::Event(event)) => {
            out.line(line(event))?;
            event.changed.iter().try_for_each(|effect| out.line(changed(effect)))
        }
        Some(Message::CaughtUp(end)) if !once => {
            let after = After { position: end.position, leaf_hash: end.leaf_hash.clone() };
            out.note(format!("-- up to {after}, waiting for more; Ctrl-C ends --"))
        }
        // Members that a newer service sends are ignored.
        Some(Message::CaughtUp(_) | Message::Progress(_)) | None => Ok(()),
    }
}

/// What a correction changed.
fn changed(effect: &v1::CorrectionEffect) -> String {
    let v1::CorrectionEffect { subject, before, after } = effect;
    let said = match (before.as_str(), after.as_str()) {
        ("", after) => format!("now {after}"),
        (before, "") => format!("was {before}, is no more"),
        (before, after) => format!("was {before}, is {after}"),
    };
    format!("{:>8}  {subject}: {said}", "")
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_reads_as_it_is_written() {
        for text in ["0", "17", &format!("17:{}", "ab".repeat(32))] {
            assert_eq!(After::parse(text).unwrap().to_string(), text);
        }
        for wrong in ["", "-1", "x", "17:", "17:ab", "17:ab:cd", &"1".repeat(30)] {
            assert!(After::parse(wrong).is_err(), "{wrong}");
        }
    }
}
