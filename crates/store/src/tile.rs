//! Tiles of the log's tree: the reads are the same on both engines.

use async_trait::async_trait;
use domain::ids::FirmId;
use log::{LogStore as _, StoreError, Stored, Tile, TileStore};
use proof::Hash;

use crate::statement::statements;
use crate::store::{Behind, Store};
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

#[async_trait]
impl TileStore for Store {
    async fn tiles_kept(&self, firm: FirmId) -> Result<u64, StoreError> {
        Ok(self.fetch_one(&KEPT, vec![Value::Id(firm.0)]).await?.unwrap_or(0))
    }

    async fn tile(&self, firm: FirmId, level: u8, index: u64) -> Result<Option<Tile>, StoreError> {
        let row: Option<(Hash, Vec<u8>)> = self.fetch_one(&TILE, key(firm, level, index)).await?;
        row.map(|(root, hashes)| Tile::from_stored(level, index, root, &hashes)).transpose()
    }

    async fn event_and_tile(
        &self,
        firm: FirmId,
        position: u64,
        tile: u64,
    ) -> Result<(Option<Stored>, Option<Tile>), StoreError> {
        if let Behind::Postgres(postgres) = &self.engine {
            return postgres.event_and_tile(firm, position, tile).await;
        }
        let event = self.read(firm, position.saturating_sub(1), 1);
        let (event, tile) = futures::try_join!(event, self.tile(firm, 0, tile))?;
        Ok((event.into_iter().find(|event| event.position == position), tile))
    }

    async fn tile_roots(
        &self,
        firm: FirmId,
        level: u8,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        let mut arguments = key(firm, level, from);
        arguments.push(at(from.saturating_add(u64::try_from(limit).unwrap_or(u64::MAX))));
        self.fetch(&ROOTS, arguments).await
    }

    async fn keep_tiles(&self, firm: FirmId, tiles: &[Tile]) -> Result<(), StoreError> {
        match &self.engine {
            Behind::Sqlite(sqlite) => sqlite.keep_tiles(firm, tiles).await,
            Behind::Postgres(postgres) => postgres.keep_tiles(firm, tiles).await,
        }
    }
}
