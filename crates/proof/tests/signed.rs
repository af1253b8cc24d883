//! Notes and checkpoints against the published examples of C2SP (github.com/C2SP/C2SP,
//! `signed-note.md` and `tlog-checkpoint.md`, as of 2026-07-22) and RFC 8032.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use std::fs;
use std::path::PathBuf;

use counterfoil_proof::note::{
    KEY_NAME_BYTES_MAX, KeyName, NOTE_BYTES_MAX, Note, NoteError, SIGNATURES_MAX, Signature,
    SignerKey, VerifierKey,
};
use counterfoil_proof::{Checkpoint, CheckpointError, EXTENSION_LINES_MAX, Hash, empty_root};

/// Published in `signed-note.md`.
const EXAMPLE_KEY: &str = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k";
const EXAMPLE_NOTE: &str = "This is an example message.\n\n\
    — example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n";
/// Published in `tlog-checkpoint.md`, without its key.
const EXAMPLE_CHECKPOINT: &str = "example.com/behind-the-sofa\n20852163\n\
    CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n\
    — example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n";
/// The key of RFC 8032 section 7.1 test 1 under a name, and checkpoints of the 8-leaf and the empty
/// tree of RFC 9162 signed with it: derived, not published; made with PyNaCl 1.6.2.
const LEDGER_KEY: &str = "example.com/ledger+60db519f+AddamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea";
const LEDGER_NOTES: [&str; 2] = [
    "example.com/ledger\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n\n\
     — example.com/ledger YNtRn2gzE9LAJwGMgl/BVkntTh9PpiPy/kV5jU1IrHQ8tEC00JHqKCIoEpwgkM2AgFamiFXF1o00jTDXQucFLBEpCgc=\n",
    "example.com/ledger\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n\n\
     — example.com/ledger YNtRn8/RAVRlGFGOw2KR0VpIfMjk0bn+PKItVMvhiwfjEXczOPNHzIVPuWomzqAa3AN6Q9JF6cCZorfltyqmDAgsGQk=\n",
];
/// The root of RFC 9162's 8-leaf tree, as in `merkle_8_leaves.json`.
const ROOT_OF_8: &str = "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328";

fn rfc_8032() -> Vec<Vec<String>> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/proof/ed25519.csv");
    let text = fs::read_to_string(path).unwrap();
    text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn key_bytes(text: &str) -> [u8; 32] {
    hex::decode(text).unwrap().try_into().unwrap()
}

fn name(text: &str) -> KeyName {
    KeyName::parse(text).unwrap()
}

fn signer(text: &str, seed: u8) -> SignerKey {
    SignerKey::from_seed(name(text), &[seed; 32])
}

fn note(text: &str) -> Result<Note, NoteError> {
    text.parse()
}

fn key(text: &str) -> VerifierKey {
    text.parse().unwrap()
}

#[test]
fn keys_and_signatures_agree_with_rfc_8032() {
    use ed25519_dalek::{Signer, SigningKey};
    let rows = rfc_8032();
    assert_eq!(rows.len(), 3);
    for row in rows {
        let signer = SignerKey::from_seed(name("any"), &key_bytes(&row[0]));
        assert_eq!(hex::encode(signer.verifier().public_key()), row[1]);
        let message = hex::decode(&row[2]).unwrap();
        let signature = SigningKey::from_bytes(&key_bytes(&row[0])).sign(&message);
        assert_eq!(hex::encode(signature.to_bytes()), row[3]);
    }
}

#[test]
fn the_published_note_is_checked_by_its_published_key() {
    let note = note(EXAMPLE_NOTE).unwrap();
    assert_eq!(note.text(), "This is an example message.\n");
    let known = [key(EXAMPLE_KEY)];
    assert_eq!(note.verify(&known).unwrap(), [&known[0]]);
    assert_eq!(note.to_string(), EXAMPLE_NOTE);
    assert_eq!(
        (known[0].to_string().as_str(), known[0].id().to_string().as_str()),
        (EXAMPLE_KEY, "530d903a")
    );
}

