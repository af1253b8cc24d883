//! Tiles, checkpoints and keys on both engines.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use counterfoil_store::*;
use domain::event::UtcMicros;
use domain::ids::FirmId;
use proof::tile::ProofPlan;
use proof::tree;
use support::*;

on_both_engines!(
    tiles_are_kept_with_the_rows_and_prove_the_log,
    tiles_of_a_database_that_had_none_are_made_when_it_is_opened,
    a_tile_that_another_tool_changed_is_found_by_verifying,
    checkpoints_are_one_chain_and_stay,
    one_signing_key_is_in_force_and_the_seeds_of_others_are_gone,
    witnesses_and_their_signatures_are_kept_once,
    nothing_kept_is_changed_by_any_statement,
    checkpoints_and_keys_are_copied_whole,
);

const OTHER: FirmId = FirmId(uuid::Uuid::from_u128(0xf2));

async fn fill(bench: &Bench) -> u64 {
    let mut id = 1_000;
    while bench.store.head(FIRM).await.unwrap().position < 530 {
        let case = id;
        let items: Vec<String> = (0..60).map(|item| format!("item-{item}")).collect();
        let items: Vec<&str> = items.iter().map(String::as_str).collect();
        let mut actions = vec![enrol(case, domain::terms::Seat::Individual)];
        actions.extend(papers());
        actions.push(import(&items));
        bench.case(id, case, "2026-01-12", actions).await;
        id += 1;
    }
    bench.caught_up().await
}

async fn assert_proved(bench: &Bench, position: u64) {
    let head = bench.store.head(FIRM).await.unwrap();
    let root = bench.engine.prove(FIRM, &ProofPlan::root(position), PATIENCE).await.unwrap();
    assert_eq!((root, bench.store.tiles_kept(FIRM).await.unwrap()), (vec![head.root()], 2));
    let leaves = bench.store.leaves(FIRM, 0, 10_000).await.unwrap();
    let plan = ProofPlan::inclusion(300, position).unwrap();
    let made = bench.engine.prove(FIRM, &plan, PATIENCE).await.unwrap();
    assert_eq!(Some(made), tree::inclusion_proof(&leaves, 300));
    let tile = bench.store.tile(FIRM, 0, 1).await.unwrap().unwrap();
    assert_eq!(
        (&tile.hashes[..], tile.root),
        (&leaves[256..512], tree::root_of(&leaves[256..512]))
    );
    assert_eq!(bench.store.tile_roots(FIRM, 0, 1, 9).await.unwrap(), [tile.root]);
    assert_eq!(bench.store.tile(FIRM, 0, 2).await.unwrap(), None);
    assert_eq!(bench.store.tile(FIRM, 1, 0).await.unwrap(), None);
    assert_eq!(bench.store.tiles_kept(OTHER).await.unwrap(), 0);
}

async fn tiles_are_kept_with_the_rows_and_prove_the_log(place: &Place<'_>) {
    let bench = bench(place).await;
    let position = fill(&bench).await;
    assert_proved(&bench, position).await;
    // Made once more they are the same, and stay.
    let tile = bench.store.tile(FIRM, 0, 0).await.unwrap().unwrap();
    bench.store.keep_tiles(FIRM, &[tile]).await.unwrap();
    bench.engine.rebuild(FIRM, |_, _| {}).await.unwrap();
    assert_proved(&bench, position).await;
}

async fn tiles_of_a_database_that_had_none_are_made_when_it_is_opened(place: &Place<'_>) {
    let bench = bench(place).await;
    let position = fill(&bench).await;
    bench.engine.shutdown(PATIENCE).await;
    bench.store.close().await;
    let forget = place.either(
        "DROP TRIGGER tile_is_never_deleted; DELETE FROM tile",
        "SET session_replication_role = replica; DELETE FROM tile",
    );
    place.raw().await.run(forget).await.unwrap();
    let again = over(place.open().await, 10_000);
    again.engine.start().await.unwrap();
    let plan = ProofPlan::root(position);
    again.engine.prove(FIRM, &plan, PATIENCE).await.unwrap();
    assert_proved(&again, position).await;
}

