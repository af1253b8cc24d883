//! Bundles that are made to stop a verifier, to fill its memory, or to be read under the rules of a version that
//! has fewer.

use counterfoil_tests::bundles::{Scans, export_with};
use counterfoil_tests::zips::Zip;
use domain::ids::{CaseId, DocumentHash};
use sha2::Digest as _;

use super::*;

/// Puts an event of a stream behind all others, told when the last one was.
fn append(events: &mut Vec<Value>, stream: &str, event: &str, payload: Value) {
    let mut new = events.last().unwrap().clone();
    let members = new.as_object_mut().unwrap();
    members.remove("causation");
    let number = events.len() + 1;
    let of_stream = events.iter().filter(|event| event["stream"] == stream).count();
    for (member, value) in [
        ("event", json!(event)),
        ("event_id", json!(format!("{number:08x}-0000-7000-8000-000000000000"))),
        ("payload", payload),
        ("position", json!(number)),
        ("request_id", json!(format!("{number:08x}-0000-7000-9000-000000000000"))),
        ("stream", json!(stream)),
        ("stream_version", json!(of_stream + 1)),
    ] {
        members.insert(member.into(), value);
    }
    events.push(new);
}

/// The stream of some client.
fn a_case(events: &[Value]) -> String {
    let of_case = |event: &&Value| event["event"] == "fee_earned";
    events.iter().find(of_case).unwrap()["stream"].as_str().unwrap().to_owned()
}

#[test]
fn more_work_than_a_plan_can_promise_is_no_promise() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let mut events = parse(&log);
    let at = events.iter().position(|event| event["event"] == "consent_signed").unwrap();
    events[at]["payload"]["terms"]["monthly_work"] = json!(vec!["progress_report"; 17]);
    let position = format!("position {}:", at + 1);
    both_find(&sealed_again(&sound, &write(&events)), &[&position, "more than 16 pieces of work"]);
}

#[test]
fn what_cannot_follow_is_named_by_its_position() {
    let log = log();
    let mut events = parse(&log);
    let at = events.iter().position(|event| event["event"] == "refund_issued");
    let at = at.or_else(|| events.iter().position(|event| event["event"] == "payment_settled"));
    let at = at.unwrap();
    events[at]["payload"]["amount"]["currency"] = json!("JPY");
    let forged = sealed_again(&Unpacked::of(&export(&log, Request::All)), &write(&events));
    let [rust, python] = both(&forged.packed());
    let named = |finding: &String| {
        finding.contains("do not fit together (") && finding.contains("position")
    };
    assert!(rust.iter().any(named), "{rust:#?}");
    assert!(!python.is_empty());
    let refused = counterfoil_tests::bundles::try_export(
        &write(&events),
        Request::All,
        bundle::Openings::default(),
    );
    assert!(matches!(refused, Err(bundle::ExportError::Event { .. })), "{refused:?}");
}

#[test]
fn a_client_with_more_than_is_held_is_named_and_messages_do_not_count() {
    let log = log();
    let mut events = parse(&log);
    let case = a_case(&events);
    let text = "x".repeat(60_000);
    for _ in 0..300 {
        let message = json!({"complaint": false, "direction": "incoming", "text": text});
        append(&mut events, &case, "message_logged", message);
    }
    let none: [Vec<String>; 2] = [vec![], vec![]];
    let messages = Unpacked::of(&export(&write(&events), Request::All));
    assert_eq!(both(&messages.packed()), none);
    for _ in 0..300 {
        append(&mut events, &case, "legal_hold_placed", json!({"matter": text}));
    }
    let forged = sealed_again(&messages, &write(&events));
    both_find(&forged, &[&case[5..], "more than 16777216 bytes"]);
    let refused = counterfoil_tests::bundles::try_export(
        &write(&events),
        Request::All,
        bundle::Openings::default(),
    );
    assert!(matches!(refused, Err(bundle::ExportError::Client { .. })), "{refused:?}");
}

#[test]
fn events_that_cannot_be_unpacked_turn_nothing_off() {
    let mut forged = Unpacked::of(&export(&log(), Request::All));
    forged.0.insert("tables/payments.csv".into(), b"forged\r\n".to_vec());
    forged.rehash();
    forged.sign(&key());
    let mut zip = Zip::of(&forged.packed());
    let events =
        zip.entries.iter_mut().find(|entry| entry.central_name == b"events.jsonl").unwrap();
    events.set_data(events.data[..events.data.len() / 2].to_vec());
    for findings in both(&zip.write()) {
        for words in [["events.jsonl", "cannot be read"], ["tables/payments.csv", ""]] {
            let named = |finding: &String| words.iter().all(|word| finding.contains(word));
            assert!(findings.iter().any(named), "{words:?} in {findings:#?}");
        }
        assert!(!findings.iter().any(|finding| finding.contains("is not there")), "{findings:#?}");
    }
}

#[test]
fn a_record_of_a_place_beyond_the_archive_is_a_finding() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    let mut archive = Unpacked::of(&export(&log(), Request::All)).packed();
    let end = archive.len() - 22;
    archive[end + 16..end + 20].copy_from_slice(&[0xff; 4]);
    std::fs::write(&path, &archive).unwrap();
    let said = python(&path, &[]);
    assert!(said.contains("the archive: ") && said.contains("NOT SOUND"), "{said:?}");
}

#[test]
fn documents_of_an_erased_client_are_not_there() {
    let log = log();
    let mut events = parse(&log);
    let case = a_case(&events);
    let scan = b"%PDF-1.7 the agreement".to_vec();
    let hash = DocumentHash(sha2::Sha256::digest(&scan).into());
    let signed =
        |event: &&mut Value| event["event"] == "consent_signed" && event["stream"] == *case;
    events.iter_mut().find(signed).unwrap()["payload"]["document"] = json!(hash.to_string());
    let scans = Scans::from([((CaseId::parse(&case[5..]).unwrap(), hash), scan)]);
    let made = |events: &[Value]| {
        let archive =
            export_with(&write(events), Request::All, bundle::Openings::default(), &scans);
        Unpacked::of(&archive.unwrap())
    };
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&made(&events).packed()), none);
    append(&mut events, &case, "client_erased", json!({"basis": "asked"}));
    both_find(&made(&events), &["position", "was erased, and documents"]);
}

#[test]
fn an_earlier_version_of_the_format_turns_nothing_off_that_it_had() {
    for version in ["v1", "v2", "v3"] {
        let path = project().join(format!("tests/golden/bundles/case.{version}.zip"));
        let archive = std::fs::read(path).unwrap();
        let find = |archive: &[u8], words: &[&str]| {
            for findings in both(archive) {
                let named = |finding: &String| words.iter().all(|word| finding.contains(word));
                assert!(findings.iter().any(named), "{version}: {words:?} in {findings:#?}");
            }
        };
        find(&[b"#!/bin/sh\nexit\n", &archive[..]].concat(), &["the archive: "]);
        for name in ["verify.py", "FORMAT.md"] {
            let mut other = Unpacked::of(&archive);
            other.0.insert(name.into(), b"print('Everything agrees')\n".to_vec());
            find(&other.packed(), &[name, "not what any software"]);
        }
        if version == "v1" {
            let mut told = Unpacked::of(&archive);
            let access = "{\"access\":\"00000000-0000-7000-8000-00000000000a\",\"actor\"";
            let events = told.text("events.jsonl").replacen("{\"actor\"", access, 1);
            told.0.insert("events.jsonl".into(), events.into_bytes());
            find(&told.packed(), &["events.jsonl", "no member access"]);
        }
    }
}
