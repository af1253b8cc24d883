//! Every statement there is prepares on a server.

use std::collections::BTreeSet;

use sqlx::{ConnectOptions as _, Executor as _, Row as _, SqlSafeStr as _};

use super::*;
use crate::read::{STATEMENTS, TABLES};
use statements::{ALL, FIRMS, GUARDS, PREPARED, TableStatements};

#[path = "../../tests/support/database.rs"]
mod database;
use database::Database;

fn every_statement() -> Vec<String> {
    let queries = STATEMENTS
        .iter()
        .chain(crate::STATEMENTS)
        .copied()
        .flatten()
        .map(|statement| statement.as_str());
    let tables = TABLES.iter().flat_map(|table| {
        let of = TableStatements::of(table);
        [of.upsert.as_str(), of.drop.as_str(), of.compare.as_str()]
            .into_iter()
            .chain(of.delete.as_deref())
    });
    let texts = ALL.iter().copied().chain([super::tiles::KEEP_TILES]).chain(queries).chain(tables);
    texts.map(str::to_owned).collect()
}

#[tokio::test]
async fn every_statement_prepares() {
    Database::lent(async |database| {
        let store = Postgres::connect(&database.url()).await.unwrap();
        let mut writer = store.log.acquire().await.unwrap();
        for statement in every_statement() {
            let text = sqlx::AssertSqlSafe(statement.clone()).into_sql_str();
            if let Err(error) = writer.prepare(text).await {
                panic!("{error}: {statement}");
            }
        }
        let named = "SELECT COUNT(*) FROM pg_prepared_statements WHERE from_sql";
        let named: i64 = sqlx::query_scalar(named).fetch_one(&mut *writer).await.unwrap();
        assert_eq!(usize::try_from(named).unwrap(), PREPARED.len());
    })
    .await;
}

/// One firm's question never walks through another firm's rows: every table is searched by a key that
/// begins with the firm, by the service and behind the fence between firms as well.
#[tokio::test]
async fn no_statement_scans_a_whole_table() {
    Database::lent(async |database| {
        let store = Postgres::connect(&database.url()).await.unwrap();
        let mut writer = store.log.acquire().await.unwrap();
        // What the planner would choose for large tables, whatever the arguments.
        for setting in ["enable_seqscan = off", "plan_cache_mode = force_generic_plan"] {
            run(&mut writer, &format!("SET {setting}")).await;
        }
        let by_no_key = "SELECT firm FROM log_head WHERE position = $1";
        let plan = plan_of(&mut writer, by_no_key).await;
        assert!(plan.iter().any(|step| step.contains("Seq Scan on")), "{plan:?}");
        // Which are about no firm.
        for statement in
            every_statement().iter().filter(|text| ![FIRMS, GUARDS].contains(&&***text))
        {
            for step in plan_of(&mut writer, statement).await {
                assert!(!step.contains("Seq Scan on"), "{step}: {statement}");
                assert!(
                    !step.contains("Index Cond") || step.contains("firm = "),
                    "{step}: {statement}"
                );
            }
        }
    })
    .await;
}

/// Whatever the planner thinks of a firm's size, a batch looks its requests up and reads no others.
#[tokio::test]
async fn known_answers_are_found_by_their_whole_key_without_statistics() {
    Database::lent(async |database| {
        let store = Postgres::connect(&database.url()).await.unwrap();
        let mut writer = store.log.acquire().await.unwrap();
        let firm = FirmId(uuid::Uuid::from_u128(0xf1));
        run(&mut writer, &name_firm(firm)).await;
        let fill = "INSERT INTO request SELECT '00000000-0000-0000-0000-0000000000f1', \
                    gen_random_uuid(), 0, 1, 1, decode(repeat('00', 32), 'hex') \
                    FROM generate_series(1, 5000)";
        run(&mut writer, fill).await;
        for mode in ["force_generic_plan", "force_custom_plan"] {
            run(&mut writer, &format!("SET plan_cache_mode = {mode}")).await;
            let ids = vec![uuid::Uuid::nil().to_string(); 100].join(",");
            let explained = format!("EXPLAIN EXECUTE known_answers('{}', '{{{ids}}}')", firm.0);
            let text = sqlx::AssertSqlSafe(explained);
            let rows = sqlx::raw_sql(text).fetch_all(&mut *writer).await.unwrap();
            let steps: Vec<String> = rows.iter().map(|row| row.get(0)).collect();
            let mut searches = steps.iter().filter(|step| step.contains("Index Cond")).peekable();
            assert!(searches.peek().is_some(), "{steps:?}");
            assert!(searches.all(|search| search.contains("request_id = ")), "{steps:?}");
        }
    })
    .await;
}

async fn run(connection: &mut sqlx::PgConnection, text: &str) {
    connection.execute(sqlx::AssertSqlSafe(text.to_owned())).await.unwrap();
}

/// The steps of a statement's plan; a search of an index without a condition is shown as a scan.
async fn plan_of(connection: &mut sqlx::PgConnection, statement: &str) -> Vec<String> {
    run(connection, &format!("PREPARE explained AS {statement}")).await;
    let parameters = (1..100).take_while(|at| statement.contains(&format!("${at}"))).count();
    let arguments = match parameters {
        0 => String::new(),
        some => format!("({})", vec!["NULL"; some].join(", ")),
    };
    let text = sqlx::AssertSqlSafe(format!("EXPLAIN EXECUTE explained{arguments}"));
    let rows = sqlx::raw_sql(text).fetch_all(&mut *connection).await.unwrap();
    run(connection, "DEALLOCATE explained").await;
    let mut steps: Vec<String> = rows.iter().map(|row| row.get(0)).collect();
    for at in 0..steps.len() {
        let is_search = ["Index Scan", "Index Only Scan"].iter().any(|s| steps[at].contains(s));
        let condition = steps.get(at + 1).is_some_and(|next| next.contains("Index Cond"));
        if is_search && !condition {
            steps[at].push_str(" without a condition: Seq Scan on it");
        }
    }
    steps
}

