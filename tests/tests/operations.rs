//! What the operator's documents say is tested, is.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Every test that a document names: `path/of/file.rs` or `path/of/file.rs::name`.
fn named(document: &str) -> Vec<String> {
    let text = std::fs::read_to_string(root().join(document)).unwrap();
    let quoted = text.split('`').skip(1).step_by(2);
    let is_test = |words: &&str| {
        let file = words.split_once("::").map_or(*words, |(file, _)| file);
        file.contains('/') && [".rs", ".py"].iter().any(|ending| file.ends_with(ending))
    };
    quoted.filter(is_test).map(str::to_owned).collect()
}

/// Whether a file has a test of this name; a name within the file may lead through modules.
fn has_test(file: &Path, name: &str) -> bool {
    let text = std::fs::read_to_string(file).unwrap();
    let name = name.rsplit("::").next().unwrap();
    ["fn", "def", "async fn"].iter().any(|word| text.contains(&format!("{word} {name}(")))
}

#[test]
fn every_test_that_a_document_names_is_there() {
    for document in ["ops/failures.md", "ops/threats.md", "ops/growing.md", "ops/backup.md"] {
        for named in named(document) {
            let (file, test) = named.split_once("::").unwrap_or((&named, ""));
            let path = root().join(file);
            assert!(path.is_file(), "{document} names {file}, which is not there");
            assert!(test.is_empty() || has_test(&path, test), "{document} names {named}");
        }
    }
}

#[test]
fn every_threat_names_what_shows_that_it_is_stopped() {
    let tests = named("ops/threats.md");
    assert!(tests.len() >= 40, "the threat model names {} tests", tests.len());
    assert!(tests.iter().all(|test| test.contains("::")), "each by its name: {tests:?}");
}