async fn a_tile_that_another_tool_changed_is_found_by_verifying(place: &Place<'_>) {
    let bench = bench(place).await;
    fill(&bench).await;
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
    let change = place.either(
        "DROP TRIGGER tile_is_never_changed; \
         UPDATE tile SET hashes = zeroblob(8192) WHERE tile_index = 1",
        "SET session_replication_role = replica; \
         UPDATE tile SET hashes = decode(repeat('00', 8192), 'hex') WHERE tile_index = 1",
    );
    place.raw().await.run(change).await.unwrap();
    let found = bench.engine.verify(FIRM, |_, _| {}).await.unwrap_err();
    assert!(matches!(found, log::VerifyError::Finding { position: 257, .. }), "{found}");
}

fn kept(size: u64, previous_size: u64) -> KeptCheckpoint {
    let made_at = UtcMicros(1_767_636_000_123_456 + i64::try_from(size).unwrap());
    KeptCheckpoint { size, previous_size, made_at, note_text: format!("note {size}\n") }
}

async fn checkpoints_are_one_chain_and_stay(place: &Place<'_>) {
    let store = place.open().await;
    assert_eq!(store.latest_checkpoint(FIRM).await.unwrap(), None);
    for (made, expected) in [
        (kept(5, 0), true),
        (kept(9, 5), true),
        // Another after the same one, another of the same size, and the same again.
        (kept(12, 5), false),
        (kept(9, 0), false),
        (kept(9, 5), false),
        (kept(12, 9), true),
    ] {
        assert_eq!(store.keep_checkpoint(FIRM, &made).await.unwrap(), expected, "{made:?}");
    }
    assert!(store.keep_checkpoint(FIRM, &kept(11, 12)).await.is_err(), "it would lead back");
    assert!(store.keep_checkpoint(OTHER, &kept(3, 0)).await.unwrap());
    assert_eq!(store.latest_checkpoint(FIRM).await.unwrap(), Some(kept(12, 9)));
    assert_eq!(store.checkpoint_at(FIRM, 9).await.unwrap(), Some(kept(9, 5)));
    assert_eq!(store.checkpoint_at(FIRM, 3).await.unwrap(), None);
    let below = store.checkpoints_below(FIRM, Some(12), 1).await.unwrap();
    assert_eq!(below, [kept(9, 5)]);
    let all = store.checkpoints_below(FIRM, None, 10).await.unwrap();
    assert_eq!(all, [kept(12, 9), kept(9, 5), kept(5, 0)]);
}

fn key(number: u8) -> SigningKeyRow {
    SigningKeyRow {
        key_id: format!("{number:08x}"),
        name: "ledger.example".into(),
        public_key: [number; 32].into(),
        sealed_private: vec![number; 73],
        created_at: UtcMicros(1_767_636_000_000_000 + i64::from(number)),
        retired_at: None,
        revoked_at: None,
    }
}

async fn one_signing_key_is_in_force_and_the_seeds_of_others_are_gone(place: &Place<'_>) {
    let store = place.open().await;
    assert!(store.keep_signing_key(FIRM, &key(1), None).await.unwrap());
    assert!(!store.keep_signing_key(FIRM, &key(2), None).await.unwrap(), "one is in force");
    assert!(store.keep_signing_key(FIRM, &key(2), Some("00000001")).await.unwrap());
    assert!(!store.keep_signing_key(FIRM, &key(3), Some("00000001")).await.unwrap());
    let retired =
        SigningKeyRow { sealed_private: Vec::new(), retired_at: Some(key(2).created_at), ..key(1) };
    assert_eq!(store.signing_keys(FIRM).await.unwrap(), [retired.clone(), key(2)]);
    let at = UtcMicros(1_767_636_999_000_000);
    assert!(store.revoke_signing_key(FIRM, "00000002", at).await.unwrap());
    assert!(!store.revoke_signing_key(FIRM, "00000002", at).await.unwrap(), "once");
    assert!(!store.revoke_signing_key(OTHER, "00000001", at).await.unwrap(), "another firm's");
    let revoked = SigningKeyRow {
        sealed_private: Vec::new(),
        retired_at: Some(at),
        revoked_at: Some(at),
        ..key(2)
    };
    assert_eq!(store.signing_keys(FIRM).await.unwrap(), [retired, revoked]);
    assert!(store.keep_signing_key(FIRM, &key(3), None).await.unwrap());
}

fn witness(number: u8) -> WitnessKeyRow {
    WitnessKeyRow { verifier_key: format!("witness+{number}"), added_at: UtcMicros(7) }
}

