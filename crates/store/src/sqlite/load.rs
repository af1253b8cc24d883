//! Reading the log: by position, and by stream.

use std::collections::HashMap;

use async_trait::async_trait;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use log::{
    Beside, Head, KeptSnapshot, LoadedStream, LogStore, Plan, Remembered, StoreError, Stored,
    StreamEnd,
};
use proof::Hash;
use sqlx::Row as _;
use uuid::Uuid;

use super::append::{head_of, transact};
use super::error::failed;
use super::guards::guards_missing;
use super::snapshot::inflate;
use super::statements::{BESIDE, FIRMS, HEAD, LEAVES, READ, REMEMBERED};
use super::streams::{NO_STATE_VERSION, at_most, load, load_by};
use super::{Sqlite, malformed};
use crate::beside::{self, corrupt, leaf_of};
use crate::value::Value;

/// Bytes of bodies after which a page ends early.
const PAGE_BYTES_MAX: usize = 16 << 20;
/// Events of one packed row.
const EVENTS_PER_ROW: usize = 256;

#[async_trait]
impl LogStore for Sqlite {
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        transact(self, firm, known_position, requests, plan).await
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let query = sqlx::query(HEAD).bind(firm.0.as_bytes().to_vec());
        head_of(&query.fetch_one(&mut *reader).await.map_err(failed)?)
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        let stored = |position, bytes: &[u8]| Ok(Stored { position, bytes: bytes.to_vec() });
        let events = self.page(READ, firm, (after, limit), stored).await?;
        self.rows_read.add(events.len());
        Ok(events)
    }

    async fn leaves(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Hash>, StoreError> {
        self.page(LEAVES, firm, (after, limit), leaf_of).await
    }

    async fn beside(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Beside>, StoreError> {
        self.page(BESIDE, firm, (after, limit), beside_of).await
    }

    async fn remembered(
        &self,
        firm: FirmId,
        requests: &[RequestId],
    ) -> Result<HashMap<RequestId, Remembered>, StoreError> {
        let ids = Value::Ids(requests.iter().map(|request| request.0).collect());
        beside::remembered(self, REMEMBERED, vec![Value::Id(firm.0), ids]).await
    }

    async fn remembered_from(
        &self,
        firm: FirmId,
        from: RequestId,
        limit: usize,
    ) -> Result<Vec<(RequestId, Remembered)>, StoreError> {
        beside::remembered_from(self, firm, from, limit).await
    }

    async fn ends_after(
        &self,
        firm: FirmId,
        after: Option<StreamId>,
        limit: usize,
    ) -> Result<Vec<StreamEnd>, StoreError> {
        beside::ends_after(self, firm, after, limit).await
    }

    async fn load(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let loaded = load(&mut reader, firm, streams, up_to).await?;
        self.rows_read.add(loaded.iter().map(|loaded| loaded.events.len()).sum());
        Ok(loaded)
    }

    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        load_by(&mut reader, firm, streams, (up_to, NO_STATE_VERSION)).await
    }

    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError> {
        let mut kept = beside::snapshots_after(self, firm, after, limit).await?;
        for kept in &mut kept {
            kept.bytes = inflate(&kept.bytes);
        }
        Ok(kept)
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let rows = sqlx::query(FIRMS).fetch_all(&mut *reader).await.map_err(failed)?;
        let firm = |row: &sqlx::sqlite::SqliteRow| {
            let id = Uuid::from_slice(row.try_get(0).map_err(failed)?);
            id.map(FirmId).map_err(|_| malformed("a firm's id"))
        };
        rows.iter().map(firm).collect()
    }

    async fn guards_missing(&self) -> Result<Vec<String>, StoreError> {
        guards_missing(self).await
    }
}

impl Sqlite {
    /// One column of the log, by position. It ends early once it is large.
    async fn page<T>(
        &self,
        statement: &'static str,
        firm: FirmId,
        (mut after, limit): (u64, usize),
        read: impl Fn(u64, &[u8]) -> Result<T, StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let (mut page, mut bytes) = (Vec::new(), 0);
        while page.len() < limit && bytes < PAGE_BYTES_MAX {
            let wanted = (limit - page.len()).min(EVENTS_PER_ROW);
            let query = sqlx::query(statement)
                .bind(firm.0.as_bytes().to_vec())
                .bind(at_most(after))
                .bind(i64::try_from(wanted).unwrap_or(i64::MAX));
            let row = query.fetch_one(&mut *reader).await.map_err(failed)?;
            let found = unpack(&row)?;
            for (position, body) in &found {
                page.push(read(*position, body)?);
                (after, bytes) = (*position, bytes + body.len());
            }
            if found.len() < wanted {
                break;
            }
        }
        Ok(page)
    }
}

/// The positions and bodies of one packed row.
fn unpack(row: &sqlx::sqlite::SqliteRow) -> Result<Vec<(u64, &[u8])>, StoreError> {
    let Some(positions) = row.try_get::<Option<&str>, _>(0).map_err(failed)? else {
        return Ok(Vec::new());
    };
    let lengths: &str = row.try_get(1).map_err(failed)?;
    let mut bodies: &[u8] = row.try_get(2).map_err(failed)?;
    let mut found = Vec::with_capacity(EVENTS_PER_ROW);
    for (position, length) in positions.split(' ').zip(lengths.split(' ')) {
        let (Ok(position), Ok(length)) = (position.parse(), length.parse()) else {
            return Err(malformed("a position and a length"));
        };
        let body = bodies.split_at_checked(length);
        let (body, later) = body.ok_or_else(|| malformed("as long as it says"))?;
        bodies = later;
        found.push((position, body));
    }
    Ok(found)
}

/// A leaf hash, and the columns as text behind it.
fn beside_of(position: u64, bytes: &[u8]) -> Result<Beside, StoreError> {
    let (leaf, columns) =
        bytes.split_first_chunk::<32>().ok_or_else(|| corrupt(position, "the leaf is no hash"))?;
    let columns = std::str::from_utf8(columns)
        .map_err(|_| corrupt(position, "a column beside the event is no text"))?;
    Ok(Beside { leaf: Hash::from(*leaf), columns: columns.to_owned() })
}