#[tokio::test]
async fn the_rows_and_the_migrations_name_the_same_columns_and_types() {
    Database::lent(async |database| {
        let store = Postgres::connect(&database.url()).await.unwrap();
        let mut reader = store.readers.acquire().await.unwrap();
        for table in TABLES {
            let query = "SELECT a.attname::text, format_type(a.atttypid, NULL), \
                         COALESCE(a.attnum = ANY (i.indkey::int2[]), FALSE) \
                         FROM pg_attribute a LEFT JOIN pg_index i ON i.indrelid = a.attrelid \
                         AND i.indisprimary WHERE a.attrelid = $1::regclass AND a.attnum > 0 AND NOT a.attisdropped \
                         ORDER BY a.attnum";
            let query = sqlx::query(query).bind(table.name);
            let found = query.fetch_all(&mut *reader).await.unwrap();
            let columns: Vec<(String, String)> =
                found.iter().map(|row| (row.get(0), row.get(1))).collect();
            let (_, own) = columns.split_at(2);
            let types = table.kinds.iter().map(|kind| statements::type_of(*kind));
            let expected: Vec<_> = table.columns().zip(types).collect();
            let own: Vec<_> = own.iter().map(|(n, t)| (n.as_str(), t.as_str())).collect();
            assert_eq!(own, expected, "{}", table.name);
            let keys = found.iter().filter(|row| row.get::<bool, _>(2)).count();
            assert_eq!(keys, 2 + table.keys.len(), "{}", table.name);
        }
        let names: BTreeSet<&str> = TABLES.iter().map(|table| table.name).collect();
        assert_eq!(names.len(), TABLES.len());
    })
    .await;
}

/// The order of text is that of its bytes on every server, as on the embedded engine.
#[tokio::test]
async fn every_text_is_compared_by_its_bytes() {
    Database::lent(async |database| {
        let store = Postgres::connect(&database.url()).await.unwrap();
        let mut reader = store.readers.acquire().await.unwrap();
        let query = "SELECT table_name || '.' || column_name FROM information_schema.columns \
                     WHERE table_schema = 'counterfoil' AND data_type = 'text' \
                     AND table_name <> '_sqlx_migrations' AND collation_name IS DISTINCT FROM 'C'";
        let found: Vec<String> = sqlx::query_scalar(query).fetch_all(&mut *reader).await.unwrap();
        assert_eq!(found, Vec::<String>::new());
    })
    .await;
}

/// A database that the migrations before `found_by` made, with rows, says of whom the words are still to
/// be filled in.
#[tokio::test]
async fn a_database_from_before_clients_were_found_by_words_keeps_its_rows() {
    Database::lent(async |database| {
        let earlier = tempfile::tempdir().unwrap();
        let all = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations/postgres");
        for file in std::fs::read_dir(all).unwrap().map(Result::unwrap) {
            if file.file_name().to_str().unwrap() < "0014" {
                std::fs::copy(file.path(), earlier.path().join(file.file_name())).unwrap();
            }
        }
        let options: sqlx::postgres::PgConnectOptions = database.url().parse().unwrap();
        let migrator = sqlx::migrate::Migrator::new(earlier.path()).await.unwrap();
        let mut maker = options.connect().await.unwrap();
        let mut old = connect::own(&options, &mut maker).await.unwrap();
        migrator.run(&mut old).await.unwrap();
        let rows = "INSERT INTO person SELECT '00000000-0000-0000-0000-0000000000f1', \
            '00000000-0000-0000-0000-000000000001', '\\xaa', decode(repeat('00', 32), 'hex'), NULL; \
            INSERT INTO person SELECT '00000000-0000-0000-0000-0000000000f1', \
            '00000000-0000-0000-0000-000000000002', '\\xbb', NULL, NULL; \
            INSERT INTO couple_card SELECT '00000000-0000-0000-0000-0000000000f1', 1, \
            '00000000-0000-0000-0000-000000000001', decode(repeat('00', 32), 'hex'); \
            INSERT INTO projection VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 42, true), \
            ('00000000-0000-0000-0000-0000000000f1', 2, 7, false)";
        old.execute(rows).await.unwrap();
        let _store = Postgres::connect(&database.url()).await.unwrap();
        let people = "SELECT encode(wrapped_key, 'hex') || ' ' || complete || ' ' \
            || (word_keys IS NULL) FROM person ORDER BY person";
        let people: Vec<String> = sqlx::query_scalar(people).fetch_all(&mut old).await.unwrap();
        assert_eq!(people, ["aa false true", "bb true true"]);
        // What follows from the log is made anew from its first event, and no earlier row is shown meanwhile.
        let rows = "SELECT (SELECT COUNT(*) FROM couple_card) || ' ' \
            || string_agg(position::text, ',' ORDER BY generation) FROM projection";
        let rows: String = sqlx::query_scalar(rows).fetch_one(&mut old).await.unwrap();
        assert_eq!(rows, "0 0,-1");
    })
    .await;
}
