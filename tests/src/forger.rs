//! The firm as a forger: it changes events of its own log and signs everything anew.
//!
//! The log it forges from is a whole one, so that the root can be made again from what is there.

use std::collections::BTreeMap;

use chrono::DateTime;
use proof::{Frontier, leaf_hash};
use rand::rngs::StdRng;
use rand::{RngExt, seq::IndexedRandom as _};
use serde_json::{Map, Value};

use crate::bundles::{Unpacked, checkpoint_of, key, spans};

/// The events of a log, as JSON.
pub fn parse(log: &[Vec<u8>]) -> Vec<Value> {
    log.iter().map(|event| serde_json::from_slice(event).expect("an event")).collect()
}

/// Their bytes. serde_json keeps members in the order of their names, so this is the canonical form.
pub fn write(events: &[Value]) -> Vec<Vec<u8>> {
    events.iter().map(|event| event.to_string().into_bytes()).collect()
}

/// The row of the timeline of an event, as the data dictionary has its columns.
fn timeline_row(event: &Value, leaf: &str) -> Option<String> {
    let text = |member: &str| match event.get(member) {
        None => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    };
    let at = DateTime::from_timestamp_micros(event.get("recorded_at")?.as_i64()?)?;
    let cells = [
        text("position"),
        text("event_id"),
        text("stream"),
        text("stream_version"),
        text("event"),
        text("event_version"),
        text("occurred_on"),
        at.format("%Y-%m-%d").to_string(),
        at.format("%H:%M:%S%.6f").to_string(),
        text("actor"),
        text("late_days"),
        text("request_id"),
        text("causation"),
        leaf.to_owned(),
    ];
    let quoted = cells.map(|cell| {
        let is_plain = !cell.contains([',', '"', '\r', '\n']);
        if is_plain { cell } else { format!("\"{}\"", cell.replace('"', "\"\"")) }
    });
    Some(quoted.join(",") + "\r\n")
}

/// A bundle of a whole log with other events: their hashes, the timeline, the root wherever it is stated, the
/// checkpoint, the manifest and both signatures are made anew. Every other table and page stays.
pub fn sealed_again(bundle: &Unpacked, log: &[Vec<u8>]) -> Unpacked {
    let mut forged = bundle.clone();
    let mut frontier = Frontier::new();
    let header = bundle.text("tables/timeline.csv");
    let mut timeline = format!("{}\r\n", header.lines().next().expect("a header"));
    for line in log {
        let leaf = leaf_hash(line);
        frontier.push(leaf);
        let row = serde_json::from_slice(line).ok();
        let row = row.and_then(|event: Value| timeline_row(&event, &leaf.hex()));
        timeline.push_str(&row.unwrap_or_default());
    }
    let note = checkpoint_of(&frontier, &key());
    let manifest: Value = serde_json::from_str(&bundle.text("manifest.json")).expect("a manifest");
    let was = manifest["root"].as_str().expect("a root").to_owned();
    let root = frontier.root().hex();
    for (name, bytes) in &mut forged.0 {
        if name.starts_with("report/") || name == "README.txt" || name == "manifest.json" {
            *bytes = String::from_utf8_lossy(bytes).replace(&was, &root).into_bytes();
        }
    }
    let size = log.len();
    let number = |name: &str| format!("{:<14}{}\n", format!("{name}:"), manifest["events"]);
    let readme = forged.text("README.txt");
    let readme = readme.replace(&number("Events"), &format!("{:<14}{size}\n", "Events:"));
    let readme = readme.replace(&number("Log's size"), &format!("{:<14}{size}\n", "Log's size:"));
    let spans: Vec<String> = spans(size)
        .iter()
        .map(|span| format!("{} {} {}\n", span.first, span.last, span.key))
        .collect();
    let events = log.iter().flat_map(|line| [&line[..], b"\n"].concat()).collect();
    for (name, bytes) in [
        ("README.txt", readme.into_bytes()),
        ("events.jsonl", events),
        ("tables/timeline.csv", timeline.into_bytes()),
        ("checkpoint.txt", note.to_string().into_bytes()),
        ("keys.txt", spans.concat().into_bytes()),
    ] {
        forged.0.insert(name.into(), bytes);
    }
    let mut manifest: Value = serde_json::from_str(&forged.text("manifest.json")).expect("JSON");
    manifest["tree_size"] = size.into();
    forged.0.insert("manifest.json".into(), manifest.to_string().into_bytes());
    forged.rehash();
    forged.sign(&key());
    forged
}

