//! Signed checkpoints and proofs as people make them, and as a stranger checks them without the firm's
//! database.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use common::Desk;
use proof::note::{KeyName, Note, SignerKey, VerifierKey};

#[test]
fn a_stranger_checks_a_proof_with_the_text_of_the_key_and_nothing_else() {
    let desk = Desk::with_cases();
    desk.done(&["keys", "new", "--origin", "ledger.example/plum"]);
    let text = desk.done(&["keys", "export-public"]);
    // It signed nothing yet, and may sign any size from then on.
    let verifier: VerifierKey = text.trim().strip_prefix("- - ").unwrap().parse().unwrap();
    assert_eq!(verifier.name().as_str(), "ledger.example/plum");
    let first = desk.done(&["checkpoint", "make"]);
    first.parse::<Note>().unwrap().verify(std::slice::from_ref(&verifier)).unwrap();
    let size = first.lines().nth(1).unwrap().to_owned();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let second = desk.done(&["checkpoint", "make"]);
    assert_eq!(desk.done(&["checkpoint", "show"]), second);
    assert_eq!(desk.done(&["checkpoint", "show", &size]), first);
    let inclusion = desk.file("one.json", &desk.done(&["prove", "--position", "9", "--json"]));
    let consistency = desk.file("two.json", &desk.done(&["prove", "--from", &size, "--json"]));
    let events = desk.run(&["follow", "--once", "--json"]).json();
    let event = events.iter().find(|message| message["event"]["position"] == "9").unwrap();
    let bytes = event["event"]["canonicalJson"].as_str().unwrap();
    let (event, other) = (desk.file("event", &format!("{bytes}\n")), desk.file("other", "{}"));
    // The stranger has these files and the key's text, and no database.
    let stranger = Desk::empty();
    let check = |arguments: &[&str]| stranger.run(&[&["check-proof"], arguments].concat());
    let by = ["--key", &verifier.to_string()];
    let ran = check(&[&[inclusion.as_str()], &by[..], &["--event", &event]].concat());
    assert_eq!((ran.code, ran.out.contains("Event 9 is in the log")), (0, true), "{ran:?}");
    let ran = check(&[&[consistency.as_str()], &by[..]].concat());
    assert_eq!((ran.code, ran.out.contains("begins with what it held")), (0, true), "{ran:?}");
    assert_eq!(check(&[&[inclusion.as_str()], &by[..], &["--event", &other]].concat()).code, 4);
    let changed = std::fs::read_to_string(&inclusion).unwrap();
    let changed = stranger
        .file("changed", &changed.replacen("\"leafIndex\":\"8\"", "\"leafIndex\":\"9\"", 1));
    assert_eq!(check(&[&[changed.as_str()], &by[..]].concat()).code, 4);
    let nobody = SignerKey::from_seed(KeyName::parse("ledger.example/plum").unwrap(), &[1; 32]);
    let nobody = nobody.verifier().to_string();
    assert_eq!(check(&[&inclusion, "--key", &nobody]).code, 4);
    assert_eq!(check(&[&inclusion, "--key", "no key"]).code, 2);
}

#[test]
fn keys_are_made_sealed_rotated_and_revoked_and_every_answer_has_a_json_form() {
    let desk = Desk::with_cases();
    assert_eq!(desk.run(&["keys", "rotate"]).code, 3, "there is none yet");
    let first = desk.run(&["keys", "new", "--json"]).json().remove(0);
    assert_eq!(desk.run(&["keys", "new"]).code, 3, "one is in force");
    let mut other = desk.command(&["checkpoint", "make"]);
    let other = other.env("COUNTERFOIL_KEYS", "08".repeat(32)).output().unwrap();
    assert_ne!(other.status.code(), Some(0), "other firm keys open no seed");
    for arguments in [
        &["checkpoint", "make"][..],
        &["checkpoint", "show"],
        &["checkpoint", "list"],
        &["prove", "--position", "3"],
        &["prove", "--from", "3"],
        &["keys", "list"],
        &["keys", "export-public"],
        &["keys", "rotate"],
    ] {
        let ran = desk.run(&[arguments, &["--json"]].concat());
        assert_eq!((ran.code, ran.json().len()), (0, 1), "{arguments:?}: {ran:?}");
        assert!(!desk.run(arguments).out.is_empty(), "{arguments:?}");
    }
    let id = first["keyId"].as_str().unwrap();
    desk.done(&["keys", "revoke", id]);
    assert_eq!(desk.run(&["keys", "revoke", id]).code, 3);
    let listed = desk.done(&["keys", "list"]);
    for state in ["active", "retired", "revoked"] {
        assert!(listed.contains(state), "{listed}");
    }
    // The one that was taken back is nobody's, and one that never signed proves nothing.
    let given = desk.done(&["keys", "export-public"]);
    assert_eq!(given.lines().count(), 1, "{given}");
    assert!(given.starts_with("- - "), "{given}");
    assert_eq!(desk.run(&["keys", "rotate", "--server", "http://127.0.0.1:1"]).code, 5);
}