fn line(size: u64, number: u8) -> CosignatureRow {
    CosignatureRow { size, signature: format!("signature {number}"), added_at: UtcMicros(8) }
}

async fn witnesses_and_their_signatures_are_kept_once(place: &Place<'_>) {
    let store = place.open().await;
    assert!(store.keep_witness_key(FIRM, &witness(1)).await.unwrap());
    assert!(!store.keep_witness_key(FIRM, &witness(1)).await.unwrap());
    assert_eq!(store.witness_keys(FIRM).await.unwrap(), [witness(1)]);
    for (made, expected) in [(line(5, 2), true), (line(5, 1), true), (line(5, 2), false)] {
        assert_eq!(store.keep_cosignature(FIRM, &made).await.unwrap(), expected);
    }
    assert_eq!(store.cosignatures(FIRM, 5).await.unwrap(), [line(5, 1), line(5, 2)]);
    assert_eq!(store.cosignatures(FIRM, 6).await.unwrap(), []);
    assert_eq!(store.cosignatures(OTHER, 5).await.unwrap(), []);
}

/// Everything that proves the log, on a store of its own.
async fn filled(store: &Store) {
    assert!(store.keep_checkpoint(FIRM, &kept(5, 0)).await.unwrap());
    assert!(store.keep_checkpoint(FIRM, &kept(9, 5)).await.unwrap());
    assert!(store.keep_signing_key(FIRM, &key(1), None).await.unwrap());
    assert!(store.keep_signing_key(FIRM, &key(2), Some("00000001")).await.unwrap());
    assert!(store.keep_witness_key(FIRM, &witness(1)).await.unwrap());
    assert!(store.keep_cosignature(FIRM, &line(5, 1)).await.unwrap());
    let tile = log::Tiler::default().push(Box::new([[7; 32].into(); 256]));
    store.keep_tiles(FIRM, &tile).await.unwrap();
}

async fn nothing_kept_is_changed_by_any_statement(place: &Place<'_>) {
    filled(&*place.open().await).await;
    let mut raw = place.raw().await;
    for change in [
        "UPDATE tile SET level = level",
        "DELETE FROM tile",
        "UPDATE checkpoint SET size = size",
        "DELETE FROM checkpoint",
        "UPDATE witness_key SET added_at = added_at",
        "DELETE FROM witness_key",
        "UPDATE cosignature SET size = size",
        "DELETE FROM cosignature",
        "DELETE FROM signing_key",
        "UPDATE signing_key SET name = 'other'",
        "UPDATE signing_key SET retired_at = NULL WHERE retired_at IS NOT NULL",
        place.either(
            "UPDATE signing_key SET sealed_private = X'01'",
            "UPDATE signing_key SET sealed_private = '\\x01'",
        ),
    ] {
        assert!(raw.run(change).await.is_err(), "{change}");
    }
}

async fn checkpoints_and_keys_are_copied_whole(place: &Place<'_>) {
    let source = Store::open_temporary().await.unwrap();
    filled(&source).await;
    let target = place.open().await;
    for _ in 0..2 {
        source.copy_audit_to(&target, FIRM).await.unwrap();
    }
    for store in [&source, &*target] {
        let at = |row: SigningKeyRow| (row.key_id, row.retired_at, row.sealed_private.len());
        let keys = store.signing_keys(FIRM).await.unwrap();
        let keys: Vec<_> = keys.into_iter().map(at).collect();
        let retired = Some(key(2).created_at);
        assert_eq!(keys, [("00000001".into(), retired, 0), ("00000002".into(), None, 73)]);
        let checkpoints = store.checkpoints_below(FIRM, None, 10).await.unwrap();
        assert_eq!(checkpoints, [kept(9, 5), kept(5, 0)]);
        assert_eq!(store.witness_keys(FIRM).await.unwrap(), [witness(1)]);
        assert_eq!(store.cosignatures(FIRM, 5).await.unwrap(), [line(5, 1)]);
    }
    // The key was rotated at the source since; the next run takes that along.
    assert!(source.keep_signing_key(FIRM, &key(3), Some("00000002")).await.unwrap());
    source.copy_audit_to(&target, FIRM).await.unwrap();
    let copied = target.signing_keys(FIRM).await.unwrap();
    assert_eq!(copied, source.signing_keys(FIRM).await.unwrap());
}
