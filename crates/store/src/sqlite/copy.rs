//! A copy of the whole database, as it stands at one moment.

use std::path::Path;

use sqlx::Connection as _;

use super::Sqlite;
use crate::error::OpenError;

/// Writes everything that is committed into a new file, while others go on reading and writing.
pub(super) async fn copy_to(sqlite: &Sqlite, path: &Path) -> Result<(), OpenError> {
    make_file(path).map_err(|source| OpenError::Unreadable { path: path.to_owned(), source })?;
    let failed =
        |source: sqlx::Error| OpenError::Copy { path: path.to_owned(), source: Box::new(source) };
    let target = path.to_str().ok_or_else(|| OpenError::Unreadable {
        path: path.to_owned(),
        source: std::io::Error::other("the path is not UTF-8"),
    })?;
    let mut connection = sqlite.connect_to_copy().await.map_err(failed)?;
    let copied = sqlx::query("VACUUM INTO $1").bind(target).execute(&mut connection).await;
    let closed = connection.close().await;
    copied.map_err(failed)?;
    closed.map_err(failed)
}

/// Makes the empty file that SQLite writes into, readable by its owner alone as every database here.
fn make_file(path: &Path) -> std::io::Result<()> {
    let mut file = std::fs::OpenOptions::new();
    file.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut file, 0o600);
    file.open(path).map(|_| ())
}
