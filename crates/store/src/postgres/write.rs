//! One writing transaction, whichever pool its connection comes from.

use domain::ids::FirmId;
use log::StoreError;
use sqlx::pool::PoolConnection;
use sqlx::postgres::PgRow;
use sqlx::{AssertSqlSafe, Executor as _, PgConnection, PgPool, Postgres};

use super::error::{commit_failed, failed, is_cut};
use super::statements::{COMMIT, ROLLBACK, begin};

/// What a transaction ends with.
pub(super) enum End<T> {
    /// Commit, then answer.
    Commit(T),
    /// Undo, then answer.
    Undo(T),
}

/// A connection with a transaction on it.
///
/// It goes back to its pool only after a clean end. After a failure, a panic or a dropped caller it
/// is closed, which makes the server undo whatever was left open.
pub(super) struct Transaction {
    connection: Option<PoolConnection<Postgres>>,
}

impl Transaction {
    /// The turn to write, of a caller whose first statement begins the transaction.
    pub(super) async fn turn(pool: &PgPool) -> Result<Self, StoreError> {
        Ok(Self { connection: Some(pool.acquire().await.map_err(failed)?) })
    }

    /// A transaction that has begun, for one firm's rows.
    pub(super) async fn begin(pool: &PgPool, firm: FirmId) -> Result<Self, StoreError> {
        Self::begin_with(pool, &begin(firm)).await
    }

    /// One that begins with another statement, which names the firm.
    pub(super) async fn begin_with(pool: &PgPool, first: &str) -> Result<Self, StoreError> {
        Ok(Self { connection: Some(lend(pool, first).await?) })
    }

    pub(super) fn connection(&mut self) -> &mut PgConnection {
        self.connection.as_mut().expect("the connection stays until the end takes it")
    }

    /// Ends the turn after one statement that was a transaction by itself.
    pub(super) fn release<T>(mut self, result: &Result<T, sqlx::Error>) {
        if !result.as_ref().is_err_and(is_cut) {
            self.connection.take();
        }
    }

    /// Commits or undoes, as the work done in the transaction says.
    pub(super) async fn end<T>(
        mut self,
        result: Result<End<T>, StoreError>,
    ) -> Result<T, StoreError> {
        let answer = match result {
            Ok(End::Commit(answer)) => {
                self.connection().execute(COMMIT).await.map_err(commit_failed)?;
                answer
            }
            Ok(End::Undo(answer)) => {
                self.connection().execute(ROLLBACK).await.map_err(failed)?;
                answer
            }
            Err(error) => {
                if self.connection().execute(ROLLBACK).await.is_ok() {
                    self.connection.take();
                }
                return Err(error);
            }
        };
        self.connection.take();
        Ok(answer)
    }
}

/// A connection, after a first statement on it that names the firm. That the server has cut it
/// meanwhile, as a restart cuts all of them, shows in that statement, and then the next one is taken.
pub(super) async fn lend(
    pool: &PgPool,
    first: &str,
) -> Result<PoolConnection<Postgres>, StoreError> {
    let mut cut = 0;
    loop {
        let mut connection = pool.acquire().await.map_err(failed)?;
        let named = connection.execute(AssertSqlSafe(first.to_owned())).await;
        let Err(error) = named else { return Ok(connection) };
        drop(connection.detach());
        if !is_cut(&error) || cut == pool.options().get_max_connections() {
            return Err(failed(error));
        }
        cut += 1;
    }
}

/// The rows of statements that go together on a connection of their own, the first of which names the firm: as
/// [`lend`], where the first journey is the only one. For statements that change nothing.
pub(super) async fn ask(pool: &PgPool, text: &str) -> Result<Vec<PgRow>, StoreError> {
    let mut cut = 0;
    loop {
        let mut connection = pool.acquire().await.map_err(failed)?;
        let rows = connection.fetch_all(sqlx::raw_sql(AssertSqlSafe(text.to_owned()))).await;
        let Err(error) = rows else { return rows.map_err(failed) };
        drop(connection.detach());
        if !is_cut(&error) || cut == pool.options().get_max_connections() {
            return Err(failed(error));
        }
        cut += 1;
    }
}

impl Drop for Transaction {
    fn drop(&mut self) {
        if let Some(connection) = self.connection.take() {
            drop(connection.detach());
        }
    }
}
