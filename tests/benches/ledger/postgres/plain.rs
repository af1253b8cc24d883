//! What PostgreSQL alone does with the same rows: plain SQL on one table, nothing around it.

use calendar::CivilDate;
use proof::{Frontier, Hash};
use sqlx::postgres::PgArguments;
use sqlx::types::chrono::{DateTime, Utc};
use sqlx::{Arguments as _, AssertSqlSafe, Connection as _, Executor as _, PgConnection};
use uuid::Uuid;

use crate::bare::Jobs;

/// The log's table without its meaning: the same columns and bytes, two keys, no partitions, no
/// triggers, no fence between firms. And a head.
const TABLES: &str = "DROP TABLE IF EXISTS event, head; \
    CREATE TABLE event (firm uuid NOT NULL, event_id uuid NOT NULL, request_id uuid NOT NULL, \
    position bigint NOT NULL, stream_version bigint NOT NULL, recorded_at timestamptz NOT NULL, \
    occurred_on date NOT NULL, stream text COLLATE \"C\" NOT NULL, type text COLLATE \"C\" NOT NULL, \
    leaf bytea, body bytea NOT NULL, PRIMARY KEY (firm, position), \
    UNIQUE (firm, stream, stream_version)); \
    CREATE TABLE head (firm uuid PRIMARY KEY, position bigint NOT NULL, frontier bytea NOT NULL, \
    root bytea NOT NULL) WITH (fillfactor = 50)";
/// One statement inserts any number of rows.
const INSERT: &str = "INSERT INTO event (firm, position, stream, stream_version, event_id, type, \
    recorded_at, occurred_on, request_id, leaf, body) \
    SELECT $1, u.* FROM UNNEST($2::bigint[], $3::text[], $4::bigint[], $5::uuid[], $6::text[], \
    $7::timestamptz[], $8::date[], $9::uuid[], $10::bytea[], $11::bytea[]) u";
/// The same, and the head moves with them.
const INSERT_WITH_HEAD: &str = "WITH events AS (INSERT INTO event (firm, position, stream, \
    stream_version, event_id, type, recorded_at, occurred_on, request_id, leaf, body) \
    SELECT $1, u.* FROM UNNEST($2::bigint[], $3::text[], $4::bigint[], $5::uuid[], $6::text[], \
    $7::timestamptz[], $8::date[], $9::uuid[], $10::bytea[], $11::bytea[]) u) \
    UPDATE head SET position = $12, frontier = $13, root = $14 WHERE firm = $1";
const COPY: &str = "COPY event (firm, position, stream, stream_version, event_id, type, \
    recorded_at, occurred_on, request_id, leaf, body) FROM STDIN WITH (FORMAT binary)";

/// Fills the plain table with what our log holds, in the order it was written in. What ours keeps in the bytes
/// alone is a column of its own here.
const COPY_LOG: &str = "INSERT INTO event SELECT e.firm, (j.body ->> 'event_id')::uuid, \
    (j.body ->> 'request_id')::uuid, e.position, (j.body ->> 'stream_version')::bigint, \
    to_timestamp((j.body ->> 'recorded_at')::numeric / 1000000), e.occurred_on, j.body ->> 'stream', \
    e.type, e.leaf, e.body FROM counterfoil.event e \
    CROSS JOIN LATERAL (SELECT convert_from(e.body, 'UTF8')::json) j (body) ORDER BY e.position";

/// Streams that rows are spread over.
const STREAMS: i64 = 2_000;

/// One connection to a database with the plain tables.
pub(crate) struct Plain {
    pub(crate) connection: PgConnection,
}

/// Rows, column by column.
pub(crate) struct Rows {
    firm: Uuid,
    positions: Vec<i64>,
    streams: Vec<String>,
    versions: Vec<i64>,
    ids: Vec<Uuid>,
    leaves: Vec<Option<Hash>>,
    bodies: Vec<Vec<u8>>,
    recorded_at: DateTime<Utc>,
    occurred_on: CivilDate,
}

impl Rows {
    pub(crate) fn new(firm: Uuid) -> Self {
        Self {
            firm,
            positions: Vec::new(),
            streams: Vec::new(),
            versions: Vec::new(),
            ids: Vec::new(),
            leaves: Vec::new(),
            bodies: Vec::new(),
            recorded_at: DateTime::from_timestamp_micros(1_744_045_200_000_000).unwrap(),
            occurred_on: CivilDate::from_ymd_opt(2025, 4, 7).unwrap(),
        }
    }

    /// So many rows from a position on, of events of so many bytes.
    pub(crate) fn made(firm: Uuid, from: i64, count: usize, bytes: usize) -> Self {
        let mut rows = Self::new(firm);
        for position in (from..).take(count) {
            let stream = format!("case/00000000-0000-0000-0000-{:012}", position * 7_919 % STREAMS);
            let leaf = Hash::from([2; 32]);
            rows.push(position, stream, Some(leaf), vec![b'x'; bytes]);
        }
        rows
    }

    pub(crate) fn push(
        &mut self,
        position: i64,
        stream: String,
        leaf: Option<Hash>,
        body: Vec<u8>,
    ) {
        self.positions.push(position);
        self.streams.push(stream);
        self.versions.push(position);
        self.ids.push(Uuid::now_v7());
        self.leaves.push(leaf);
        self.bodies.push(body);
    }

    pub(crate) fn len(&self) -> usize {
        self.positions.len()
    }

