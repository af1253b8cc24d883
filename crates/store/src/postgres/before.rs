//! Copying the log out of the tables of before, as their owner.

use domain::ids::RequestId;
use sqlx::postgres::PgArguments;
use sqlx::{AssertSqlSafe, Connection as _, PgConnection, Row as _};
use uuid::Uuid;

use super::append::AnswerColumns;
use super::column::add;
use crate::before::{
    COPY_EVENTS, DROP_BEFORE, KEY_DIGITS, LAST_EVENT, LAST_REQUEST, READ_REQUESTS, ROWS_AT_ONCE,
    answer_of, copy_ends,
};

const IS_THERE: &str = "SELECT to_regclass('counterfoil.event_before') IS NOT NULL \
    OR to_regclass('counterfoil.request_before') IS NOT NULL";
const KEEP_ANSWERS: &str = "INSERT INTO request (firm, request_id, fingerprint, checked, first_position, events, \
    answer) SELECT * FROM UNNEST($1::uuid[], $2::uuid[], $3::bytea[], $4::bigint[], $5::bigint[], \
    $6::bigint[], $7::bytea[])";

/// Whether something is left to copy.
pub(super) async fn is_left(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar(IS_THERE).fetch_one(connection).await
}

/// Copies what is left. Whoever does it holds the lock of migrations.
pub(super) async fn copy(connection: &mut PgConnection) -> Result<(), log::Cause> {
    while is_left(connection).await? {
        let mut transaction = connection.begin().await?;
        if copy_some(&mut transaction).await? == 0 {
            let ends = copy_ends(&format!("decode({KEY_DIGITS}, 'hex')"));
            sqlx::query(AssertSqlSafe(ends)).execute(&mut *transaction).await?;
            for drop in DROP_BEFORE {
                sqlx::query(drop).execute(&mut *transaction).await?;
            }
        }
        transaction.commit().await?;
    }
    Ok(())
}

/// The next rows; how many there were.
async fn copy_some(connection: &mut PgConnection) -> Result<u64, log::Cause> {
    let last = sqlx::query_as(LAST_EVENT).fetch_optional(&mut *connection).await?;
    let (firm, position): (Uuid, i64) = last.unwrap_or_default();
    let events = sqlx::query(COPY_EVENTS).bind(firm).bind(position).bind(ROWS_AT_ONCE);
    let events = events.execute(&mut *connection).await?.rows_affected();
    if events > 0 {
        return Ok(events);
    }
    let last = sqlx::query_as(LAST_REQUEST).fetch_optional(&mut *connection).await?;
    let (firm, request): (Uuid, Uuid) = last.unwrap_or_default();
    let requests = sqlx::query(READ_REQUESTS).bind(firm).bind(request).bind(ROWS_AT_ONCE);
    let requests = requests.fetch_all(&mut *connection).await?;
    let (mut firms, mut answers) = (Vec::<Uuid>::new(), Vec::new());
    for row in &requests {
        let request: Uuid = row.try_get(1)?;
        firms.push(row.try_get(0)?);
        let answer = answer_of(RequestId(request), row.try_get(2)?, row.try_get(3)?);
        answers.push((request, answer));
    }
    let mut arguments = PgArguments::default();
    add(&mut arguments, firms)?;
    AnswerColumns::of(answers.into_iter()).add_to(&mut arguments)?;
    sqlx::query_with(KEEP_ANSWERS, arguments).execute(connection).await?;
    Ok(u64::try_from(requests.len()).unwrap_or(u64::MAX))
}
