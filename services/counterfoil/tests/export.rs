//! `export` and `verify BUNDLE`, as an examiner and the firm use them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::path::Path;
use std::process::Command;

use common::{Desk, Ran};

fn desk() -> Desk {
    let desk = Desk::with_cases();
    desk.done(&["keys", "new"]);
    desk
}

fn export(desk: &Desk, arguments: &[&str]) -> Ran {
    desk.run(&[&["export"], arguments].concat())
}

/// A file of a bundle, as text.
fn file(desk: &Desk, bundle: &str, name: &str) -> String {
    let script = "import sys, zipfile; \
                  sys.stdout.buffer.write(zipfile.ZipFile(sys.argv[1]).read(sys.argv[2]))";
    let mut command = Command::new("python3");
    command.current_dir(desk.folder.path()).args(["-c", script, bundle, name]);
    let ran = Ran::of(command.output().unwrap());
    assert_eq!(ran.code, 0, "{ran:?}");
    ran.out
}

fn case(desk: &Desk) -> String {
    let clients = desk.run(&["clients", "--json"]).json().remove(0);
    let name = clients["cases"][0]["name"].as_str().unwrap();
    name.rsplit('/').next().unwrap().to_owned()
}

fn python(desk: &Desk, bundle: &str) -> Ran {
    python_with(desk, bundle, &[])
}

fn python_with(desk: &Desk, bundle: &str, more: &[&str]) -> Ran {
    let verifier = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../crates/bundle/documents/verify.py")
        .canonicalize()
        .unwrap();
    let mut command = Command::new("python3");
    command.current_dir(desk.folder.path()).arg("-I").arg(verifier).arg(bundle);
    Ran::of(command.args(["--public-key", "key.txt"]).args(more).output().unwrap())
}

#[test]
fn what_is_exported_is_sound_wherever_it_is_checked() {
    let desk = desk();
    let case = case(&desk);
    let mut size = String::new();
    for (name, scope) in [
        ("all.zip", &["--all"][..]),
        ("case.zip", &["--case", &case]),
        ("days.zip", &["--from", "2025-01-01", "--to", "2025-12-31"]),
    ] {
        let ran = export(&desk, &[scope, &["--output", name, "--json"]].concat());
        assert_eq!(ran.code, 0, "{ran:?}");
        let report = ran.json().remove(0);
        if name == "all.zip" {
            size = report["treeSize"].as_str().unwrap().to_owned();
        }
        desk.file("key.txt", report["verifierKey"].as_str().unwrap());
        let verified = desk.run(&["verify", name, "--public-key", "key.txt", "--json"]);
        assert_eq!(verified.code, 0, "{verified:?}");
        let verified = verified.json().remove(0);
        assert_eq!(verified["sound"], true);
        assert_eq!(verified["root"], report["root"]);
        assert_eq!(verified["events"], report["eventCount"]);
        let ran = python(&desk, name);
        assert_eq!(ran.code, 0, "{ran:?}");
        assert!(ran.out.contains(report["root"].as_str().unwrap()), "{ran:?}");
    }
    // The same request on the same log makes the same bytes, and no file is written over.
    assert_eq!(export(&desk, &["--all", "--at", &size, "--output", "again.zip"]).code, 0);
    let read = |name: &str| std::fs::read(desk.folder.path().join(name)).unwrap();
    assert!(read("all.zip") == read("again.zip"));
    let taken = export(&desk, &["--all", "--output", "again.zip"]);
    assert_eq!(taken.code, 2, "{taken:?}");
}

