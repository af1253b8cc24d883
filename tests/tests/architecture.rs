//! The arrows between crates, and the habits of the house, held by a test.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

#[path = "architecture/circles.rs"]
mod circles;
#[path = "architecture/texts.rs"]
mod texts;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use circles::word;
use texts::texts;

/// Which crates of ours a crate may use. An edge that is not here is a design fault: a dependency
/// points upward, or sideways between services.
const ARROWS: &[(&str, &[&str])] = &[
    ("counterfoil-calendar", &[]),
    ("counterfoil-domain", &["counterfoil-calendar"]),
    ("counterfoil-proof", &[]),
    ("counterfoil-vault", &[]),
    ("counterfoil-books", &["counterfoil-calendar", "counterfoil-domain"]),
    ("counterfoil-statement", &["counterfoil-calendar", "counterfoil-domain"]),
    ("counterfoil-paper", &["counterfoil-domain"]),
    (
        "counterfoil-bundle",
        &["counterfoil-calendar", "counterfoil-domain", "counterfoil-proof", "counterfoil-vault"],
    ),
    ("counterfoil-log", &["counterfoil-domain", "counterfoil-proof", "counterfoil-vault"]),
    (
        "counterfoil-store",
        &[
            "counterfoil-books",
            "counterfoil-calendar",
            "counterfoil-domain",
            "counterfoil-log",
            "counterfoil-proof",
        ],
    ),
    (
        "counterfoil-api",
        &["counterfoil-calendar", "counterfoil-domain", "counterfoil-log", "counterfoil-proof"],
    ),
    (
        "counterfoil-ledger",
        &[
            "counterfoil-api",
            "counterfoil-books",
            "counterfoil-bundle",
            "counterfoil-calendar",
            "counterfoil-domain",
            "counterfoil-log",
            "counterfoil-proof",
            "counterfoil-statement",
            "counterfoil-store",
            "counterfoil-vault",
        ],
    ),
    (
        "counterfoil",
        &[
            "counterfoil-api",
            "counterfoil-bundle",
            "counterfoil-calendar",
            "counterfoil-domain",
            "counterfoil-ledger",
            "counterfoil-log",
            "counterfoil-paper",
            "counterfoil-proof",
            "counterfoil-statement",
            "counterfoil-store",
            "counterfoil-vault",
        ],
    ),
    (
        "counterfoil-tests",
        &[
            "counterfoil-api",
            "counterfoil-books",
            "counterfoil-bundle",
            "counterfoil-calendar",
            "counterfoil-domain",
            "counterfoil-ledger",
            "counterfoil-log",
            "counterfoil-proof",
            "counterfoil-store",
            "counterfoil-testbed",
            "counterfoil-vault",
        ],
    ),
    ("counterfoil-testbed", &["counterfoil-vault"]),
    (
        "counterfoil-fuzz",
        &[
            "counterfoil-api",
            "counterfoil-bundle",
            "counterfoil-domain",
            "counterfoil-proof",
            "counterfoil-statement",
        ],
    ),
];

/// Who alone may use a library.
const KEPT_TO: &[(&str, &[&str])] = &[
    ("sqlx", &["counterfoil-store"]),
    ("tonic", &["counterfoil-api", "counterfoil-ledger", "counterfoil", "counterfoil-tests"]),
    ("prost", &["counterfoil-api", "counterfoil-ledger", "counterfoil", "counterfoil-tests"]),
    ("anyhow", &["counterfoil", "counterfoil-tests"]),
    (
        "tokio",
        &[
            "counterfoil-log",
            "counterfoil-store",
            "counterfoil-ledger",
            "counterfoil",
            "counterfoil-tests",
            "counterfoil-testbed",
        ],
    ),
    ("phonenumber", &["counterfoil-api"]),
    ("zip", &["counterfoil-bundle", "counterfoil-tests", "counterfoil-fuzz"]),
    ("object_store", &["counterfoil-vault"]),
    ("reqwest", &["counterfoil-vault"]),
];

/// What pure crates must not even mention: every crate that uses no runtime.
const IMPURE: &[&str] = &[
    "SystemTime",
    "Instant::now",
    "Utc::now",
    "Local::now",
    "Uuid::new_v",
    "Uuid::now_v",
    "env::",
    "fs::",
    "std::net",
    "thread::",
    "std::process",
    "async fn",
    "tokio::",
    "rand::",
    "getrandom",
    "println!",
    "eprintln!",
];
/// Which of them a crate may all the same, and why.
const IMPURE_ALLOWED: &[(&str, &[&str], &str)] = &[
    (
        "counterfoil-vault",
        &["SystemTime", "fs::", "async fn"],
        "keys are read from files, and blobs lie in folders and buckets, where what is old is cleared",
    ),
    (
        "counterfoil-bundle",
        &["fs::", "thread::"],
        "a log is told by two threads over temporary files that its caller opens",
    ),
    ("counterfoil-api", &["Uuid::now_v"], "a fault of the service gets a number to report"),
];

