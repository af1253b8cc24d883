//! Bundles that a firm made by hand to deceive whoever examines them, signed with its own key. Neither verifier
//! calls one of them sound, and neither stops looking where it was meant to.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

#[path = "hostile_bundles/bounds.rs"]
mod bounds;
#[path = "hostile_bundles/corrected.rs"]
mod corrected;
#[path = "hostile_bundles/kept.rs"]
mod kept;
#[path = "hostile_bundles/late.rs"]
mod late;
#[path = "hostile_bundles/lines.rs"]
mod lines;
#[path = "hostile_bundles/recordable.rs"]
mod recordable;
#[path = "hostile_bundles/signed.rs"]
mod signed;

use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;

use bundle::{KeySpan, Request, Trust};
use counterfoil_tests::bundles::{
    ORIGIN, Unpacked, bytes, checkpoint, export, firm_with, key, other_key, project,
    python_findings, python_verifier, rust_findings, write_key,
};
use counterfoil_tests::forger::{parse, sealed_again, write};
use counterfoil_tests::history::{Crm, Shape};
use counterfoil_tests::player::Player;
use proof::note::{KeyName, Note, SignerKey};
use serde_json::{Value, json};

/// A firm in which everything happened that somebody could lie about.
fn log() -> Vec<Vec<u8>> {
    static LOG: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let made = LOG.get_or_init(|| {
        let shape = Shape { clients: 10, enrol_days: 20, nonsense_percent: 4 };
        bytes(&firm_with(7, shape, 220, |log| has_everything(&parse(&bytes(log)))).log)
    });
    made.clone()
}

fn has_everything(events: &[Value]) -> bool {
    let count = |name: &str| events.iter().filter(|event| event["event"] == name).count();
    let once = ["chargeback_opened", "exposure_found", "payment_settled", "unearned_payment_found"];
    let Some(round) = events.iter().position(|event| event["event"] == "round_sent") else {
        return false;
    };
    let of_case = |name: &str| {
        let stream = &events[round]["stream"];
        events.iter().any(|event| event["event"] == name && event["stream"] == *stream)
    };
    let pays = |event: &Value| {
        event["event"] == "payment_settled"
            && event["payload"]["applied"].as_array().is_some_and(|applied| !applied.is_empty())
    };
    // The first round broke nothing, so that what is taken away from its case breaks something.
    let is_lawful = events.get(round + 1).is_none_or(|next| next["event"] != "exposure_found");
    let named = |event: &&Value| says_lines(event);
    count("fee_earned") >= 2
        && events.iter().filter(named).count() >= 2
        && once.iter().all(|name| count(name) >= 1)
        && events.iter().any(pays)
        && is_lawful
        && ["basis_attested", "consent_signed", "identity_paper_accepted"]
            .iter()
            .all(|n| of_case(n))
}

/// Whether it is a payment that says of which lines it is.
fn says_lines(event: &Value) -> bool {
    event["event"] == "payment_settled" && event["payload"]["lines"][1].is_object()
}

fn both(archive: &[u8]) -> [Vec<String>; 2] {
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    let path = folder.path().join("it.zip");
    std::fs::write(&path, archive).unwrap();
    [rust_findings(&path), python_findings(folder.path()).remove("it.zip").unwrap()]
}

/// Both have a finding with every one of the words.
fn both_find(archive: &Unpacked, words: &[&str]) -> [Vec<String>; 2] {
    let found = both(&archive.packed());
    for findings in &found {
        let named = |finding: &String| words.iter().all(|word| finding.contains(word));
        assert!(findings.iter().any(named), "{words:?} in {findings:#?}");
    }
    found
}

/// A bundle with no row in any table but the timeline, signed.
fn emptied(bundle: &Unpacked) -> Unpacked {
    let mut emptied = bundle.clone();
    for (name, bytes) in &mut emptied.0 {
        if name.starts_with("tables/") && name != "tables/timeline.csv" {
            let header = String::from_utf8_lossy(bytes).lines().next().unwrap().to_owned();
            *bytes = format!("{header}\r\n").into_bytes();
        }
    }
    emptied.rehash();
    emptied.sign(&key());
    emptied
}

