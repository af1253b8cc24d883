//! `import`: a file of actions, one JSON object a line.
//!
//! A line without a request id gets one that is made from the firm and the line's own bytes. So the
//! same line is the same request however often it is sent, a run that was cut short is simply run
//! again, and two lines that are alike to the byte are one. The service keeps its word about a request
//! that it refused; a line that it refused before is asked for anew, since what it lacked may be there.
//! A line that it recorded, and that was taken back since, is not there and is said to be bad.

mod lines;
mod parse;
mod player;
mod replayed;
mod report;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::Context;
use clap::Args;
use domain::ids::FirmId;
use store::Store;

use crate::cli::Global;
use crate::connect::{Missing, Session};
use crate::embedded::Database;
use crate::exit::{Exit, INTERRUPTED, Stop};
use crate::keys;
use crate::newfile::private_folder;
use crate::out::Out;
use lines::Lines;
use parse::Reader;
use player::{Played, Player};
use report::Report;

/// Which file.
#[derive(Args)]
pub(crate) struct ImportArgs {
    /// JSON lines: RecordRequest or RecordPaymentRequest in proto3 JSON; "firms/-" in a name stands
    /// for the firm, and a missing requestId is made from the line; - for standard input
    file: PathBuf,
    /// Change nothing: play the file into a copy of the database, or with --server check the form of
    /// each line
    #[arg(long)]
    dry_run: bool,
    /// Start at this line, counted from 1
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u64).range(1..), value_name = "N")]
    from_line: u64,
}

/// A file to play.
pub(crate) struct Input<'a> {
    /// The file; `-` is standard input.
    pub(crate) file: &'a Path,
    /// The first line to play, counted from 1.
    pub(crate) from_line: u64,
    /// Which lines may be in it.
    pub(crate) only: Only,
}

/// Which lines a file may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Only {
    /// Actions on cases and what became of money.
    All,
    /// Only what became of money.
    Payments,
}

/// What is done with each line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    /// It is recorded.
    Record,
    /// It is recorded in a copy that is thrown away.
    Scratch,
    /// Only its form and fields are checked.
    Check,
}

/// Imports a file.
pub(crate) async fn run(global: &Global, args: &ImportArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let input = Input { file: &args.file, from_line: args.from_line, only: Only::All };
    match (args.dry_run, &global.server) {
        (false, _) => {
            let session = Session::open(global, None, Missing::Refuse).await?;
            play_and_close(&input, Mode::Record, session, out).await
        }
        (true, Some(_)) => {
            out.note(
                "With --server a dry run checks the form of each line, not what the rules say.",
            )?;
            let session = Session::open(global, None, Missing::Refuse).await?;
            play_and_close(&input, Mode::Check, session, out).await
        }
        (true, None) => {
            let scratch = private_folder(&std::env::temp_dir());
            let scratch = scratch.context("cannot make a folder for the copy")?;
            let copy = scratch.path().join("copy.db");
            let from = Database::parse(&global.database)?;
            let firm_keys = keys::firm_keys(global, &from)?;
            copy_database(&from, global.firm.map(FirmId), &copy).await?;
            let copy = Database::Sqlite(copy);
            let session = Session::in_process(&copy, firm_keys, global.firm.map(FirmId)).await?;
            play_and_close(&input, Mode::Scratch, session, out).await
        }
    }
}

async fn play_and_close(
    input: &Input<'_>,
    mode: Mode,
    mut session: Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let ended = play(input, mode, &mut session, out).await;
    session.close().await;
    ended
}

/// Copies a database as it stands, whoever else has it open: a file whole, of a server the logs.
async fn copy_database(from: &Database, only: Option<FirmId>, to: &Path) -> anyhow::Result<()> {
    from.must_exist()?;
    let opened = from.open().await;
    let source = opened.with_context(|| format!("cannot open {from}"))?;
    let copied = match from {
        Database::Sqlite(_) => source.copy_to(to).await.map_err(anyhow::Error::from),
        Database::Postgres(_) => copy_logs(&source, only, to).await,
    };
    source.close().await;
    copied.with_context(|| format!("cannot copy {from}"))
}

async fn copy_logs(source: &Store, only: Option<FirmId>, to: &Path) -> anyhow::Result<()> {
    let firms = match only {
        Some(firm) => vec![firm],
        None => source.firms().await?,
    };
    let copy = Store::open(to).await?;
    for firm in firms {
        log::move_log(&**source, &*copy, firm, |_| {}).await?;
    }
    copy.close().await;
    Ok(())
}

/// Plays a file over a session and tells what became of it.
pub(crate) async fn play(
    input: &Input<'_>,
    mode: Mode,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let reader =
        Reader { firm: session.firm_id()?, currency: session.currency().await?, only: input.only };
    let (mut lines, length) = Lines::open(input.file)
        .map_err(|error| Stop::usage(format!("cannot read {}: {error}", input.file.display())))?;
    let mut report = Report::new(mode, out, length)?;
    let interrupted = watch_for_interrupt();
    let mut player = Player::new(session, reader);
    while let Some(line) = lines.next().context("cannot read on")? {
        report.read(line.end);
        if interrupted.load(Ordering::Relaxed) {
            report.interrupted_at(line.number);
            break;
        }
        if line.number < input.from_line {
            continue;
        }
        report.line();
        let parsed = line.text.and_then(|text| Ok((reader.line(&text, 0)?, text)));
        let checked = parsed.and_then(|(asked, text)| match mode {
            Mode::Check => parse::check(&asked, reader.currency).map(|()| (asked, text)),
            Mode::Record | Mode::Scratch => Ok((asked, text)),
        });
        match (checked, mode) {
            (Err(fault), _) => report.bad(line.number, &fault.field, &fault.reason)?,
            (Ok(_), Mode::Check) => report.well_formed(),
            (Ok((asked, text)), Mode::Record | Mode::Scratch) => {
                let line = Played { number: line.number, text };
                player.play(line, asked, &mut report).await?;
            }
        }
    }
    player.finish(&mut report).await?;
    report.finish()
}

/// The first Ctrl-C lets what was sent be answered; the second ends at once, which is harmless too:
/// whatever was recorded is found again when the file is played again.
fn watch_for_interrupt() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&flag);
    tokio::spawn(async move {
        while tokio::signal::ctrl_c().await.is_ok() {
            if seen.swap(true, Ordering::Relaxed) {
                std::process::exit(i32::from(INTERRUPTED));
            }
        }
    });
    flag
}
