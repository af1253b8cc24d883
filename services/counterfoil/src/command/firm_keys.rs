//! `firm-keys`: the keys that personal values are sealed under.

use clap::Subcommand;
use log::Ids as _;
use vault::source::{KeyFile, KeySource as _};

use crate::cli::Global;
use crate::embedded::{self, Database};
use crate::exit::{Exit, Stop};
use crate::keys;
use crate::out::Out;

/// What to do with firm keys.
#[derive(Subcommand)]
pub(crate) enum FirmKeysCommand {
    /// Add a new key to the key file, made if it is not there: it is in use from the next start on
    Add,
    /// Wrap every client's and signing key anew under the key in use, so that earlier ones can be taken away. No
    /// event is touched, and servers may go on meanwhile
    Rewrap,
}

/// Runs one.
pub(crate) async fn run(
    command: &FirmKeysCommand,
    global: &Global,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    if global.server.is_some() {
        return Err(Stop::usage("firm keys are kept where the database is: leave --server out"));
    }
    match command {
        FirmKeysCommand::Add => add(global, out),
        FirmKeysCommand::Rewrap => rewrap(global, out).await,
    }
}

fn add(global: &Global, out: &mut Out) -> anyhow::Result<Exit> {
    let file = match (&global.key_file, Database::parse(&global.database)?) {
        (Some(path), _) => KeyFile(path.clone()),
        (None, Database::Sqlite(path)) => KeyFile(keys::beside(&path)),
        (None, Database::Postgres(_)) => {
            return Err(Stop::usage("name the file of the firm keys with --key-file"));
        }
    };
    file.add(log::UuidV7Ids::new().key())?;
    let current = file.keys()?;
    out.line(format!("Key {} is the last of {}.", current.current().id(), file.0.display()))?;
    out.note(
        "Keep a copy where no backup of the database lies: without it nothing personal can be read. \
         Restart the servers, then: counterfoil firm-keys rewrap",
    )?;
    Ok(Exit::Done)
}

async fn rewrap(global: &Global, out: &mut Out) -> anyhow::Result<Exit> {
    let database = Database::parse(&global.database)?;
    database.must_exist()?;
    let firm_keys = keys::firm_keys(global, &database)?;
    let current = firm_keys.current().id();
    let opened = embedded::open(&database, firm_keys.clone(), None, embedded::own_limits());
    let (ledger, store) = opened.await?;
    let mut done = 0;
    for firm in store.firms().await? {
        done += log::rewrap(&**store, firm, &firm_keys).await?;
        done += u64::from(ledger.rewrap_signing_key(firm).await?);
    }
    ledger.shutdown().await;
    store.close().await;
    out.line(format!("{done} keys are wrapped anew, under {current}."))?;
    Ok(Exit::Done)
}