#[test]
fn the_published_checkpoint_reads_and_is_written_alike() {
    let note = note(EXAMPLE_CHECKPOINT).unwrap();
    let checkpoint: Checkpoint = note.text().parse().unwrap();
    assert_eq!(
        (checkpoint.origin.as_str(), checkpoint.size),
        ("example.com/behind-the-sofa", 20_852_163)
    );
    assert_eq!(checkpoint.body(), note.text());
    assert_eq!(note.to_string(), EXAMPLE_CHECKPOINT);
}

#[test]
fn checkpoints_are_signed_as_another_library_signs_them() {
    let seed = key_bytes(&rfc_8032()[0][0]);
    let origin = name("example.com/ledger");
    let signer = SignerKey::from_seed(origin.clone(), &seed);
    assert_eq!(signer.verifier().to_string(), LEDGER_KEY);
    let roots = [(8, Hash::from_hex(ROOT_OF_8).unwrap()), (0, empty_root())];
    for ((size, root), expected) in roots.into_iter().zip(LEDGER_NOTES) {
        let body = Checkpoint::new(origin.clone(), size, root).body();
        assert_eq!(Note::signed(body, &[&signer]).unwrap().to_string(), expected);
        note(expected).unwrap().verify(&[key(LEDGER_KEY)]).unwrap();
    }
}

#[test]
fn unknown_keys_are_ignored_and_a_known_one_that_fails_spoils_the_note() {
    let (ours, witness) = (signer("log", 1), signer("witness", 2));
    let signed = Note::signed("text\n".into(), &[&ours, &witness]).unwrap();
    let keys = [ours.verifier().clone(), witness.verifier().clone()];
    assert_eq!(signed.verify(&keys).unwrap().len(), 2);
    assert_eq!(signed.verify(&keys[1..]).unwrap(), [&keys[1]]);
    assert_eq!(signed.verify(&[key(EXAMPLE_KEY)]), Err(NoteError::Unsigned));
    // Another text under the same signatures: neither holds, and one known is enough to reject.
    let forged = signed.to_string().replacen("text", "texT", 1);
    let forged = note(&forged).unwrap();
    assert_eq!(forged.verify(&keys[..1]), Err(NoteError::Signature));
    let line = |note: &Note, at: usize| note.signatures()[at].clone();
    let mixed = Note::signed("texT\n".into(), &[&ours]).unwrap();
    let mixed = mixed.with_signature(line(&signed, 1)).unwrap();
    assert_eq!(mixed.verify(&keys), Err(NoteError::Signature));
    assert_eq!(mixed.verify(&keys[..1]).unwrap(), [&keys[0]], "an unknown key is not looked at");
}

#[test]
fn a_line_of_another_type_of_key_is_carried_along_untouched() {
    // A cosignature with a time, C2SP tlog-cosignature: longer than a signature of a note.
    use base64::Engine as _;
    let bytes = base64::engine::general_purpose::STANDARD.encode([9; 4 + 8 + 64]);
    let text = format!("{EXAMPLE_NOTE}— witness.example/w {bytes}\n");
    let note = note(&text).unwrap();
    note.verify(&[key(EXAMPLE_KEY)]).unwrap();
    assert_eq!(note.to_string(), text);
}

#[test]
fn a_signature_is_added_once_and_as_many_as_c2sp_asks_for_are_accepted() {
    let signers: Vec<SignerKey> = (0..16).map(|seed| signer("log", seed)).collect();
    let signed = Note::signed("text\n".into(), &signers.iter().collect::<Vec<_>>()).unwrap();
    let read = note(&signed.to_string()).unwrap();
    let known: Vec<VerifierKey> = signers.iter().map(|key| key.verifier().clone()).collect();
    assert_eq!(read.verify(&known).unwrap().len(), 16);
    let again: Signature = read.signatures()[3].to_string().parse().unwrap();
    assert_eq!(read.clone().with_signature(again).unwrap(), read);
    let many: Vec<SignerKey> = (0..=64).map(|seed| signer("log", seed)).collect();
    assert_eq!(many.len(), SIGNATURES_MAX + 1);
    let many: Vec<&SignerKey> = many.iter().collect();
    assert!(Note::signed("text\n".into(), &many[1..]).is_ok());
    assert_eq!(Note::signed("text\n".into(), &many), Err(NoteError::Limit));
    assert_eq!(note(&"x".repeat(NOTE_BYTES_MAX + 1)), Err(NoteError::Limit));
}

