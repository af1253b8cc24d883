//! Bundles of a random history: whole, of some cases, of some days. Both verifiers accept them, and
//! what is wrong is named by both.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

#[path = "bundle/blocks.rs"]
mod blocks;
#[path = "bundle/breaches.rs"]
mod breaches;
#[path = "bundle/corrected.rs"]
mod corrected;
#[path = "bundle/editions.rs"]
mod editions;
#[path = "bundle/others.rs"]
mod others;
#[path = "bundle/sealed.rs"]
mod sealed;

use std::collections::BTreeSet;
use std::sync::OnceLock;

use bundle::{Consistency, Openings, Request, Trust, ValueKey};
use calendar::CivilDate;
use counterfoil_tests::bundles::{
    Scans, Unpacked, bytes, checkpoint, couple, export, export_with, key, other_key, project,
    python_findings, python_verifier, rust_findings, try_export, write_key,
};
use counterfoil_tests::forger::{parse, write};
use counterfoil_tests::history::{Crm, Shape, case_id};
use counterfoil_tests::player::Player;
use domain::event::{Card, CaseEvent, Contact, Event, EventRef, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, DocumentHash, FirmId};
use domain::sealing::{Place, Sealer, Unsealable, person_of};
use domain::value::Personal;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;
use vault::PersonKey;

/// A firm with a couple that was asked for fees.
fn player() -> Player {
    static SEED: OnceLock<u64> = OnceLock::new();
    let shape = Shape { clients: 20, enrol_days: 40, nonsense_percent: 5 };
    let of = |seed: u64| Player::days(&mut Crm::new(seed, shape), 260);
    let has_couple = |seed: &u64| couple(&of(*seed).log).is_some();
    of(*SEED.get_or_init(|| (11..71).find(has_couple).expect("some random firm has a couple")))
}

fn log() -> Vec<Vec<u8>> {
    bytes(&player().log)
}

fn days(from: &str, through: &str) -> Request {
    let day = |text: &str| text.parse::<CivilDate>().unwrap();
    Request::Days { from: day(from), through: day(through) }
}

fn cases(numbers: &[u32]) -> Request {
    Request::Cases(numbers.iter().map(|number| case_id(*number)).collect())
}

/// What both verifiers find in one archive.
fn findings(archive: &Unpacked) -> (Vec<String>, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    let path = folder.path().join("it.zip");
    archive.pack(&path);
    let python = python_findings(folder.path()).remove("it.zip").unwrap();
    (rust_findings(&path), python)
}

/// Both name every word in one of their findings.
fn both_find(archive: &Unpacked, words: &[&str]) {
    both_find_one_of(archive, &[words]);
}

/// The same, for any of several sets of words.
fn both_find_one_of(archive: &Unpacked, sets: &[&[&str]]) {
    let (rust, python) = findings(archive);
    for found in [rust, python] {
        let named = |finding: &String| {
            sets.iter().any(|words| words.iter().all(|word| finding.contains(word)))
        };
        assert!(found.iter().any(named), "{sets:?} in {found:#?}");
    }
}

#[test]
fn both_verifiers_accept_what_was_exported() {
    let log = log();
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    let requests = [
        ("all", Request::All),
        ("one", cases(&[3])),
        ("some", cases(&[0, 1, 5, 8])),
        ("days", days("2025-02-01", "2025-02-10")),
        ("no-days", days("2031-01-01", "2031-12-31")),
    ];
    for (name, request) in requests {
        let archive = export(&log, request.clone());
        assert_eq!(archive, export(&log, request), "the same request makes the same bytes");
        std::fs::write(folder.path().join(format!("{name}.zip")), &archive).unwrap();
        assert_eq!(rust_findings(&folder.path().join(format!("{name}.zip"))), [""; 0], "{name}");
    }
    let python = python_findings(folder.path());
    assert_eq!(python.len(), 5);
    for (name, findings) in python {
        assert_eq!(findings, [""; 0], "{name}");
    }
}

