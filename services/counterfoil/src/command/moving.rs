//! `move`: from one database to another, with proof that everything arrived.

use std::error::Error;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use domain::ids::{FirmId, RequestId};
use indicatif::ProgressBar;
use log::{Engine, MoveError, MoveReport, Moving, ReadBehind, StoreError};
use serde_json::json;
use store::Store;
use uuid::Uuid;

use super::log_care::bar;
use crate::cli::Global;
use crate::embedded::Database;
use crate::exit::{Exit, Stop};
use crate::out::Out;
use log::Ids as _;
use vault::{FirmKey, FirmKeys};

/// How long the read models may stand still before the command gives up waiting for them.
const STILL_MAX: Duration = Duration::from_mins(2);
/// How long what the target's projection has under way may take at the end.
const DRAIN_DEADLINE: Duration = Duration::from_secs(20);

/// From where to where.
#[derive(Args)]
pub(crate) struct MoveArgs {
    /// The database to move from, which is only read: sqlite:PATH or postgres://USER@HOST/DATABASE
    #[arg(long, env = "COUNTERFOIL_MOVE_FROM", hide_env_values = true, value_name = "DATABASE")]
    from: String,
    /// The database to move to, made if it is not there; one that holds a part of the same log
    /// already is gone on with
    #[arg(long, env = "COUNTERFOIL_MOVE_TO", hide_env_values = true, value_name = "DATABASE")]
    to: String,
}

/// Moves one firm, or every firm that has a log.
pub(crate) async fn run(global: &Global, args: &MoveArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let (from, to) = (Database::named("--from", &args.from)?, Database::named("--to", &args.to)?);
    if let Some(path) = from.missing_file() {
        return Err(Stop::usage(format!("--from: there is no database at {}", path.display())));
    }
    if is_same(&from, &to) {
        return Err(Stop::usage("--from and --to name the same database"));
    }
    let source = from.open_to_read().await.context("cannot open the database to move from")?;
    let target = to.open().await.context("cannot open the database to move to");
    let moved = match target {
        Ok(target) => {
            let target = Arc::new(target);
            let moved = tokio::select! {
                moved = every_firm(&source, &target, global.firm.map(FirmId), out) => moved,
                // What has arrived stays, and the next run goes on behind it.
                interrupted = tokio::signal::ctrl_c() => {
                    interrupted.context("cannot watch for Ctrl-C").map(|()| Exit::Interrupted)
                }
            };
            target.close().await;
            moved
        }
        Err(error) => Err(error),
    };
    source.close().await;
    if matches!(moved, Ok(Exit::Interrupted)) {
        out.note("Interrupted: run the same command again, and it goes on where it was.")?;
    }
    moved
}

fn is_same(from: &Database, to: &Database) -> bool {
    let whole = |path: &Path| path.canonicalize().ok();
    match (from, to) {
        (Database::Sqlite(from), Database::Sqlite(to)) => from == to || whole(from) == whole(to),
        (Database::Postgres(from), Database::Postgres(to)) => from == to,
        (Database::Sqlite(_), Database::Postgres(_))
        | (Database::Postgres(_), Database::Sqlite(_)) => false,
    }
}

async fn every_firm(
    source: &Store,
    target: &Arc<Store>,
    asked: Option<FirmId>,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let firms = match asked {
        Some(firm) => vec![firm],
        None => source.firms().await.context("cannot read the database to move from")?,
    };
    if firms.is_empty() {
        return Err(Stop::usage("no firm is registered in the database to move from"));
    }
    for firm in firms {
        one_firm(source, target, firm, out).await?;
    }
    Ok(Exit::Done)
}

async fn one_firm(
    source: &Store,
    target: &Arc<Store>,
    firm: FirmId,
    out: &mut Out,
) -> anyhow::Result<()> {
    let head = source.head(firm).await.context("cannot read the database to move from")?;
    let answered = source.remembered_from(firm, RequestId(Uuid::nil()), 1).await;
    let answered = answered.context("cannot read the database to move from")?;
    if head.position == 0 && answered.is_empty() {
        return Err(Stop::refused(format!(
            "--firm: the database to move from knows no firm {firm}"
        )));
    }
    let bar = bar(out, "comparing")?;
    let mut grew = None;
    let moved = log::move_log(&**source, &***target, firm, |moving| {
        if let Moving::SourceGrew { to, .. } = moving {
            grew = Some(to);
        }
        show(&bar, moving);
    });
    let moved = moved.await;
    let moved = match moved {
        Ok(report) => arrive(source, target, firm, report.events, &bar).await.map(|()| report),
        Err(error) => Err(stopped(firm, &error)),
    };
    bar.finish_and_clear();
    let report = moved?;
    tell(firm, &report, grew, out)?;
    Ok(())
}

fn show(bar: &ProgressBar, moving: Moving) {
    let (what, position, of) = match moving {
        Moving::Comparing { position, of } => ("comparing", position, of),
        Moving::Copying { position, of } => ("copying", position, of),
        Moving::Proving { position, of } => ("proving", position, of),
        Moving::Answering { compared } => ("answers", compared, compared),
        Moving::SourceGrew { to, .. } => ("copying", 0, to),
    };
    bar.set_message(what);
    bar.set_length(of);
    bar.set_position(position);
}

