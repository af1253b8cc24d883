//! A log moves word for word, goes on where it was cut short, and a wrong one is refused.

use std::sync::Arc;

use proof::Hash;

use super::support::*;
use crate::memory::{FaultPlan, MemoryStore};
use crate::settings::{MOVE_PAGE, MOVE_ROUNDS_MAX};
use crate::{
    LogStore as _, MoveError, MoveReport, Moving, Remembered, Settings, StoreError, Stored,
    SubmitError, move_log,
};

const SEEDS: u64 = 20;
const CASES: u128 = 30;

/// Requests of one event, of two and of many, with refusals among them: more than a page of events.
async fn written() -> Bench {
    let bench = open_bench(Settings::default()).await;
    for number in 0..CASES {
        bench.submit(1_000 + number, enrol(number)).await.unwrap();
        bench.submit(2_000 + number, refused()).await.unwrap_err();
        bench.submit(3_000 + number, messages(number, 90, "On the way.")).await.unwrap();
    }
    assert!(bench.position().await > u64::try_from(MOVE_PAGE).unwrap());
    bench
}

fn quiet(_: Moving) {}

async fn moved(source: &MemoryStore, target: &MemoryStore) -> Result<MoveReport, MoveError> {
    move_log(source, target, FIRM, quiet).await
}

type Kept = (Hash, Vec<Stored>, Vec<Hash>, Vec<(domain::ids::RequestId, Remembered)>);

/// Everything that a store keeps of the log.
async fn kept(store: &MemoryStore) -> Kept {
    let leaves = store.leaves(FIRM, 0, 100_000).await.unwrap();
    let answers = store.remembered_from(FIRM, request(0), 100_000).await.unwrap();
    (store.head(FIRM).await.unwrap().root(), store.kept(FIRM, 0), leaves, answers)
}

/// What a target holds is a sound log, and no request of it is cut in two.
async fn is_whole(store: &Arc<MemoryStore>) {
    let engine = engine_over(store, Settings::default());
    engine.verify(FIRM, |_, _| {}).await.unwrap();
    let head = store.head(FIRM).await.unwrap().position;
    for (_, kept) in store.remembered_from(FIRM, request(0), 100_000).await.unwrap() {
        if let Some(stretch) = kept.stretch() {
            assert!(stretch.last() <= head, "{stretch:?} in a log of {head}");
        }
    }
}

#[tokio::test]
async fn a_log_moves_with_every_answer() {
    let (bench, target) = (written().await, Arc::new(MemoryStore::default()));
    let report = moved(&bench.store, &target).await.unwrap();
    assert_eq!(report.events, bench.position().await);
    assert_eq!(report.requests, 2 + 3 * u64::try_from(CASES).unwrap());
    assert_eq!(report.source_root, report.target_root);
    assert_eq!(kept(&bench.store).await, kept(&target).await);

    // Whoever asks again hears the same, refusals included, and work goes on behind the last event.
    let engine = engine_over(&target, Settings::default());
    let again = engine.submit(FIRM, submission(1_003, enrol(3))).await.unwrap();
    assert_eq!(again, bench.submit(1_003, enrol(3)).await.unwrap());
    assert!(again.replayed);
    let again = engine.submit(FIRM, submission(2_003, refused())).await.unwrap_err();
    assert_eq!(again, bench.submit(2_003, refused()).await.unwrap_err());
    let reused = engine.submit(FIRM, submission(2_003, enrol(3))).await.unwrap_err();
    assert!(matches!(reused, SubmitError::RequestReused { .. }), "{reused}");
    let new = engine.submit(FIRM, submission(9_000, bureau(1))).await.unwrap();
    assert_eq!(new.first_position, report.events + 1);
    engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test]
async fn moving_again_changes_nothing_and_what_was_added_follows() {
    let (bench, target) = (written().await, MemoryStore::default());
    let first = moved(&bench.store, &target).await.unwrap();
    assert_eq!(moved(&bench.store, &target).await.unwrap(), first);
    bench.submit(9_000, bureau(1)).await.unwrap();
    bench.submit(9_001, refused()).await.unwrap_err();
    let second = moved(&bench.store, &target).await.unwrap();
    assert_eq!((second.events, second.requests), (first.events + 1, first.requests + 2));
    assert_eq!(kept(&bench.store).await, kept(&target).await);
}

#[tokio::test]
async fn a_firm_that_was_only_refused_moves_too() {
    let (bench, target) = (bench_with(Settings::default()), MemoryStore::default());
    bench.submit(1, refused()).await.unwrap_err();
    let report = moved(&bench.store, &target).await.unwrap();
    assert_eq!((report.events, report.requests), (0, 1));
    assert_eq!(kept(&bench.store).await, kept(&target).await);
}