#[test]
fn a_bundled_key_is_trusted_with_a_caution() {
    let desk = desk();
    export(&desk, &["--all", "--output", "it.zip"]);
    let ran = desk.run(&["verify", "it.zip"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.out.contains("CAUTION: the key came with the bundle."), "{ran:?}");
}

#[test]
fn a_changed_bundle_is_named_unsound_by_both() {
    let desk = desk();
    let ran = export(&desk, &["--all", "--output", "it.zip", "--json"]);
    desk.file("key.txt", ran.json()[0]["verifierKey"].as_str().unwrap());
    let path = desk.folder.path().join("it.zip");
    let mut bytes = std::fs::read(&path).unwrap();
    let at = bytes.len() / 2;
    bytes[at] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    let ran = desk.run(&["verify", "it.zip", "--public-key", "key.txt"]);
    assert_eq!(ran.code, 4, "{ran:?}");
    assert_eq!(python(&desk, "it.zip").code, 1);
    // What is no bundle at all.
    desk.file("none.zip", "this is no archive");
    assert_eq!(desk.run(&["verify", "none.zip"]).code, 4);
    // A file that is not there is no finding about a bundle.
    let missing = desk.run(&["verify", "missing.zip"]);
    assert_eq!(missing.code, 2, "{missing:?}");
    assert_eq!(desk.run(&["verify", "it.zip", "--public-key", "missing.txt"]).code, 2);
    assert_eq!(python(&desk, "none.zip").code, 1);
}

#[test]
fn an_earlier_checkpoint_is_held_against_a_bundle() {
    let desk = desk();
    let earlier = desk.run(&["checkpoint", "make"]);
    assert_eq!(earlier.code, 0, "{earlier:?}");
    desk.file("earlier.txt", &earlier.out);
    export(&desk, &["--all", "--output", "old.zip"]);
    desk.token("read");
    export(&desk, &["--all", "--output", "new.zip"]);
    let proved = desk.run(&["verify", "new.zip", "--checkpoint", "earlier.txt"]);
    assert_eq!(proved.code, 0, "{proved:?}");
    assert!(proved.out.contains("begins with what it held"), "{proved:?}");
    let size: u64 = desk.log().0.parse().unwrap();
    let size = size.to_string();
    let stale = desk.run(&["verify", "old.zip", "--not-before", &size]);
    assert_eq!(stale.code, 4, "{stale:?}");
    assert!(stale.out.contains("stale"), "{stale:?}");
}

#[test]
fn a_checkpoint_outlives_the_key_that_signed_it() {
    let desk = desk();
    let earlier = desk.run(&["checkpoint", "make"]);
    desk.file("earlier.txt", &earlier.out);
    let size = desk.log().0;
    assert_eq!(desk.run(&["keys", "rotate"]).code, 0);
    desk.token("read");
    let ran = export(&desk, &["--all", "--output", "new.zip", "--json"]);
    desk.file("key.txt", ran.json()[0]["verifierKey"].as_str().unwrap());
    // A bundle of the log as it was then: its checkpoint stays as the old key signed it.
    assert_eq!(export(&desk, &["--all", "--at", &size, "--output", "old.zip"]).code, 0);
    for (name, more) in [("new.zip", &["--checkpoint", "earlier.txt"][..]), ("old.zip", &[])] {
        let arguments = [&["verify", name, "--public-key", "key.txt"], more].concat();
        let ran = desk.run(&arguments);
        assert_eq!(ran.code, 0, "{name}: {ran:?}");
        let ran = python_with(&desk, name, more);
        assert_eq!(ran.code, 0, "{name}: {ran:?}");
    }
    // By the sizes that each key signed as well, and then there is nothing to caution of.
    desk.file("sized.txt", &desk.run(&["keys", "export-public"]).out);
    for name in ["new.zip", "old.zip"] {
        let ran = desk.run(&["verify", name, "--public-key", "sized.txt"]);
        assert!(ran.code == 0 && !ran.out.contains("CAUTION"), "{name}: {ran:?}");
    }
    // Taken back, it is told of.
    let id = earlier_key(&desk);
    assert_eq!(desk.run(&["keys", "revoke", &id]).code, 0);
    export(&desk, &["--all", "--output", "newer.zip"]);
    let ran = desk.run(&["verify", "newer.zip", "--checkpoint", "earlier.txt"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.out.contains("took back the key that signed it"), "{ran:?}");
}

/// The short id of the key that was rotated.
fn earlier_key(desk: &Desk) -> String {
    let listed = desk.run(&["keys", "list", "--json"]).json().remove(0);
    let keys = listed["keys"].as_array().unwrap();
    let retired = keys.iter().find(|key| key["state"] == "SIGNING_KEY_STATE_RETIRED").unwrap();
    retired["keyId"].as_str().unwrap().to_owned()
}

#[test]
fn what_is_asked_must_make_sense() {
    let desk = desk();
    for wrong in [
        &["--output", "it.zip"][..],
        &["--all", "--case", "x"],
        &["--from", "2025-01-01"],
        &["--to", "2025-01-01"],
    ] {
        assert_eq!(export(&desk, wrong).code, 2, "{wrong:?}");
    }
    let unknown = "018f2b6e-0000-7000-8000-00000000dead";
    let ran = export(&desk, &["--case", unknown]);
    assert_eq!(ran.code, 3, "{ran:?}");
    let ran = export(&desk, &["--from", "2025-02-01", "--to", "2025-01-01"]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert_eq!(
        export(&desk, &["--all", "--at", "3"]).code,
        3,
        "no checkpoint of this size is kept"
    );
    let keyless = Desk::with_cases();
    assert_eq!(export(&keyless, &["--all"]).code, 3, "nothing signs");
}

#[test]
fn personal_values_are_handed_out_only_when_asked_and_every_export_is_on_record() {
    let desk = desk();
    let case = case(&desk);
    let name = desk.run(&["clients", "--json"]).json().remove(0);
    let name = name["cases"][0]["clientDisplayName"].as_str().unwrap().to_owned();
    let report = format!("report/{case}.html");
    let ran = export(&desk, &["--case", &case, "--output", "sealed.zip", "--json"]);
    desk.file("key.txt", ran.json()[0]["verifierKey"].as_str().unwrap());
    assert!(!file(&desk, "sealed.zip", &report).contains(&name));
    export(&desk, &["--case", &case, "--open-personal", "--output", "open.zip"]);
    assert!(file(&desk, "open.zip", &report).contains(&name));
    assert!(!file(&desk, "open.zip", "events.jsonl").contains(&name), "the log stays sealed");
    export(&desk, &["--all", "--output", "all.zip"]);
    for bundle in ["sealed.zip", "open.zip", "all.zip"] {
        let ran = desk.run(&["verify", bundle, "--public-key", "key.txt"]);
        assert_eq!(ran.code, 0, "{ran:?}");
        let ran = python(&desk, bundle);
        assert_eq!(ran.code, 0, "{ran:?}");
    }
    let looks = file(&desk, "all.zip", "tables/access.csv");
    let looks: Vec<&str> = looks.lines().skip(1).collect();
    // The list of clients opened the names of both, and was asked for more than once.
    let (of_case, others): (Vec<&str>, Vec<&str>) =
        looks.iter().partition(|look| look.contains(&case));
    assert!(matches!(&others[..], [one] if one.ends_with("open ListCases")), "{looks:?}");
    let whats: Vec<&str> = of_case.iter().filter_map(|look| look.rsplit(',').next()).collect();
    assert_eq!(whats, ["open ListCases", "export ExportBundle", "open ExportBundle"], "{looks:?}");
    // An export of all is a look at everybody, and at each whose values it opens once more.
    export(&desk, &["--all", "--open-personal", "--output", "open-all.zip"]);
    let looks = desk.done(&["looks", &case]);
    assert_eq!(looks.matches("ExportBundle of all, or of days").count(), 2, "{looks}");
    let by_client = looks.lines().filter(|line| line.trim_end().ends_with(" ExportBundle"));
    assert_eq!(by_client.count(), 3, "{looks}");
}

#[test]
fn documents_go_along_when_they_are_asked_for() {
    let desk = desk();
    let case = case(&desk);
    // Longer than a piece of the answer.
    let scan = format!("A letter.\n{}", "All is well. ".repeat(60_001));
    let letter = desk.file("letter.txt", &scan);
    let hash = desk.run(&["evidence", "add", &case, &letter, "--quiet"]).out.trim().to_owned();
    let line = format!(
        r#"{{"name":"firms/-/cases/{case}","actions":[{{"occurredOn":{{"year":2025,"month":3,"day":21}},"identityPaperReceived":{{"paper":"lease","kind":"PAPER_KIND_RESIDENCE","documentSha256":"{hash}"}}}}]}}"#
    );
    desk.done(&["import", &desk.file("named.jsonl", &format!("{line}\n"))]);
    let place = format!("evidence/{case}/{hash}");
    let ran = export(&desk, &["--all", "--output", "without.zip"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(!file(&desk, "without.zip", "manifest.json").contains("evidence/"));
    let ran = export(&desk, &["--case", &case, "--documents", "--output", "with.zip", "--json"]);
    assert_eq!((ran.code, &ran.json()[0]["documentCount"]), (0, &"1".into()), "{ran:?}");
    assert_eq!(file(&desk, "with.zip", &place), scan);
    desk.file("key.txt", ran.json()[0]["verifierKey"].as_str().unwrap());
    desk.done(&["verify", "with.zip"]);
    let ran = python(&desk, "with.zip");
    assert_eq!(ran.code, 0, "{ran:?}");
    // What left is on record as opened.
    let events = desk.done(&["follow", "--once", "--json"]);
    let looked = r#"\"kind\":\"open\",\"what\":\"ExportBundle\""#;
    assert!(events.contains(looked), "{events}");
    // A document that is lost cannot go along, and nothing half-made is left.
    std::fs::remove_dir_all(desk.folder.path().join("evidence")).unwrap();
    let ran = export(&desk, &["--all", "--documents", "--output", "lost.zip"]);
    assert_ne!(ran.code, 0, "{ran:?}");
    assert!(!desk.folder.path().join("lost.zip").exists());
}
