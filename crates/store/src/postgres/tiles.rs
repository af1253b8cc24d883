//! Writing tiles.

use async_trait::async_trait;
use domain::ids::FirmId;
use log::{StoreError, Stored, Tile, TileStore};
use proof::Hash;
use sqlx::{PgConnection, Row as _};

use super::error::failed;
use super::statements::{EVENT_COLUMNS, event_and_tile};
use super::write::{End, Transaction, ask};
use super::{Postgres, malformed, signed};
use crate::tile;

/// One that is there already is the same.
pub(super) const KEEP_TILES: &str = "INSERT INTO tile (firm, level, tile_index, root, hashes) \
    SELECT $1, u.* FROM UNNEST($2::bigint[], $3::bigint[], $4::bytea[], $5::bytea[]) u \
    ON CONFLICT (firm, level, tile_index) DO NOTHING";

#[async_trait]
impl TileStore for Postgres {
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

    /// In one journey: what names the firm, and both statements, go together.
    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError> {
        let text = event_and_tile(firm, signed(position)?, signed(tile)?);
        let (mut event, mut found) = (None, None);
        for row in ask(&self.readers, &text).await? {
            if row.len() == EVENT_COLUMNS {
                let bytes = row.try_get(1).map_err(failed)?;
                event = Some(Stored { position, bytes });
            } else {
                let (root, hashes): (Vec<u8>, Vec<u8>) =
                    (row.try_get(0).map_err(failed)?, row.try_get(1).map_err(failed)?);
                let root: [u8; 32] = root.try_into().map_err(|_| malformed("a root"))?;
                found = Some(Tile::from_stored(0, tile, root.into(), &hashes)?);
            }
        }
        Ok((event, found))
    }

    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
        let mut transaction = Transaction::begin(&self.projection, firm).await?;
        let result = keep(transaction.connection(), firm, tiles).await;
        transaction.end(result.map(End::Commit)).await
    }
}

pub(super) async fn keep(
    connection: &mut PgConnection,
    firm: FirmId,
    tiles: &[Tile],
) -> Result<(), StoreError> {
    if tiles.is_empty() {
        return Ok(());
    }
    let levels: Vec<i64> = tiles.iter().map(|tile| i64::from(tile.level)).collect();
    let indexes: Result<Vec<i64>, _> = tiles.iter().map(|tile| signed(tile.index)).collect();
    let roots: Vec<&[u8]> = tiles.iter().map(|tile| tile.root.as_bytes().as_slice()).collect();
    let hashes: Vec<Vec<u8>> = tiles.iter().map(Tile::bytes).collect();
    let query = sqlx::query(KEEP_TILES).bind(firm.0).bind(levels).bind(indexes?);
    query.bind(roots).bind(hashes).execute(connection).await.map_err(failed).map(|_| ())
}
