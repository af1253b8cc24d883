//! What refuses changes in the file, held against a file that was just made.

use std::collections::BTreeMap;

use log::StoreError;
use sqlx::SqlitePool;
use sqlx::sqlite::SqlitePoolOptions;

use super::Sqlite;
use super::connect::MIGRATOR;
use super::error::failed;
use super::statements::GUARDS;

/// Triggers that are missing, or read otherwise than the migrations write them.
pub(super) async fn guards_missing(sqlite: &Sqlite) -> Result<Vec<String>, StoreError> {
    // One connection, since each would have a database of its own.
    let pool = SqlitePoolOptions::new().max_connections(1);
    let fresh = pool.connect("sqlite::memory:").await.map_err(failed)?;
    let made = MIGRATOR.run(&fresh).await;
    made.map_err(|error| StoreError::Internal {
        what: "a database to compare with cannot be made".into(),
        source: Some(Box::new(error)),
    })?;
    let (wanted, found) = (guards(&fresh).await?, guards(&sqlite.readers).await?);
    fresh.close().await;
    let differs = |(name, text): &(String, String)| found.get(name) != Some(text);
    Ok(wanted.into_iter().filter(differs).map(|(name, _)| name).collect())
}

async fn guards(pool: &SqlitePool) -> Result<BTreeMap<String, String>, StoreError> {
    let rows: Vec<(String, String)> =
        sqlx::query_as(GUARDS).fetch_all(pool).await.map_err(failed)?;
    Ok(rows.into_iter().collect())
}
