//! One writing transaction, whichever connection it runs on.

use log::StoreError;
use sqlx::SqliteConnection;
use tokio::sync::MutexGuard;

use super::error::{commit_failed, failed};
use super::statements::{BEGIN, COMMIT, ROLLBACK};
use super::{Sqlite, Writer, Writers};

/// What a transaction ends with.
pub(super) enum End<T> {
    /// Commit, then answer.
    Commit(T),
    /// Undo, then answer.
    Undo(T),
}

/// A transaction that has the write lock from its first statement on.
///
/// Its connection is taken out of the writers and put back only after a clean end: closing a
/// connection undoes whatever a failure, a panic or a dropped caller left open.
pub(super) struct Transaction<'a> {
    pub(super) connection: SqliteConnection,
    writer: Writer,
    writers: MutexGuard<'a, Writers>,
}

impl Writers {
    fn slot(&mut self, writer: Writer) -> &mut Option<SqliteConnection> {
        match writer {
            Writer::Log => &mut self.log,
            Writer::Projection => &mut self.projection,
        }
    }
}

impl Transaction<'_> {
    fn put_back(mut self) {
        *self.writers.slot(self.writer) = Some(self.connection);
    }
}

impl Sqlite {
    pub(super) async fn begin(&self, writer: Writer) -> Result<Transaction<'_>, StoreError> {
        let mut transaction = self.turn(writer).await?;
        execute(&mut transaction.connection, BEGIN).await.map_err(failed)?;
        Ok(transaction)
    }

    /// The turn to write, of a caller whose first statement begins the transaction: that saves a
    /// round trip to the connection's thread.
    pub(super) async fn turn(&self, writer: Writer) -> Result<Transaction<'_>, StoreError> {
        let mut writers = self.writers.lock().await;
        let connection = match writers.slot(writer).take() {
            Some(connection) => connection,
            None => self.connect(writer).await.map_err(failed)?,
        };
        Ok(Transaction { connection, writer, writers })
    }

    /// Commits or undoes, as the work done in the transaction says.
    pub(super) async fn end<T>(
        &self,
        mut transaction: Transaction<'_>,
        result: Result<End<T>, StoreError>,
    ) -> Result<T, StoreError> {
        match result {
            Ok(End::Commit(answer)) => {
                execute(&mut transaction.connection, COMMIT).await.map_err(commit_failed)?;
                transaction.put_back();
                self.fold_if_large();
                Ok(answer)
            }
            Ok(End::Undo(answer)) => {
                execute(&mut transaction.connection, ROLLBACK).await.map_err(failed)?;
                transaction.put_back();
                Ok(answer)
            }
            Err(error) => {
                // Some failures undo the transaction themselves, and then this one fails.
                if execute(&mut transaction.connection, ROLLBACK).await.is_ok() {
                    transaction.put_back();
                }
                Err(error)
            }
        }
    }
}

async fn execute(
    connection: &mut SqliteConnection,
    statement: &'static str,
) -> Result<(), sqlx::Error> {
    sqlx::query(statement).execute(connection).await.map(|_| ())
}
