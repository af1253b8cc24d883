//! The read model: exactly once, rebuilt to the same rows, stopped where it cannot read.

use std::sync::Arc;
use std::time::Duration;

use super::support::*;
use crate::memory::{FaultPlan, MemoryStore};
use crate::{ReadBehind, Settings};

/// Small pages and a small memory, so that every seam is met.
fn tight() -> Settings {
    Settings {
        project_page: 5,
        rebuild_page: 7,
        streams_cached_max: 6,
        snapshot_every: 4,
        snapshot_at_rest: 2,
        ..Settings::default()
    }
}

async fn fill(bench: &Bench) {
    for number in 0..12 {
        bench.submit(100 + number, enrol(number)).await.unwrap();
    }
    for round in 0..4 {
        for number in 0..12 {
            let id = 1_000 + round * 100 + number;
            bench.submit(id, messages(number, 2, "hello")).await.unwrap();
        }
    }
}

async fn assert_rows_are_the_fold(bench: &Bench) {
    let position = bench.caught_up().await;
    let (checkpoint, rows) = bench.store.projected(FIRM);
    assert_eq!(checkpoint.position, position);
    assert_eq!(rows, bench.folded(position).await);
}

#[tokio::test]
async fn rows_are_the_fold_of_the_log() {
    let bench = open_bench(tight()).await;
    fill(&bench).await;
    assert_rows_are_the_fold(&bench).await;
    assert!(bench.store.snapshots(FIRM) >= 12, "each case grew enough for a snapshot");
    // What is loaded through a snapshot is what the whole history gives.
    let streams = bench.store.streams(FIRM);
    let (position, states) = bench.engine.states(FIRM, &streams).await.unwrap();
    let folded = bench.folded(position).await;
    for (stream, state) in streams.iter().zip(states) {
        assert_eq!(folded[stream], state, "{stream}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_projector_that_is_killed_counts_nothing_twice() {
    let bench = open_bench(tight()).await;
    bench.store.set_faults(FaultPlan {
        seed: 3,
        project_fails: 300,
        project_answer_lost: 300,
        ..FaultPlan::default()
    });
    fill(&bench).await;
    let other = engine_over(&bench.store, tight());
    other.start().await.unwrap();
    bench.caught_up().await;
    bench.store.set_faults(FaultPlan::default());
    assert_rows_are_the_fold(&bench).await;
    other.wait_applied(FIRM, bench.position().await, PATIENCE).await.unwrap();
    assert_eq!(bench.store.projected(FIRM).0.position, bench.position().await);
}

#[tokio::test]
async fn a_rebuild_gives_the_rows_that_were_there() {
    let bench = open_bench(tight()).await;
    fill(&bench).await;
    let position = bench.caught_up().await;
    let (before, rows) = bench.store.projected(FIRM);
    let mut steps = Vec::new();
    let report = bench.engine.rebuild(FIRM, |at, of| steps.push((at, of))).await.unwrap();
    assert_eq!(steps.last(), Some(&(position, position)));
    assert!(report.generation > before.generation && report.position == position);
    let (after, rebuilt) = bench.store.projected(FIRM);
    assert_eq!((after.generation, after.position), (report.generation, position));
    assert_eq!(rebuilt, rows);
    bench.submit(9_000, messages(3, 1, "after")).await.unwrap();
    assert_rows_are_the_fold(&bench).await;
}

#[tokio::test]
async fn a_rebuild_under_load_never_takes_readers_back() {
    let bench = open_bench(tight()).await;
    fill(&bench).await;
    let writing = async {
        for id in 5_000..5_100 {
            bench.submit(id, messages(id % 12, 1, "meanwhile")).await.unwrap();
            let position = bench.position().await;
            bench.engine.wait_applied(FIRM, position, PATIENCE).await.unwrap();
            assert!(bench.store.projected(FIRM).0.position >= position);
        }
    };
    let (report, ()) = tokio::join!(bench.engine.rebuild(FIRM, |_, _| {}), writing);
    report.unwrap();
    assert_rows_are_the_fold(&bench).await;
}

#[tokio::test(start_paused = true)]
async fn an_event_that_cannot_be_read_stops_the_projection_there() {
    let first = open_bench(tight()).await;
    fill(&first).await;
    assert!(first.engine.shutdown(PATIENCE).await);
    let bytes = first.store.tamper(FIRM, 20, |bytes| {
        let text = String::from_utf8(bytes.clone()).unwrap();
        *bytes = text.replace("\"event\":\"", "\"event\":\"not_").into_bytes();
    });
    assert!(bytes);
    // The rows are made anew, by an engine that reads the poisoned log.
    let engine = engine_over(&first.store, tight());
    let error = engine.rebuild(FIRM, |_, _| {}).await.unwrap_err();
    assert!(matches!(error, crate::RebuildError::Fault(fault) if fault.position == 20));
    assert_rows_are_live(&first.store);
}

/// A rebuild that failed leaves the rows that are served alone.
fn assert_rows_are_live(store: &Arc<MemoryStore>) {
    let (checkpoint, rows) = store.projected(FIRM);
    assert_eq!(checkpoint.generation, 1);
    assert!(!rows.is_empty());
}

#[tokio::test(start_paused = true)]
async fn reads_behind_a_fault_say_so() {
    let bench = open_bench(tight()).await;
    bench.caught_up().await;
    bench.store.set_faults(FaultPlan { project_fails: 1_000, ..FaultPlan::default() });
    bench.submit(10, bureau(10)).await.unwrap();
    bench.submit(11, bureau(11)).await.unwrap();
    bench.store.tamper(FIRM, 4, |bytes| bytes.truncate(9));
    bench.store.set_faults(FaultPlan::default());
    let waited = bench.engine.wait_applied(FIRM, 4, PATIENCE).await;
    assert_eq!(waited, Err(ReadBehind { wanted: 4, applied: 3 }), "3 is fine and went in");
    assert_eq!(bench.engine.projection_fault(FIRM).unwrap().position, 4);
}

#[tokio::test(start_paused = true)]
async fn a_wait_for_what_is_not_there_ends() {
    let bench = open_bench(tight()).await;
    bench.caught_up().await;
    let waited = bench.engine.wait_applied(FIRM, 3, Duration::from_secs(5)).await;
    assert_eq!(waited, Err(ReadBehind { wanted: 3, applied: 2 }));
}