#[test]
fn the_tables_have_something_to_say() {
    let files = Unpacked::of(&export(&log(), Request::All));
    for table in bundle::TABLES.iter().filter(|table| table.name != "access") {
        let rows = files.text(&table.file()).lines().count();
        assert!(rows > 2, "{} has {rows} lines", table.name);
    }
    let fees = files.text("tables/fees.csv");
    for status in [",earned,", ",given_up,", ",held,"] {
        assert!(fees.contains(status), "{status} is among the fees");
    }
}

#[test]
fn every_column_is_explained_and_no_personal_value_is_told() {
    let log = log();
    let files = Unpacked::of(&export(&log, Request::All));
    let dictionary = files.text("data-dictionary.csv");
    for table in bundle::TABLES {
        for column in table.columns {
            assert!(dictionary.contains(&format!(",{},", column.name)), "{}", column.name);
        }
    }
    let mut personal = BTreeSet::new();
    for event in &log {
        let event: serde_json::Value = serde_json::from_slice(event).unwrap();
        let contact = &event["payload"]["contact"];
        let values = ["/name", "/email", "/phone", "/address/line1", "/name/sealed"];
        let values = values.iter().filter_map(|value| contact.pointer(value)?.as_str());
        personal.extend(values.map(str::to_owned));
    }
    assert!(personal.len() > 10);
    let told = |name: &&String| name.starts_with("tables/") || name.starts_with("report/");
    for name in files.0.keys().filter(told) {
        let text = files.text(name);
        for value in &personal {
            assert!(!text.contains(value), "{name} tells a personal value");
        }
    }
}

