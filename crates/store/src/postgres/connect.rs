//! Connecting, migrating, closing.
//!
//! Two roles share the work. `counterfoil_owner` owns the schema and runs the migrations;
//! `counterfoil_service` may insert into the log and read it, and nothing else, and is what every
//! connection of the pools works as, whoever logged in. Whoever logs in has to be a member of the
//! second, and of the first only when there is something to migrate: which login may serve is said in
//! `logins`. A database that is only read is
//! read as a third, `counterfoil_reader`; see `reading`.

use std::str::FromStr as _;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{ConnectOptions as _, Connection as _, Executor as _, PgConnection, PgPool};
use tokio::sync::Mutex;

use super::Postgres;
use super::before;
use super::statements::{PREPARED, PREPARED_TO_READ};
use super::together::{Grown, Leases};
use crate::engine::RowsRead;
use crate::error::OpenError;

pub(super) static MIGRATOR: Migrator = sqlx::migrate!("../../migrations/postgres");
const ROLES: &str = include_str!("roles.sql");

const SCHEMA: &str = "counterfoil";
const OWNER: &str = "counterfoil_owner";
const SERVICE: &str = "counterfoil_service";
/// Lets one process at a time make roles, schema and tables: the key of an advisory lock.
const MIGRATION_LOCK: i64 = 0x636f_756e_7465_7266;

/// Connections that write the log, per core. A batch holds one while it waits for the disk, so that
/// several firms' commits can share one flush; the cores are idle meanwhile.
const LOG_WRITERS_PER_CORE: u32 = 4;
/// Connections that write the read models, per core: these keep a core of the server busy.
const PROJECTORS_PER_CORE: u32 = 1;
/// Connections that read, per core: most reads are answered from memory, and a queue before the
/// server is shorter than one inside it.
pub(super) const READERS_PER_CORE: u32 = 4;
/// Fewest connections of each kind, so that a long one does not keep all others waiting.
const CONNECTIONS_MIN: u32 = 2;
/// Most connections of each kind: a server is configured for about a hundred in all.
const CONNECTIONS_MAX: u32 = 24;
/// Connections aside from those that work: one that listens, one that tells, and three that hold leases,
/// of projections, of billing and of checkpoints.
const ASIDE_MAX: u32 = 6;
/// How long a caller waits for a connection, while the server is away above all.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(5);
/// Statements kept prepared per connection: every one there is.
const STATEMENTS_CACHED_MAX: usize = 512;

/// How long a statement of the log or of a query may run, in milliseconds.
pub(super) const STATEMENT_TIMEOUT: &str = "15000";
/// The same for a step of the read models, which may write a hundred thousand rows.
const PROJECTION_TIMEOUT: &str = "120000";
/// How long to wait for another process that holds a firm's head: many times a batch.
const LOCK_TIMEOUT: &str = "5000";
/// How long a transaction may do nothing: nothing is waited for inside one but its own statements.
const IDLE_TIMEOUT: &str = "10000";

pub(super) async fn connect(url: &str) -> Result<Postgres, OpenError> {
    let options = PgConnectOptions::from_str(url)
        .map_err(|source| OpenError::Url { source: Box::new(source) })?;
    let options = named(options);
    let place = place(&options);
    migrate(&options, &place).await?;
    let log = pool(LOG_WRITERS_PER_CORE)
        .after_connect(|connection, _| Box::pin(prepare_log_writer(connection)))
        .connect_with(writing(&options, STATEMENT_TIMEOUT));
    let log = log.await.map_err(|source| unreachable_server(&place, source))?;
    // A step of the read models is flushed too, although it could be made again from the log: this
    // process outlives a crash of the server, and what it has shown as applied must still be there.
    let projection = pool(PROJECTORS_PER_CORE)
        .after_connect(|connection, _| Box::pin(make_durable(connection)))
        .connect_lazy_with(writing(&options, PROJECTION_TIMEOUT));
    let reading =
        working(&options, STATEMENT_TIMEOUT).options([("default_transaction_read_only", "on")]);
    let readers = pool(READERS_PER_CORE)
        .after_connect(|connection, _| Box::pin(prepare_reader(connection)))
        .connect_lazy_with(reading);
    let aside = PgPoolOptions::new()
        .max_connections(ASIDE_MAX)
        .acquire_timeout(ACQUIRE_TIMEOUT)
        .connect_lazy_with(working(&options, STATEMENT_TIMEOUT));
    let grown = Grown::over(aside.clone());
    let leading = Mutex::new(Leases::over(aside.clone()));
    let rows_read = RowsRead::default();
    Ok(Postgres {
        place,
        only_read: false,
        readers,
        rows_read,
        log,
        projection,
        aside,
        grown,
        leading,
    })
}

/// Options as every connection of the program has them.
pub(super) fn named(options: PgConnectOptions) -> PgConnectOptions {
    let options =
        options.statement_cache_capacity(STATEMENTS_CACHED_MAX).disable_statement_logging();
    if options.get_application_name().is_some() {
        options
    } else {
        options.application_name("counterfoil")
    }
}

/// A pool of so many connections per core. Whether the server has cut a connection meanwhile shows in
/// the first statement on it, which every caller is ready for; the pool asks nothing before it.
pub(super) fn pool(per_core: u32) -> PgPoolOptions {
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let cores = u32::try_from(cores).unwrap_or(CONNECTIONS_MAX);
    let most = cores.saturating_mul(per_core).clamp(CONNECTIONS_MIN, CONNECTIONS_MAX);
    PgPoolOptions::new()
        .max_connections(most)
        .acquire_timeout(ACQUIRE_TIMEOUT)
        .test_before_acquire(false)
}