/// A file longer than this hides a seam.
const FILE_LINES_MAX: usize = 600;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// A member of the workspace.
struct Member {
    name: String,
    folder: PathBuf,
    /// What it depends on directly, development apart.
    dependencies: Vec<String>,
}

impl Member {
    fn is_ours(&self, all: &[Self]) -> Vec<String> {
        let is_ours = |name: &&String| all.iter().any(|member| member.name == **name);
        self.dependencies.iter().filter(is_ours).cloned().collect()
    }

    /// Its own code, tests apart.
    fn sources(&self) -> Vec<(PathBuf, String)> {
        rust_files(&[self.folder.join("src").to_str().unwrap()])
    }
}

/// Every member there is, as the workspace says.
fn members() -> Vec<Member> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let member = |package: &serde_json::Value| {
        let all = package["dependencies"].as_array().unwrap().iter();
        let normal = all.filter(|d| d["kind"].as_str() != Some("dev"));
        let manifest = Path::new(package["manifest_path"].as_str().unwrap());
        Member {
            name: package["name"].as_str().unwrap().to_owned(),
            folder: manifest.parent().unwrap().to_owned(),
            dependencies: normal.map(|d| d["name"].as_str().unwrap().to_owned()).collect(),
        }
    };
    metadata["packages"].as_array().unwrap().iter().map(member).collect()
}

#[test]
fn dependencies_point_downward() {
    let members = members();
    for member in &members {
        let name = &member.name;
        let (_, allowed) = ARROWS
            .iter()
            .find(|(package, _)| package == name)
            .unwrap_or_else(|| panic!("{name} is new: say in ARROWS what it may use"));
        let ours: BTreeSet<String> = member.is_ours(&members).into_iter().collect();
        let allowed: BTreeSet<String> = allowed.iter().map(|&name| name.to_owned()).collect();
        assert_eq!(ours, allowed, "what {name} uses of ours, and what ARROWS says");
    }
    assert_eq!(members.len(), ARROWS.len(), "ARROWS names a crate that is not there");
}

#[test]
fn libraries_stay_where_they_belong() {
    let members = members();
    for (library, owners) in KEPT_TO {
        let uses = |member: &&Member| member.dependencies.iter().any(|name| name == library);
        let users: BTreeSet<&str> =
            members.iter().filter(uses).map(|member| member.name.as_str()).collect();
        let owners: BTreeSet<&str> = owners.iter().copied().collect();
        assert_eq!(users, owners, "who uses {library}, and who may");
    }
}

fn files(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, ending, found);
        } else if path.extension().is_some_and(|e| e == ending) {
            found.push(path);
        }
    }
}

fn rust_files(folders: &[&str]) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    for folder in folders {
        files(&root().join(folder), "rs", &mut found);
    }
    assert!(!found.is_empty());
    let read = |path: PathBuf| (path.clone(), std::fs::read_to_string(path).unwrap());
    found.into_iter().map(read).collect()
}

/// Pure is whoever has no runtime to be anything else with.
#[test]
fn pure_crates_reach_for_nothing() {
    let members = members();
    let pure = |member: &&Member| !member.dependencies.iter().any(|name| name == "tokio");
    let mut used = BTreeSet::new();
    for member in members.iter().filter(pure) {
        let allowed: Vec<_> =
            IMPURE_ALLOWED.iter().filter(|(name, _, _)| *name == member.name).collect();
        for (path, text) in member.sources() {
            for word in IMPURE {
                let code = text.split("#[cfg(test)]\nmod tests").next().unwrap();
                let mut code = code.lines().filter(|line| !line.trim_start().starts_with("//"));
                if !code.any(|line| mentions(line, word)) {
                    continue;
                }
                let is_allowed = allowed.iter().any(|(_, words, _)| words.contains(word));
                assert!(is_allowed, "{} mentions {word}", path.display());
                used.insert((member.name.clone(), *word));
            }
        }
    }
    for (name, words, why) in IMPURE_ALLOWED {
        for word in *words {
            let is_used = used.contains(&((*name).to_owned(), *word));
            assert!(is_used, "{name} has no use for {word} any more ({why})");
        }
    }
}