#[test]
fn a_report_needs_nothing_from_elsewhere() {
    let files = Unpacked::of(&export(&log(), Request::All));
    for name in files.0.keys().filter(|name| name.starts_with("report/")) {
        let page = files.text(name);
        assert!(page.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"), "{name}");
        for word in ["<script", "<link", "<img", "src=", "href=", "url(", "@import"] {
            assert!(!page.contains(word), "{name} holds {word}");
        }
    }
}

#[test]
fn a_bundle_of_a_case_holds_its_streams_and_those_of_its_payer() {
    let player = player();
    let log = bytes(&player.log);
    let (case, payer) = couple(&player.log).expect("the history links a couple");
    let archive = export(&log, Request::Cases(BTreeSet::from([case])));
    let files = Unpacked::of(&archive);
    let streams = files.text("proofs/streams.txt");
    let held: Vec<&str> = streams.lines().map(|line| line.split(' ').next().unwrap()).collect();
    let lines = files.text("tables/invoice_lines.csv");
    assert!(lines.contains(",the other member,"), "{lines}");
    let mut expected = vec![
        format!("account/{case}"),
        format!("account/{payer}"),
        format!("case/{case}"),
        "firm".to_owned(),
        format!("looks/{case}"),
    ];
    expected.sort();
    assert_eq!(held, expected);
    let fees = files.text("tables/fees.csv");
    let is_claimed = player.log.iter().any(|recorded| {
        matches!(&recorded.event, Event::Case(CaseEvent::FeeEarned(e))
            if recorded.stream == StreamId::Case(case) && e.account == payer)
    });
    let named = fees.contains(&payer.to_string());
    assert!(named || !is_claimed, "fees name the account that they were asked of");
}

#[test]
fn altered_dropped_added_and_reordered_events_are_found() {
    let log = log();
    for request in [Request::All, cases(&[2, 3])] {
        let sound = Unpacked::of(&export(&log, request));
        let lines: Vec<String> =
            sound.text("events.jsonl").split_inclusive('\n').map(str::to_owned).collect();
        let forge = |change: &dyn Fn(&mut Vec<String>)| {
            let mut lines = lines.clone();
            change(&mut lines);
            let forged = sound.forged("events.jsonl", lines.concat());
            // What a part leaves out behind its last event stands in the subtrees.
            both_find_one_of(&forged, &[&["events.jsonl"], &["proofs/subtrees.txt"]]);
        };
        forge(&|lines| lines[20] = lines[20].replacen("\"actor\":\"crm\"", "\"actor\":\"crn\"", 1));
        forge(&|lines| drop(lines.remove(20)));
        forge(&|lines| drop(lines.pop()));
        forge(&|lines| lines.insert(21, lines[20].clone()));
        forge(&|lines| lines.swap(20, 21));
    }
}

#[test]
fn a_wrong_amount_is_found_though_the_firm_signed_it() {
    let sound = Unpacked::of(&export(&log(), Request::All));
    for (table, column, name) in [
        ("invoices", 4, "Invoice_Amount"),
        ("invoice_lines", 6, "Invoice_Line_Amount"),
        ("payments", 7, "Amount"),
    ] {
        let file = format!("tables/{table}.csv");
        let text = sound.text(&file);
        let plain = |line: &&str| !line.contains('"');
        let (row, line) = text.lines().enumerate().skip(1).find(|(_, line)| plain(line)).unwrap();
        let mut fields: Vec<String> = line.split(',').map(str::to_owned).collect();
        let right = std::mem::replace(&mut fields[column], "98.01".into());
        assert!(right.ends_with(".00") || right.ends_with(".99"), "{table}: {right} is no price");
        let forged = sound.forged(&file, text.replacen(line, &fields.join(","), 1));
        both_find(&forged, &[&file, &format!("row {}", row + 1), name, "98.01", &right]);
    }
}

/// A history in which two clients' agreements were scanned, with the scans.
fn scanned() -> (Vec<Vec<u8>>, Scans) {
    let mut player = player();
    let mut documents = Scans::new();
    for recorded in &mut player.log {
        if let (StreamId::Case(case), Event::Case(CaseEvent::ConsentSigned(consent))) =
            (recorded.stream, &mut recorded.event)
            && documents.len() < 2
        {
            let scan = format!("%PDF-1.7 the agreement of {case}").into_bytes();
            let hash = DocumentHash(Sha256::digest(&scan).into());
            consent.document = Some(hash);
            documents.insert((case, hash), scan);
        }
    }
    assert_eq!(documents.len(), 2);
    (bytes(&player.log), documents)
}

#[test]
fn documents_go_along_and_are_those_that_events_name() {
    let (log, documents) = scanned();
    let none = || Openings::default();
    let with = |documents| export_with(&log, Request::All, none(), documents).unwrap();
    let archive = with(&documents);
    assert_eq!(archive, with(&documents), "the same documents make the same bytes");
    let sound = Unpacked::of(&archive);
    assert_eq!(findings(&sound), (vec![], vec![]));
    let name = |(case, hash): &(CaseId, DocumentHash)| format!("evidence/{case}/{hash}");
    for (of, scan) in &documents {
        assert_eq!(&sound.0[&name(of)], scan);
    }
    // The firm itself signs a scan that is another one, or one that no event names, or another's.
    let mut each = documents.iter();
    let ((first, scan), (second, _)) = (each.next().unwrap(), each.next().unwrap());
    let other = sound.forged(&name(first), b"%PDF-1.7 another agreement".to_vec());
    both_find(&other, &[&name(first), "not the bytes"]);
    let elsewhere = name(&(second.0, first.1));
    both_find(&sound.forged(&elsewhere, scan.clone()), &[&elsewhere, "no event of its case"]);
    let hash = DocumentHash(Sha256::digest(b"a note").into());
    let unnamed = name(&(first.0, hash));
    both_find(&sound.forged(&unnamed, b"a note".to_vec()), &[&unnamed, "no event of its case"]);
    // What is not the document is not put in.
    let false_scan = documents.keys().map(|of| (*of, b"%PDF-1.7".to_vec())).collect();
    assert!(export_with(&log, Request::All, none(), &false_scan).is_err());
}

#[test]
fn a_fee_without_its_evidence_is_found_though_the_log_is_sound() {
    let mut player = player();
    let place = player
        .log
        .iter()
        .position(|recorded| matches!(&recorded.event, Event::Case(CaseEvent::FeeEarned(_))));
    let place = place.unwrap();
    let own = player.log[place].stream;
    let position = player.log[place].position;
    let elsewhere = player
        .log
        .iter()
        .find(|r| r.stream != own && matches!(&r.event, Event::Case(CaseEvent::RoundSent(_))));
    let elsewhere = elsewhere.unwrap().reference();
    let later = player.log.iter().find(|r| {
        r.stream == own
            && r.position > position
            && matches!(&r.event, Event::Case(CaseEvent::ProgressReportSent(_)))
    });
    let later = later.unwrap().reference();
    let nowhere = EventRef { position: 1_000_000, ..later.clone() };
    let sound = player.log.clone();
    for (wrong, why) in [
        (elsewhere, "no event of its case"),
        (later, "comes after it"),
        (nowhere, "no event of its case"),
    ] {
        let Event::Case(CaseEvent::FeeEarned(fee)) = &mut player.log[place].event else {
            unreachable!("it was found to be one");
        };
        fee.evidence[0].event = wrong;
        // The firm's own log and checkpoint: nothing but the fee itself is wrong.
        let forged = Unpacked::of(&export(&bytes(&player.log), Request::All));
        both_find(&forged, &["fee of period", why, &format!("position {position}")]);
        player.log.clone_from(&sound);
    }
}

#[test]
fn a_forged_checkpoint_is_found() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    // Signed by somebody else, with that key put in.
    let mut forged = sound.clone();
    let note = checkpoint(&log, &other_key()).to_string();
    forged.0.insert("checkpoint.txt".into(), note.into_bytes());
    let key_line = format!("{}\n", other_key().verifier());
    let readme = forged.text("README.txt");
    let readme = readme.replace(&key().verifier().to_string(), key_line.trim_end());
    forged.0.insert("README.txt".into(), readme.into_bytes());
    forged.0.insert("public-key.txt".into(), key_line.into_bytes());
    forged.rehash();
    forged.sign(&other_key());
    both_find(&forged, &["public-key.txt"]);
    both_find(&forged, &["checkpoint.txt", "signature"]);
    // Of another history, signed by the firm.
    let shorter = checkpoint(&log[..log.len() - 1], &key());
    let forged = sound.forged("checkpoint.txt", shorter.to_string());
    both_find(&forged, &["events.jsonl"]);
}

