//! Writing tiles.

use domain::ids::FirmId;
use log::{StoreError, Tile};
use sqlx::SqliteConnection;

use super::error::failed;
use super::write::End;
use super::{Sqlite, Writer, signed};

/// One that is there already is the same.
pub(super) const KEEP_TILE: &str = "INSERT INTO tile (firm, level, tile_index, root, hashes) \
    VALUES ($1, $2, $3, $4, $5) ON CONFLICT (firm, level, tile_index) DO NOTHING";

impl Sqlite {
    pub(crate) async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
        let mut transaction = self.begin(Writer::Projection).await?;
        let result = keep(&mut transaction.connection, firm, tiles).await;
        self.end(transaction, result.map(End::Commit)).await
    }
}

pub(super) async fn keep(
    connection: &mut SqliteConnection,
    firm: FirmId,
    tiles: &[Tile],
) -> Result<(), StoreError> {
    for tile in tiles {
        let query = sqlx::query(KEEP_TILE)
            .bind(firm.0.as_bytes().to_vec())
            .bind(i64::from(tile.level))
            .bind(signed(tile.index)?)
            .bind(tile.root.as_bytes().to_vec())
            .bind(tile.bytes());
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    Ok(())
}
