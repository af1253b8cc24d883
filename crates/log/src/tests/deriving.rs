//! What is derived follows from the log, or is told of by its name.

use domain::event::StreamId;

use super::support::*;
use crate::{DerivedFault, DerivedReport, Settings};

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
