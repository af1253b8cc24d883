//! Where the firm keys come from: a file that is named, the environment, or a file beside the database.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use anyhow::Context;
use log::Ids as _;
use vault::FirmKeys;
use vault::source::{KeyFile, KeySource as _, KeyText};
use zeroize::Zeroizing;

use crate::cli::Global;
use crate::embedded::Database;
use crate::exit::Stop;

/// What the environment calls the keys themselves.
pub(crate) const KEYS: &str = "COUNTERFOIL_KEYS";

/// The firm keys of a database. Those of a new file are made beside it.
pub(crate) fn firm_keys(global: &Global, database: &Database) -> anyhow::Result<FirmKeys> {
    match (&global.key_file, &global.firm_keys, database) {
        (Some(path), _, _) => {
            let keys = KeyFile(path.clone()).keys();
            keys.context("personal values can be neither sealed nor opened")
        }
        (None, Some(text), _) => {
            let text = Zeroizing::new(text.clone());
            Ok(KeyText { origin: KEYS.to_owned(), text }.keys()?)
        }
        (None, None, Database::Sqlite(path)) => of_file(path, database.missing_file().is_some()),
        (None, None, Database::Postgres(_)) => Err(Stop::usage(
            "name the file of the firm keys with --key-file; make one: counterfoil firm-keys add",
        )),
    }
}

/// The keys beside a database file.
pub(crate) fn of_file(database: &Path, is_new: bool) -> anyhow::Result<FirmKeys> {
    let file = KeyFile(beside(database));
    if is_new && !file.0.exists() {
        file.add(log::UuidV7Ids::new().key())?;
    }
    if file.0.exists() {
        return Ok(file.keys()?);
    }
    if !is_database(database).with_context(|| format!("cannot read {}", database.display()))? {
        return Err(Stop::unavailable(format!("{} is no SQLite database", database.display())));
    }
    Err(Stop::unavailable(format!(
        "{} has its personal values sealed under firm keys, and {} is not there: name their file with \
         --key-file",
        database.display(),
        file.0.display()
    )))
}

/// Whether a file begins as every SQLite database does (its file format, section 1.3), or is empty, as one is
/// that nothing was written to.
fn is_database(path: &Path) -> std::io::Result<bool> {
    const MAGIC: &[u8] = b"SQLite format 3\0";
    let mut begin = Vec::new();
    File::open(path)?.take(16).read_to_end(&mut begin)?;
    Ok(begin.is_empty() || begin == MAGIC)
}

/// The key file of a database file: its name and `.keys`.
pub(crate) fn beside(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(".keys");
    PathBuf::from(name)
}
