//! Whose login may do what. The login that serves works as `counterfoil_service`, and must be nothing that
//! could become more: taking that role is no fence by itself, since a session may lay it down again. So
//! the tables are made by another login, which serves nobody.

use std::str::FromStr as _;

use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions as _, Connection as _, Executor as _, PgConnection, PgPool};

use super::Postgres;
use super::connect::{make_up_to_date, named, place, unreachable_server};
use crate::error::OpenError;
use log::StoreError;

/// What a login could do beyond serving, as one row of its name and the words for it, if there are any. It
/// may give itself another role as superuser, and up to PostgreSQL 15 as one who may make roles.
const BEYOND_SERVING: &str = "SELECT rolname::text, CASE \
    WHEN rolsuper THEN 'is a superuser' \
    WHEN rolcreaterole THEN 'may make roles, and give itself others' \
    WHEN rolbypassrls THEN 'goes round the fence between firms' \
    WHEN rolreplication THEN 'may copy the whole server' \
    WHEN pg_has_role(oid, 'counterfoil_owner', 'MEMBER') THEN 'may become the owner of the tables' \
    WHEN EXISTS (SELECT FROM pg_class c WHERE c.relnamespace = to_regnamespace('counterfoil') \
        AND pg_has_role(r.oid, c.relowner, 'MEMBER')) THEN 'owns a table' \
    WHEN EXISTS (SELECT FROM pg_namespace n WHERE n.nspname = 'counterfoil' \
        AND pg_has_role(r.oid, n.nspowner, 'MEMBER')) THEN 'owns the schema' \
    WHEN EXISTS (SELECT FROM pg_database d WHERE d.datname = current_database() \
        AND pg_has_role(r.oid, d.datdba, 'MEMBER')) THEN 'owns the database' \
    END FROM pg_roles r WHERE rolname = $1";

/// What the login that this process came in by could do beyond serving; nothing if it is fit to serve.
pub(super) async fn beyond_serving(postgres: &Postgres) -> Result<Option<String>, StoreError> {
    of_session(&postgres.readers).await.map_err(super::error::failed)
}

async fn of_session(pool: &PgPool) -> Result<Option<String>, sqlx::Error> {
    let mut connection = pool.acquire().await?;
    let login: String =
        sqlx::query_scalar("SELECT session_user::text").fetch_one(&mut *connection).await?;
    Ok(beyond(&mut connection, &login).await?.flatten())
}

/// Nothing if there is no such role.
async fn beyond(
    connection: &mut PgConnection,
    login: &str,
) -> Result<Option<Option<String>>, sqlx::Error> {
    let found: Option<(String, Option<String>)> =
        sqlx::query_as(BEYOND_SERVING).bind(login).fetch_optional(connection).await?;
    Ok(found.map(|(login, may)| may.map(|may| format!("the login {login} {may}"))))
}

/// Brings the tables to what this program knows, and lets a login serve, if one is named.
pub(crate) async fn migrate(url: &str, serving: Option<&str>) -> Result<(), OpenError> {
    let options = PgConnectOptions::from_str(url)
        .map_err(|source| OpenError::Url { source: Box::new(source) })?;
    let options = named(options);
    let place = place(&options);
    let connected = options.connect().await;
    let mut connection = connected.map_err(|source| unreachable_server(&place, source))?;
    make_up_to_date(&options, &mut connection)
        .await
        .map_err(|source| OpenError::MigrationOf { place: place.clone(), source })?;
    let let_in = match serving {
        Some(login) => let_serve(&mut connection, login, &place).await,
        None => Ok(()),
    };
    // Closing only tidies, and gives the advisory lock back.
    if let Err(error) = connection.close().await {
        tracing::warn!(%error, "a connection did not close cleanly");
    }
    let_in
}

/// Makes a login a member of the service's role and of no owner's.
async fn let_serve(
    connection: &mut PgConnection,
    login: &str,
    place: &str,
) -> Result<(), OpenError> {
    let failed = |source: sqlx::Error| OpenError::MigrationOf {
        place: place.to_owned(),
        source: Box::new(source),
    };
    let unfit = |what: String| OpenError::UnfitLogin { place: place.to_owned(), what };
    if beyond(connection, login).await.map_err(failed)?.is_none() {
        return Err(unfit(format!(
            "there is no login {login}; make it first: CREATE ROLE … LOGIN"
        )));
    }
    for change in [
        // What it was given by a program that migrated as it served.
        "REVOKE counterfoil_owner FROM %I",
        "GRANT counterfoil_service TO %I",
    ] {
        let written = "SELECT format($1, $2)";
        let written: String = sqlx::query_scalar(written)
            .bind(change)
            .bind(login)
            .fetch_one(&mut *connection)
            .await
            .map_err(failed)?;
        connection.execute(sqlx::AssertSqlSafe(written)).await.map_err(failed)?;
    }
    match beyond(connection, login).await.map_err(failed)?.flatten() {
        Some(what) => Err(unfit(what)),
        None => Ok(()),
    }
}