/// The paths of all values of an event that have no parts.
pub fn leaves(value: &Value) -> Vec<String> {
    fn walk(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(members) => {
                for (name, value) in members {
                    walk(value, &format!("{path}/{name}"), found);
                }
            }
            Value::Array(values) => {
                for (place, value) in values.iter().enumerate() {
                    walk(value, &format!("{path}/{place}"), found);
                }
            }
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {
                found.push(path.to_owned());
            }
        }
    }
    let mut found = Vec::new();
    walk(value, "", &mut found);
    found
}

/// Another value of the same kind.
pub fn changed(value: &Value, rng: &mut StdRng) -> Value {
    match value {
        Value::Bool(is) => Value::Bool(!is),
        Value::Number(number) => {
            let number = number.as_i64().unwrap_or(0);
            let by = [1, -1, 7, 1_000, -number - 1].choose(rng).copied().unwrap_or(1);
            (number + by).into()
        }
        Value::String(text) => {
            let digits: Vec<usize> =
                text.char_indices().filter(|(_, c)| c.is_ascii_digit()).map(|(at, _)| at).collect();
            match digits.choose(rng) {
                Some(&at) => {
                    let digit = text[at..=at].parse::<u32>().unwrap_or(0);
                    let other = (digit + rng.random_range(1..10)) % 10;
                    Value::String(format!("{}{other}{}", &text[..at], &text[at + 1..]))
                }
                None => Value::String(format!("{text}x")),
            }
        }
        Value::Null | Value::Array(_) | Value::Object(_) => Value::Null,
    }
}

/// Changes one thing of one event, or of how events stand to each other. What it did.
pub fn change(events: &mut Vec<Value>, rng: &mut StdRng) -> String {
    let at = rng.random_range(0..events.len());
    let kind = events[at]["event"].as_str().unwrap_or("?").to_owned();
    let what = match rng.random_range(0..20) {
        0 => {
            events[at]["payload"]["unknown"] = 1.into();
            "a member that nobody knows".to_owned()
        }
        1 => {
            let members = events[at]["payload"].as_object_mut().expect("a payload");
            let names: Vec<String> = members.keys().cloned().collect();
            let name = names.choose(rng).cloned().unwrap_or_default();
            members.remove(&name);
            format!("without {name}")
        }
        2 => {
            let other = rng.random_range(0..events.len());
            let id = events[other]["event_id"].clone();
            events[at]["event_id"] = id;
            "the id of another event".into()
        }
        3 => {
            let other = rng.random_range(0..events.len());
            events[at]["causation"] = events[other]["event_id"].clone();
            "another cause".into()
        }
        4 => {
            let other = rng.random_range(0..events.len());
            events[at]["request_id"] = events[other]["request_id"].clone();
            "the request of another event".into()
        }
        5 => {
            let other = rng.random_range(0..events.len());
            events[at]["payload"] = events[other]["payload"].clone();
            "the payload of another event".into()
        }
        6 => {
            events[at]["event"] = "nothing_known".into();
            "a type that nobody knows".into()
        }
        7 => {
            events[at]["event_version"] = 2.into();
            "a version that nobody knows".into()
        }
        8 => {
            let day = ["9999-99-99", "2025-02-30", "0000-00-00", "2025-1-1", "+2025-01-01"];
            events[at]["occurred_on"] = (*day.choose(rng).expect("a day")).into();
            "a day that is none".into()
        }
        9 => {
            let again = events[at].clone();
            events.push(again);
            number_again(events);
            "an event twice".into()
        }
        10 => {
            events.remove(at);
            number_again(events);
            "an event left out".into()
        }
        11 => {
            let other = rng.random_range(0..events.len());
            events.swap(at, other);
            number_again(events);
            "two events in each other's places".into()
        }
        _ => {
            let leaves = leaves(&events[at]);
            let leaf = leaves.choose(rng).expect("an event has members").clone();
            let value = events[at].pointer_mut(&leaf).expect("it was found");
            *value = changed(value, rng);
            format!("another {}", leaf.trim_start_matches('/').replace(char::is_numeric, ""))
        }
    };
    format!("{kind}: {what}")
}

/// Positions and versions as they follow from the order of the events.
pub fn number_again(events: &mut [Value]) {
    let mut versions: BTreeMap<String, u64> = BTreeMap::new();
    for (position, event) in (1_u64..).zip(events) {
        let stream = event["stream"].as_str().unwrap_or_default().to_owned();
        let version = versions.entry(stream).or_default();
        *version += 1;
        event["position"] = position.into();
        event["stream_version"] = (*version).into();
    }
}

/// Members in the order of their names: a manifest or an event changed by hand.
pub fn object(text: &str) -> Map<String, Value> {
    serde_json::from_str(text).expect("a JSON object")
}
