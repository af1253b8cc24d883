//! Records of the write-ahead log, by the table or index that each is of first.

use std::collections::BTreeMap;

use sqlx::{AssertSqlSafe, Connection as _, Executor as _, PgConnection};

use crate::{ByName, Counter, Written};

/// Names the cluster that `ops/with-postgres` started.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";
const DATABASE: &str = "counterfoil_profile";

/// Records between two places of the log. Commits and the like are of no table.
const RECORDS: &str = "SELECT COALESCE(c.relname::text, '(' || r.resource_manager || ')'), \
    COUNT(*)::bigint, SUM(r.record_length)::bigint \
    FROM pg_get_wal_records_info($1::pg_lsn, $2::pg_lsn) r \
    LEFT JOIN pg_class c ON c.relfilenode <> 0 AND c.relfilenode \
        = substring(r.block_ref FROM 'rel [0-9]+/[0-9]+/([0-9]+)')::oid GROUP BY 1";
const SIZES: &str = "SELECT c.relname::text, c.reltuples::bigint, c.relkind = 'r', \
    (pg_relation_size(c.oid) + COALESCE(pg_relation_size(NULLIF(c.reltoastrelid, 0)), 0))::bigint \
    FROM pg_class c WHERE c.relnamespace = 'counterfoil'::regnamespace AND c.relkind IN ('r', 'i') \
    AND pg_relation_size(c.oid) > 0";

fn database() -> String {
    let cluster = std::env::var(CLUSTER).expect("a cluster: run this through ./ops/bench");
    let (place, options) = cluster.split_once('?').unwrap_or((&cluster, ""));
    let (server, _) = place.rsplit_once('/').unwrap();
    format!("{server}/{DATABASE}?{options}")
}

/// The URL of a new, empty database.
pub(crate) async fn fresh() -> String {
    let cluster = std::env::var(CLUSTER).expect("a cluster: run this through ./ops/bench");
    let mut connection = PgConnection::connect(&cluster).await.unwrap();
    for statement in ["DROP DATABASE IF EXISTS", "CREATE DATABASE"] {
        connection.execute(AssertSqlSafe(format!("{statement} {DATABASE}"))).await.unwrap();
    }
    database()
}

/// The write-ahead log of a cluster that does nothing else.
pub(crate) struct Wal {
    connection: PgConnection,
    from: String,
}

impl Wal {
    /// From after a checkpoint on: whole pages are written once behind it, however much is done.
    pub(crate) async fn from_here(database: &str) -> Self {
        let mut connection = PgConnection::connect(database).await.unwrap();
        for statement in ["CREATE EXTENSION IF NOT EXISTS pg_walinspect", "CHECKPOINT"] {
            connection.execute(statement).await.unwrap();
        }
        let from = end(&mut connection).await;
        Self { connection, from }
    }
}

async fn end(connection: &mut PgConnection) -> String {
    let end = sqlx::query_scalar("SELECT pg_current_wal_insert_lsn()::text");
    end.fetch_one(connection).await.unwrap()
}

/// Partitions are one table, and one index.
fn whole(name: &str) -> String {
    let part = |name: &str| {
        ["event_", "request_"].iter().find_map(|table| {
            let (number, rest) = name.strip_prefix(table)?.split_at_checked(1)?;
            number.parse::<u8>().ok().map(|_| format!("{}{rest}", &table[..table.len() - 1]))
        })
    };
    part(name).unwrap_or_else(|| name.to_owned())
}

impl Counter for Wal {
    const PIECES: &'static str = "records";

    async fn written(&mut self) -> ByName {
        let to = end(&mut self.connection).await;
        // What is not flushed yet cannot be read.
        self.connection.execute("SELECT pg_switch_wal()").await.unwrap();
        let query = sqlx::query_as(RECORDS).bind(&self.from).bind(&to);
        let found: Vec<(String, i64, i64)> = query.fetch_all(&mut self.connection).await.unwrap();
        self.from = end(&mut self.connection).await;
        let mut by_name = ByName::new();
        for (name, pieces, bytes) in found {
            let written: &mut Written = by_name.entry(whole(&name)).or_default();
            written.pieces += u64::try_from(pieces).unwrap();
            written.bytes += u64::try_from(bytes).unwrap();
        }
        by_name
    }

    async fn at_rest(&mut self) -> BTreeMap<String, (Option<u64>, u64)> {
        self.connection.execute("VACUUM ANALYZE").await.unwrap();
        let query = sqlx::query_as(SIZES);
        let found: Vec<(String, i64, bool, i64)> =
            query.fetch_all(&mut self.connection).await.unwrap();
        let mut sizes: BTreeMap<String, (Option<u64>, u64)> = BTreeMap::new();
        for (name, rows, is_table, bytes) in found {
            let size = sizes.entry(whole(&name)).or_default();
            if let (true, Ok(rows)) = (is_table, u64::try_from(rows)) {
                size.0 = Some(size.0.unwrap_or(0) + rows);
            }
            size.1 += u64::try_from(bytes).unwrap();
        }
        sizes
    }
}
