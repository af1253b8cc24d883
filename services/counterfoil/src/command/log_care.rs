//! `head`, `verify` and `rebuild`.

use std::path::PathBuf;
use std::str::FromStr;

use anyhow::Context;
use api::v1;
use api::v1::{check_derived_response, rebuild_read_models_response, verify_log_response};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};

use domain::ids::FirmId;

use super::evidence;
use crate::cli::Global;
use crate::connect::{Missing, Session, must_be_there, patient};
use crate::embedded::Database;
use crate::exit::{Exit, Stop};
use crate::keys;
use crate::newfile::private_folder;
use crate::out::Out;
use crate::words;

/// What to verify.
#[derive(Args)]
pub(crate) struct VerifyArgs {
    /// A bundle that was exported; without it the log itself is verified
    #[arg(value_name = "BUNDLE")]
    pub(crate) bundle: Option<PathBuf>,
    /// What was noted earlier: the log is sound only if it still begins with what it held then. An
    /// end of the log as `head` tells it, POSITION:ROOT; for a bundle the file of a signed checkpoint
    #[arg(long, value_name = "POSITION:ROOT|FILE")]
    pub(crate) checkpoint: Option<String>,
    /// For a bundle: a file of the firm's public keys as `keys export-public` prints them, one a line, oldest first,
    /// got elsewhere than from the bundle. An earlier checkpoint may be of any of them, or of a key that the bundle
    /// lists for its size
    #[arg(long, value_name = "FILE", requires = "bundle")]
    pub(crate) public_key: Option<PathBuf>,
    /// For a bundle: the log had at least so many events
    #[arg(long, value_name = "SIZE", requires = "bundle")]
    pub(crate) not_before: Option<u64>,
    /// Check scans and letters as well, as `evidence check` does
    #[arg(long, conflicts_with = "bundle")]
    with_evidence: bool,
    /// Hold read models, snapshots, and what is kept of clients and their documents against the log as well; of
    /// a file, in a copy in the folder for temporary files
    #[arg(long, conflicts_with = "bundle")]
    with_derived: bool,
}

/// An end of a log: `6174:1b1f7269…`.
#[derive(Clone)]
struct Checkpoint(v1::LogCheckpoint);

impl FromStr for Checkpoint {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let form = "must be a position, a colon and a root of 64 hexadecimal digits";
        let (position, root) = text.split_once(':').ok_or(form)?;
        let position: u64 = position.parse().map_err(|_| form)?;
        let is_root = root.len() == 64 && root.bytes().all(|byte| byte.is_ascii_hexdigit());
        match i64::try_from(position) {
            Ok(position) if is_root => Ok(Self(v1::LogCheckpoint { position, root: root.into() })),
            Ok(_) | Err(_) => Err(form),
        }
    }
}

/// Tells the end of the log.
pub(crate) async fn head(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = v1::GetHeadRequest { parent: session.firm()? };
    let head = session.administration.get_head(request).await?.into_inner();
    if out.is_json() {
        out.message(&head, "GetHeadResponse")?;
        return Ok(Exit::Done);
    }
    out.line(format!("{}:{}", head.position, head.root))?;
    out.note("Note it where nobody can change it: verify --checkpoint holds the log against it.")?;
    if let Some(last) = &head.last_verification {
        let when = words::instant(last.end_time.as_ref());
        out.note(match &last.fault {
            None => format!("Last verified {when}: sound through position {}.", last.position),
            Some(fault) => format!("Last verified {when}, and NOT SOUND: {}.", fault.what),
        })?;
    }
    Ok(Exit::Done)
}

/// A bar over positions of the log.
pub(super) fn bar(out: &Out, what: &'static str) -> anyhow::Result<ProgressBar> {
    if !out.shows_progress() {
        return Ok(ProgressBar::hidden());
    }
    let style = ProgressStyle::with_template("{msg} {bar:40} {human_pos} of {human_len} {eta}")
        .context("the bar's template is wrong")?;
    Ok(ProgressBar::new(0).with_style(style).with_message(what))
}

pub(super) fn step(bar: &ProgressBar, progress: &v1::RunProgress) {
    // Positions are never negative.
    bar.set_length(u64::try_from(progress.head_position).unwrap_or(0));
    bar.set_position(u64::try_from(progress.position).unwrap_or(0));
}

/// Reads the whole log again and compares it with its root. Not a byte of a file is written: it may be a
/// backup, which is to stay what it was.
pub(crate) async fn verify(
    args: VerifyArgs,
    global: &Global,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let database = match &global.server {
        Some(_) => None,
        None => Some(Database::parse(&global.database)?),
    };
    let Some(database @ Database::Sqlite(_)) = &database else {
        let missing = Missing::RefuseThatAlone;
        return closed(Session::open(global, None, missing).await?, async |s| {
            match verify_log(&args, s, out).await? {
                Exit::Done => beside(&args, s, out).await,
                exit => Ok(exit),
            }
        })
        .await;
    };
    must_be_there(database)?;
    let firm = global.firm.map(FirmId);
    let log = Session::to_read(database, None, firm).await?;
    let ended = closed(log, async |s| verify_log(&args, s, out).await).await?;
    if ended != Exit::Done || !(args.with_derived || args.with_evidence) {
        return Ok(ended);
    }
    let copied =
        private_folder(&std::env::temp_dir()).context("cannot make a folder for a copy")?;
    let copy = copied.path().join("copy.db");
    let original = database.open_to_read().await?;
    let made = original.copy_to(&copy).await;
    original.close().await;
    made.context("read models and keys are compared in a copy, which cannot be made")?;
    let firm_keys = keys::firm_keys(global, database)?;
    let session = Session::in_process(&Database::Sqlite(copy), firm_keys, firm).await?;
    session.keep_evidence(global, database)?;
    closed(session, async |s| beside(&args, s, out).await).await
}

