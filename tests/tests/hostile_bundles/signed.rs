//! Whose signatures a bundle rests on: keys that were retired, taken back or never given, and notes at the edge of
//! what a note may be.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use bundle::{GivenKey, Trust, Verified};
use proof::note::{Note, SignerKey};
use sha2::Digest as _;

use super::*;

/// A bundle that is of one key throughout.
fn of_key(log: &[Vec<u8>], key: &SignerKey, keys: String) -> Unpacked {
    let mut bundle = Unpacked::of(&export(log, Request::All));
    let readme = bundle.text("README.txt");
    let own = super::key().verifier().to_string();
    let readme = readme.replace(&own, &key.verifier().to_string());
    for (name, text) in [
        ("README.txt", readme),
        ("public-key.txt", format!("{}\n", key.verifier())),
        ("checkpoint.txt", checkpoint(log, key).to_string()),
        ("keys.txt", keys),
    ] {
        bundle.0.insert(name.into(), text.into_bytes());
    }
    bundle.rehash();
    bundle.sign(key);
    bundle
}

/// What both find with keys given as text, and what the one in Rust makes of it.
fn given(archive: &Unpacked, keys: &str, earlier: Option<&Note>) -> ([Vec<String>; 2], Verified) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    archive.pack(&path);
    std::fs::write(folder.path().join("key.txt"), keys).unwrap();
    if let Some(earlier) = earlier {
        std::fs::write(folder.path().join("earlier.txt"), earlier.to_string()).unwrap();
    }
    let public_keys = keys.lines().map(|line| line.parse().unwrap()).collect();
    let trust = Trust { public_keys, earlier: earlier.cloned(), ..Trust::default() };
    let verified = bundle::verify(&path, &trust, |_, _| {}).unwrap();
    let rust = verified.findings.iter().map(ToString::to_string).collect();
    ([rust, python_findings(folder.path()).remove("it.zip").unwrap()], verified)
}

fn find(archive: &Unpacked, keys: &str, earlier: Option<&Note>, words: &[&str]) {
    for findings in given(archive, keys, earlier).0 {
        let named = |finding: &String| words.iter().all(|word| finding.contains(word));
        assert!(findings.iter().any(named), "{words:?} in {findings:#?}");
    }
}

#[test]
fn a_retired_key_signs_no_new_log() {
    let log = log();
    let (size, before) = (log.len(), log.len() - 10);
    let (old, new) = (older(2), key());
    let (old_key, new_key) = (old.verifier(), new.verifier());
    let none: [Vec<String>; 2] = [vec![], vec![]];
    // The clerk kept the old key and signs a longer log with it, keys.txt and manifest too.
    let forged = of_key(&log, &old, format!("1 {size} {old_key}\n"));
    let exported = format!("1 {before} {old_key}\n{} - {new_key}\n", before + 1);
    find(&forged, &exported, None, &["checkpoint.txt", "did not sign at this size"]);
    find(&forged, &exported, None, &["public-key.txt", "signed nothing behind"]);
    find(&forged, &exported, None, &["keys.txt", "does not say"]);
    // What the old one signed in its time holds, with its own manifest and with the new one's.
    let earlier = &log[..before];
    let honest = of_key(earlier, &old, format!("1 {before} {old_key}\n"));
    assert_eq!(given(&honest, &exported, None).0, none);
    // Keys without sizes are in order, and a checkpoint of the newer one says when the older one was over.
    let plain = format!("{old_key}\n{new_key}\n");
    let of_new = checkpoint(&log[..=before], &new);
    find(&forged, &plain, Some(&of_new), &["keys.txt", "does not list"]);
    let last = before + 1;
    let listed = format!("{last} {last} {new_key}\n{size} {size} {old_key}\n");
    find(&of_key(&log, &old, listed), &plain, Some(&of_new), &["one after that had signed"]);
    let (found, verified) = given(&forged, &plain, None);
    assert_eq!((found, verified.key_is_unsized), (none, true), "and that is said");
}

#[test]
fn the_keys_that_signed_are_named_and_those_that_nobody_gave() {
    let log = log();
    let size = log.len();
    let (old, new) = (older(2), key());
    for state in ["", " revoked"] {
        let mut bundle = Unpacked::of(&export(&log, Request::All));
        let list = format!("1 {size} {}{state}\n", old.verifier());
        bundle.0.insert("checkpoint.txt".into(), checkpoint(&log, &old).to_string().into_bytes());
        bundle.0.insert("keys.txt".into(), list.into_bytes());
        bundle.rehash();
        bundle.sign(&new);
        let (found, verified) = given(&bundle, &format!("{}\n", new.verifier()), None);
        assert_eq!(found, [Vec::<String>::new(), Vec::new()]);
        assert_eq!(verified.signers, [old.verifier().clone()]);
        let folder = tempfile::tempdir().unwrap();
        let (path, keys) = (folder.path().join("it.zip"), folder.path().join("key.txt"));
        bundle.pack(&path);
        std::fs::write(&keys, format!("{}\n", new.verifier())).unwrap();
        let said = python(&path, &["--public-key", keys.to_str().unwrap()]);
        let mut remarks: Vec<String> = verified.remarks.iter().map(ToString::to_string).collect();
        remarks.push(said.clone());
        let says = |words: &str| {
            remarks[..remarks.len() - 1].iter().any(|remark| remark.contains(words))
                && said.contains(words)
        };
        assert!(says("none of the keys that were given"), "{remarks:?}");
        assert_eq!(says("took back the key"), !state.is_empty(), "{remarks:?}");
        assert!(said.contains(&format!("signed by {}", old.verifier())), "{said}");
        assert!(said.contains(&format!("listed by {}", new.verifier())), "{said}");
    }
}

