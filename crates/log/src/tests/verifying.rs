//! A log is verified from its bytes; a changed byte is named by its position.

use std::sync::Arc;

use domain::event::{StreamId, UtcMicros};

use super::support::*;
use crate::memory::MemoryStore;
use crate::verify::RanBack;
use crate::{
    Accepted, AppendRow, Batch, COLUMNS, LoadedStream, LogCheckpoint, LogStore as _, NOTHING_KNOWN,
    Noted, Opening, Outcome, OutcomeResult, Plan, Settings, Step, VerifyError,
};

async fn written() -> Bench {
    let bench = open_bench(Settings::default()).await;
    for number in 0..10 {
        bench.submit(100 + number, enrol(number)).await.unwrap();
    }
    bench
}

async fn finding(bench: &Bench) -> (u64, String) {
    match bench.engine.verify(FIRM, |_, _| {}).await.unwrap_err() {
        VerifyError::Finding { position, what } => (position, what),
        VerifyError::Store(error) => panic!("{error}"),
    }
}

fn replace(store: &MemoryStore, position: u64, from: &str, to: &str) {
    store.tamper(FIRM, position, |bytes| {
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(text.contains(from), "{from} is not in event {position}");
        *bytes = text.replace(from, to).into_bytes();
    });
}

#[tokio::test]
async fn a_whole_log_is_found_whole() {
    let bench = written().await;
    let mut reached = 0;
    let report = bench.engine.verify(FIRM, |at, _| reached = at).await.unwrap();
    assert_eq!((report.events, report.streams, reached), (22, 21, 22));
    // The root anew, by the RFC's own recursion instead of the frontier.
    let stored = bench.store.read(FIRM, 0, 100).await.unwrap();
    let leaves: Vec<_> = stored.iter().map(|event| proof::leaf_hash(&event.bytes)).collect();
    assert_eq!(report.root, proof::tree::root_of(&leaves));
    assert_eq!(report.root, bench.store.head(FIRM).await.unwrap().root());
}

#[tokio::test]
async fn a_log_still_begins_with_what_was_noted_or_it_is_not_sound() {
    let bench = written().await;
    let root_at = async |position| {
        let stored = bench.store.read(FIRM, 0, position).await.unwrap();
        proof::tree::root_of(&stored.iter().map(|s| proof::leaf_hash(&s.bytes)).collect::<Vec<_>>())
    };
    let verify = async |position, root| {
        let checkpoint = LogCheckpoint { position, root };
        let noted = vec![Noted { checkpoint, how: "noted earlier" }];
        match bench.engine.verify_since(FIRM, noted, |_, _| {}).await {
            Ok(_) => None,
            Err(VerifyError::Finding { position, what }) => Some((position, what)),
            Err(VerifyError::Store(error)) => panic!("{error}"),
        }
    };
    for position in [0, 1, 9, 22] {
        let root = root_at(usize::try_from(position).unwrap()).await;
        assert_eq!(verify(position, root).await, None, "{position}");
        let (at, what) = verify(position, proof::leaf_hash(b"another")).await.unwrap();
        assert_eq!(at, position);
        assert!(what.contains("not the one noted"), "{what}");
    }
    let (at, what) = verify(23, root_at(22).await).await.unwrap();
    assert_eq!(at, 22, "what was cut off is missed: {what}");
}

#[tokio::test]
async fn a_changed_byte_is_found_at_its_position() {
    for (position, from, to) in [
        (1, "Plum Street", "Plum Strait"),
        (2, "\"9900\"", "\"9000\""),
        (7, "individual", "individval"),
        (22, "2026-01-05", "2026-01-04"),
    ] {
        let bench = written().await;
        replace(&bench.store, position, from, to);
        assert_eq!(finding(&bench).await.0, position, "{from} became {to}");
    }
}

#[tokio::test]
async fn a_changed_column_is_found_and_named() {
    let bench = written().await;
    let kept = bench.store.beside(FIRM, 6, 1).await.unwrap().remove(0).columns;
    for (at, name) in COLUMNS.iter().enumerate() {
        bench.store.tamper_beside(FIRM, 7, |columns| {
            let mut all: Vec<&str> = kept.split(' ').collect();
            all[at] = "another";
            *columns = all.join(" ");
        });
        let (position, what) = finding(&bench).await;
        assert!(position == 7 && what.contains(&format!(", {name} is not")), "{position}: {what}");
    }
    bench.store.tamper_beside(FIRM, 7, |columns| columns.push(' '));
    assert_eq!(finding(&bench).await.0, 7);
    bench.store.tamper_beside(FIRM, 7, |columns| columns.clone_from(&kept));
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test]
async fn bytes_that_are_no_event_are_found() {
    let bench = written().await;
    bench.store.tamper(FIRM, 5, Vec::clear);
    assert_eq!(finding(&bench).await.0, 5);
}

/// As older versions recorded it when the clock was set back.
#[tokio::test]
async fn recorded_times_that_run_back_are_a_remark() {
    let (store, clock) = (Arc::new(MemoryStore::default()), NOW.0);
    let mut plan = Told(vec![clock, clock + 9, clock + 3, clock + 3, clock - 2, clock + 7]);
    store.transact(FIRM, NOTHING_KNOWN, &[], &mut plan).await.unwrap();
    let engine = engine_over(&store, Settings::default());
    let report = engine.verify(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(report.ran_back, Some(RanBack { first: 3, events: 2 }));
    let said = report.ran_back.unwrap().to_string();
    assert!(said.contains("2 recorded times") && said.contains("position 3"), "{said}");
}

/// Bureaus registered at these times.
struct Told(Vec<i64>);

impl Plan for Told {
    fn open(&mut self, opening: Opening) -> Step {
        let (mut head, mut rows, mut outcomes) = (opening.head, Vec::new(), Vec::new());
        for (at, micros) in (1_u64..).zip(std::mem::take(&mut self.0)) {
            let recorded_at = UtcMicros(micros);
            let recorded = recorded(at, recorded_at);
            let bytes = recorded.to_bytes();
            let leaf = proof::leaf_hash(&bytes);
            head.frontier.push(leaf);
            (head.position, head.recorded_at) = (recorded.position, recorded_at);
            let streams = vec![(StreamId::Firm, recorded.position)];
            let result =
                OutcomeResult::Accepted(Accepted { count: 1, first: recorded.position, streams });
            outcomes
                .push((recorded.request_id, Outcome { fingerprint: [0; 32], recorded_at, result }));
            rows.push(AppendRow { recorded: recorded.into(), bytes, leaf });
        }
        Step::Write(Batch { expected: 0, rows, outcomes, head, people: Vec::new() })
    }

    fn loaded(&mut self, _: Vec<LoadedStream>) -> Step {
        Step::Nothing
    }
}