#[test]
fn one_event_that_nobody_reads_turns_nothing_off() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let changes: [(&str, Value); 6] = [
        ("/occurred_on", json!("9999-99-99")),
        ("/occurred_on", json!("9999-12-31")),
        ("/recorded_at", json!(9_007_199_254_740_991_i64)),
        ("/event", json!("nothing_known")),
        ("/event_version", json!(2)),
        ("/payload", json!({"unknown": {"unknown": [1, 2, 3]}})),
    ];
    for (member, value) in changes {
        let mut events = parse(&log);
        let last = events.len() - 1;
        *events[last].pointer_mut(member).unwrap() = value;
        let forged = emptied(&sealed_again(&sound, &write(&events)));
        let position = format!("position {}", last + 1);
        let found = both_find(&forged, &["events.jsonl", &position]);
        for findings in found {
            for table in ["papers", "fees", "invoices", "payments", "rounds_and_letters"] {
                let named = |finding: &String| finding.contains(&format!("tables/{table}.csv"));
                assert!(findings.iter().any(named), "{member}: {table} in {findings:#?}");
            }
        }
    }
}

#[test]
fn every_event_that_is_wrong_is_named() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let mut events = parse(&log);
    let places = [10, 20, 30, events.len() - 1];
    for place in places {
        events[place]["payload"]["unknown"] = json!(true);
    }
    let forged = sealed_again(&sound, &write(&events));
    for place in places {
        both_find(&forged, &["events.jsonl", &format!("position {}:", place + 1)]);
    }
}

#[test]
fn every_file_that_is_missing_is_named() {
    let sound = Unpacked::of(&export(&log(), Request::All));
    let names: Vec<String> = sound.0.keys().cloned().collect();
    for name in names {
        let mut forged = sound.clone();
        forged.0.remove(&name);
        forged.rehash_if_listed();
        both_find(&forged, &[&name]);
    }
    let mut nothing = sound.clone();
    nothing.0.retain(|name, _| name == "README.txt");
    for name in ["events.jsonl", "manifest.json", "keys.txt", "tables/fees.csv", "verify.py"] {
        both_find(&nothing, &[name, "missing"]);
    }
}

#[test]
fn ids_and_causes_that_cannot_be_are_named() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let forge = |change: &dyn Fn(&mut Vec<Value>), words: &[&str]| {
        let mut events = parse(&log);
        change(&mut events);
        both_find(&sealed_again(&sound, &write(&events)), words);
    };
    forge(&|e| e[40]["event_id"] = e[41]["event_id"].clone(), &["two events have the id"]);
    forge(&|e| e[90]["request_id"] = e[10]["request_id"].clone(), &["request"]);
    forge(&|e| e[40]["causation"] = e[60]["event_id"].clone(), &["position 41", "led to it"]);
    forge(&|e| e[60]["causation"] = e[10]["event_id"].clone(), &["position 61", "led to it"]);
    let nobody = json!("00000000-0000-7000-8000-00000000dead");
    forge(&|e| e[40]["causation"] = nobody.clone(), &["position 41", "led to it"]);
    let of_one = |events: &[Value]| {
        let same = |pair: &[Value]| pair[0]["request_id"] == pair[1]["request_id"];
        events.windows(2).position(same).unwrap() + 1
    };
    forge(
        &|e| {
            let at = of_one(e);
            e[at]["actor"] = json!("somebody else");
        },
        &["another actor"],
    );
    forge(
        &|e| {
            let at = of_one(e);
            e[at]["recorded_at"] = json!(e[at]["recorded_at"].as_i64().unwrap() + 1);
        },
        &["another actor or time"],
    );
    forge(&|e| e[50]["late_days"] = json!(400), &["position 51", "late_days"]);
}

