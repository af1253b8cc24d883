//! `backup`.

use std::fs::File;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;
use store::Store;
use tempfile::TempPath;

use crate::cli::Global;
use crate::embedded::Database;
use crate::exit::{Exit, Stop};
use crate::newfile::{folder_of, must_be_new, private_folder};
use crate::out::Out;

/// Where to.
#[derive(Args)]
pub(crate) struct BackupArgs {
    /// The new file; one that is there is not overwritten
    #[arg(value_name = "FILE")]
    file: PathBuf,
}

/// Copies an SQLite database into a new file as it stands at one moment, though a server goes on
/// writing to it.
pub(crate) async fn run(global: &Global, args: &BackupArgs, out: &mut Out) -> anyhow::Result<Exit> {
    if global.server.is_some() {
        return Err(Stop::usage("a backup is made where the database is: leave --server out"));
    }
    let database = Database::parse(&global.database)?;
    let Database::Sqlite(path) = &database else {
        return Err(Stop::usage(
            "the backups of a PostgreSQL database are its server's: see ops/backup.md",
        ));
    };
    database.must_exist()?;
    must_be_new(&args.file)?;
    let store = Store::open(path).await?;
    let copied = copy(&store, &args.file).await;
    store.close().await;
    copied.with_context(|| format!("{} was not made", args.file.display()))?;
    out.note(format!(
        "{} is a whole database: verify it, then keep it safe.",
        args.file.display()
    ))?;
    Ok(Exit::Done)
}

/// A copy that is cut short leaves nothing under the name asked for: it is made in a folder of its own
/// beside it, and named when it is whole and on disk.
async fn copy(store: &Store, file: &Path) -> anyhow::Result<()> {
    let beside = folder_of(file);
    let folder = private_folder(beside)?;
    let unnamed = folder.path().join("backup.db");
    store.copy_to(&unnamed).await?;
    File::open(&unnamed)?.sync_all()?;
    TempPath::try_from_path(unnamed)?.persist_noclobber(file)?;
    Ok(File::open(beside)?.sync_all()?)
}