/// A connection of the service. Each statement sees what was committed before it began: the lock on a
/// head is worth nothing to a transaction whose view is older than the lock.
fn working(options: &PgConnectOptions, statement_timeout: &str) -> PgConnectOptions {
    working_as(SERVICE, options, statement_timeout)
}

/// The same for a connection that writes. Its few statements look up whole keys whatever is in them,
/// and to plan each of them anew takes as long as to run one for a small batch.
fn writing(options: &PgConnectOptions, statement_timeout: &str) -> PgConnectOptions {
    working(options, statement_timeout).options([("plan_cache_mode", "force_generic_plan")])
}

pub(super) fn working_as(
    role: &str,
    options: &PgConnectOptions,
    statement_timeout: &str,
) -> PgConnectOptions {
    options.clone().options([
        ("role", role),
        ("search_path", SCHEMA),
        ("default_transaction_isolation", "read committed"),
        ("statement_timeout", statement_timeout),
        ("lock_timeout", LOCK_TIMEOUT),
        ("idle_in_transaction_session_timeout", IDLE_TIMEOUT),
        // Compiling a plan takes longer than any statement here runs.
        ("jit", "off"),
    ])
}

/// A commit is on disk before anybody is answered, whatever the server's default is.
async fn make_durable(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    let setting: String =
        sqlx::query_scalar("SHOW synchronous_commit").fetch_one(&mut *connection).await?;
    if setting == "off" {
        connection.execute("SET synchronous_commit = on").await?;
    }
    Ok(())
}

async fn prepare_log_writer(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    make_durable(connection).await?;
    for statement in PREPARED.iter().copied() {
        connection.execute(statement).await?;
    }
    Ok(())
}

pub(super) async fn prepare_reader(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    for statement in PREPARED_TO_READ.iter().copied() {
        connection.execute(statement).await?;
    }
    Ok(())
}

/// Brings the tables to what this program knows, if they are not.
async fn migrate(options: &PgConnectOptions, place: &str) -> Result<(), OpenError> {
    let connected = options.connect().await;
    let mut connection = connected.map_err(|source| unreachable_server(place, source))?;
    let ready = is_up_to_date(&mut connection).await;
    if !ready.map_err(|source| unreachable_server(place, source))? {
        let migrated = make_up_to_date(options, &mut connection).await;
        migrated.map_err(|source| OpenError::MigrationOf { place: place.to_owned(), source })?;
    }
    // Closing only tidies, and gives the advisory lock back.
    if let Err(error) = connection.close().await {
        tracing::warn!(%error, "a connection did not close cleanly");
    }
    Ok(())
}

/// Whether every migration has run to its end. A newer program's are left to the migrator to refuse.
pub(super) async fn is_up_to_date(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    let there = "SELECT to_regclass('counterfoil._sqlx_migrations') IS NOT NULL";
    if !sqlx::query_scalar(there).fetch_one(&mut *connection).await? {
        return Ok(false);
    }
    let applied = "SELECT version, checksum FROM counterfoil._sqlx_migrations \
                   WHERE success ORDER BY version";
    let applied: Vec<(i64, Vec<u8>)> = sqlx::query_as(applied).fetch_all(&mut *connection).await?;
    let known = MIGRATOR.iter().map(|known| (known.version, known.checksum.as_ref()));
    let is_known = applied.iter().map(|(version, sum)| (*version, sum.as_slice())).eq(known);
    Ok(is_known && !before::is_left(connection).await?)
}

pub(super) async fn make_up_to_date(
    options: &PgConnectOptions,
    connection: &mut PgConnection,
) -> Result<(), log::Cause> {
    sqlx::query("SELECT pg_advisory_lock($1)")
        .bind(MIGRATION_LOCK)
        .execute(&mut *connection)
        .await?;
    let mut owner = own(options, connection).await?;
    MIGRATOR.run(&mut owner).await?;
    before::copy(&mut owner).await?;
    owner.execute("GRANT SELECT ON _sqlx_migrations TO counterfoil_service").await?;
    owner.close().await?;
    Ok(())
}

/// Makes the roles and the schema, and connects as their owner.
pub(super) async fn own(
    options: &PgConnectOptions,
    connection: &mut PgConnection,
) -> Result<PgConnection, sqlx::Error> {
    connection.execute(ROLES).await?;
    options.clone().options([("role", OWNER), ("search_path", SCHEMA)]).connect().await
}

/// What people are told about where it is; never the password.
pub(super) fn place(options: &PgConnectOptions) -> String {
    let host = match options.get_socket() {
        Some(socket) => socket.display().to_string(),
        None => format!("{}:{}", options.get_host(), options.get_port()),
    };
    let database = options.get_database().unwrap_or(options.get_username());
    format!("the database {database} at {host}")
}

pub(super) fn unreachable_server(place: &str, source: sqlx::Error) -> OpenError {
    OpenError::Server { place: place.to_owned(), source: Box::new(source) }
}

pub(super) async fn close(postgres: &Postgres) {
    // From here on the pool lends nothing, so that nobody who still asks takes the lease again.
    let aside = postgres.aside.close();
    postgres.leading.lock().await.let_go();
    aside.await;
    for pool in [&postgres.readers, &postgres.projection, &postgres.log] {
        PgPool::close(pool).await;
    }
}