#[test]
fn a_clock_that_ran_back_is_a_remark() {
    let log = log();
    let mut events = parse(&log);
    let at = |event: &Value| event["recorded_at"].as_i64().unwrap();
    // By a second, within the day: nothing is told before it happened.
    let is_next = |pair: &[Value]| {
        pair[0]["request_id"] != pair[1]["request_id"] && at(&pair[0]) == at(&pair[1])
    };
    let place = events.windows(2).position(is_next).unwrap() + 1;
    let request = events[place]["request_id"].clone();
    let earlier = at(&events[place - 1]) - 1_000_000;
    for event in events.iter_mut().filter(|event| event["request_id"] == request) {
        event["recorded_at"] = json!(earlier);
    }
    let forged = Unpacked::of(&export(&write(&events), Request::All));
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&forged.packed()), none);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    forged.pack(&path);
    let verified = bundle::verify(&path, &Trust::default(), |_, _| {}).unwrap();
    assert!(verified.remarks[0].to_string().contains("ran back"), "{:?}", verified.remarks);
    let said = python(&path, &[]);
    assert!(said.contains("REMARK: events.jsonl") && said.contains("ran back"), "{said}");
}

/// What `verify.py` says of an archive, run as its documentation has it.
fn python(path: &Path, arguments: &[&str]) -> String {
    let ran = Command::new("python3")
        .arg("-I")
        .arg(python_verifier())
        .arg(path)
        .args(arguments)
        .output()
        .unwrap();
    String::from_utf8(ran.stdout).unwrap()
}

/// A key of the firm before the one in force, and one before that.
fn older(seed: u8) -> SignerKey {
    SignerKey::from_seed(KeyName::parse(ORIGIN).unwrap(), &[seed; 32])
}

/// A bundle whose list has two keys before the one in force, the first of them taken back.
fn rotated(log: &[Vec<u8>]) -> (Unpacked, Vec<KeySpan>) {
    let span = |key: &SignerKey, first, last, is_revoked| KeySpan {
        key: key.verifier().clone(),
        first,
        last,
        is_revoked,
    };
    let size = u64::try_from(log.len()).unwrap();
    let spans = vec![
        span(&older(1), 50, 100, true),
        span(&older(2), 150, 200, false),
        span(&key(), 250, size, false),
    ];
    let lines: Vec<String> = spans
        .iter()
        .map(|span| {
            let revoked = if span.is_revoked { " revoked" } else { "" };
            format!("{} {} {}{revoked}\n", span.first, span.last, span.key)
        })
        .collect();
    let sound = Unpacked::of(&export(log, Request::All));
    (sound.forged("keys.txt", lines.concat()), spans)
}

/// What both say of an archive beside an earlier checkpoint.
fn beside(archive: &Unpacked, earlier: &Note, keys: &[&SignerKey]) -> [Vec<String>; 2] {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    archive.pack(&path);
    let lines: Vec<String> = keys.iter().map(|key| format!("{}\n", key.verifier())).collect();
    std::fs::write(folder.path().join("key.txt"), lines.concat()).unwrap();
    std::fs::write(folder.path().join("earlier.txt"), earlier.to_string()).unwrap();
    let trust = Trust {
        public_keys: keys.iter().map(|key| key.verifier().clone().into()).collect(),
        earlier: Some(earlier.clone()),
        ..Trust::default()
    };
    let verified = bundle::verify(&path, &trust, |_, _| {}).unwrap();
    let rust = verified.findings.iter().map(ToString::to_string).collect();
    [rust, python_findings(folder.path()).remove("it.zip").unwrap()]
}

