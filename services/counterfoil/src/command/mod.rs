//! The commands, one file per matter.

pub(crate) mod audit;
pub(crate) mod backup;
pub(crate) mod billing;
pub(crate) mod books;
pub(crate) mod charges;
pub(crate) mod check_proof;
pub(crate) mod checkpoint;
pub(crate) mod clients;
pub(crate) mod completions;
pub(crate) mod contract;
pub(crate) mod correct;
pub(crate) mod couples;
pub(crate) mod due;
pub(crate) mod evidence;
pub(crate) mod export;
pub(crate) mod finding;
pub(crate) mod firm;
pub(crate) mod firm_keys;
pub(crate) mod follow;
pub(crate) mod health;
pub(crate) mod import;
pub(crate) mod invoices;
pub(crate) mod keep;
pub(crate) mod keys;
pub(crate) mod log_care;
pub(crate) mod looks;
pub(crate) mod migrate;
pub(crate) mod moving;
pub(crate) mod pack;
pub(crate) mod payment;
pub(crate) mod prepare;
pub(crate) mod privacy;
pub(crate) mod prove;
mod refund;
pub(crate) mod serve;
pub(crate) mod status;
pub(crate) mod tokens;
pub(crate) mod verify_bundle;

use std::path::Path;

use crate::cli::{Command, Global};
use crate::connect::{Missing, Session};
use crate::demo;
use crate::exit::Exit;
use crate::out::Out;

/// How the ledger is reached for one command.
struct Way<'a> {
    global: &'a Global,
    /// Where charges go that the command asks for.
    outbox: Option<&'a Path>,
    missing: Missing,
}

impl<'a> Way<'a> {
    fn of(global: &'a Global) -> Self {
        Self { global, outbox: None, missing: Missing::Refuse }
    }

    /// Opens a session, asks, and closes it whatever the answer is.
    async fn ask(
        self,
        ask: impl AsyncFnOnce(&mut Session) -> anyhow::Result<Exit>,
    ) -> anyhow::Result<Exit> {
        let mut session = Session::open(self.global, self.outbox, self.missing).await?;
        let ended = ask(&mut session).await;
        session.close().await;
        ended
    }
}

/// Runs a command.
pub(crate) async fn run(command: Command, global: &Global, out: &mut Out) -> anyhow::Result<Exit> {
    let way = Way::of(global);
    match command {
        Command::Serve(args) => serve::run(global, &args).await,
        Command::Demo(args) => Box::pin(demo::run(args)).await.map(|()| Exit::Done),
        Command::Import(args) => import::run(global, &args, out).await,
        Command::Migrate(args) => migrate::run(global, &args, out).await,
        Command::Move(args) => moving::run(global, &args, out).await,
        Command::Completions(args) => completions::run(&args, out),
        Command::Contract => contract::run(out),
        Command::Health => health::run(global, out).await,
        Command::CheckProof(args) => check_proof::run(&args, out),
        Command::Pack(command) => pack::run(&command, out),
        Command::Backup(args) => backup::run(global, &args, out).await,
        Command::Firm(command) => {
            let missing = command.missing_database();
            let ask = async |session: &mut Session| firm::run(command, session, out).await;
            Way { missing, ..way }.ask(ask).await
        }
        Command::Books(command) => way.ask(async |s| books::run(command, s, out).await).await,
        Command::Charges(args) => {
            let ask = async |session: &mut Session| charges::request(&args, session, out).await;
            Way { outbox: args.outbox.as_deref(), ..way }.ask(ask).await
        }
        Command::Prepare(args) => way.ask(async |s| prepare::run(&args, s, out).await).await,
        Command::Status(args) => way.ask(async |s| status::run(&args, s, out).await).await,
        Command::Clients(args) => way.ask(async |s| clients::run(&args, s, out).await).await,
        Command::Due(args) => way.ask(async |s| due::run(&args, s, out).await).await,
        Command::Bill(args) => way.ask(async |s| billing::bill(&args, s, out).await).await,
        Command::Claimable(args) => {
            way.ask(async |s| billing::claimable(&args, s, out).await).await
        }
        Command::Explain(args) => way.ask(async |s| billing::explain(&args, s, out).await).await,
        Command::Review(args) => way.ask(async |s| billing::review(&args, s, out).await).await,
        Command::Keep(args) => way.ask(async |s| keep::run(args, s, out).await).await,
        Command::Correct(args) => way.ask(async |s| correct::run(&args, s, out).await).await,
        Command::Finding(args) => way.ask(async |s| finding::run(&args, s, out).await).await,
        Command::Invoice(args) => way.ask(async |s| invoices::one(&args, s, out).await).await,
        Command::Invoices(args) => way.ask(async |s| invoices::list(&args, s, out).await).await,
        Command::Results(args) => way.ask(async |s| charges::results(&args, s, out).await).await,
        Command::Payment(command) => {
            let outbox = command.outbox();
            let ask = async |session: &mut Session| payment::run(command, session, out).await;
            Way { outbox: outbox.as_deref(), ..way }.ask(ask).await
        }
        Command::Couples(args) => way.ask(async |s| couples::run(&args, s, out).await).await,
        Command::Follow(args) => way.ask(async |s| follow::run(&args, s, out).await).await,
        Command::Head => way.ask(async |s| log_care::head(s, out).await).await,
        Command::Verify(args) if args.bundle.is_some() => verify_bundle::run(&args, out),
        Command::Verify(args) => log_care::verify(args, global, out).await,
        Command::Rebuild => {
            let ask = async |session: &mut Session| log_care::rebuild(session, out).await;
            Way { missing: Missing::RefuseThatAlone, ..way }.ask(ask).await
        }
        Command::Audit(args) => way.ask(async |s| audit::run(&args, s, out).await).await,
        Command::Hold(args) => way.ask(async |s| privacy::hold(&args, s, out).await).await,
        Command::Release(args) => way.ask(async |s| privacy::release(&args, s, out).await).await,
        Command::Erase(args) => way.ask(async |s| privacy::erase(&args, s, out).await).await,
        Command::Retention(limit) => {
            way.ask(async |s| privacy::retention(limit, s, out).await).await
        }
        Command::Looks(args) => way.ask(async |s| looks::run(&args, s, out).await).await,
        Command::Evidence(command) => way.ask(async |s| evidence::run(command, s, out).await).await,
        Command::FirmKeys(command) => firm_keys::run(&command, global, out).await,
        Command::Checkpoint(command) => {
            way.ask(async |s| checkpoint::run(command, s, out).await).await
        }
        Command::Export(args) => way.ask(async |s| export::run(args, s, out).await).await,
        Command::Prove(args) => way.ask(async |s| prove::run(&args, s, out).await).await,
        Command::Keys(command) => way.ask(async |s| keys::run(command, s, out).await).await,
        Command::Tokens(command) => way.ask(async |s| tokens::run(command, s, out).await).await,
    }
}
