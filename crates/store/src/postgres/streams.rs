//! Loading streams, to be folded.

use std::collections::HashMap;

use domain::event::StreamId;
use domain::ids::FirmId;
use domain::sealing::holder_of;
use domain::world::STATE_VERSION;
use futures::TryStreamExt;
use log::{LoadedStream, Snapshot, StoreError, Stored, folds_from_last};
use sqlx::postgres::PgRow;
use sqlx::{PgConnection, Row as _};
use uuid::Uuid;

use super::error::failed;
use super::statements::{SNAPSHOTS, STREAMS};
use super::{malformed, unsigned};

/// Streams of one query.
const STREAMS_PER_QUERY: usize = 256;
/// No code folds by it: versions are counted from 1.
pub(super) const NO_STATE_VERSION: u32 = 0;

/// A position as a parameter; one beyond every column's range is behind every event.
pub(super) fn at_most(position: u64) -> i64 {
    i64::try_from(position).unwrap_or(i64::MAX)
}

/// Loads streams. Snapshots are read first; since events never change, one that is replaced in
/// between is as good as the one that replaces it.
pub(super) async fn load(
    connection: &mut PgConnection,
    firm: FirmId,
    streams: &[StreamId],
    up_to: u64,
) -> Result<Vec<LoadedStream>, StoreError> {
    load_by(connection, firm, streams, (up_to, STATE_VERSION)).await
}

/// The same by the snapshots of one version of folding.
pub(super) async fn load_by(
    connection: &mut PgConnection,
    firm: FirmId,
    streams: &[StreamId],
    (up_to, state_version): (u64, u32),
) -> Result<Vec<LoadedStream>, StoreError> {
    let mut loaded = Vec::with_capacity(streams.len());
    for some in streams.chunks(STREAMS_PER_QUERY) {
        loaded.extend(load_some(connection, firm, some, (up_to, state_version)).await?);
    }
    Ok(loaded)
}

async fn load_some(
    connection: &mut PgConnection,
    firm: FirmId,
    streams: &[StreamId],
    (up_to, state_version): (u64, u32),
) -> Result<Vec<LoadedStream>, StoreError> {
    let mut loaded: Vec<LoadedStream> = streams.iter().copied().map(LoadedStream::empty).collect();
    let people: Vec<Option<Uuid>> = streams.iter().map(|stream| holder_of(firm, *stream)).collect();
    let names: Vec<String> = streams.iter().map(StreamId::to_string).collect();
    let query = sqlx::query(SNAPSHOTS)
        .bind(firm.0)
        .bind(&names)
        .bind(i64::from(state_version))
        .bind(at_most(up_to))
        .bind(people);
    let mut snapshots_at = HashMap::new();
    for row in query.fetch_all(&mut *connection).await.map_err(failed)? {
        let to = place(&mut loaded, &row)?;
        to.key = row.try_get(3).map_err(failed)?;
        if let Some(version) = row.try_get::<Option<i64>, _>(1).map_err(failed)? {
            let (version, bytes) = (unsigned(version)?, row.try_get(2).map_err(failed)?);
            to.snapshot = Some(Snapshot { stream: to.stream, version, state_version, bytes });
            snapshots_at.insert(to.stream, row.try_get(4).map_err(failed)?);
        }
    }
    let after = |loaded: &LoadedStream| {
        let after: i64 = snapshots_at.get(&loaded.stream).copied().unwrap_or(0);
        let last_alone = folds_from_last(loaded.stream) && state_version != NO_STATE_VERSION;
        (!last_alone).then_some(after)
    };
    let after: Vec<Option<i64>> = loaded.iter().map(after).collect();
    let keys: Vec<Vec<u8>> = streams.iter().map(|stream| stream.key().to_vec()).collect();
    let query = sqlx::query(STREAMS).bind(firm.0).bind(keys).bind(after).bind(at_most(up_to));
    let mut rows = query.fetch(&mut *connection);
    while let Some(row) = rows.try_next().await.map_err(failed)? {
        let position = unsigned(row.try_get(1).map_err(failed)?)?;
        let bytes: Vec<u8> = row.try_get(2).map_err(failed)?;
        place(&mut loaded, &row)?.events.push(Stored { position, bytes });
    }
    drop(rows);
    for stream in &mut loaded {
        stream.events.sort_by_key(|event| event.position);
    }
    Ok(loaded)
}

/// The stream that a row belongs to: the server counts places from 1.
fn place<'l>(
    loaded: &'l mut [LoadedStream],
    row: &PgRow,
) -> Result<&'l mut LoadedStream, StoreError> {
    let place: i64 = row.try_get(0).map_err(failed)?;
    let at = usize::try_from(place).ok().and_then(|place| place.checked_sub(1));
    at.and_then(|at| loaded.get_mut(at)).ok_or_else(|| malformed("a place in the list asked for"))
}