#[test]
fn a_key_is_judged_by_the_sizes_that_it_signed() {
    let log = log();
    assert!(log.len() > 260);
    let (bundle, _) = rotated(&log);
    let none: [Vec<String>; 2] = [vec![], vec![]];
    // What a rotated key signed while it was in force still holds, whoever knows which keys.
    for (of, size) in [(older(1), 50), (older(1), 100), (older(2), 170), (key(), 250), (key(), 260)]
    {
        let earlier = checkpoint(&log[..size], &of);
        assert_eq!(beside(&bundle, &earlier, &[&key()]), none, "{size}");
        assert_eq!(beside(&bundle, &earlier, &[&older(2), &key()]), none, "{size}");
    }
    // A witness's key, given by whoever examines. One of the log's own name has to be listed.
    let witness = SignerKey::from_seed(KeyName::parse("witness.example").unwrap(), &[9; 32]);
    let earlier = checkpoint(&log[..120], &key());
    let earlier = Note::signed(earlier.text().to_owned(), &[&witness]).unwrap();
    assert_eq!(beside(&bundle, &earlier, &[&witness, &key()]), none);
    let earlier = checkpoint(&log[..120], &other_key());
    for findings in beside(&bundle, &earlier, &[&other_key(), &key()]) {
        assert!(findings.iter().any(|f| f.contains("keys.txt: it does not list")), "{findings:?}");
    }
    // Behind its last size, before its first, or of nobody known.
    for (of, size) in
        [(older(1), 101), (older(1), 49), (older(2), 201), (key(), 249), (other_key(), 120)]
    {
        let earlier = checkpoint(&log[..size], &of);
        for findings in beside(&bundle, &earlier, &[&key(), &older(1)]) {
            assert!(findings.iter().any(|f| f.contains("the earlier checkpoint")), "{findings:?}");
        }
    }
    // Another history that the rotated key signed is found all the same.
    let mut other = log.clone();
    other.swap(20, 21);
    for findings in beside(&bundle, &checkpoint(&other[..170], &older(2)), &[&key()]) {
        assert!(findings.iter().any(|f| f.contains("does not begin with")), "{findings:?}");
    }
}

#[test]
fn a_stolen_old_key_makes_no_checkpoint_and_a_bad_list_is_none() {
    let log = log();
    let (bundle, spans) = rotated(&log);
    let stolen = bundle.forged("checkpoint.txt", checkpoint(&log, &older(2)).to_string());
    both_find(&stolen, &["checkpoint.txt", "did not sign at this size"]);
    let line = |span: &KeySpan, first: u64, last: u64| format!("{first} {last} {}\n", span.key);
    let size = u64::try_from(log.len()).unwrap();
    for wrong in [
        line(&spans[2], 250, size + 1),
        line(&spans[2], 0, size),
        line(&spans[2], size, 250),
        line(&spans[2], 250, size) + &line(&spans[1], 150, 200),
        line(&spans[1], 150, 251) + &line(&spans[2], 250, size),
        line(&spans[1], 150, 200) + &line(&spans[1], 250, size),
        line(&spans[2], 250, size).replace('\n', " retired\n"),
        format!("0{}", line(&spans[2], 250, size)),
        line(&spans[2], 250, size).trim_end().to_owned(),
    ] {
        both_find(&bundle.forged("keys.txt", wrong), &["keys.txt"]);
    }
}

#[test]
fn a_checkpoint_with_a_line_twice_is_none() {
    let sound = Unpacked::of(&export(&log(), Request::All));
    let text = sound.text("checkpoint.txt");
    for at in [0, text.lines().count() - 1] {
        let mut lines: Vec<&str> = text.split_inclusive('\n').collect();
        lines.insert(at, lines[at]);
        both_find(&sound.forged("checkpoint.txt", lines.concat()), &["checkpoint.txt", "twice"]);
    }
}

#[test]
fn a_key_that_was_taken_back_is_told_of() {
    let log = log();
    let (bundle, _) = rotated(&log);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    bundle.pack(&path);
    let earlier = checkpoint(&log[..60], &older(1));
    let trust = Trust { earlier: Some(earlier.clone()), ..Trust::default() };
    let verified = bundle::verify(&path, &trust, |_, _| {}).unwrap();
    assert!(verified.is_sound() && verified.remarks[0].what.contains("took back"), "{verified:?}");
    let file = folder.path().join("earlier.txt");
    std::fs::write(&file, earlier.to_string()).unwrap();
    let said = python(&path, &["--checkpoint", file.to_str().unwrap()]);
    assert!(said.contains("took back the key"), "{said}");
}