/// Asks over a session, and closes it whatever the answer is.
async fn closed(
    mut session: Session,
    ask: impl AsyncFnOnce(&mut Session) -> anyhow::Result<Exit>,
) -> anyhow::Result<Exit> {
    let ended = ask(&mut session).await;
    session.close().await;
    ended
}

/// Checks what lies beside a log that is sound.
async fn beside(args: &VerifyArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    if args.with_derived && check_derived(session, out).await? != Exit::Done {
        return Ok(Exit::Unsound);
    }
    if args.with_evidence { evidence::check(session, out).await } else { Ok(Exit::Done) }
}

async fn verify_log(
    args: &VerifyArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let checkpoint = args.checkpoint.as_deref().map(str::parse).transpose();
    let checkpoint = checkpoint
        .map_err(|rule| Stop::usage(format!("--checkpoint {rule}")))?
        .map(|Checkpoint(noted)| noted);
    let request = patient(v1::VerifyLogRequest { parent: session.firm()?, checkpoint });
    let mut stream = session.administration.verify_log(request).await?.into_inner();
    let bar = bar(out, "verifying")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "VerifyLogResponse")?;
        }
        match response.message {
            Some(verify_log_response::Message::Progress(progress)) => step(&bar, &progress),
            Some(verify_log_response::Message::Report(found)) => report = Some(found),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        show(&report, out)?;
    }
    Ok(if report.sound { Exit::Done } else { Exit::Unsound })
}

/// Holds what is derived from the log against it.
async fn check_derived(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = patient(v1::CheckDerivedRequest { parent: session.firm()? });
    let mut stream = session.administration.check_derived(request).await?.into_inner();
    let bar = bar(out, "comparing")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "CheckDerivedResponse")?;
        }
        match response.message {
            Some(check_derived_response::Message::Progress(progress)) => step(&bar, &progress),
            Some(check_derived_response::Message::Report(found)) => report = Some(found),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        show_derived(&report, out)?;
    }
    Ok(if report.sound { Exit::Done } else { Exit::Unsound })
}

fn show_derived(report: &v1::DerivedReport, out: &mut Out) -> std::io::Result<()> {
    if report.sound {
        out.line("Read models and snapshots follow from the log, and so do clients' keys and the words they are found by.")?;
        return out.field("compared at", report.position);
    }
    for fault in &report.faults {
        out.line(format!("NOT SOUND: {fault}"))?;
    }
    out.field("faults", report.fault_count)?;
    out.note(
        "The log itself is sound. Rows: rebuild. Keys, words and documents: take the rows of the table that \
         is named from a backup, and ask who changed them. Snapshots: delete them; they come again by \
         themselves.",
    )
}

fn show(report: &v1::VerifyReport, out: &mut Out) -> std::io::Result<()> {
    if let Some(fault) = &report.fault {
        // A key that signs stands at no position.
        let place = if fault.position == 0 {
            String::new()
        } else {
            format!(" at position {}", fault.position)
        };
        out.line(format!("NOT SOUND{place}: {}", fault.what))?;
        return out.note(
            "Write nothing more, keep the file as it is, and compare it with a copy of an earlier \
             day.",
        );
    }
    out.line(if report.sound { "The log is sound." } else { "NOT SOUND" })?;
    out.field("positions", format!("1 through {}", report.position))?;
    out.field("events", report.event_count)?;
    out.field("streams", report.stream_count)?;
    out.field("invoices", report.invoice_count)?;
    out.field("root", &report.root)?;
    report.remarks.iter().try_for_each(|remark| out.note(remark))
}

/// Makes the read models anew.
pub(crate) async fn rebuild(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = patient(v1::RebuildReadModelsRequest { parent: session.firm()? });
    let mut stream = session.administration.rebuild_read_models(request).await?.into_inner();
    let bar = bar(out, "rebuilding")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "RebuildReadModelsResponse")?;
        }
        match response.message {
            Some(rebuild_read_models_response::Message::Progress(progress)) => {
                step(&bar, &progress);
            }
            Some(rebuild_read_models_response::Message::Report(made)) => report = Some(made),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        out.line("The read models are made anew from the log.")?;
        out.field("generation", report.generation)?;
        out.field("position", report.position)?;
        out.field("events", report.event_count)?;
    }
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_checkpoint_is_a_position_and_a_root() {
        let root = "ab".repeat(32);
        let read = |text: &str| text.parse::<Checkpoint>().map(|Checkpoint(noted)| noted);
        let noted = v1::LogCheckpoint { position: 7, root: root.clone() };
        assert_eq!(read(&format!("7:{root}")), Ok(noted));
        for wrong in
            ["", "7", &root, &format!("-1:{root}"), "7:ab", &format!("7:{}", "xy".repeat(32))]
        {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
