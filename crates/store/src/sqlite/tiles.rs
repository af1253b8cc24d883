//! Writing tiles.

use async_trait::async_trait;
use domain::ids::FirmId;
use log::{LogStore as _, StoreError, Stored, Tile, TileStore};
use proof::Hash;
use sqlx::SqliteConnection;

use super::error::failed;
use super::write::End;
use super::{Sqlite, Writer, signed};
use crate::tile;

/// One that is there already is the same.
pub(super) const KEEP_TILE: &str = "INSERT INTO tile (firm, level, tile_index, root, hashes) \
    VALUES ($1, $2, $3, $4, $5) ON CONFLICT (firm, level, tile_index) DO NOTHING";

#[async_trait]
impl TileStore for Sqlite {
    async fn tiles_kept(&self, firm: FirmId) -> Result<u64, StoreError> {
        tile::kept(self, firm).await
    }

    async fn tile(&self, firm: FirmId, level: u8, index: u64) -> Result<Option<Tile>, StoreError> {
        tile::tile(self, firm, level, index).await
    }

    async fn tile_roots(
        &self,
        firm: FirmId,
        level: u8,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        tile::roots(self, firm, (level, from), limit).await
    }

    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError> {
        let event = self.read(firm, position.saturating_sub(1), 1);
        let (event, tile) = futures::try_join!(event, self.tile(firm, 0, tile))?;
        Ok((event.into_iter().find(|event| event.position == position), tile))
    }

    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
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
