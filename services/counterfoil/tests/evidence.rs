//! Scans and letters as people keep, fetch and check them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::path::{Path, PathBuf};

use common::{Desk, Ran};

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";
/// The SHA-256 of `abc`: FIPS 180-4's own example.
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let paths = entries.map(|entry| entry.unwrap().path());
    paths.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}

/// Names a document in an event of the case.
fn named(desk: &Desk, sha256: &str) {
    let line = format!(
        r#"{{"name":"firms/-/cases/{CASE}","actions":[{{"occurredOn":{{"year":2025,"month":3,"day":21}},"identityPaperReceived":{{"paper":"lease","kind":"PAPER_KIND_RESIDENCE","documentSha256":"{sha256}"}}}}]}}"#
    );
    desk.done(&["import", &desk.file("named.jsonl", &format!("{line}\n"))]);
}

fn report(ran: &Ran) -> serde_json::Value {
    ran.json().pop().unwrap()["report"].clone()
}

#[test]
fn a_document_is_kept_beside_the_database_and_fetched_again() {
    let desk = Desk::with_cases();
    let path = |name: &str| desk.folder.path().join(name);
    let file = desk.file("letter.txt", "abc");
    desk.done(&["status", CASE]);
    assert!(!path("evidence").exists(), "nothing is made before it is needed");
    let ran = desk.run(&["evidence", "add", CASE, &file, "--quiet"]);
    assert_eq!((ran.code, ran.out.trim()), (0, ABC), "{ran:?}");
    assert_eq!(files(&path("evidence")).len(), 1);
    let again = desk.run(&["evidence", "add", "Ada Lark", &file, "--json"]).json().remove(0);
    assert_eq!(again["existed"], true);
    assert_eq!(again["document"]["mediaType"], "text/plain");

    let to = path("copy.txt");
    let get = ["evidence", "get", CASE, ABC, "--to", to.to_str().unwrap()];
    desk.done(&get);
    assert_eq!(std::fs::read(&to).unwrap(), b"abc");
    assert_eq!(desk.run(&get).code, 2, "a file that is there is not overwritten");
    let none = ["evidence", "get", CASE, &"00".repeat(32), "--to", "none.txt"];
    assert_eq!(desk.run(&none).code, 3);
    assert!(!path("none.txt").exists());
    assert_eq!(desk.run(&["evidence", "get", CASE, "abc", "--to", "x"]).code, 2);

    let program = desk.folder.path().join("program");
    std::fs::write(&program, b"\x7fELF\x02\x01\x01").unwrap();
    let ran = desk.run(&["evidence", "add", CASE, program.to_str().unwrap()]);
    assert_eq!((ran.code, ran.err.contains("PDF, PNG, JPEG or TIFF")), (3, true), "{ran:?}");
    let large = desk.folder.path().join("large");
    std::fs::File::create(&large).unwrap().set_len((25 << 20) + 1).unwrap();
    let ran = desk.run(&["evidence", "add", CASE, large.to_str().unwrap()]);
    assert_eq!((ran.code, ran.err.contains("26214400")), (3, true), "{ran:?}");
    assert_eq!(files(&path("evidence")).len(), 1);
}

#[test]
fn what_is_lost_is_found_by_the_check_and_by_verify() {
    let desk = Desk::with_cases();
    desk.done(&["evidence", "add", CASE, &desk.file("letter.txt", "abc")]);
    named(&desk, ABC);
    let ran = desk.run(&["evidence", "check"]);
    assert_eq!((ran.code, ran.out.contains("Every document")), (0, true), "{ran:?}");
    let found = report(&desk.run(&["evidence", "check", "--json"]));
    // What shows either sale was never uploaded.
    assert_eq!(
        (&found["wholeCount"], &found["absentCount"]),
        (&"1".into(), &"2".into()),
        "{found}"
    );
    desk.done(&["verify", "--with-evidence"]);

    let stored = files(&desk.folder.path().join("evidence")).remove(0);
    let mut bytes = std::fs::read(&stored).unwrap();
    bytes[5] ^= 1;
    std::fs::write(&stored, &bytes).unwrap();
    desk.done(&["verify"]);
    for arguments in [&["evidence", "check"][..], &["verify", "--with-evidence"]] {
        let ran = desk.run(arguments);
        assert_eq!(ran.code, 4, "{ran:?}");
        assert!(ran.out.contains(&format!("ALTERED: {ABC} of case {CASE}")), "{ran:?}");
    }
    let to = desk.folder.path().join("copy.txt");
    let ran = desk.run(&["evidence", "get", CASE, ABC, "--to", to.to_str().unwrap()]);
    assert_eq!((ran.code, ran.err.contains("EVIDENCE_ALTERED")), (4, true), "{ran:?}");
    assert!(!to.exists());
    std::fs::remove_file(&stored).unwrap();
    let ran = desk.run(&["evidence", "check"]);
    assert_eq!((ran.code, ran.out.contains(&format!("MISSING: {ABC}"))), (4, true), "{ran:?}");
    desk.done(&["evidence", "add", CASE, &desk.file("letter.txt", "abc")]);
    desk.done(&["evidence", "check"]);
}

#[test]
fn evidence_lies_where_it_is_said_and_goes_along_with_a_move() {
    let desk = Desk::with_cases();
    let file = desk.file("letter.txt", "abc");
    desk.done(&["--evidence", "elsewhere", "evidence", "add", CASE, &file]);
    named(&desk, ABC);
    let path = |name: &str| desk.folder.path().join(name);
    assert_eq!((files(&path("elsewhere")).len(), path("evidence").exists()), (1, false));
    let ran = desk.run(&["evidence", "check"]);
    assert_eq!((ran.code, ran.out.contains("MISSING")), (4, true), "{ran:?}");
    desk.done(&["move", "--from", "sqlite:counterfoil.db", "--to", "sqlite:moved.db"]);
    let there = ["--database", "sqlite:moved.db"];
    let moved = |arguments: &[&str]| desk.run(&[&there, arguments].concat());
    let ran = moved(&["evidence", "check", "--json"]);
    assert_eq!((ran.code, &report(&ran)["missingCount"]), (4, &"1".into()), "{ran:?}");
    let ran = moved(&["--evidence", "elsewhere", "evidence", "check", "--json"]);
    assert_eq!((ran.code, &report(&ran)["wholeCount"]), (0, &"1".into()), "{ran:?}");

    for wrong in ["gs://bucket", "s3://", ""] {
        let ran = desk.run(&["--evidence", wrong, "evidence", "check"]);
        assert_eq!((ran.code, ran.err.contains("s3://BUCKET")), (2, true), "{ran:?}");
    }
}