#[test]
fn a_stale_checkpoint_and_another_history_are_found() {
    let log = log();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    let earlier = checkpoint(&log[..500], &key());
    let later = checkpoint(&log, &key());
    let verify = |trust: Trust| bundle::verify(&path, &trust, |_, _| {}).unwrap();
    std::fs::write(&path, export(&log, Request::All)).unwrap();
    let given = [other_key(), key()].map(|key| key.verifier().clone().into()).to_vec();
    let trust = |earlier| Trust { public_keys: given.clone(), not_before: None, earlier };
    assert_eq!(verify(trust(Some(earlier.clone()))).consistency, Consistency::Proved);
    assert!(verify(trust(Some(later.clone()))).is_sound());
    // The same events but one, which was replaced before the checkpoint.
    let mut other = log.clone();
    let text = String::from_utf8(other[300].clone()).unwrap();
    other[300] = text.replacen("\"actor\":\"crm\"", "\"actor\":\"crx\"", 1).into_bytes();
    std::fs::write(&path, export(&other, Request::All)).unwrap();
    let found = verify(trust(Some(earlier.clone())));
    assert_eq!(found.consistency, Consistency::Refuted);
    assert!(!found.is_sound());
    assert!(!verify(trust(Some(later.clone()))).is_sound(), "two roots of one size");
    std::fs::write(&path, export(&log[..500], Request::All)).unwrap();
    assert!(verify(trust(Some(earlier))).is_sound());
    let stale = verify(trust(Some(later)));
    assert!(stale.findings[0].to_string().contains("stale"), "{:?}", stale.findings);
    let trust = Trust { not_before: Some(501), ..Trust::default() };
    assert!(verify(trust).findings[0].to_string().contains("stale"));
}

#[test]
fn what_a_part_withholds_inside_a_stream_is_found_and_what_it_withholds_at_the_end_is_stated() {
    let log = log();
    let sound = Unpacked::of(&export(&log, cases(&[3])));
    let streams = sound.text("proofs/streams.txt");
    let line = streams.lines().find(|line| line.starts_with("case/")).unwrap();
    let (stream, count) = line.split_once(' ').unwrap();
    let more = format!("{stream} {}", count.parse::<u64>().unwrap() + 1);
    let forged = sound.forged("proofs/streams.txt", streams.replace(line, &more));
    both_find(&forged, &["proofs/streams.txt", "number of events"]);
}

