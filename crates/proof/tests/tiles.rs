//! Tiles against the published examples of C2SP `tlog-tiles.md` (as of 2026-07-22), and the proofs made
//! from them against those made naively from every leaf, as RFC 9162 defines them.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use std::collections::BTreeMap;

use counterfoil_proof::tile::{self, ProofPlan, TILE_BYTES, TileError, TileId, Tiles};
use counterfoil_proof::{Hash, leaf_hash, tree};
use proptest::prelude::*;

fn wide(number: usize) -> u64 {
    u64::try_from(number).expect("a small number")
}

fn leaves(count: usize) -> Vec<Hash> {
    (0..count).map(|number| leaf_hash(&number.to_be_bytes())).collect()
}

/// Every tile of a tree, by the definition: the hash at a place is the root over its leaves.
fn tiles_of(leaves: &[Hash]) -> Tiles {
    let mut tiles = BTreeMap::new();
    for level in 0..8 {
        let under = 256_usize.pow(u32::from(level).min(7));
        let hashes: Vec<Hash> = leaves.chunks_exact(under).map(tree::root_of).collect();
        for (index, hashes) in hashes.chunks(256).enumerate() {
            let id = TileId::in_tree(level, wide(index), wide(leaves.len())).unwrap();
            tiles.insert(id, hashes.to_vec());
        }
    }
    tiles
}

#[test]
fn paths_are_written_as_published() {
    // 1234067 is the published example; the others follow its rule.
    for (index, path) in [
        (0, "000"),
        (5, "005"),
        (255, "255"),
        (999, "999"),
        (1_000, "x001/000"),
        (1_234_067, "x001/x234/067"),
        (123_456_789, "x123/x456/789"),
    ] {
        assert_eq!(TileId::full(0, index).to_string(), format!("tile/0/{path}"));
    }
    let partial = TileId::in_tree(1, 1, 70_000).unwrap();
    assert_eq!(partial.to_string(), "tile/1/001.p/17");
    assert_eq!(TILE_BYTES, 256 * 32);
}

#[test]
fn a_tree_has_the_tiles_that_are_published() {
    // 70,000 and 256 are the published examples; the others were computed from the rule.
    let widths = |size| -> Vec<(u64, u16)> {
        tile::levels(size).iter().map(|tiles| (tiles.full, tiles.partial_width)).collect()
    };
    assert_eq!(widths(70_000), [(273, 112), (1, 17), (0, 1)]);
    assert_eq!(widths(256), [(1, 0), (0, 1)]);
    assert_eq!(widths(0), []);
    assert_eq!(widths(1), [(0, 1)]);
    assert_eq!(widths(255), [(0, 255)]);
    assert_eq!(widths(257), [(1, 1), (0, 1)]);
    assert_eq!(widths(65_536), [(256, 0), (1, 0), (0, 1)]);
    assert_eq!(widths(65_537), [(256, 1), (1, 0), (0, 1)]);
}

#[test]
fn no_tile_lies_outside_its_tree() {
    assert_eq!(TileId::in_tree(0, 1, 256), None);
    assert_eq!(TileId::in_tree(0, 1, 257).unwrap().width(), 1);
    assert_eq!(TileId::in_tree(1, 0, 255), None);
    assert_eq!(TileId::in_tree(9, 0, u64::MAX), None);
    assert_eq!(TileId::in_tree(0, u64::MAX, u64::MAX), None);
    assert!(TileId::in_tree(0, 0, 256).unwrap().is_full());
}

#[test]
fn a_full_tile_is_one_hash_of_the_tile_above() {
    let leaves = leaves(600);
    let tiles = tiles_of(&leaves);
    let below: &[Hash; 256] = tiles[&TileId::full(0, 1)].as_slice().try_into().unwrap();
    let above = &tiles[&TileId::in_tree(1, 0, 600).unwrap()];
    assert_eq!((above.len(), above[1]), (2, tile::tile_root(below)));
}

/// Both makers agree on a tree, for a leaf and an older size of it.
fn agree(leaves: &[Hash], tiles: &Tiles, index: usize, old: usize) {
    let size = wide(leaves.len());
    let made = |plan: ProofPlan| {
        let fetched: Tiles = plan.tiles().into_iter().map(|id| (id, tiles[&id].clone())).collect();
        plan.make(&fetched).unwrap()
    };
    assert_eq!(made(ProofPlan::root(size)), [tree::root_of(leaves)]);
    let inclusion = ProofPlan::inclusion(wide(index), size).map(made);
    assert_eq!(inclusion, tree::inclusion_proof(leaves, index), "leaf {index} of {size}");
    let consistency = ProofPlan::consistency(wide(old), size).map(made);
    assert_eq!(consistency, tree::consistency_proof(leaves, old), "{old} to {size}");
}

#[test]
fn every_proof_of_small_trees_is_the_naive_one() {
    let leaves = leaves(70);
    for size in 0..=leaves.len() {
        let tiles = tiles_of(&leaves[..size]);
        for at in 0..=size {
            agree(&leaves[..size], &tiles, at, at);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn proofs_of_large_trees_are_the_naive_ones(
        size in prop_oneof![200_usize..1_200, 65_000_usize..66_200, 130_900_usize..131_300],
        index in any::<proptest::sample::Index>(),
        old in any::<proptest::sample::Index>(),
    ) {
        let leaves = leaves(size);
        let tiles = tiles_of(&leaves);
        agree(&leaves, &tiles, index.index(size), old.index(size + 1));
    }

    /// However large a log is, a proof reads a few tiles for each level.
    #[test]
    fn a_proof_needs_few_tiles(size in 1_u64..(1 << 62), index: u64, old: u64) {
        let levels = tile::levels(size).len();
        let inclusion = ProofPlan::inclusion(index % size, size).unwrap();
        prop_assert!(inclusion.tiles().len() <= 2 * levels + 1);
        let consistency = ProofPlan::consistency(old % size + 1, size).unwrap();
        prop_assert!(consistency.tiles().len() <= 2 * levels + 1);
        prop_assert!(ProofPlan::root(size).tiles().len() <= levels);
    }
}

#[test]
fn what_is_not_in_the_tree_has_no_proof() {
    assert_eq!(ProofPlan::inclusion(5, 5), None);
    assert_eq!(ProofPlan::consistency(6, 5), None);
    assert_eq!(ProofPlan::consistency(0, 5).unwrap().make(&Tiles::new()), Ok(vec![]));
    assert_eq!(ProofPlan::consistency(5, 5).unwrap().make(&Tiles::new()), Ok(vec![]));
}

#[test]
fn a_tile_that_is_missing_or_short_is_told() {
    let leaves = leaves(300);
    let plan = ProofPlan::inclusion(0, 300).unwrap();
    let mut tiles = tiles_of(&leaves);
    let full = TileId::full(0, 0);
    tiles.get_mut(&full).unwrap().pop();
    assert_eq!(plan.make(&tiles), Err(TileError::Width { tile: full }));
    tiles.remove(&full);
    assert_eq!(plan.make(&tiles), Err(TileError::Missing { tile: full }));
}
