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

/// What pure crates must not even mention.
const IMPURE: &[&str] = &[
    "SystemTime",
    "Instant::now",
    "Utc::now",
    "Local::now",
    "Uuid::new_v",
    "Uuid::now_v",
    "std::env",
    "std::fs",
    "std::net",
    "std::thread",
    "async fn",
    "tokio::",
    "rand::",
];
const PURE: &[&str] = &[
    "crates/calendar/src",
    "crates/domain/src",
    "crates/proof/src",
    "crates/books/src",
    "crates/statement/src",
    "crates/paper/src",
];

/// A file longer than this hides a seam.
const FILE_LINES_MAX: usize = 600;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Every package of ours and its direct dependencies, development ones left out.
fn packages() -> BTreeMap<String, Vec<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let dependencies = |package: &serde_json::Value| -> Vec<String> {
        let all = package["dependencies"].as_array().unwrap().iter();
        let normal = all.filter(|d| d["kind"].as_str() != Some("dev"));
        normal.map(|d| d["name"].as_str().unwrap().to_owned()).collect()
    };
    let packages = metadata["packages"].as_array().unwrap().iter();
    packages.map(|p| (p["name"].as_str().unwrap().to_owned(), dependencies(p))).collect()
}

#[test]
fn dependencies_point_downward() {
    let packages = packages();
    for (name, dependencies) in &packages {
        let (_, allowed) = ARROWS
            .iter()
            .find(|(package, _)| package == name)
            .unwrap_or_else(|| panic!("{name} is new: say in ARROWS what it may use"));
        let ours = dependencies.iter().filter(|d| packages.contains_key(*d));
        let wrong: Vec<_> = ours.filter(|d| !allowed.contains(&d.as_str())).collect();
        assert!(wrong.is_empty(), "{name} must not use {wrong:?}");
    }
}

#[test]
fn libraries_stay_where_they_belong() {
    for (name, dependencies) in packages() {
        for (library, owners) in KEPT_TO {
            let uses = dependencies.iter().any(|d| d == library);
            assert!(!uses || owners.contains(&name.as_str()), "{name} must not use {library}");
        }
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

#[test]
fn pure_crates_reach_for_nothing() {
    for (path, text) in rust_files(PURE) {
        for word in IMPURE {
            let mut code = text.lines().filter(|line| !line.trim_start().starts_with("//"));
            assert!(!code.any(|line| line.contains(word)), "{} mentions {word}", path.display());
        }
    }
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
    for (path, text) in
        rust_files(&["crates", "services", "tests/src", "tests/tests", "tests/fuzz"])
    {
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

#[test]
fn sql_stands_in_the_store_alone() {
    let folders = [
        "crates/calendar",
        "crates/domain",
        "crates/proof",
        "crates/bundle",
        "crates/log",
        "crates/api",
        "services",
    ];
    // A test may play the other tool that changes a byte behind the service's back.
    let sources = rust_files(&folders)
        .into_iter()
        .filter(|(path, _)| !path.strip_prefix(root()).unwrap().iter().any(|part| part == "tests"));
    for (path, text) in sources {
        for word in ["SELECT ", "INSERT INTO", "UPDATE ", "DELETE FROM"] {
            let mut code = text.lines().filter(|line| !line.trim_start().starts_with("//"));
            // HTTP/2 has a frame WINDOW_UPDATE.
            let holds = |line: &str| line.replace("_UPDATE", "").contains(word);
            assert!(!code.any(holds), "{} holds SQL: {word}", path.display());
        }
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

/// Crates in which no module uses one that uses it, directly or over others, and the circles that there are still.
/// A circle is one thing in several files: nobody can read, test or change a part of it alone.
const WITHOUT_CIRCLES: &[(&str, &[&[&str]])] = &[
    ("crates/books/src", &[]),
    ("crates/log/src", &[]),
    ("crates/proof/src", &[]),
    ("crates/vault/src", &[]),
    ("crates/store/src", &[]),
    (
        "crates/domain/src",
        &[
            // A value is written by the codec, which writes values.
            &["codec", "ids", "value"],
            // Facts, what follows from them, and what is decided on that.
            &[
                "account", "actor", "case", "command", "couple", "decide", "deposit", "event",
                "firm", "gates", "judge", "named", "sealing", "world",
            ],
        ],
    ),
];

/// The top modules of a crate, each with those that it names.
fn modules(folder: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut modules: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (path, text) in rust_files(&[folder]) {
        let path = path.strip_prefix(root().join(folder)).unwrap();
        let mut parts = path.iter().map(|part| part.to_str().unwrap().trim_end_matches(".rs"));
        let name = parts.next().unwrap();
        if name == "lib" || path.iter().any(|part| part == "tests" || part == "tests.rs") {
            continue;
        }
        let code = code(&text);
        let named = code.split("crate::").skip(1).flat_map(|rest| match rest.strip_prefix('{') {
            None => vec![word(rest)],
            // Each of a list that is before a path, or stands alone.
            Some(list) => list.split('}').next().unwrap().split(',').map(word).collect(),
        });
        modules.entry(name.to_owned()).or_default().extend(named);
    }
    let names: BTreeSet<String> = modules.keys().cloned().collect();
    for (name, named) in &mut modules {
        named.retain(|other| other != name && names.contains(other));
    }
    modules
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

#[test]
fn modules_go_in_no_circle_that_is_not_named() {
    for (folder, known) in WITHOUT_CIRCLES {
        let modules = modules(folder);
        assert!(modules.len() > 4, "{folder}: {modules:?}");
        let mut circles = BTreeSet::new();
        for name in modules.keys() {
            let of = reached(&modules, name);
            let back = of.iter().filter(|other| reached(&modules, other).contains(&name.as_str()));
            let circle: BTreeSet<&str> = back.copied().collect();
            if circle.len() > 1 {
                circles.insert(circle);
            }
        }
        let known: BTreeSet<BTreeSet<&str>> =
            known.iter().map(|circle| circle.iter().copied().collect()).collect();
        assert_eq!(circles, known, "{folder}");
    }
}
