//! What tests of several crates need: firm keys, a caller that keeps to nothing, and PostgreSQL, as a
//! database of a test's own on the cluster that all tests share, or a whole cluster of its own for a
//! test that stops, fills or copies one.
//!
//! Everything here panics on the first thing that does not work: a test that cannot go on stops.

#![allow(clippy::missing_panics_doc, reason = "the crate's documentation says it once")]

mod cluster;
mod database;
pub mod stranger;

pub use cluster::{Cluster, Stop};
pub use database::{Database, shared_cluster};

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use vault::{FirmKey, FirmKeys};

/// The firm keys that every test seals under, so that one process of a test opens what another sealed.
pub fn firm_keys() -> FirmKeys {
    FirmKeys::new(FirmKey::from_bytes([7; 32]))
}

/// A copy of a secret in a folder, that its owner alone may read: a checkout gives files to everybody, and
/// the program takes no secret from such a file.
pub fn secret_copy(of: &Path, folder: &Path) -> PathBuf {
    let copy = folder.join(of.file_name().expect("a secret is a file"));
    let secret = std::fs::read(of).expect("the secret can be read");
    let mut file = std::fs::File::options();
    file.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut file, 0o600);
    let file = file.open(&copy).and_then(|mut file| file.write_all(&secret));
    file.expect("the copy can be written");
    copy
}

/// Runs a statement with the server's own client, and gives what it printed, without decoration.
fn psql(url: &str, statement: &str) -> String {
    printed(client(url, statement))
}

/// The same; nothing if it fails.
fn try_psql(url: &str, statement: &str) -> Option<String> {
    let output = client(url, statement).output().expect("psql runs");
    let text = || String::from_utf8_lossy(&output.stdout).trim_end().to_owned();
    output.status.success().then(text)
}

fn client(url: &str, statement: &str) -> Command {
    let mut psql = Command::new("psql");
    psql.args(["--quiet", "--no-psqlrc", "--tuples-only", "--no-align"]);
    psql.args(["--set", "ON_ERROR_STOP=1", "--dbname", url, "--command", statement]);
    psql
}

/// What a command printed; it has to succeed.
fn printed(mut command: Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(
        output.status.success(),
        "{command:?}: {}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).trim_end().to_owned()
}

/// The URL of another database on the same server.
fn beside(url: &str, name: &str) -> String {
    let (place, options) = url.split_once('?').unwrap_or((url, ""));
    let (server, _) = place.rsplit_once('/').expect("a URL names a database");
    format!("{server}/{name}?{options}")
}
