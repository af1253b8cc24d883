//! The arrows between crates, and the habits of the house, held by a test.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

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
            "counterfoil-paper",
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
            "counterfoil-api",
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
    "std::fs",
    "fs::",
    "std::net",
    "std::thread",
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
        &["env::", "std::fs", "fs::", "async fn", "getrandom", "tokio::"],
        "keys are drawn at random and read from files, blobs lie in folders and buckets",
    ),
    (
        "counterfoil-bundle",
        &["std::thread", "thread::"],
        "tables are told by two threads, over temporary files that its caller opens",
    ),
    ("counterfoil-api", &["async fn"], "the generated clients and servers"),
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
                let mut code = text.lines().filter(|line| !line.trim_start().starts_with("//"));
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

/// The texts that stand in a file, comments and characters apart.
fn texts(code: &str) -> Vec<String> {
    let (mut found, mut rest) = (Vec::new(), code);
    while let Some(at) = rest.find(['"', '/', '\'']) {
        rest = &rest[at..];
        if rest.starts_with("//") {
            rest = rest.split_once('\n').map_or("", |(_, after)| after);
        } else if let Some(after) = rest.strip_prefix('\'') {
            // A character, or the name of a lifetime.
            let end = after.char_indices().skip(1).find(|(_, c)| *c == '\'').map(|(at, _)| at);
            let is_char = after.starts_with('\\') || after.chars().nth(1) == Some('\'');
            rest = end.filter(|_| is_char).map_or(after, |end| &after[end + 1..]);
        } else if let Some(after) = rest.strip_prefix('"') {
            let before = &code[..code.len() - rest.len()];
            let hashes = before.chars().rev().take_while(|c| *c == '#').count();
            let is_raw = before[..before.len() - hashes].ends_with('r');
            let close = if is_raw { format!("\"{}", "#".repeat(hashes)) } else { "\"".to_owned() };
            let mut end = 0;
            loop {
                end += after[end..]
                    .find(&close)
                    .unwrap_or_else(|| panic!("a text without end: {after:.40}"));
                let slashes = after[..end].chars().rev().take_while(|c| *c == '\\').count();
                if is_raw || slashes % 2 == 0 {
                    break;
                }
                end += 1;
            }
            found.push(after[..end].to_owned());
            rest = &after[end + close.len()..];
        } else {
            rest = &rest[1..];
        }
    }
    found
}

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
            } else if let Some((from, to)) = statement.split_once(" RENAME TO ") {
                assert!(
                    tables.remove(&word(from.trim_start_matches("ALTER TABLE "))),
                    "{statement}"
                );
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

/// Modules that use each other, directly or over others, and why they still do. A circle is one thing in several files: nobody can
/// read, test or change a part of it alone.
const CIRCLES: &[(&str, &[(&str, &str)])] = &[
    (
        "counterfoil-domain",
        &[
            ("codec ids value", "a value is written by the codec, which writes values"),
            (
                "account actor case command couple decide deposit event firm gates judge named sealing world",
                "facts, what follows from them, and what is decided on that",
            ),
            (
                "judge::because judge::gates judge::promised judge::state",
                "a gate and the facts that it names",
            ),
            (
                "case::next case::story",
                "the shorter way through a story, held equal to the whole by a property",
            ),
            (
                "case::announce case::circumstance case::decide case::fact case::finding case::retention",
                "what a fact asks and what it changes are decided in one go",
            ),
            (
                "account::decide account::refund",
                "refunds are decided by the rules of the other facts about money",
            ),
            ("deposit::decide deposit::told", "the same of what a bank tells"),
            ("firm::decide firm::security", "the same of what a firm tells"),
        ],
    ),
    (
        "counterfoil-bundle",
        &[
            ("derive recordable", "what may be recorded is found by what follows"),
            (
                "csv manifest names scope tables",
                "the manifest names the tables, which are in its words",
            ),
        ],
    ),
    (
        "counterfoil-api",
        &[("case_action promise", "a promise is a part of an action, read in its words")],
    ),
    ("counterfoil-paper", &[("pdf typeface", "the page is set in the typeface that measures it")]),
    (
        "counterfoil-ledger",
        &[
            (
                "access accounts administration answers audit billing books case_ledger couples door evidence front ledger \
                 metrics names openings paging privacy quota reading server telemetry trial",
                "the ledger is the handle of everything that hangs on it, and the handlers share what they read",
            ),
            (
                "door::call door::watch",
                "a call is ended by who watches it, who is told of it by the call",
            ),
        ],
    ),
    (
        "counterfoil",
        &[
            (
                "cli command connect demo evidence find keys secrets",
                "the command line names the commands, whose arguments it shares",
            ),
            (
                "command::evidence command::log_care",
                "checks of evidence and of the log share their report",
            ),
            ("command::payment command::refund", "both are asked for in the words of a payment"),
            (
                "command::books::month command::books::package",
                "a month's package is written at its close",
            ),
        ],
    ),
];

/// The modules of a crate by their paths, each with its code.
fn modules(member: &Member) -> BTreeMap<Vec<String>, String> {
    let source = member.folder.join("src");
    let of = |(path, text): (PathBuf, String)| {
        let path = path.strip_prefix(&source).unwrap().with_extension("");
        let mut parts: Vec<String> =
            path.iter().map(|part| part.to_str().unwrap().to_owned()).collect();
        if parts.last().is_some_and(|last| ["lib", "main", "mod"].contains(&last.as_str())) {
            parts.pop();
        }
        (parts, code(&text))
    };
    let all = member.sources().into_iter().map(of);
    all.filter(|(path, _)| !path.iter().any(|part| part == "tests")).collect()
}

/// Every path that a module's code names, from the crate's root on.
fn named(module: &[String], code: &str) -> Vec<Vec<String>> {
    let mut paths = Vec::new();
    for root in ["crate", "super", "self"] {
        for (at, _) in code.match_indices(&format!("{root}::")) {
            let before = code[..at].chars().next_back();
            if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
                continue;
            }
            let mut base = if root == "crate" { Vec::new() } else { module.to_vec() };
            if root == "super" {
                base.pop();
            }
            let mut rest = &code[at + root.len() + 2..];
            while let Some(after) = rest.strip_prefix("super::") {
                base.pop();
                rest = after;
            }
            leaves(&base, rest, &mut paths);
        }
    }
    paths
}