#[test]
fn an_export_refuses_a_log_that_is_not_the_checkpoints() {
    let mut log = log();
    log.swap(10, 11);
    assert!(try_export(&log, Request::All, bundle::Openings::default()).is_err());
}

/// Every event of a golden file with one value of its payload taken away, put in twice or replaced.
fn forms(golden: &Value) -> Vec<Value> {
    let strange = [
        json!(null),
        json!(true),
        json!(1),
        json!(-1),
        json!(9_007_199_254_740_992_i64),
        json!("x"),
        json!("2025-02-30"),
        json!("+2025-02-03"),
        json!([]),
        json!({}),
        json!({"sealed": "x"}),
        json!({"sealed": "x", "y": 1}),
        json!({"currency": "USD", "minor": "1"}),
        json!({"currency": "USD", "minor": "01"}),
        json!({"currency": "USD", "minor": "-0"}),
        json!({"currency": "USD", "minor": "1000000000001"}),
        json!({"currency": "usd", "minor": "1"}),
        json!("0001-01-01"),
        json!("0000-01-01"),
        json!("+10000-01-01"),
        json!("-0001-01-01"),
        json!("2025-02-29"),
        json!({"every_days": 27}),
        json!({"monthly_on": 31}),
    ];
    let mut places = vec!["/payload".to_owned()];
    let mut forms = vec![golden.clone()];
    while let Some(place) = places.pop() {
        let value = golden.pointer(&place).unwrap();
        for strange in &strange {
            let mut form = golden.clone();
            *form.pointer_mut(&place).unwrap() = strange.clone();
            forms.push(form);
        }
        if let Value::Object(members) = value {
            let mut form = golden.clone();
            form.pointer_mut(&place).unwrap()["unknown"] = json!(1);
            forms.push(form);
            for name in members.keys() {
                let mut form = golden.clone();
                form.pointer_mut(&place).unwrap().as_object_mut().unwrap().remove(name);
                forms.push(form);
                places.push(format!("{place}/{name}"));
            }
        }
        if let Value::Array(values) = value {
            places.extend((0..values.len()).map(|number| format!("{place}/{number}")));
            let mut form = golden.clone();
            form.pointer_mut(&place).unwrap().as_array_mut().unwrap().extend(values.clone());
            forms.push(form);
            let mut form = golden.clone();
            form.pointer_mut(&place).unwrap().as_array_mut().unwrap().reverse();
            forms.push(form);
        }
    }
    forms
}

#[test]
fn both_verifiers_know_the_same_forms_of_events() {
    use std::io::Write as _;
    let folder = project().join("tests/golden/events");
    let mut events: Vec<Vec<u8>> = Vec::new();
    for file in std::fs::read_dir(folder).unwrap() {
        let golden = serde_json::from_slice(&std::fs::read(file.unwrap().path()).unwrap()).unwrap();
        events.extend(forms(&golden).iter().map(|event| event.to_string().into_bytes()));
    }
    let mut lines = tempfile::NamedTempFile::new().unwrap();
    lines.write_all(&events.join(&b'\n')).unwrap();
    lines.write_all(b"\n").unwrap();
    let ran = std::process::Command::new("python3")
        .arg(project().join("tests/reference/bundle_forms.py"))
        .arg(python_verifier())
        .stdin(lines.reopen().unwrap())
        .output()
        .unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let python = String::from_utf8(ran.stdout).unwrap();
    assert_eq!(python.lines().count(), events.len());
    let (mut known, mut unknown, mut odd) = (0, 0, 0);
    for (event, python) in events.iter().zip(python.lines()) {
        let read = Recorded::from_bytes_strictly(event).ok();
        let rust = read.as_ref().and_then(Recorded::to_bytes_of_plain_days).as_ref() == Some(event);
        // A log of an earlier version may hold such a day, and is read as ever.
        odd += usize::from(!rust && read.is_some_and(|recorded| recorded.to_bytes() == *event));
        assert_eq!(rust, python.is_empty(), "{}: {python}", String::from_utf8_lossy(event));
        if rust { known += 1 } else { unknown += 1 }
    }
    assert!(known > 100 && unknown > 5_000, "{known} are known, {unknown} are not");
    assert!(odd > 50, "{odd} hold a day that is not of the years 0001 to 9999");
}