#[test]
fn a_later_checkpoint_shows_that_a_bundle_is_stale_and_nothing_else() {
    let log = log();
    let bundle = Unpacked::of(&export(&log[..300], Request::All));
    let later = checkpoint(&log[..301], &key());
    for keys in
        [String::new(), format!("{}\n", key().verifier()), format!("1 - {}\n", key().verifier())]
    {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("it.zip");
        bundle.pack(&path);
        let trust = Trust {
            public_keys: keys.lines().map(|line| line.parse().unwrap()).collect(),
            earlier: Some(later.clone()),
            ..Trust::default()
        };
        let rust = bundle::verify(&path, &trust, |_, _| {}).unwrap().findings;
        let note = folder.path().join("later.txt");
        std::fs::write(&note, later.to_string()).unwrap();
        let file = folder.path().join("key.txt");
        std::fs::write(&file, &keys).unwrap();
        let mut arguments = vec!["--checkpoint", note.to_str().unwrap()];
        if !keys.is_empty() {
            arguments.extend(["--public-key", file.to_str().unwrap()]);
        }
        let said = python(&path, &arguments);
        assert!(rust.len() == 1 && rust[0].what.contains("stale"), "{rust:?}");
        assert!(
            said.starts_with("checkpoint.txt: it is stale") && said.contains("SOUND: 1 f"),
            "{said}"
        );
    }
}

#[test]
fn an_earlier_checkpoint_does_not_show_that_no_other_log_was_signed() {
    let log = log();
    let folder = tempfile::tempdir().unwrap();
    let (path, note) = (folder.path().join("it.zip"), folder.path().join("earlier.txt"));
    Unpacked::of(&export(&log, Request::All)).pack(&path);
    std::fs::write(&note, checkpoint(&log[..300], &key()).to_string()).unwrap();
    let said = python(&path, &["--checkpoint", note.to_str().unwrap()]);
    assert!(said.contains("begins with what it held"), "{said}");
    assert!(said.contains("whether the firm signed another log"), "{said}");
}

#[test]
fn both_take_the_same_notes_and_keys() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let note = checkpoint(&log, &key()).to_string();
    let text = checkpoint(&log, &key()).text().to_owned();
    let foreign = |name: &str, bytes: usize| {
        let signature = STANDARD.encode(vec![7; bytes]);
        format!("{note}\u{2014} {name} {signature}\n")
    };
    let signed = |text: String| {
        Note::signed(text, &[&key()]).map(|note| note.to_string()).unwrap_or_default()
    };
    // Each of them another: a checkpoint has no line twice.
    let more = |lines| (0..lines).map(|n| format!("more {n}\n")).collect::<Vec<_>>().concat();
    let many = |most| {
        (0..most)
            .map(|n| format!("\u{2014} w{n}.example AAAAAAAAAA==\n"))
            .collect::<Vec<_>>()
            .concat()
    };
    let none: [Vec<String>; 2] = [vec![], vec![]];
    for right in [
        foreign("witness.example", 68),
        format!("{note}{}", many(63)),
        foreign("w\u{202e}", 68),
        signed(text.clone() + &more(16)),
    ] {
        assert_eq!(both(&sound.forged("checkpoint.txt", right.clone()).packed()), none, "{right}");
    }
    for wrong in [
        format!("{note}{}", many(64)),
        foreign("a+b", 68),
        foreign("a\u{a0}b", 68),
        foreign("a\u{3000}b", 68),
        foreign("a\u{2028}b", 68),
        foreign("a\u{85}b", 68),
        foreign("a\u{7f}b", 68),
        foreign(&"w".repeat(256), 68),
        foreign("witness.example", 65_536),
        signed(text.clone() + &more(17)),
        signed(format!("{text}\nmore\n")),
        signed(text.replace("ledger.example/firm", "ledger example")),
    ] {
        both_find(&sound.forged("checkpoint.txt", wrong), &["checkpoint.txt", "not a"]);
    }
    // RFC 8032 section 5.1: the neutral point, for which anybody signs, and other spellings of points.
    let mut neutral = [0; 32];
    neutral[0] = 1;
    let mut other_spelling = [0xff; 32];
    (other_spelling[0], other_spelling[31]) = (0xf0, 0x7f);
    let mut signed_zero = neutral;
    signed_zero[31] = 0x80;
    for point in [neutral, [0; 32], other_spelling, signed_zero] {
        let typed = [&[1], &point[..]].concat();
        let id = sha2::Sha256::digest([ORIGIN.as_bytes(), b"\n", &typed].concat());
        let text = format!("{ORIGIN}+{}+{}\n", hex::encode(&id[..4]), STANDARD.encode(typed));
        assert!(text.trim().parse::<GivenKey>().is_err());
        both_find(
            &sound.forged("public-key.txt", text),
            &["public-key.txt", "not one verifier key"],
        );
    }
}

#[test]
fn a_faultless_list_of_keys_is_not_blamed_for_a_checkpoint_that_is_not_there() {
    let mut bundle = Unpacked::of(&export(&log(), Request::All));
    bundle.0.remove("checkpoint.txt");
    bundle.rehash_if_listed();
    for findings in both(&bundle.packed()) {
        assert!(!findings.iter().any(|finding| finding.starts_with("keys.txt")), "{findings:?}");
    }
}