#[tokio::test(start_paused = true)]
async fn a_move_that_fails_anywhere_goes_on_from_what_is_there() {
    let bench = written().await;
    for seed in 0..SEEDS {
        let target = Arc::new(MemoryStore::default());
        let (mut failures, mut reached) = (0, 0);
        let report = loop {
            target.set_faults(FaultPlan {
                seed: seed * 1_000 + failures,
                unreachable: 100,
                commit_fails: 250,
                answer_lost: 250,
                commit_vanishes: 100,
                ..FaultPlan::default()
            });
            match moved(&bench.store, &target).await {
                Ok(report) => break report,
                Err(MoveError::TargetStore(
                    StoreError::Unavailable { .. } | StoreError::OutcomeUnknown { .. },
                )) => failures += 1,
                Err(error) => panic!("seed {seed}: {error}"),
            }
            target.set_faults(FaultPlan::default());
            is_whole(&target).await;
            let head = target.head(FIRM).await.unwrap().position;
            assert!(head >= reached, "seed {seed}: nothing that landed is lost");
            reached = head;
        };
        assert_eq!(report.source_root, report.target_root, "seed {seed}");
        assert_eq!(kept(&bench.store).await, kept(&target).await, "seed {seed}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_written_meanwhile_is_told_and_moved_too() {
    let (bench, target) = (written().await, MemoryStore::default());
    let before = bench.position().await;
    let (mut grew, mut writes) = (Vec::new(), 0);
    let write = |id| {
        tokio::task::block_in_place(|| {
            tokio::runtime::Handle::current().block_on(async {
                bench.submit(id, bureau(id)).await.unwrap();
                bench.submit(id + 1, refused()).await.unwrap_err();
            });
        });
    };
    let progress = |moving| match moving {
        Moving::Copying { .. } if writes < 2 => {
            writes += 1;
            write(9_000 + 10 * writes);
        }
        Moving::SourceGrew { from, to } => grew.push((from, to)),
        _ => {}
    };
    let report = move_log(&*bench.store, &target, FIRM, progress).await.unwrap();
    assert_eq!(grew, [(before, before + 2)]);
    assert_eq!(report.events, before + 2);
    assert_eq!(kept(&bench.store).await, kept(&target).await);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_source_that_never_rests_ends_the_move_and_the_next_goes_on_from_there() {
    let (bench, target) = (written().await, Arc::new(MemoryStore::default()));
    let before = bench.position().await;
    let mut writes = 0;
    let progress = |moving| {
        if let Moving::Answering { .. } = moving {
            writes += 1;
            assert!(writes < 100, "it goes on for ever");
            tokio::task::block_in_place(|| {
                let one = bench.submit(9_000 + writes, bureau(writes));
                tokio::runtime::Handle::current().block_on(one).unwrap();
            });
        }
    };
    match move_log(&*bench.store, &*target, FIRM, progress).await.unwrap_err() {
        MoveError::SourceInUse { rounds, from, to } => {
            assert_eq!((rounds, to - from), (MOVE_ROUNDS_MAX, 1));
            assert_eq!(to, bench.position().await);
        }
        error => panic!("{error}"),
    }
    assert!(target.head(FIRM).await.unwrap().position >= before);
    is_whole(&target).await;
    moved(&bench.store, &target).await.unwrap();
    assert_eq!(kept(&bench.store).await, kept(&target).await);
}

#[tokio::test]
async fn a_damaged_source_is_refused_at_its_position_and_the_target_stays_whole() {
    for position in [1, 2, 700, 2_005, 2_500] {
        let (bench, target) = (written().await, Arc::new(MemoryStore::default()));
        bench.store.tamper(FIRM, position, |bytes| {
            let text = String::from_utf8(bytes.clone()).unwrap();
            *bytes = text.replace("2026-01-05", "2026-01-04").into_bytes();
        });
        for _ in 0..2 {
            match moved(&bench.store, &target).await.unwrap_err() {
                MoveError::Source { position: found, .. } => assert_eq!(found, position),
                error => panic!("{error}"),
            }
            assert!(target.head(FIRM).await.unwrap().position < position);
            is_whole(&target).await;
        }
    }
}

#[tokio::test]
async fn a_target_with_another_log_is_refused_at_the_first_difference() {
    let bench = written().await;
    // The same firm, but another one's plan; a log that has all of this and one more; and one that is
    // as long and only ends otherwise.
    let other = bench_with(Settings::default());
    other.submit(1, register()).await.unwrap();
    other.submit(2, publish_promising(2)).await.unwrap();
    let further = Arc::new(MemoryStore::default());
    let length = moved(&bench.store, &further).await.unwrap().events;
    let engine = engine_over(&further, Settings::default());
    engine.submit(FIRM, submission(9_000, bureau(1))).await.unwrap();
    bench.submit(9_001, bureau(2)).await.unwrap();
    for (target, position) in [(&other.store, 2), (&further, length + 1)] {
        let before = kept(target).await;
        match moved(&bench.store, target).await.unwrap_err() {
            MoveError::Foreign { position: found } => assert_eq!(found, position),
            error => panic!("{error}"),
        }
        assert_eq!(kept(target).await, before, "nothing is written to it");
    }
    bench.submit(9_002, bureau(3)).await.unwrap();
    assert!(matches!(
        moved(&bench.store, &further).await.unwrap_err(),
        MoveError::Foreign { position } if position == length + 1
    ));
}

#[tokio::test]
async fn a_target_that_gave_another_answer_is_refused() {
    let (bench, target) = (written().await, Arc::new(MemoryStore::default()));
    moved(&bench.store, &target).await.unwrap();
    let engine = engine_over(&target, Settings::default());
    engine.submit(FIRM, submission(9_000, refused())).await.unwrap_err();
    // Unknown to the source; then known there by another answer.
    for _ in 0..2 {
        match moved(&bench.store, &target).await.unwrap_err() {
            MoveError::ForeignAnswer { request: found } => assert_eq!(found, request(9_000)),
            error => panic!("{error}"),
        }
        bench.submit(9_000, bureau(1)).await.unwrap();
    }
}

#[tokio::test]
async fn answers_are_read_in_the_order_of_their_ids() {
    let bench = written().await;
    let all = bench.store.remembered_from(FIRM, request(0), 1_000).await.unwrap();
    assert!(all.is_sorted_by_key(|(request, _)| *request));
    let from = all[5].0;
    assert_eq!(bench.store.remembered_from(FIRM, from, 3).await.unwrap(), all[5..8]);
    let known = bench.store.answers(FIRM, &[from, request(77)]).await.unwrap();
    let known: Vec<_> = known.iter().map(|(id, told)| (*id, Remembered::of(told))).collect();
    assert_eq!(known, all[5..6]);
}
