//! Reading the log: by position, and by stream.

use std::collections::HashMap;

use async_trait::async_trait;
use calendar::CivilDate;
use domain::event::StreamId;
use domain::ids::{FirmId, RequestId};
use domain::world::STATE_VERSION;
use futures::TryStreamExt;
use futures::future::try_join_all;
use log::{
    Beside, Head, KeptSnapshot, Landing, LoadedStream, LogStore, Plan, Remembered, StoreError,
    Stored, StreamEnd, columns_text,
};
use proof::Hash;
use sqlx::postgres::PgRow;
use sqlx::{PgConnection, Row as _};
use uuid::Uuid;

use super::append::{last_event, stored_head, transact, transact_at};
use super::error::failed;
use super::guards::guards_missing;
use super::statements::{BESIDE, FIRMS, HEAD, LEAVES, NAME_NOBODY, NEXT, READ, REMEMBERED};
use super::streams::{NO_STATE_VERSION, at_most, load_by};
use super::write::lend;
use super::{Postgres, unsigned};
use crate::beside::{self, leaf_of};
use crate::value::Value;

/// Bytes of bodies after which a page ends early.
const PAGE_BYTES_MAX: usize = 16 << 20;
/// Events of one query, so that a page that ends early has not asked for many more.
const EVENTS_PER_QUERY: usize = 1_024;
/// Streams that one connection loads before others help.
const STREAMS_ALONE_MAX: usize = 8;
/// Connections that load streams together. What is not in memory is waited for page by page, and so at
/// several places at once.
const CONNECTIONS_PER_LOAD: usize = 4;

#[async_trait]
impl LogStore for Postgres {
    async fn transact(
        &self,
        firm: FirmId,
        known_position: u64,
        requests: &[RequestId],
        plan: &mut dyn Plan,
    ) -> Result<(), StoreError> {
        transact(self, firm, known_position, requests, plan).await
    }

    async fn transact_at(
        &self,
        firm: FirmId,
        believed: &Head,
        plan: &mut dyn Plan,
    ) -> Result<Landing, StoreError> {
        transact_at(self, firm, believed, plan).await
    }

    async fn head(&self, firm: FirmId) -> Result<Head, StoreError> {
        let mut reader = self.reader(firm).await?;
        let query = sqlx::query(HEAD).bind(firm.0);
        let row = query.fetch_one(&mut *reader).await.map_err(failed)?;
        let stored = match row.try_get::<Option<i64>, _>(0).map_err(failed)? {
            None => None,
            Some(_) => Some(stored_head(&row)?),
        };
        let last = match row.try_get::<Option<i64>, _>(5).map_err(failed)? {
            None => None,
            Some(_) => Some(last_event(&row, 5)?),
        };
        Head::from_stored(stored, last)
    }

    async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, StoreError> {
        let stored = |position, row: &PgRow| {
            let bytes = bytes_of(row)?;
            Ok((Stored { position, bytes: bytes.to_vec() }, bytes.len()))
        };
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
        let leaf = |position, row: &PgRow| {
            let bytes = bytes_of(row)?;
            Ok((leaf_of(position, bytes)?, bytes.len()))
        };
        self.page(LEAVES, firm, (after, limit), leaf).await
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
        let loaded = self.load_together(firm, streams, (up_to, STATE_VERSION)).await?;
        self.rows_read.add(loaded.iter().map(|loaded| loaded.events.len()).sum());
        Ok(loaded)
    }

    async fn load_from_first(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        up_to: u64,
    ) -> Result<Vec<LoadedStream>, StoreError> {
        self.load_together(firm, streams, (up_to, NO_STATE_VERSION)).await
    }

    async fn snapshots_after(
        &self,
        firm: FirmId,
        after: &str,
        limit: usize,
    ) -> Result<Vec<KeptSnapshot>, StoreError> {
        beside::snapshots_after(self, firm, after, limit).await
    }

    async fn firms(&self) -> Result<Vec<FirmId>, StoreError> {
        let mut reader = lend(&self.readers, NAME_NOBODY).await?;
        let firms: Vec<Uuid> =
            sqlx::query_scalar(FIRMS).fetch_all(&mut *reader).await.map_err(failed)?;
        Ok(firms.into_iter().map(FirmId).collect())
    }

    async fn guards_missing(&self) -> Result<Vec<String>, StoreError> {
        guards_missing(self).await
    }
}

impl Postgres {
    /// Something of each event of the log, by position, and how many bytes it is. It ends early once
    /// it is large.
    async fn page<T>(
        &self,
        statement: &'static str,
        firm: FirmId,
        (mut after, limit): (u64, usize),
        read: impl Fn(u64, &PgRow) -> Result<(T, usize), StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let (mut page, mut bytes) = (Vec::new(), 0);
        while page.len() < limit && bytes < PAGE_BYTES_MAX {
            let wanted = (limit - page.len()).min(EVENTS_PER_QUERY);
            let to = after.saturating_add(u64::try_from(wanted).unwrap_or(u64::MAX));
            let query = sqlx::query(statement).bind(firm.0).bind(at_most(after)).bind(at_most(to));
            let mut rows = query.fetch(&mut *reader);
            let mut found = 0;
            while let Some(row) = rows.try_next().await.map_err(failed)? {
                let position = unsigned(row.try_get(0).map_err(failed)?)?;
                let (read, length) = read(position, &row)?;
                page.push(read);
                (after, bytes, found) = (position, bytes + length, found + 1);
            }
            drop(rows);
            if found == 0 && page.is_empty() {
                // The end, unless a whole page is missing: then what comes after it shows the gap.
                let Some(next) = next(&mut reader, firm, after).await? else { break };
                after = next - 1;
            } else if found < wanted {
                break;
            }
        }
        Ok(page)
    }

    /// Loads streams over as many connections as they are worth.
    async fn load_together(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        folding: (u64, u32),
    ) -> Result<Vec<LoadedStream>, StoreError> {
        let each = streams.len().div_ceil(CONNECTIONS_PER_LOAD).max(STREAMS_ALONE_MAX);
        let parts = streams.chunks(each).map(async |part| {
            let mut reader = self.reader(firm).await?;
            load_by(&mut reader, firm, part, folding).await
        });
        Ok(try_join_all(parts).await?.into_iter().flatten().collect())
    }
}

/// The second column.
fn bytes_of(row: &PgRow) -> Result<&[u8], StoreError> {
    row.try_get(1).map_err(failed)
}

fn beside_of(position: u64, row: &PgRow) -> Result<(Beside, usize), StoreError> {
    let leaf = leaf_of(position, bytes_of(row)?)?;
    let previous = unsigned(row.try_get(2).map_err(failed)?)?;
    let kind: &str = row.try_get(3).map_err(failed)?;
    let occurred_on: CivilDate = row.try_get(4).map_err(failed)?;
    let columns = columns_text(previous, kind, occurred_on);
    let length = leaf.as_bytes().len() + columns.len();
    Ok((Beside { leaf, columns }, length))
}

/// The first position after one.
async fn next(
    reader: &mut PgConnection,
    firm: FirmId,
    after: u64,
) -> Result<Option<u64>, StoreError> {
    let query = sqlx::query_scalar(NEXT).bind(firm.0).bind(at_most(after));
    let next: Option<i64> = query.fetch_one(reader).await.map_err(failed)?;
    next.map(unsigned).transpose()
}