#[test]
fn the_forms_of_events_are_those_that_the_format_has() {
    let document = bundle::FORMAT_DOCUMENT;
    let forms = document.split("```\n").nth(1).unwrap();
    assert!(forms.lines().count() > 100);
    assert!(bundle::PYTHON_VERIFIER.contains(&format!("PAYLOADS = \"\"\"\\\n{forms}\"\"\"")));
}

#[test]
fn bundles_of_earlier_versions_are_still_read() {
    for (version, format, remark, told) in [
        ("v1", bundle::Format::V1, "first version", "bundle/1"),
        // Its tables have text as it was told; the third version would write `'-cmd-1`.
        ("v2", bundle::Format::V2, "second version", ",-cmd-1,"),
        ("v3", bundle::Format::V3, "third version", "bundle/3"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let golden = project().join("tests/golden/bundles");
        let path = folder.path().join("it.zip");
        std::fs::copy(golden.join(format!("case.{version}.zip")), &path).unwrap();
        let keys = std::fs::read_to_string(golden.join(format!("case.{version}.key.txt"))).unwrap();
        std::fs::write(folder.path().join("key.txt"), &keys).unwrap();
        let public_keys = keys.lines().map(|line| line.parse().unwrap()).collect();
        let trust = Trust { public_keys, ..Trust::default() };
        let verified = bundle::verify(&path, &trust, |_, _| {}).unwrap();
        assert_eq!(verified.format, Some(format));
        assert_eq!(verified.findings, []);
        for remark in [remark, "earlier edition of the rules and was not made again"] {
            assert!(verified.remarks.iter().any(|said| said.what.contains(remark)), "{version}");
        }
        assert_eq!(python_findings(folder.path())["it.zip"], [""; 0]);
        let mut changed = Unpacked::of(&std::fs::read(&path).unwrap());
        let tables = changed.text("tables/payments.csv") + &changed.text("FORMAT.md");
        assert!(tables.contains(told), "{version}");
        // Its rows are judged as ever: one that was changed is found.
        let rows = changed.text("tables/papers.csv").replace(",yes,", ",no,");
        changed.0.insert("tables/papers.csv".into(), rows.into_bytes());
        changed.pack(&path);
        let found = bundle::verify(&path, &trust, |_, _| {}).unwrap().findings;
        assert!(found.iter().any(|finding| finding.to_string().contains("Given is")), "{found:?}");
        let found = python_findings(folder.path()).remove("it.zip").unwrap();
        assert!(found.iter().any(|finding| finding.contains("Given is")), "{found:?}");
    }
}

/// Earlier versions of the ledger let such text into a log, and codes of processors begin as they like.
#[test]
fn no_text_of_a_bundle_deceives_whoever_opens_it() {
    let mut events = parse(&log());
    for event in &mut events {
        event["actor"] = json!("=desk\u{202e},\"x\"");
        if let Some(source) = event.pointer_mut("/payload/source") {
            *source = json!("bureau\u{2066}\u{1b}");
        }
        if let Some(payment) = event.pointer_mut("/payload/payment") {
            *payment = json!(format!("-{}", payment.as_str().unwrap()));
        }
    }
    let archive = Unpacked::of(&export(&write(&events), Request::All));
    assert_eq!(findings(&archive), (Vec::new(), Vec::new()));
    assert!(archive.text("tables/timeline.csv").contains(",\"'=desk\u{fffd},\"\"x\"\"\","));
    assert!(archive.text("tables/payments.csv").contains(",'-"));
    let opened = |name: &&String| name.starts_with("tables/") || name.starts_with("report/");
    for name in archive.0.keys().filter(opened) {
        let text = archive.text(name);
        let hides = |c: char| domain::text::is_hidden(c) || (c.is_control() && !"\r\n".contains(c));
        assert!(!text.contains(hides), "{name}");
        assert!(!text.contains(",=") && !text.contains("\n="), "{name}");
    }
}

#[test]
fn python_agrees_with_published_vectors() {
    let ran = std::process::Command::new("python3")
        .arg(project().join("tests/reference/bundle_vectors.py"))
        .arg(python_verifier())
        .output()
        .unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stdout));
}
