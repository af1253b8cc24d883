//! Tiles: made once and for all, whatever becomes of the projection, and proofs from them.

use std::time::Duration;

use proof::tile::ProofPlan;
use proof::{Hash, tree};

use super::support::*;
use crate::memory::FaultPlan;
use crate::{LogStore as _, ProveError, Settings, Tile, TileStore as _};

/// So many events more, of some cases.
async fn grow(bench: &Bench, from: u128, rounds: u128) {
    if from == 0 {
        for number in 0..6 {
            bench.submit(10_000 + number, enrol(number)).await.unwrap();
        }
    }
    for round in from..from + rounds {
        for number in 0..6 {
            let id = 20_000 + round * 10 + number;
            bench.submit(id, messages(number, 20, "hello")).await.unwrap();
        }
    }
}

async fn leaves(bench: &Bench) -> Vec<Hash> {
    bench.store.leaves(FIRM, 0, usize::MAX).await.unwrap()
}

/// Every full tile of the log is kept, and holds the leaves.
async fn assert_tiles_are_whole(bench: &Bench) {
    let position = bench.caught_up().await;
    let made = async {
        while bench.store.tiles_kept(FIRM).await.unwrap() < position / 256 {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, made).await.unwrap();
    let leaves = leaves(bench).await;
    for (index, below) in (0..).zip(leaves.as_chunks::<256>().0) {
        let tile = bench.store.tile(FIRM, 0, index).await.unwrap().unwrap();
        let root = tree::root_of(below);
        assert_eq!(tile, Tile { level: 0, index, root, hashes: Box::new(*below) });
    }
    let root = bench.store.head(FIRM).await.unwrap().root();
    let plan = ProofPlan::root(position);
    assert_eq!(bench.engine.prove(FIRM, &plan, PATIENCE).await.unwrap(), [root]);
}

#[tokio::test]
async fn every_full_tile_is_kept_with_the_step_that_fills_it() {
    let settings = Settings { project_page: 100, ..Settings::default() };
    let bench = open_bench(settings).await;
    for rounds in [0, 1, 5, 9] {
        grow(&bench, rounds, if rounds == 0 { 1 } else { 4 }).await;
        assert_tiles_are_whole(&bench).await;
    }
    assert!(bench.store.tiles_kept(FIRM).await.unwrap() >= 6);
}

#[tokio::test(start_paused = true)]
async fn a_projector_that_is_killed_makes_the_same_tiles() {
    let bench = open_bench(Settings { project_page: 90, ..Settings::default() }).await;
    bench.store.set_faults(FaultPlan {
        seed: 11,
        project_fails: 200,
        project_answer_lost: 200,
        ..FaultPlan::default()
    });
    grow(&bench, 0, 12).await;
    assert_tiles_are_whole(&bench).await;
    assert!(bench.store.injected().project_answer_lost > 0);
}

#[tokio::test]
async fn tiles_that_are_missing_behind_the_checkpoint_are_made_and_a_rebuild_makes_none_twice() {
    let bench = open_bench(Settings::default()).await;
    grow(&bench, 0, 12).await;
    assert_tiles_are_whole(&bench).await;
    // As a database that grew before tiles were kept; another process opens it.
    bench.engine.shutdown(Duration::from_secs(5)).await;
    bench.store.forget_tiles(FIRM);
    let engine = engine_over(&bench.store, Settings::default());
    let bench = Bench { engine, store: bench.store };
    bench.engine.start().await.unwrap();
    assert_tiles_are_whole(&bench).await;
    bench.engine.rebuild(FIRM, |_, _| {}).await.unwrap();
    grow(&bench, 50, 4).await;
    assert_tiles_are_whole(&bench).await;
}

#[tokio::test]
async fn proofs_are_those_that_all_leaves_give() {
    let bench = open_bench(Settings::default()).await;
    grow(&bench, 0, 8).await;
    let position = bench.caught_up().await;
    let leaves = leaves(&bench).await;
    let size = usize::try_from(position).unwrap();
    for index in [0, 1, 255, 256, 257, 511, 512, size - 1] {
        let plan = ProofPlan::inclusion(u64::try_from(index).unwrap(), position).unwrap();
        let made = bench.engine.prove(FIRM, &plan, PATIENCE).await.unwrap();
        assert_eq!(Some(made), tree::inclusion_proof(&leaves, index));
        let old = u64::try_from(index).unwrap() + 1;
        let plan = ProofPlan::consistency(old, position).unwrap();
        let made = bench.engine.prove(FIRM, &plan, PATIENCE).await.unwrap();
        assert_eq!(Some(made), tree::consistency_proof(&leaves, index + 1));
    }
    // Beyond the log there is nothing to wait for in the end.
    let plan = ProofPlan::root(position + 1_000);
    let none = bench.engine.prove(FIRM, &plan, Duration::from_millis(50)).await.unwrap_err();
    assert!(matches!(none, ProveError::Behind(_)), "{none}");
}