/// Whether a line has a word that is not the end of a longer one.
fn mentions(line: &str, word: &str) -> bool {
    line.match_indices(word).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || c == '_')
    })
}

#[test]
fn files_are_short_and_finished() {
    // Spelled in two halves, so that this list does not find itself.
    let unfinished = [
        concat!("to", "do!("),
        concat!("db", "g!("),
        concat!("unimple", "mented!("),
        concat!("#[ig", "nore"),
    ];
    let folders: Vec<PathBuf> = members().into_iter().map(|member| member.folder).collect();
    let folders: Vec<&str> = folders.iter().map(|folder| folder.to_str().unwrap()).collect();
    for (path, text) in rust_files(&folders) {
        if path.iter().any(|part| part == "target") {
            continue;
        }
        let lines = text.lines().count();
        assert!(lines <= FILE_LINES_MAX, "{} has {lines} lines: look for the seam", path.display());
        for word in unfinished {
            assert!(!text.contains(word), "{} holds {word}", path.display());
        }
    }
}

/// Where a program of tests is put together by hand, a file that is forgotten would be a test that never runs.
#[test]
fn every_file_of_tests_is_in_a_program() {
    let mut manifests = Vec::new();
    for folder in ["crates", "services", "tests"] {
        files(&root().join(folder), "toml", &mut manifests);
    }
    let read = |path: &Path| std::fs::read_to_string(path).unwrap();
    let by_hand: Vec<_> =
        manifests.iter().filter(|path| read(path).contains("autotests = false")).collect();
    assert!(by_hand.len() >= 3, "{by_hand:?}");
    for manifest in by_hand {
        let tests = manifest.with_file_name("tests");
        let program = read(&tests.join("main.rs"));
        for entry in std::fs::read_dir(&tests).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_stem().unwrap().to_str().unwrap();
            let is_part = program.contains(&format!("\nmod {name};\n"))
                || read(manifest).contains(&format!("[[test]]\nname = \"{name}\"\n"));
            let is_test = path.extension().is_some_and(|ending| ending == "rs") && name != "main";
            assert!(!is_test || is_part, "{} is in no program", path.display());
        }
    }
}

/// Where statements stand besides the store, and why.
const SQL_ALLOWED: &[(&str, &str)] = &[
    ("counterfoil-store", "the only crate that knows a database"),
    ("counterfoil-testbed", "makes and drops the databases of tests"),
    (
        "counterfoil-tests",
        "plays the other tool that changes a byte behind the service's back, and measures plain SQL",
    ),
];

/// How statements begin, wherever in a text they do.
const STATEMENTS: &[&str] = &[
    "SELECT ",
    "INSERT INTO ",
    "INSERT OR ",
    "UPDATE ",
    "DELETE FROM ",
    "CREATE TABLE ",
    "CREATE DATABASE ",
    "DROP DATABASE ",
    "CREATE INDEX ",
    "CREATE UNIQUE ",
    "ALTER TABLE ",
    "DROP TABLE ",
    "DROP INDEX ",
    "TRUNCATE ",
    "PRAGMA ",
    "BEGIN IMMEDIATE",
    "LISTEN ",
    "NOTIFY ",
    "VACUUM",
];

#[test]
fn sql_stands_in_the_store_alone() {
    let members = members();
    let mut met = BTreeSet::new();
    for member in &members {
        let mut sources = Vec::new();
        files(&member.folder, "rs", &mut sources);
        let is_own = |path: &PathBuf| {
            let inside = path.strip_prefix(&member.folder).unwrap();
            let is_test = inside.iter().any(|part| part == "tests" || part == "tests.rs");
            // What is built lies there as well, and a workspace in a workspace.
            let is_other =
                inside.iter().any(|part| part == "target" || part == "fuzz" || part == "peers");
            !is_other && (!is_test || member.name == "counterfoil-tests")
        };
        for path in sources.into_iter().filter(is_own) {
            for text in texts(&std::fs::read_to_string(&path).unwrap()) {
                let is_sql = STATEMENTS.iter().any(|begin| mentions(&text, begin));
                if !is_sql {
                    continue;
                }
                let is_allowed = SQL_ALLOWED.iter().any(|(name, _)| *name == member.name);
                assert!(is_allowed, "{} holds SQL: {text}", path.display());
                met.insert(member.name.as_str());
            }
        }
    }
    assert_eq!(met, SQL_ALLOWED.iter().map(|(name, _)| *name).collect());
}

