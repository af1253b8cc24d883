//! Every statement there is prepares on a fresh file.

use std::collections::BTreeSet;

use sqlx::{Connection as _, Executor as _, Row as _, SqlSafeStr as _};

use super::*;
use crate::read::{STATEMENTS, TABLES};
use statements::{ALL, LOG, TableStatements};

fn every_statement() -> Vec<String> {
    let queries = STATEMENTS
        .iter()
        .chain(crate::STATEMENTS)
        .copied()
        .flatten()
        .map(|statement| statement.as_str());
    let sized = LOG.texts();
    let tables = TABLES.iter().flat_map(|table| {
        let of = TableStatements::of(table);
        of.upsert.texts().chain([of.delete.as_str(), of.drop.as_str(), of.compare.as_str()])
    });
    let texts = ALL
        .iter()
        .copied()
        .chain([super::tiles::KEEP_TILE])
        .chain(queries)
        .chain(sized)
        .chain(tables);
    texts.map(|text| text.strip_prefix("BEGIN IMMEDIATE; ").unwrap_or(text).to_owned()).collect()
}

#[tokio::test]
async fn every_statement_prepares() {
    let store = Sqlite::open_temporary().await.unwrap();
    let mut reader = store.readers.acquire().await.unwrap();
    for statement in every_statement() {
        let text = sqlx::AssertSqlSafe(statement.clone()).into_sql_str();
        if let Err(error) = reader.prepare(text).await {
            panic!("{error}: {statement}");
        }
    }
}

/// One firm's question never walks through another firm's rows: every table is searched by a key.
#[tokio::test]
async fn no_statement_scans_a_whole_table() {
    let store = Sqlite::open_temporary().await.unwrap();
    let mut reader = store.readers.acquire().await.unwrap();
    // Which are about no firm.
    let of_all = [statements::FIRMS, statements::GUARDS];
    for statement in every_statement().iter().filter(|statement| !of_all.contains(&&***statement)) {
        let text = sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {statement}"));
        let plan = sqlx::query(text).fetch_all(&mut *reader).await.unwrap();
        for step in plan.iter().map(|row| row.get::<String, _>("detail")) {
            let start: String = statement.chars().take(300).collect();
            assert!(!step.starts_with("SCAN ") || is_no_table(&step), "{step}: {start}");
        }
    }
}

/// A page costs what it shows, however many rows there are: every list walks an index in its own order, and what most rows
/// are not is part of that index.
#[tokio::test]
async fn every_list_walks_an_index_in_its_own_order() {
    let store = Sqlite::open_temporary().await.unwrap();
    let mut reader = store.readers.acquire().await.unwrap();
    // What is put in order once it was found.
    let few = [
        // Payments of one account.
        "t.account_id = $4 ORDER BY +t.position",
        // Pairs of clients who share something, and were not compared.
        "ORDER BY first, second",
        // Lines of the entries of a page.
        "ORDER BY page.posted_on, page.position, l.line",
    ];
    // What few rows of many are, and the index that begins with it.
    let chosen = [
        (
            "t.kind = $4 AND (t.position, t.subject)",
            "exception_kind (firm=? AND generation=? AND kind=?",
        ),
        ("t.kind = $5 ", "exposure_kind (firm=? AND generation=? AND kind=?"),
        ("t.case_id = $5 AND (t.kind = $6", "exposure_case (firm=? AND generation=? AND case_id=?"),
        ("i.state = 'open'", "invoice_state (firm=? AND generation=? AND state=?)"),
        ("t.state = $5", "invoice_state (firm=? AND generation=? AND state=? AND number>?)"),
        ("t.charge_on IS NOT NULL", "invoice_charge (firm=? AND generation=? AND number>?)"),
        ("(t.charge_asked_on < $3", "invoice_charge_waiting (firm=? AND generation=?"),
        (
            "t.account_id = $4 ORDER BY +t.position",
            "PRIMARY KEY (firm=? AND generation=? AND account_id=?)",
        ),
        ("t.charge_rule = 'death'", "case_status_died (firm=? AND generation=? AND charge_rule=?"),
        (
            "s.state = 'signed' AND s.case_id",
            "case_status_signed (firm=? AND generation=? AND state=?",
        ),
        (
            "t.state = 'open' AND t.round_from",
            "case_status_round (firm=? AND generation=? AND state=?",
        ),
        ("t.next_period_end <= $2", "case_status_period_end (firm=? AND generation=?"),
    ];
    let mut met = BTreeSet::new();
    for statement in STATEMENTS.iter().copied().flatten().map(|statement| statement.as_str()) {
        let text = sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {statement}"));
        let plan = sqlx::query(text).fetch_all(&mut *reader).await.unwrap();
        let steps: Vec<String> = plan.iter().map(|row| row.get("detail")).collect();
        let is_sorted = steps.iter().any(|step| step.contains("TEMP B-TREE"));
        if statement.contains("LIMIT") && is_sorted {
            assert!(few.iter().any(|few| statement.contains(few)), "{statement}: {steps:#?}");
        }
        for (words, index) in chosen.iter().filter(|(words, _)| statement.contains(words)) {
            assert!(steps.iter().any(|step| step.contains(index)), "{statement}: {steps:#?}");
            met.insert(words);
        }
    }
    assert_eq!(met.len(), chosen.len(), "{met:?}");
}

