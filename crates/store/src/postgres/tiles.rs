//! Writing tiles.

use domain::ids::FirmId;
use log::{StoreError, Tile};
use sqlx::PgConnection;

use super::error::failed;
use super::write::{End, Transaction};
use super::{Postgres, signed};

/// One that is there already is the same.
pub(super) const KEEP_TILES: &str = "INSERT INTO tile (firm, level, tile_index, root, hashes) \
    SELECT $1, u.* FROM UNNEST($2::bigint[], $3::bigint[], $4::bytea[], $5::bytea[]) u \
    ON CONFLICT (firm, level, tile_index) DO NOTHING";

impl Postgres {
    pub(crate) async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
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
