//! What the program tells about itself, on standard error. No personal value is ever in it.

use std::io;

use anyhow::Context;
use tracing_subscriber::EnvFilter;

use crate::cli::{Cli, Command};
use crate::command::serve::LogFormat;

/// The filter's variable: `COUNTERFOIL_LOG=debug`, or `counterfoil_ledger=debug,warn`.
const FILTER: &str = "COUNTERFOIL_LOG";

/// Starts logging: warnings for a command, and what happens for a service.
pub(crate) fn start(cli: &Cli) -> anyhow::Result<()> {
    let default = if cli.command.is_service() { "info" } else { "warn" };
    let filter = match std::env::var(FILTER) {
        Ok(filter) => EnvFilter::try_new(filter).context("COUNTERFOIL_LOG is no filter")?,
        Err(_) => EnvFilter::new(default),
    };
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr);
    let as_json =
        matches!(&cli.command, Command::Serve(args) if args.log_format == LogFormat::Json);
    let started = if as_json {
        builder.json().try_init()
    } else {
        builder.with_ansi(io::IsTerminal::is_terminal(&io::stderr())).try_init()
    };
    started.map_err(anyhow::Error::from_boxed).context("logging cannot be started")
}
