//! `completions SHELL`.

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use crate::cli::Cli;
use crate::exit::Exit;
use crate::out::Out;

/// Which shell.
#[derive(Args)]
pub(crate) struct CompletionsArgs {
    /// The shell
    shell: Shell,
}

/// Prints the completions.
pub(crate) fn run(args: &CompletionsArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "counterfoil", &mut script);
    out.raw(&script)?;
    Ok(Exit::Done)
}
