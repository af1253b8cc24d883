//! Whose login may do what on a PostgreSQL server, with logins of the server itself.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use std::sync::atomic::{AtomicU32, Ordering};

use counterfoil_store::{OpenError, Store};
use sqlx::{Connection as _, Executor as _, PgConnection};
use support::database::Database;
use support::*;

/// A login that is dropped at the end. Roles belong to the whole cluster, so each has a name of its own.
struct Login(String);

impl Login {
    async fn make(admin: &mut PgConnection, options: &str) -> Self {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let number = MADE.fetch_add(1, Ordering::Relaxed);
        let name = format!("desk_{}_{number}", std::process::id());
        run(admin, &format!("CREATE ROLE {name} LOGIN {options}")).await.unwrap();
        Self(name)
    }

    fn url(&self, database: &Database) -> String {
        let url = database.url();
        assert!(url.contains("//counterfoil@"), "the cluster's own user is replaced: {url}");
        url.replacen("//counterfoil@", &format!("//{}@", self.0), 1)
    }

    async fn drop(self, admin: &mut PgConnection) {
        run(admin, &format!("DROP OWNED BY {}", self.0)).await.unwrap();
        run(admin, &format!("DROP ROLE {}", self.0)).await.unwrap();
    }
}

async fn run(connection: &mut PgConnection, text: &str) -> Result<(), sqlx::Error> {
    connection.execute(sqlx::AssertSqlSafe(text.to_owned())).await.map(|_| ())
}

/// The SQLSTATE that a statement is refused with.
async fn refused(connection: &mut PgConnection, text: &str) -> String {
    let error = run(connection, text).await.expect_err(text);
    let error = error.as_database_error().expect("the server refuses it");
    error.code().unwrap_or_default().into_owned()
}

/// PostgreSQL's `insufficient_privilege`, Appendix A of its documentation.
const MAY_NOT: &str = "42501";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_serves_can_neither_change_the_log_nor_become_somebody_who_can() {
    Database::lent(async |database| {
        let mut admin = database.connection().await;
        let login = Login::make(&mut admin, "").await;
        Store::migrate(&database.url(), Some(&login.0)).await.unwrap();
        let store = std::sync::Arc::new(Store::connect(&login.url(database)).await.unwrap());
        assert_eq!(store.beyond_serving().await.unwrap(), None);
        let bench = over(store.clone(), 0);
        bench.found().await;
        let end = store.head(FIRM).await.unwrap().position;
        assert!(end > 0, "it serves");

        // As the program comes in, as the login alone, and after every way back from a role.
        for way in [
            "SET ROLE counterfoil_service",
            "RESET ROLE",
            "SET ROLE NONE",
            "SET SESSION AUTHORIZATION DEFAULT",
        ] {
            let mut session = PgConnection::connect(&login.url(database)).await.unwrap();
            run(&mut session, way).await.unwrap();
            run(&mut session, "SET search_path TO counterfoil").await.unwrap();
            for attack in [
                "UPDATE event SET body = ''",
                "DELETE FROM event",
                "TRUNCATE event CASCADE",
                "DROP TABLE event",
                "ALTER TABLE event DISABLE TRIGGER ALL",
                "ALTER TABLE event DISABLE ROW LEVEL SECURITY",
                "ALTER TABLE event OWNER TO CURRENT_USER",
                "UPDATE request SET answer = ''",
                "DELETE FROM request",
                "DELETE FROM stream",
                "UPDATE stream SET firm = firm",
                "DELETE FROM log_head",
                "CREATE TABLE counterfoil.mine (x int)",
                "SET ROLE counterfoil_owner",
                "SET SESSION AUTHORIZATION counterfoil_owner",
                "SET session_replication_role = replica",
                "GRANT counterfoil_owner TO CURRENT_USER",
                "CREATE ROLE another SUPERUSER",
                "ALTER ROLE CURRENT_USER SUPERUSER",
                "COPY event TO PROGRAM 'true'",
            ] {
                assert_eq!(refused(&mut session, attack).await, MAY_NOT, "{way}: {attack}");
            }
            session.close().await.unwrap();
        }
        assert_eq!(store.head(FIRM).await.unwrap().position, end);
        bench.engine.shutdown(PATIENCE).await;
        store.close().await;
        login.drop(&mut admin).await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_login_that_could_become_more_is_named() {
    Database::lent(async |database| {
        let mut admin = database.connection().await;
        // Whoever migrated by serving became the owner: what a first start used to leave behind.
        let url = database.url();
        let store = Store::connect(&url).await.unwrap();
        let said = store.beyond_serving().await.unwrap().unwrap();
        assert!(said.contains("superuser"), "{said}");
        store.close().await;
        for (options, role, word) in [
            ("CREATEROLE", "counterfoil_service", "make roles"),
            ("BYPASSRLS", "counterfoil_service", "fence"),
            ("", "counterfoil_owner, counterfoil_service", "owner of the tables"),
        ] {
            let login = Login::make(&mut admin, options).await;
            run(&mut admin, &format!("GRANT {role} TO {}", login.0)).await.unwrap();
            let store = Store::connect(&login.url(database)).await.unwrap();
            let said = store.beyond_serving().await.unwrap().unwrap();
            assert!(said.contains(word) && said.contains(&login.0), "{said}");
            store.close().await;
            // Letting it serve takes the owner's role from it, and refuses what cannot be taken so.
            let let_serve = Store::migrate(&url, Some(&login.0)).await;
            if options.is_empty() {
                let_serve.unwrap();
                let store = Store::connect(&login.url(database)).await.unwrap();
                assert_eq!(store.beyond_serving().await.unwrap(), None);
                store.close().await;
            } else {
                let unfit = let_serve.unwrap_err();
                assert!(matches!(unfit, OpenError::UnfitLogin { .. }), "{unfit}");
            }
            login.drop(&mut admin).await;
        }
        let nobody =
            Store::migrate(&url, Some("nobody_there\"; DROP SCHEMA counterfoil; --")).await;
        assert!(matches!(nobody, Err(OpenError::UnfitLogin { .. })), "{nobody:?}");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_serves_makes_no_tables() {
    Database::lent(async |database| {
        let mut admin = PgConnection::connect(&database.url()).await.unwrap();
        let login = Login::make(&mut admin, "").await;
        let error = Store::connect(&login.url(database)).await.unwrap_err();
        assert!(matches!(error, OpenError::MigrationOf { .. }), "{error}");
        assert!(error.to_string().contains("counterfoil migrate"), "{error}");
        login.drop(&mut admin).await;
    })
    .await;
}
