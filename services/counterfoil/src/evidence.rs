//! Where scans and letters are kept: what is named, or a folder beside the database's file.

use anyhow::Context;
use vault::{BlobStore, StorageError};

use crate::cli::Global;
use crate::embedded::Database;
use crate::exit::Stop;

/// The folder beside a file, if nothing is named.
const FOLDER: &str = "evidence";

/// Where the evidence of a database is kept; nowhere, of one on a server, unless it is said.
pub(crate) fn store_of(global: &Global, database: &Database) -> anyhow::Result<Option<BlobStore>> {
    match (&global.evidence, database) {
        (Some(name), _) => match BlobStore::named(name, environment()) {
            Err(StorageError::Name) => {
                Err(Stop::usage(format!("--evidence {name}: {}", StorageError::Name)))
            }
            named => named.map(Some).context("evidence cannot be kept there"),
        },
        (None, Database::Sqlite(path)) => {
            Ok(Some(BlobStore::in_folder(path.with_file_name(FOLDER))))
        }
        (None, Database::Postgres(_)) => Ok(None),
    }
}

/// What the environment says of how a bucket is reached.
fn environment() -> impl Iterator<Item = (String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
}
