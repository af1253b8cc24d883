//! A decision that panics inside a transaction takes nothing along but itself.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use std::sync::Arc;

use counterfoil_store::Store;
use domain::ids::FirmId;
use log::{LoadedStream, NOTHING_KNOWN, Opening, Plan, Step};
use uuid::Uuid;

const FIRM: FirmId = FirmId(Uuid::from_u128(0xf1));

/// What it does once the write lock is held.
enum Does {
    Panics,
    Nothing,
}

impl Plan for Does {
    fn open(&mut self, opening: Opening) -> Step {
        assert_eq!(opening.head.position, 0);
        match self {
            Self::Panics => panic!("on purpose, inside the transaction"),
            Self::Nothing => Step::Nothing,
        }
    }
    fn loaded(&mut self, _: Vec<LoadedStream>) -> Step {
        Step::Nothing
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_write_lock_is_free_again_after_a_panic() {
    let store = Arc::new(Store::open_temporary().await.unwrap());
    let transact = |mut does: Does| {
        let store = Arc::clone(&store);
        tokio::spawn(async move { store.transact(FIRM, NOTHING_KNOWN, &[], &mut does).await })
    };
    assert!(transact(Does::Panics).await.unwrap_err().is_panic());
    // Another connection to the file would wait for a transaction left open, and fail.
    transact(Does::Nothing).await.unwrap().unwrap();
    store.close().await;
}