/// Values given with the statement, and what a statement has found itself by a key.
fn is_no_table(step: &str) -> bool {
    [
        "SCAN CONSTANT ROW",
        "SCAN pair",
        "SCAN m",
        "SCAN overdue",
        "SCAN page",
        "SCAN c",
        "SCAN chain",
        "SCAN said",
        "SCAN filed",
    ]
    .contains(&step)
        || step.starts_with("SCAN (subquery")
        || step.contains("VIRTUAL TABLE")
        || step.ends_with("VALUES CLAUSE")
}

#[tokio::test]
async fn the_rows_and_the_migrations_name_the_same_columns() {
    let store = Sqlite::open_temporary().await.unwrap();
    let mut reader = store.readers.acquire().await.unwrap();
    for table in TABLES {
        let query =
            sqlx::query("SELECT name, pk FROM pragma_table_info($1) ORDER BY cid").bind(table.name);
        let found = query.fetch_all(&mut *reader).await.unwrap();
        let all: Vec<String> = found.iter().map(|row| row.get(0)).collect();
        let expected: Vec<&str> =
            ["firm", "generation"].into_iter().chain(table.columns()).collect();
        assert_eq!(all, expected, "{}", table.name);
        let keys = found.iter().filter(|row| row.get::<i64, _>(1) > 0).count();
        assert_eq!(keys, 2 + table.keys.len(), "{}", table.name);
    }
    let names: BTreeSet<&str> = TABLES.iter().map(|table| table.name).collect();
    assert_eq!(names.len(), TABLES.len());
}

/// A database that the migrations before `found_by` made, with rows, is the same as one made by all of
/// them, and says of whom the words are still to be filled in.
#[tokio::test]
async fn a_database_from_before_clients_were_found_by_words_keeps_its_rows() {
    let folder = tempfile::tempdir().unwrap();
    let (earlier, path) = (folder.path().join("migrations"), folder.path().join("old.db"));
    std::fs::create_dir(&earlier).unwrap();
    let all = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations/sqlite");
    for file in std::fs::read_dir(all).unwrap().map(Result::unwrap) {
        if file.file_name().to_str().unwrap() < "0014" {
            std::fs::copy(file.path(), earlier.join(file.file_name())).unwrap();
        }
    }
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path).create_if_missing(true);
    let mut old = SqliteConnection::connect_with(&options).await.unwrap();
    let migrator = sqlx::migrate::Migrator::new(earlier.as_path()).await.unwrap();
    migrator.run(&mut old).await.unwrap();
    let rows = "INSERT INTO person VALUES \
        (zeroblob(16), x'00000000000000000000000000000001', x'aa', zeroblob(32), zeroblob(32)), \
        (zeroblob(16), x'00000000000000000000000000000002', x'bb', NULL, NULL); \
        INSERT INTO couple_card VALUES (zeroblob(16), 1, zeroblob(16), zeroblob(32)); \
        INSERT INTO projection VALUES (zeroblob(16), 1, 42, 1), (zeroblob(16), 2, 7, 0)";
    old.execute(rows).await.unwrap();
    old.close().await.unwrap();
    let store = Sqlite::open(&path).await.unwrap();
    let mut now = store.readers.acquire().await.unwrap();
    let people = "SELECT hex(wrapped_key) || ' ' || complete || ' ' || (card_key IS NULL) \
        || ' ' || (word_keys IS NULL) FROM person ORDER BY person";
    let people: Vec<String> = sqlx::query_scalar(people).fetch_all(&mut *now).await.unwrap();
    assert_eq!(people, ["AA 0 1 1", "BB 1 1 1"]);
    // What follows from the log is made anew from its first event, and no earlier row is shown meanwhile.
    let rows = "SELECT (SELECT COUNT(*) FROM couple_card) || ' ' || group_concat(position) FROM projection";
    let rows: String = sqlx::query_scalar(rows).fetch_one(&mut *now).await.unwrap();
    assert_eq!(rows, "0 0,-1");
    let schema = "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name";
    let made: Vec<String> = sqlx::query_scalar(schema).fetch_all(&mut *now).await.unwrap();
    let fresh = Sqlite::open_temporary().await.unwrap();
    let mut fresh = fresh.readers.acquire().await.unwrap();
    let expected: Vec<String> = sqlx::query_scalar(schema).fetch_all(&mut *fresh).await.unwrap();
    assert_eq!(made, expected);
}
