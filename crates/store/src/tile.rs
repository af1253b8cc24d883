//! Tiles of the log's tree: the reads are the same on both engines.

use domain::ids::FirmId;
use log::{StoreError, Tile};
use proof::Hash;

use crate::engine::{Engine, fetch};
use crate::statement::statements;
use crate::value::Value;

statements! {
    KEPT = "SELECT COALESCE(MAX(tile_index) + 1, 0) FROM tile WHERE firm = $1 AND level = 0";
    TILE = "SELECT root, hashes FROM tile WHERE firm = $1 AND level = $2 AND tile_index = $3";
    ROOTS = "SELECT root FROM tile WHERE firm = $1 AND level = $2 AND tile_index >= $3 \
        AND tile_index < $4 ORDER BY tile_index";
}

fn key(firm: FirmId, level: u8, index: u64) -> Vec<Value> {
    vec![Value::Id(firm.0), Value::Integer(level.into()), at(index)]
}

/// An index as a parameter; one beyond every column's range is behind every tile.
fn at(index: u64) -> Value {
    Value::Integer(i64::try_from(index).unwrap_or(i64::MAX))
}

/// See [`log::TileStore::tiles_kept`].
pub(crate) async fn kept(engine: &dyn Engine, firm: FirmId) -> Result<u64, StoreError> {
    let kept = fetch(engine, &KEPT, vec![Value::Id(firm.0)]).await?;
    Ok(kept.into_iter().next().unwrap_or(0))
}

/// See [`log::TileStore::tile`].
pub(crate) async fn tile(
    engine: &dyn Engine,
    firm: FirmId,
    level: u8,
    index: u64,
) -> Result<Option<Tile>, StoreError> {
    let rows: Vec<(Hash, Vec<u8>)> = fetch(engine, &TILE, key(firm, level, index)).await?;
    let row = rows.into_iter().next();
    row.map(|(root, hashes)| Tile::from_stored(level, index, root, &hashes)).transpose()
}

/// See [`log::TileStore::tile_roots`].
pub(crate) async fn roots(
    engine: &dyn Engine,
    firm: FirmId,
    (level, from): (u8, u64),
    limit: usize,
) -> Result<Vec<Hash>, StoreError> {
    let mut arguments = key(firm, level, from);
    arguments.push(at(from.saturating_add(u64::try_from(limit).unwrap_or(u64::MAX))));
    fetch(engine, &ROOTS, arguments).await
}
