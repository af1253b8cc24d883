//! Copying the log out of the tables of before.

use domain::ids::{FirmId, RequestId};
use sqlx::{AssertSqlSafe, Connection as _, Row as _, SqliteConnection};
use uuid::Uuid;

use super::adding::{Adding, execute};
use super::statements::{LOG, ROWS_MAX};
use crate::before::{
    COPY_EVENTS, DROP_BEFORE, KEY_DIGITS, LAST_EVENT, LAST_REQUEST, READ_REQUESTS, ROWS_AT_ONCE,
    answer_of, copy_ends,
};

const IS_THERE: &str =
    "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name IN ('event_before', 'request_before'))";

/// Whether something is left to copy.
pub(super) async fn is_left<'c>(
    connection: impl sqlx::SqliteExecutor<'c>,
) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar(IS_THERE).fetch_one(connection).await
}

/// Copies what is left. Another process may do the same: each transaction looks where the other came to.
pub(super) async fn copy(connection: &mut SqliteConnection) -> Result<(), log::Cause> {
    loop {
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        if !is_left(&mut *transaction).await? {
            return Ok(transaction.rollback().await?);
        }
        if copy_some(&mut transaction).await? == 0 {
            let ends = copy_ends(&format!("unhex({KEY_DIGITS})"));
            sqlx::query(AssertSqlSafe(ends)).execute(&mut *transaction).await?;
            for drop in DROP_BEFORE {
                sqlx::query(drop).execute(&mut *transaction).await?;
            }
        }
        transaction.commit().await?;
    }
}

/// The next rows; how many there were.
async fn copy_some(connection: &mut SqliteConnection) -> Result<u64, log::Cause> {
    let last = sqlx::query_as(LAST_EVENT).fetch_optional(&mut *connection).await?;
    let (firm, position): (Vec<u8>, i64) = last.unwrap_or_default();
    let events = sqlx::query(COPY_EVENTS).bind(firm).bind(position).bind(ROWS_AT_ONCE);
    let events = events.execute(&mut *connection).await?.rows_affected();
    if events > 0 {
        return Ok(events);
    }
    let last = sqlx::query_as(LAST_REQUEST).fetch_optional(&mut *connection).await?;
    let (firm, request): (Vec<u8>, Vec<u8>) = last.unwrap_or_default();
    let requests = sqlx::query(READ_REQUESTS).bind(firm).bind(request).bind(ROWS_AT_ONCE);
    let requests = requests.fetch_all(&mut *connection).await?;
    for rows in requests.chunks(ROWS_MAX) {
        let (statement, room) = LOG.requests.with_room_for(rows.len());
        let mut answers = Vec::with_capacity(rows.len());
        for row in rows {
            let firm = FirmId(Uuid::from_slice(row.try_get(0)?)?);
            let request = RequestId(Uuid::from_slice(row.try_get(1)?)?);
            let answer = answer_of(request, row.try_get(2)?, row.try_get(3)?);
            answers.push((firm, request, answer));
        }
        execute(connection, statement, |add: &mut Adding| add.answers(answers, room)).await?;
    }
    Ok(u64::try_from(requests.len()).unwrap_or(u64::MAX))
}