#[test]
fn nothing_of_a_bundle_reaches_the_terminal_unescaped() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let evil = "\u{1b}]0;sound\u{7}\u{202e}dnuos si eldnub ehT\u{2066}";
    let mut events = parse(&log);
    events[30]["actor"] = json!(evil);
    events[31]["event"] = json!(evil);
    events[32]["payload"][evil] = json!(evil);
    events[33]["occurred_on"] = json!(evil);
    let mut forged = sealed_again(&sound, &write(&events));
    forged.0.insert(format!("report/{evil}.html"), b"x".to_vec());
    let table = forged.text("tables/papers.csv").replace("telephone", evil);
    forged.0.insert("tables/papers.csv".into(), table.into_bytes());
    forged.rehash();
    forged.sign(&key());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    forged.pack(&path);
    let [rust, _] = both(&forged.packed());
    let said = [rust.join("\n"), python(&path, &[])];
    for said in said {
        assert!(said.lines().count() > 5, "{said}");
        let is_plain = |byte: u8| byte == b'\n' || (b' '..=b'~').contains(&byte);
        assert!(said.bytes().all(is_plain), "{said:?}");
    }
}

#[test]
fn a_file_beside_the_verifier_is_no_part_of_python() {
    let folder = tempfile::tempdir().unwrap();
    let verifier = folder.path().join("verify.py");
    std::fs::copy(python_verifier(), &verifier).unwrap();
    for module in ["json", "argparse", "zipfile", "cryptography", "zoneinfo", "re"] {
        let evil = "print('Everything agrees.')\nimport os\nos._exit(0)\n";
        std::fs::write(folder.path().join(format!("{module}.py")), evil).unwrap();
    }
    let path = folder.path().join("it.zip");
    let mut forged = Unpacked::of(&export(&log(), Request::All));
    forged.0.remove("tables/fees.csv");
    forged.pack(&path);
    for isolated in [&["-I"][..], &[]] {
        let mut command = Command::new("python3");
        command.args(isolated).arg(&verifier).arg(&path).current_dir(folder.path());
        let ran = command.output().unwrap();
        let said = String::from_utf8_lossy(&ran.stdout);
        assert!(said.contains("NOT SOUND"), "{isolated:?}: {said}");
        assert_eq!(ran.status.code(), Some(1));
    }
    // Both are documented as `-I`.
    for text in ["README.md", "crates/bundle/documents/README.txt"] {
        let text = std::fs::read_to_string(project().join(text)).unwrap();
        assert!(text.contains("python3 -I verify.py"), "{text}");
    }
}

#[test]
fn archives_that_unpack_to_far_more_than_they_are_take_little_memory() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let zeros = vec![b'0'; 300 << 20];
    let lines = b"\n".repeat(20 << 20);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    let limited = "import resource, runpy, sys\n\
                   resource.setrlimit(resource.RLIMIT_AS, (300 << 20, 300 << 20))\n\
                   sys.argv = sys.argv[1:]\n\
                   runpy.run_path(sys.argv[0], run_name='__main__')\n";
    for (name, bytes) in [
        ("events.jsonl", &zeros),
        ("tables/fees.csv", &lines),
        ("manifest.json", &zeros),
        ("keys.txt", &lines),
        ("openings.jsonl", &zeros),
    ] {
        let mut forged = sound.clone();
        forged.0.insert(name.into(), bytes.clone());
        forged.pack(&path);
        let ran = Command::new("python3")
            .args(["-I", "-c", limited])
            .arg(python_verifier())
            .arg(&path)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&ran.stdout);
        assert!(said.contains("NOT SOUND") && said.contains(name), "{name}: {said} {ran:?}");
        let rust = rust_findings(&path);
        assert!(rust.iter().any(|finding| finding.contains(name)), "{name}: {rust:?}");
    }
}

#[test]
fn the_result_says_what_was_not_judged() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    Unpacked::of(&export(&log(), Request::All)).pack(&path);
    let said = python(&path, &[]);
    assert!(said.starts_with("Everything that this program judges agrees: "), "{said}");
    for words in ["It does not judge: ", "gates", "whether what was recorded is true", "CAUTION"] {
        assert!(said.contains(words), "{words} in {said}");
    }
}
