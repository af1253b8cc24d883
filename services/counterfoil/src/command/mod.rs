//! The commands, one file per matter.

pub(crate) mod billing;
pub(crate) mod charges;
pub(crate) mod clients;
pub(crate) mod completions;
pub(crate) mod couples;
pub(crate) mod due;
pub(crate) mod firm;
pub(crate) mod follow;
pub(crate) mod import;
pub(crate) mod invoices;
pub(crate) mod log_care;
pub(crate) mod payment;
pub(crate) mod serve;
pub(crate) mod status;
pub(crate) mod tokens;

use std::path::Path;

use crate::cli::Command;
use crate::connect::{Missing, Session};
use crate::exit::Exit;
use crate::out::Out;

impl Command {
    /// Only a firm's registration makes a database.
    pub(crate) fn missing_database(&self) -> Missing {
        let registers = matches!(self, Self::Firm(firm::FirmCommand::Register(_)));
        if registers { Missing::Make } else { Missing::Refuse }
    }

    /// The folder that charges are put in, if the command names one.
    pub(crate) fn outbox(&self) -> Option<&Path> {
        if let Self::Charges(args) = self { args.outbox.as_deref() } else { None }
    }
}

/// Runs a command that needs nothing but a session.
pub(crate) async fn run(
    command: Command,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        Command::Firm(command) => firm::run(command, session, out).await,
        Command::Status(args) => status::run(&args, session, out).await,
        Command::Clients(args) => clients::run(&args, session, out).await,
        Command::Due(args) => due::run(&args, session, out).await,
        Command::Bill(args) => billing::bill(&args, session, out).await,
        Command::Claimable(args) => billing::claimable(&args, session, out).await,
        Command::Explain(args) => billing::explain(&args, session, out).await,
        Command::Invoice(args) => invoices::one(&args, session, out).await,
        Command::Invoices(args) => invoices::list(&args, session, out).await,
        Command::Charges(args) => charges::request(&args, session, out).await,
        Command::Results(args) => charges::results(&args, session, out).await,
        Command::Payment(command) => payment::run(command, session, out).await,
        Command::Couples(args) => couples::run(&args, session, out).await,
        Command::Follow(args) => follow::run(&args, session, out).await,
        Command::Verify => log_care::verify(session, out).await,
        Command::Rebuild => log_care::rebuild(session, out).await,
        Command::Tokens(command) => tokens::run(command, session, out).await,
        Command::Serve(_) | Command::Demo(_) | Command::Import(_) | Command::Completions(_) => {
            unreachable!("these four open what they need themselves")
        }
    }
}
