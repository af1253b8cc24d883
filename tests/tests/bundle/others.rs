//! What a bundle of one client says of others: nothing but what the format names.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;

/// A history with a couple, and at its end who was let in and who looked at whom.
fn looked_at() -> (Vec<Vec<u8>>, CaseId, CaseId) {
    let player = player();
    let (case, payer) = couple(&player.log).expect("the history links a couple");
    let payer = payer.owner();
    let mut events = parse(&bytes(&player.log));
    let of_firm = events.iter().rfind(|event| event["stream"] == "firm").unwrap().clone();
    let others: Vec<String> = player
        .log
        .iter()
        .filter_map(|recorded| match recorded.stream {
            StreamId::Case(other) if other != case => Some(other.to_string()),
            _ => None,
        })
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let looked = |cases: &[String]| {
        let mut cases = cases.to_vec();
        cases.sort();
        json!({"cases": cases, "kind": "read", "what": "GetCase"})
    };
    let granted = |number: u32, cases: &[String]| {
        json!({
            "access": uuid(number), "bounds": {"cases": cases}, "label": format!("examiner {number}"),
            "scopes": ["examine"], "token_hash": "0".repeat(64),
        })
    };
    let own = case.to_string();
    let payloads = [
        ("access_granted", granted(1, std::slice::from_ref(&own))),
        ("access_granted", granted(2, &others[..1])),
        ("access_used", looked(std::slice::from_ref(&own))),
        ("access_used", looked(&[own.clone(), others[1].clone()])),
        ("access_used", looked(&others[2..4])),
        ("access_used", looked(&[])),
    ];
    for (number, (kind, payload)) in (1000_u32..).zip(payloads) {
        let mut event = of_firm.clone();
        let (position, version) =
            (events.len() + 1, events.iter().filter(|e| e["stream"] == "firm").count() + 1);
        event.as_object_mut().unwrap().remove("causation");
        event.as_object_mut().unwrap().remove("late_days");
        let last = events.last().unwrap();
        event["event"] = kind.into();
        event["payload"] = payload;
        event["event_id"] = uuid(number).into();
        event["request_id"] = uuid(number + 1000).into();
        event["position"] = position.into();
        event["stream_version"] = version.into();
        event["recorded_at"] = last["recorded_at"].clone();
        let at = chrono::DateTime::from_timestamp_micros(event["recorded_at"].as_i64().unwrap());
        event["occurred_on"] = at.unwrap().date_naive().to_string().into();
        events.push(event);
    }
    (write(&events), case, payer)
}

fn uuid(number: u32) -> String {
    Uuid::from_u128(0xacce_5500_0000_7000_8000_0000_0000_0000 | u128::from(number)).to_string()
}

#[test]
fn a_bundle_of_one_client_tells_of_no_other() {
    let (log, case, payer) = looked_at();
    let events = parse(&log);
    let sound = Unpacked::of(&export(&log, Request::Cases([case].into())));
    assert_eq!(findings(&sound), (vec![], vec![]));
    let gaps = sound.text("proofs/gaps.txt");
    assert!(gaps.lines().any(|line| line == "firm 3"), "{gaps}");
    let held: Vec<Value> = sound
        .text("events.jsonl")
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    // What FORMAT.md names: the other member of the couple, and whom the client's own account was to be linked with.
    let own = format!("account/{case}");
    let mut allowed = BTreeSet::from([case.to_string(), payer.to_string()]);
    for event in held.iter().filter(|event| event["stream"] == own) {
        allowed.extend(event["payload"]["member"].as_str().map(str::to_owned));
    }
    let (mut others, mut cards, mut own_cards) =
        (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    for event in &events {
        let stream = event["stream"].as_str().unwrap();
        others.extend(stream.strip_prefix("case/").map(str::to_owned));
        let mut token = ["/payload/card/token", "/payload/card/token/sealed"].into_iter();
        if let Some(token) = token.find_map(|at| event.pointer(at)?.as_str()) {
            let of = if stream == own { &mut own_cards } else { &mut cards };
            of.insert(token.to_owned());
        }
    }
    others.retain(|other| !allowed.contains(other));
    cards.retain(|card| !own_cards.contains(card));
    assert!(
        others.len() >= 8 && cards.len() >= 2,
        "{} others, {} cards",
        others.len(),
        cards.len()
    );
    for (name, bytes) in &sound.0 {
        let text = String::from_utf8_lossy(bytes);
        for secret in others.iter().chain(&cards) {
            assert!(!text.contains(secret.as_str()), "{name} tells {secret}");
        }
        let is_told = name.starts_with("report/")
            || name == "tables/access.csv"
            || name == "tables/papers.csv";
        assert!(!is_told || !text.contains(&payer.to_string()), "{name} names the other member");
    }
    let access = sound.text("tables/access.csv");
    assert_eq!(access.matches("read GetCase").count(), 2, "{access}");
    // The firm cannot leave out more than it states, nor of a stream that tells of the client.
    let fewer = gaps.replace("firm 3", "firm 2");
    both_find(&sound.forged("proofs/gaps.txt", fewer), &["proofs/streams.txt"]);
    let own_gap = format!("{gaps}case/{case} 1\n");
    let sorted: BTreeSet<&str> = own_gap.split_inclusive('\n').collect();
    let own_gap = sorted.into_iter().collect::<String>();
    both_find(&sound.forged("proofs/gaps.txt", own_gap), &["proofs/gaps.txt", "case/"]);
    // With both members in it, nothing of the couple is left out.
    let couple = Unpacked::of(&export(&log, Request::Cases([case, payer].into())));
    assert_eq!(findings(&couple), (vec![], vec![]));
    assert!(!couple.text("proofs/gaps.txt").contains("account/"));
    assert!(!couple.text("tables/invoice_lines.csv").contains("the other member"));
}