/// What follows the log: read models and tiles, which are made anew, and signed checkpoints with the keys
/// that signed them and the list of evidence, which are copied. Seeds stay sealed: the target needs the same sealing key.
async fn arrive(
    source: &Store,
    target: &Arc<Store>,
    firm: FirmId,
    position: u64,
    bar: &ProgressBar,
) -> anyhow::Result<()> {
    project(target, firm, position, bar).await?;
    source.copy_audit_to(target, firm).await.context("the checkpoints were not copied")?;
    source.copy_evidence_to(target, firm).await.context("the list of evidence was not copied")
}

/// Brings the read models of the target up to the end of its log.
async fn project(
    target: &Arc<Store>,
    firm: FirmId,
    position: u64,
    bar: &ProgressBar,
) -> anyhow::Result<()> {
    let settings = log::Settings {
        project_page: log::REBUILD_PAGE,
        streams_projected_max: log::STREAMS_CACHED_MAX,
        ..log::Settings::default()
    };
    let (clock, ids) = (Arc::new(log::SystemClock), Arc::new(log::UuidV7Ids::new()));
    // Nothing is sealed or opened on the way, so that no key has to be at hand.
    let unused = FirmKeys::new(FirmKey::from_bytes(log::UuidV7Ids::new().key()));
    let engine = Engine::new(target.ports(), clock, ids, unused, settings);
    bar.set_message("read models");
    bar.set_length(position);
    let mut applied = engine.applied(firm);
    let projected = loop {
        let reached = *applied.borrow_and_update();
        bar.set_position(reached);
        let wanted = position.min(reached + 1);
        match engine.wait_applied(firm, wanted, STILL_MAX).await {
            Ok(reached) if reached >= position => break Ok(()),
            Ok(_) => {}
            Err(behind) => break Err(not_projected(firm, behind, &engine)),
        }
    };
    engine.shutdown(DRAIN_DEADLINE).await;
    projected
}

fn not_projected(firm: FirmId, behind: ReadBehind, engine: &Engine) -> anyhow::Error {
    match engine.projection_fault(firm) {
        Some(fault) => anyhow::Error::new(Stop {
            exit: Exit::Unsound,
            text: format!(
                "firm {firm} has arrived whole, but its read models stop at position {}: {}",
                fault.position, fault.what
            ),
        }),
        None => Stop::unavailable(format!(
            "firm {firm} has arrived whole, but {behind}; run the same command again, or: \
             counterfoil --database … rebuild"
        )),
    }
}

/// What stopped the move of a firm, and what to do.
fn stopped(firm: FirmId, error: &MoveError) -> anyhow::Error {
    let (exit, advice) = match error {
        MoveError::Source { .. } => (
            Exit::Unsound,
            "write nothing more to it, and compare it with a copy of an earlier day",
        ),
        MoveError::Target { .. } => (Exit::Unsound, "move to an empty database instead"),
        MoveError::Foreign { .. } | MoveError::ForeignAnswer { .. } => (
            Exit::Refused,
            "nothing of it was changed; move to an empty database, or to the right one",
        ),
        MoveError::SourceInUse { .. } => (
            Exit::Refused,
            "stop what writes to it, and run the same command again: what was copied stays, and it goes on there",
        ),
        MoveError::TargetInUse { .. } => {
            (Exit::Refused, "stop what serves it, and run the same command again")
        }
        MoveError::SourceStore(StoreError::Internal { .. })
        | MoveError::TargetStore(StoreError::Internal { .. }) => {
            (Exit::Internal, "run the same command again once the cause is gone")
        }
        MoveError::SourceStore(_) | MoveError::TargetStore(_) => {
            (Exit::Unavailable, "run the same command again: it goes on where it was")
        }
    };
    let mut text = format!("firm {firm} was not moved: {error}");
    let mut cause = error.source();
    while let Some(error) = cause {
        text = format!("{text}\n  because: {error}");
        cause = error.source();
    }
    anyhow::Error::new(Stop { exit, text: format!("{text}\n  {advice}") })
}

fn tell(firm: FirmId, report: &MoveReport, grew: Option<u64>, out: &mut Out) -> anyhow::Result<()> {
    let equal = report.source_root == report.target_root;
    if out.is_json() {
        out.value(&json!({
            "firm": firm.to_string(),
            "events": report.events.to_string(),
            "requests": report.requests.to_string(),
            "sourceRoot": report.source_root.hex(),
            "targetRoot": report.target_root.hex(),
            "equal": equal,
            "sourceGrew": grew.is_some(),
        }))?;
    } else {
        out.line(format!("Firm {firm}"))?;
        out.field("events", report.events)?;
        out.field("requests", report.requests)?;
        out.field("root at source", report.source_root.hex())?;
        out.field("root at target", report.target_root.hex())?;
        out.field("equal", if equal { "yes" } else { "NO" })?;
    }
    if let Some(position) = grew {
        // Standard error: the answer stays what it is, and nobody misses this.
        eprintln!(
            "counterfoil: firm {firm} was written to while it was moved, to position {position} by \
             then; stop what serves the old database, and move once more before the new one is used"
        );
    }
    Ok(())
}