#[test]
fn malformed_notes_are_refused() {
    for (wrong, why) in [
        ("text\n", NoteError::Form),
        ("text\n\n", NoteError::Form),
        ("text\n\n— log", NoteError::Form),
        ("text\n\n- log AAAAAAA=\n", NoteError::Form),
        ("text\n\n— log AAAAAAA\n", NoteError::Form),
        ("text\n\n— log AAAA\n", NoteError::Form),
        ("text\n\n— lo+g AAAAAAA=\n", NoteError::Name),
        ("te\txt\n\n— log AAAAAAA=\n", NoteError::Text),
        ("text\n\n— log AAAAAAA=\n\n", NoteError::Form),
    ] {
        assert_eq!(note(wrong), Err(why), "{wrong:?}");
    }
    assert_eq!(Note::signed("text".into(), &[&signer("log", 1)]), Err(NoteError::Text));
    assert!(note("a\n\nb\n\n— log AAAAAAA=\n").is_ok_and(|note| note.text() == "a\n\nb\n"));
}

#[test]
fn malformed_keys_are_refused() {
    let other_id = EXAMPLE_KEY.replacen("530d903a", "530d903b", 1);
    let other_name = EXAMPLE_KEY.replacen("foo", "bar", 1);
    let upper = EXAMPLE_KEY.replacen("530d903a", "530D903A", 1);
    for wrong in ["", "a", "a+b", "a+530d903a+AA==", &other_id, &other_name, &upper] {
        assert_eq!(wrong.parse::<VerifierKey>(), Err(NoteError::Key), "{wrong}");
    }
    for wrong in ["", "two words", "plus+", "tab\t", "line\n", "\u{a0}", &"n".repeat(256)] {
        assert_eq!(KeyName::parse(wrong), Err(NoteError::Name), "{wrong:?}");
    }
    assert_eq!(KEY_NAME_BYTES_MAX, 255);
    for hides in ["plum\u{202e}", "pl\u{200b}um", "p\u{43b}um", "pl\u{fc}m"] {
        let read = KeyName::parse(hides).unwrap();
        assert_eq!(read.for_new_key(), Err(NoteError::NewName), "{hides:?}");
    }
    let plain = KeyName::parse("ledger.example/plum").unwrap();
    assert_eq!(plain.clone().for_new_key(), Ok(plain));
}

#[test]
fn malformed_checkpoints_are_refused() {
    let root = "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=";
    let read = |text: &str| text.parse::<Checkpoint>();
    let extended = format!("o\n7\n{root}\nmore\n");
    assert_eq!(read(&extended).unwrap().extensions, ["more"]);
    assert_eq!(read(&extended).unwrap().body(), extended);
    for (wrong, why) in [
        (String::new(), CheckpointError::Lines),
        ("o\n7\n".into(), CheckpointError::Lines),
        (format!("o\n7\n{root}"), CheckpointError::Lines),
        (format!("o\n7\n{root}\n\n"), CheckpointError::Lines),
        (
            format!("o\n7\n{root}\n{}", "x\n".repeat(EXTENSION_LINES_MAX + 1)),
            CheckpointError::Lines,
        ),
        (format!("\n7\n{root}\n"), CheckpointError::Origin(NoteError::Name)),
        (format!("o o\n7\n{root}\n"), CheckpointError::Origin(NoteError::Name)),
        (format!("o\n07\n{root}\n"), CheckpointError::Size),
        (format!("o\n+7\n{root}\n"), CheckpointError::Size),
        (format!("o\n-7\n{root}\n"), CheckpointError::Size),
        (format!("o\n9223372036854775808\n{root}\n"), CheckpointError::Size),
        ("o\n7\n47DEQpj8\n".into(), CheckpointError::Root),
        (format!("o\n7\n{}\n", root.trim_end_matches('=')), CheckpointError::Root),
    ] {
        assert_eq!(read(&wrong), Err(why), "{wrong:?}");
    }
}