/// The tables that the migrations of an engine leave behind.
fn tables(engine: &str) -> BTreeSet<String> {
    let mut scripts = Vec::new();
    files(&root().join("migrations").join(engine), "sql", &mut scripts);
    scripts.sort();
    let mut tables = BTreeSet::new();
    for script in scripts {
        let text = std::fs::read_to_string(script).unwrap();
        let lines = text.lines().filter(|line| !line.trim_start().starts_with("--"));
        let text: String = lines.collect::<Vec<_>>().join("\n");
        for statement in text.split(';').map(str::trim) {
            if let Some(made) = statement.strip_prefix("CREATE TABLE ") {
                tables.insert(word(made));
            } else if let Some(dropped) = statement.strip_prefix("DROP TABLE ") {
                for name in dropped.split(',') {
                    assert!(tables.remove(&word(name.trim())), "{statement}");
                }
            } else if statement.contains("'ALTER TABLE %I RENAME TO") && tables.contains("event") {
                // What is done to several in turn; the tables of before, which the program drops once they are copied.
                tables.extend(["event_before", "request_before"].map(str::to_owned));
                tables.retain(|table| table != "event" && table != "request");
            } else if let Some((from, to)) =
                statement.strip_prefix("ALTER TABLE ").and_then(|of| of.split_once(" RENAME TO "))
            {
                assert!(tables.remove(&word(from)), "{statement}");
                tables.insert(word(to));
            }
        }
    }
    tables
}

/// Both engines have the same tables, and each is named by a statement of the store.
#[test]
fn every_table_of_the_migrations_is_named_by_the_store() {
    let (sqlite, postgres) = (tables("sqlite"), tables("postgres"));
    assert_eq!(sqlite, postgres);
    assert!(sqlite.len() > 20, "{sqlite:?}");
    let sources = rust_files(&["crates/store/src"]);
    let texts: Vec<String> = sources.iter().flat_map(|(_, text)| texts(text)).collect();
    for table in &sqlite {
        let is_named = texts.iter().any(|text| {
            text == table
                || ["FROM ", "JOIN ", "INTO ", "UPDATE "]
                    .iter()
                    .any(|before| mentions(text, &format!("{before}{table}")))
        });
        assert!(is_named, "no statement names {table}");
    }
}

/// What is before the tests of a file, without its whitespace and comments.
fn code(text: &str) -> String {
    let code = text.split("#[cfg(test)]\nmod tests").next().unwrap();
    let lines = code.lines().filter(|line| !line.trim_start().starts_with("//"));
    lines.flat_map(str::chars).filter(|c| !c.is_whitespace()).collect()
}

/// The read model is an index: a query that nobody asks, and a table or column that no query and no caller
/// reads, is written for nobody.
#[test]
fn every_query_table_and_column_of_the_read_model_has_a_reader() {
    let folders = ["crates/store/src/read"];
    let read: Vec<String> = rust_files(&folders).into_iter().map(|(_, text)| text).collect();
    let services: Vec<String> =
        rust_files(&["services/ledger/src"]).into_iter().map(|(_, text)| code(&text)).collect();
    let asked = |call: &str| services.iter().any(|text| text.contains(call));
    let (mut queries, mut columns) = (0, 0);
    for text in &read {
        for part in text.split("    pub async fn ").skip(1) {
            let name = part.split('(').next().unwrap();
            queries += 1;
            let calls =
                [format!("store().{name}("), format!("store.{name}("), format!("page.{name}(")];
            assert!(calls.iter().any(|call| asked(call)), "nobody asks {name}");
        }
        for table in text.split(" in \"").skip(1) {
            let (name, rows) = table.split_once('"').unwrap();
            let from =
                [format!("FROM {name} "), format!("JOIN {name} "), format!("\"{name}\", \"")];
            assert!(
                read.iter().any(|text| from.iter().any(|from| text.contains(from))),
                "no query reads {name}"
            );
            let fields = rows.split("\n}").next().unwrap().lines();
            for field in
                fields.filter_map(|line| line.trim().split_once(": ").map(|(name, _)| name))
            {
                if field.starts_with("//") || field.contains(' ') {
                    continue;
                }
                columns += 1;
                let in_sql = read.iter().any(|text| {
                    text.match_indices(&format!(".{field}")).any(|(at, _)| {
                        let before = text[..at].chars().next_back();
                        before.is_some_and(|alias| alias.is_ascii_lowercase())
                    })
                });
                assert!(in_sql || asked(&format!(".{field}")), "nobody reads {name}.{field}");
            }
        }
    }
    assert!(queries > 25 && columns > 100, "{queries} queries, {columns} columns");
}
