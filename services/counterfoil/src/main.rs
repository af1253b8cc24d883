//! `counterfoil`: the service, and every command of the people who work with it, in one binary.
//!
//! A command speaks gRPC to a server, or to the ledger inside its own process. It is the only part
//! of the project that reads the environment.

mod cli;
mod command;
mod connect;
mod demo;
mod embedded;
mod evidence;
mod exit;
mod fault;
mod find;
mod keys;
mod logging;
mod newfile;
mod out;
mod reading;
mod secrets;
mod sheet;
mod table;
mod traces;
mod words;

use std::io;
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Context;
use clap::{CommandFactory as _, FromArgMatches as _};
use domain::text::shown;
use tonic::Status;

use crate::cli::Cli;
use crate::exit::{Exit, Stop};
use crate::fault::Fault;
use crate::out::Out;

/// How long what still runs in the background may take at the end.
const RUNTIME_GRACE: Duration = Duration::from_secs(2);

fn main() -> ExitCode {
    // What this program writes is its owner's alone, also what libraries write for it.
    #[cfg(unix)]
    rustix::process::umask(rustix::fs::Mode::from_raw_mode(0o077));
    let matches = Cli::command().get_matches();
    let cli = Cli::from_arg_matches(&matches).unwrap_or_else(|error| error.exit());
    let begun = secrets::check_arguments(&matches, cli.global.quiet).and_then(|()| begin(cli));
    match begun {
        Ok(exit) => exit.code(),
        // Whoever read the answer has seen enough of it, as `head` does.
        Err(error) if is_broken_pipe(&error) => Exit::Done.code(),
        Err(error) => {
            tell(&error);
            Exit::of(&error).code()
        }
    }
}

/// Runs the command in a runtime of its own.
fn begin(cli: Cli) -> anyhow::Result<Exit> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("cannot start the runtime")?;
    let traces = {
        let _entered = runtime.enter();
        logging::start(&cli)?
    };
    let ended = runtime.block_on(run(cli));
    if let Some(traces) = traces {
        traces.finish();
    }
    runtime.shutdown_timeout(RUNTIME_GRACE);
    ended
}

async fn run(cli: Cli) -> anyhow::Result<Exit> {
    let mut out = Out::new(cli.global.json, cli.global.quiet);
    let ended = command::run(cli.command, &cli.global, &mut out).await;
    // What was found out before a fault is told before it.
    let flushed = out.flush();
    let exit = ended?;
    flushed?;
    Ok(exit)
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let broken = |error: &io::Error| error.kind() == io::ErrorKind::BrokenPipe;
    error.downcast_ref::<io::Error>().is_some_and(broken)
}

/// Says what stopped the command, with its causes.
fn tell(error: &anyhow::Error) {
    if let Some(status) = error.downcast_ref::<Status>() {
        for line in Fault::of_status(status).lines() {
            eprintln!("{}", shown(&line));
        }
        return;
    }
    // Some of our own words have several lines; a name in them may be anybody's.
    for line in format!("counterfoil: {error}").lines() {
        eprintln!("{}", shown(line));
    }
    if error.downcast_ref::<Stop>().is_none() {
        for cause in error.chain().skip(1) {
            eprintln!("  because: {}", shown(&cause.to_string()));
        }
    }
}