    /// The rows as `COPY` in its binary form takes them.
    fn copied(&self) -> Vec<u8> {
        let mut out = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0".to_vec();
        let epoch = DateTime::from_timestamp(946_684_800, 0).unwrap();
        let recorded = (self.recorded_at - epoch).num_microseconds().unwrap().to_be_bytes();
        let days = (self.occurred_on - epoch.date_naive()).num_days();
        let occurred = i32::try_from(days).unwrap().to_be_bytes();
        let field = |out: &mut Vec<u8>, bytes: &[u8]| {
            out.extend(u32::try_from(bytes.len()).unwrap().to_be_bytes());
            out.extend(bytes);
        };
        for at in 0..self.len() {
            out.extend(11_u16.to_be_bytes());
            field(&mut out, self.firm.as_bytes());
            field(&mut out, &self.positions[at].to_be_bytes());
            field(&mut out, self.streams[at].as_bytes());
            field(&mut out, &self.versions[at].to_be_bytes());
            field(&mut out, self.ids[at].as_bytes());
            field(&mut out, b"message_logged");
            field(&mut out, &recorded);
            field(&mut out, &occurred);
            field(&mut out, self.ids[at].as_bytes());
            field(&mut out, self.leaves[at].as_ref().unwrap().as_bytes());
            field(&mut out, &self.bodies[at]);
        }
        out.extend((-1_i16).to_be_bytes());
        out
    }
}

impl Plain {
    /// One more connection to tables that are there.
    pub(crate) async fn connect(database: &str) -> Self {
        Self { connection: PgConnection::connect(database).await.unwrap() }
    }

    /// A connection to new tables, from the same place as every other measurement: no checkpoint is
    /// half way through.
    pub(crate) async fn fresh(database: &str) -> Self {
        let mut plain = Self::connect(database).await;
        plain.run(TABLES).await;
        plain.run("CHECKPOINT").await;
        plain
    }

    /// Puts the rows of our log, which is in the same database, into plain tables beside it, and uses
    /// those from here on.
    pub(crate) async fn copy_log(&mut self) {
        self.run("CREATE SCHEMA plain; SET search_path TO plain").await;
        self.run(TABLES).await;
        self.run(COPY_LOG).await;
        self.run("VACUUM ANALYZE event").await;
        self.run("VACUUM ANALYZE counterfoil.event").await;
    }

    /// Runs statements.
    pub(crate) async fn run(&mut self, text: &str) {
        let text = AssertSqlSafe(text.to_owned());
        self.connection.execute(sqlx::raw_sql(text)).await.unwrap();
    }

    /// The one number of a query.
    pub(crate) async fn number(&mut self, text: &str) -> i64 {
        let text = AssertSqlSafe(text.to_owned());
        sqlx::query_scalar(text).fetch_one(&mut self.connection).await.unwrap()
    }

    /// The one text of a query.
    pub(crate) async fn text(&mut self, text: &str) -> String {
        let text = AssertSqlSafe(text.to_owned());
        sqlx::query_scalar(text).fetch_one(&mut self.connection).await.unwrap()
    }

    /// One durable transaction of one statement.
    pub(crate) async fn insert(&mut self, rows: &Rows) {
        let query = sqlx::query_with(INSERT, rows.arguments());
        query.execute(&mut self.connection).await.unwrap();
    }

    /// The same by `COPY`.
    pub(crate) async fn copy(&mut self, rows: &Rows) {
        let mut copy = self.connection.copy_in_raw(COPY).await.unwrap();
        copy.send(rows.copied()).await.unwrap();
        copy.finish().await.unwrap();
    }

    /// A head for a firm.
    pub(crate) async fn make_head(&mut self, firm: Uuid) {
        let query = sqlx::query("INSERT INTO head VALUES ($1, 0, '', '')").bind(firm);
        query.execute(&mut self.connection).await.unwrap();
    }

    /// One durable transaction of one statement, which moves the head too.
    pub(crate) async fn insert_with_head(&mut self, rows: &Rows, frontier: &Frontier) {
        let mut arguments = rows.arguments();
        arguments.add(rows.positions.last().unwrap()).unwrap();
        arguments.add(frontier.to_bytes()).unwrap();
        arguments.add(frontier.root().as_bytes().as_slice()).unwrap();
        let query = sqlx::query_with(INSERT_WITH_HEAD, arguments);
        let done = query.execute(&mut self.connection).await.unwrap();
        assert_eq!(done.rows_affected(), 1, "the head moves");
    }

    /// The bare service's writer: whatever waits in one statement, with the head.
    pub(crate) async fn write(mut self, mut jobs: Jobs) {
        let firm = Uuid::now_v7();
        self.make_head(firm).await;
        loop {
            let group = jobs.next().await;
            if group.is_empty() {
                return;
            }
            let mut rows = Rows::new(firm);
            for row in group {
                rows.push(row.position, row.stream, Some(row.leaf), row.body.into_bytes());
            }
            self.insert_with_head(&rows, &jobs.frontier).await;
            jobs.answer();
        }
    }
}

impl Rows {
    fn arguments(&self) -> PgArguments {
        let mut arguments = PgArguments::default();
        let count = self.len();
        let leaves: Vec<Option<&[u8]>> =
            self.leaves.iter().map(|l| l.as_ref().map(|l| l.as_bytes().as_slice())).collect();
        let bodies: Vec<&[u8]> = self.bodies.iter().map(Vec::as_slice).collect();
        arguments.add(self.firm).unwrap();
        arguments.add(&self.positions).unwrap();
        arguments.add(&self.streams).unwrap();
        arguments.add(&self.versions).unwrap();
        arguments.add(&self.ids).unwrap();
        arguments.add(vec!["message_logged"; count]).unwrap();
        arguments.add(vec![self.recorded_at; count]).unwrap();
        arguments.add(vec![self.occurred_on; count]).unwrap();
        arguments.add(&self.ids).unwrap();
        arguments.add(leaves).unwrap();
        arguments.add(bodies).unwrap();
        arguments
    }
}