#[test]
fn a_witness_cosigns_a_checkpoint() {
    let desk = Desk::with_cases();
    desk.done(&["keys", "new"]);
    let note: Note = desk.done(&["checkpoint", "make"]).parse().unwrap();
    let witness = SignerKey::from_seed(KeyName::parse("witness.example").unwrap(), &[5; 32]);
    let cosigned = Note::signed(note.text().to_owned(), &[&witness]).unwrap();
    let cosigned = desk.file("cosigned", &cosigned.to_string());
    assert_eq!(desk.run(&["checkpoint", "cosign", &cosigned]).code, 3);
    desk.done(&["keys", "witness", &witness.verifier().to_string()]);
    let both: Note = desk.done(&["checkpoint", "cosign", &cosigned]).parse().unwrap();
    both.verify(&[witness.verifier().clone()]).unwrap();
    assert_eq!(both.signatures().len(), 2);
}

#[test]
fn a_move_takes_checkpoints_and_keys_along_and_the_log_is_proved_at_the_other_end() {
    let desk = Desk::with_cases();
    let keyed = |database: &str, arguments: &[&str]| {
        desk.done(&[&["--database", database], arguments].concat())
    };
    let (here, there) = ("sqlite:counterfoil.db", "sqlite:moved.db");
    keyed(here, &["keys", "new"]);
    let first = keyed(here, &["checkpoint", "make"]);
    keyed(here, &["keys", "rotate"]);
    desk.done(&["move", "--from", here, "--to", there]);
    let list = ["keys", "list", "--json"];
    assert_eq!(keyed(there, &list), keyed(here, &list));
    assert_eq!(keyed(there, &["checkpoint", "show"]), first);
    let proof = |database: &str| keyed(database, &["prove", "--position", "7", "--json"]);
    assert_eq!(proof(there), proof(here));
    // The chain goes on there, under the key that came along.
    keyed(there, &["bill", "--as-of", "2025-05-01"]);
    let second: Note = keyed(there, &["checkpoint", "make"]).parse().unwrap();
    let keys = keyed(there, &["keys", "export-public"]);
    let sizes = |line: &str| line.rsplit_once(' ').unwrap().0.to_owned();
    let of = |note: &str| note.lines().nth(1).unwrap().to_owned();
    // The rotated key is known by what it signed; the one in force may sign more.
    let retired = format!("{0} {0}", of(&first));
    let active = format!("{} -", of(&second.to_string()));
    assert_eq!(keys.lines().map(sizes).collect::<Vec<_>>(), [retired, active]);
    let key = |line: &str| line.rsplit_once(' ').unwrap().1.parse().unwrap();
    let all: Vec<VerifierKey> = keys.lines().map(key).collect();
    assert_eq!(second.verify(&all).unwrap(), [&all[1]]);
    // A line of its own says to `check-proof` too what a key signed.
    let proof = desk.file("proof.json", &keyed(there, &["prove", "--position", "7", "--json"]));
    for (line, code) in keys.lines().zip([4, 0]) {
        assert_eq!(desk.run(&["check-proof", &proof, "--key", line]).code, code, "{line}");
    }
}
