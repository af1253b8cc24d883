//! Loading streams, to be folded.

use std::collections::HashMap;
use std::fmt::Write as _;

use domain::event::StreamId;
use domain::ids::FirmId;
use domain::sealing::holder_of;
use domain::world::STATE_VERSION;
use futures::TryStreamExt;
use log::{LoadedStream, Snapshot, StoreError, Stored, folds_from_last};
use sqlx::{Row as _, SqliteConnection};

use super::error::failed;
use super::snapshot::inflate;
use super::statements::{SNAPSHOTS, STREAMS};
use super::{malformed, unsigned};

/// Streams of one query.
const STREAMS_PER_QUERY: usize = 256;
/// No code folds by it: versions are counted from 1.
pub(super) const NO_STATE_VERSION: u32 = 0;

/// Loads streams. Snapshots are read first; since events never change, one that is replaced in
/// between is as good as the one that replaces it.
pub(super) async fn load(
    connection: &mut SqliteConnection,
    firm: FirmId,
    streams: &[StreamId],
    up_to: u64,
) -> Result<Vec<LoadedStream>, StoreError> {
    load_by(connection, firm, streams, (up_to, STATE_VERSION)).await
}

/// The same by the snapshots of one version of folding.
pub(super) async fn load_by(
    connection: &mut SqliteConnection,
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
    connection: &mut SqliteConnection,
    firm: FirmId,
    streams: &[StreamId],
    (up_to, state_version): (u64, u32),
) -> Result<Vec<LoadedStream>, StoreError> {
    let mut loaded: Vec<LoadedStream> = streams.iter().copied().map(LoadedStream::empty).collect();
    let names = json_list(streams.iter().map(|stream| {
        let holder = holder_of(firm, *stream).map(|holder| holder.simple().to_string());
        format!("[\"{stream}\",\"{}\"]", holder.unwrap_or_default())
    }));
    let query = sqlx::query(SNAPSHOTS)
        .bind(firm.0.as_bytes().to_vec())
        .bind(names)
        .bind(i64::from(state_version))
        .bind(at_most(up_to));
    let mut snapshots_at = HashMap::new();
    let mut rows = query.fetch(&mut *connection);
    while let Some(row) = rows.try_next().await.map_err(failed)? {
        let to = place(&mut loaded, row.try_get(0).map_err(failed)?)?;
        to.key = row.try_get(3).map_err(failed)?;
        if let Some(version) = row.try_get::<Option<i64>, _>(1).map_err(failed)? {
            let (version, bytes) = (unsigned(version)?, inflate(row.try_get(2).map_err(failed)?));
            to.snapshot = Some(Snapshot { stream: to.stream, version, state_version, bytes });
            snapshots_at.insert(to.stream, unsigned(row.try_get(4).map_err(failed)?)?);
        }
    }
    drop(rows);
    let wanted = json_list(loaded.iter().map(|loaded| {
        let after = snapshots_at.get(&loaded.stream).copied().unwrap_or(0);
        let last_alone = folds_from_last(loaded.stream) && state_version != NO_STATE_VERSION;
        let after = if last_alone { "null" } else { &after.to_string() };
        format!("[\"{}\",{after}]", hex_of(&loaded.stream.key()))
    }));
    let query =
        sqlx::query(STREAMS).bind(firm.0.as_bytes().to_vec()).bind(wanted).bind(at_most(up_to));
    let mut rows = query.fetch(&mut *connection);
    while let Some(row) = rows.try_next().await.map_err(failed)? {
        let to = place(&mut loaded, row.try_get(0).map_err(failed)?)?;
        to.events.push(stored(&row, 1)?);
    }
    drop(rows);
    for stream in &mut loaded {
        stream.events.sort_by_key(|event| event.position);
    }
    Ok(loaded)
}

fn place(loaded: &mut [LoadedStream], key: i64) -> Result<&mut LoadedStream, StoreError> {
    let place = usize::try_from(key).ok();
    place
        .and_then(|at| loaded.get_mut(at))
        .ok_or_else(|| malformed("a place in the list asked for"))
}

fn hex_of(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        write!(text, "{byte:02x}").expect("a string takes any text");
    }
    text
}

/// A JSON array of elements that are JSON already.
pub(super) fn json_list(elements: impl Iterator<Item = String>) -> String {
    let elements: Vec<String> = elements.collect();
    format!("[{}]", elements.join(","))
}

/// A position as a parameter; one beyond every column's range is behind every event.
pub(super) fn at_most(position: u64) -> i64 {
    i64::try_from(position).unwrap_or(i64::MAX)
}

pub(super) fn stored(row: &sqlx::sqlite::SqliteRow, at: usize) -> Result<Stored, StoreError> {
    let position = unsigned(row.try_get(at).map_err(failed)?)?;
    let bytes: Vec<u8> = row.try_get(at + 1).map_err(failed)?;
    Ok(Stored { position, bytes })
}