/// The paths of a use, or of the beginning of one: `a::{b, c::D}` are two.
fn leaves(base: &[String], rest: &str, paths: &mut Vec<Vec<String>>) {
    if let Some(list) = rest.strip_prefix('{') {
        let (mut depth, mut start) = (0, 0);
        for (at, c) in list.char_indices() {
            match c {
                '{' => depth += 1,
                '}' if depth > 0 => depth -= 1,
                ',' | '}' if depth == 0 => {
                    leaves(base, &list[start..at], paths);
                    start = at + 1;
                    if c == '}' {
                        return;
                    }
                }
                _ => {}
            }
        }
        return;
    }
    let name = word(rest);
    if name.is_empty() {
        return;
    }
    let mut path = base.to_vec();
    path.push(name.clone());
    if let Some(after) = rest[name.len()..].strip_prefix("::") {
        leaves(&path, after, paths);
    }
    paths.push(path);
}

fn word(text: &str) -> String {
    text.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect()
}

/// Everything that a module comes to over what it names.
fn reached<'m>(modules: &'m BTreeMap<String, BTreeSet<String>>, from: &str) -> BTreeSet<&'m str> {
    let (mut reached, mut next) = (BTreeSet::new(), vec![from]);
    while let Some(name) = next.pop() {
        for other in modules.get(name).into_iter().flatten() {
            if reached.insert(other.as_str()) {
                next.push(other);
            }
        }
    }
    reached
}

/// The circles of modules that stand beside each other, at whatever depth.
fn circles(modules: &BTreeMap<Vec<String>, String>) -> BTreeSet<String> {
    let mut beside: BTreeMap<Vec<String>, BTreeMap<String, BTreeSet<String>>> = BTreeMap::new();
    for (module, code) in modules {
        for path in named(module, code) {
            let same = module.iter().zip(&path).take_while(|(one, other)| one == other).count();
            let is_module =
                (same < path.len()) && modules.keys().any(|of| of.starts_with(&path[..=same]));
            if same < module.len() && is_module {
                let of = beside.entry(module[..same].to_vec()).or_default();
                of.entry(module[same].clone()).or_default().insert(path[same].clone());
            }
        }
    }
    let mut circles = BTreeSet::new();
    for (parent, modules) in &beside {
        for name in modules.keys() {
            let of = reached(modules, name);
            let back = of.iter().filter(|other| reached(modules, other).contains(name.as_str()));
            let circle: BTreeSet<&str> = back.copied().collect();
            if circle.len() > 1 {
                let full =
                    |name: &&str| [parent.as_slice(), &[(*name).to_owned()]].concat().join("::");
                circles.insert(circle.iter().map(full).collect::<Vec<_>>().join(" "));
            }
        }
    }
    circles
}

#[test]
fn modules_go_in_no_circle_that_is_not_named() {
    for member in members().iter().filter(|member| member.name != "counterfoil-fuzz") {
        let known = CIRCLES.iter().filter(|(name, _)| *name == member.name);
        let known: BTreeSet<String> = known
            .flat_map(|(_, circles)| *circles)
            .map(|(circle, _)| (*circle).to_owned())
            .collect();
        assert_eq!(circles(&modules(member)), known, "{}", member.name);
    }
}

#[test]
fn a_circle_is_seen_wherever_it_is_closed() {
    let of = |files: &[(&str, &str)]| {
        let module = |(path, code): &(&str, &str)| {
            (path.split("::").map(str::to_owned).collect(), (*code).to_owned())
        };
        circles(&files.iter().map(module).collect()).into_iter().collect::<Vec<_>>()
    };
    assert_eq!(of(&[("a", "usecrate::b::B;"), ("b", "usecrate::c::C;")]), [""; 0]);
    assert_eq!(of(&[("a", "usecrate::{c,b::{self,B}};"), ("b", "letx=super::a::A;")]), ["a b"]);
    assert_eq!(
        of(&[("m::a", "super::b::f()"), ("m::b::c", "usesuper::super::a::A;")]),
        ["m::a m::b"]
    );
    assert_eq!(
        of(&[("m", "useself::a::A;"), ("m::a", "usesuper::M;")]),
        [""; 0],
        "a part and its whole"
    );
}

#[test]
fn a_text_is_found_wherever_it_stands() {
    let code = r##"// "no" 'x
        let a: &'static str = "one \" \\"; let b = '"'; let c = '\''; f(r#"two "x" "#, "three")"##;
    assert_eq!(texts(code), ["one \\\" \\\\", "two \"x\" ", "three"]);
}
