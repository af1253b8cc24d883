//! What is derived follows from the log, or is told of by its name.

use domain::event::StreamId;

use super::support::*;
use crate::projector::{Projector, Snapshots};
use crate::{DerivedFault, DerivedReport, ProjectionStore as _, RebuildError, Settings};

/// Small pages and many snapshots.
fn tight() -> Settings {
    Settings { rebuild_page: 7, snapshot_every: 4, snapshot_at_rest: 2, ..Settings::default() }
}

async fn filled() -> Bench {
    let bench = open_bench(tight()).await;
    for number in 0..12 {
        bench.submit(100 + number, enrol(number)).await.unwrap();
        bench.submit(200 + number, messages(number, 6, "hello")).await.unwrap();
    }
    bench.caught_up().await;
    bench
}

async fn checked(bench: &Bench) -> DerivedReport {
    bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap()
}

#[tokio::test]
async fn what_follows_from_the_log_is_sound_and_left_as_it_is() {
    let bench = filled().await;
    let before = bench.store.projected(FIRM);
    let position = before.0.position;
    assert_eq!(checked(&bench).await, DerivedReport { position, faults: Vec::new() });
    assert_eq!(bench.store.projected(FIRM), before);
    let empty = bench_with(tight());
    assert_eq!(checked(&empty).await, DerivedReport::default());
}

#[tokio::test]
async fn rows_are_compared_while_others_write() {
    let bench = filled().await;
    let writing = async {
        for id in 5_000..5_050 {
            bench.submit(id, messages(id % 12, 1, "meanwhile")).await.unwrap();
        }
    };
    let (report, ()) = tokio::join!(checked(&bench), writing);
    assert_eq!(report.faults, []);
}

#[tokio::test]
async fn a_row_a_snapshot_and_a_key_that_do_not_follow_are_named() {
    let bench = filled().await;
    let stream = |number| StreamId::Case(case_id(number));
    assert!(bench.store.forget_rows(FIRM, stream(1)));
    assert!(bench.store.tamper_snapshot(FIRM, stream(2), |bytes| {
        let at = bytes.len() / 2;
        bytes[at] ^= 1;
    }));
    assert!(bench.store.forget_person(FIRM, case_id(3).0));
    let key = DerivedFault::Person {
        id: case_id(3).0,
        what: "the key is missing, and with it everything personal",
    };
    let rows = DerivedFault::Rows { table: "state", rows: 1 };
    let snapshot = DerivedFault::Snapshot(stream(2).to_string());
    assert_eq!(checked(&bench).await.faults, [rows, snapshot, key]);
}

#[tokio::test]
async fn the_key_that_makes_keyed_hashes_is_missed() {
    let bench = filled().await;
    assert!(bench.store.forget_person(FIRM, FIRM.0));
    let faults = checked(&bench).await.faults;
    assert!(
        matches!(&faults[..], [DerivedFault::Person { id, .. }] if *id == FIRM.0),
        "{faults:?}"
    );
}

#[tokio::test]
async fn what_was_not_there_yet_when_it_was_read_ahead_is_not_missing() {
    let bench = filled().await;
    let end = usize::try_from(bench.position().await).unwrap();
    let mut made = Projector::from_start(&tight(), bench.store.begin_rebuild(FIRM).await.unwrap());
    let mut step = async |limit| {
        let step = made.step(&*bench.store, FIRM, limit, Snapshots::Leave).await.unwrap();
        step.whole().unwrap().position
    };
    // A whole page up to the last event, so that the page read ahead is empty.
    let end_at = step(end).await;
    bench.submit(900, messages(3, 4, "after it")).await.unwrap();
    assert_eq!(step(2).await, end_at + 2);
    // The two that were read ahead are more than the next step asks for.
    assert_eq!(step(1).await, end_at + 3);
    assert_eq!(step(1).await, end_at + 4);
}

#[tokio::test]
async fn of_several_at_once_each_tells_the_truth_or_that_another_took_over() {
    let bench = filled().await;
    let check = || bench.engine.check_derived(FIRM, |_, _| {});
    let rebuild = || bench.engine.rebuild(FIRM, |_, _| {});
    for _ in 0..10 {
        let (one, other, rebuilt) = tokio::join!(check(), check(), rebuild());
        let mut done = usize::from(rebuilt.is_ok());
        assert!(matches!(rebuilt, Ok(_) | Err(RebuildError::Superseded)), "{rebuilt:?}");
        for checked in [one, other] {
            match checked {
                Ok(report) => {
                    assert_eq!(report.faults, []);
                    done += 1;
                }
                Err(RebuildError::Superseded) => {}
                Err(error) => panic!("{error:?}"),
            }
        }
        assert!(done > 0, "the last one begun goes on");
    }
    assert_eq!(checked(&bench).await.faults, []);
}
