//! Notes, checkpoints, and the proofs of RFC 9162.

use std::sync::LazyLock;

use proof::note::{KeyName, Note, SignerKey, VerifierKey};
use proof::tile::{ProofPlan, TILE_WIDTH, TileId, Tiles, tile_root};
use proof::{Checkpoint, Frontier, Hash, leaf_hash, tree};

/// The key whose notes are among the inputs that are kept.
pub(crate) static KEY: LazyLock<SignerKey> = LazyLock::new(|| {
    let name = KeyName::parse("ledger.example/firm").expect("a name");
    SignerKey::from_seed(name, &[7; 32])
});

/// What is read is written back as the same text.
pub(crate) fn note(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match text.parse::<Note>() {
        Ok(note) => {
            assert_eq!(note.to_string(), text);
            if let Err(error) = note.verify(&[KEY.verifier().clone()]) {
                crate::check_words(&error.to_string());
            }
            checkpoint(note.text());
        }
        Err(error) => crate::check_words(&error.to_string()),
    }
    checkpoint(text);
    match text.parse::<VerifierKey>() {
        Ok(key) => assert_eq!(key.to_string(), text),
        Err(error) => crate::check_words(&error.to_string()),
    }
    if let Ok(hash) = Hash::from_hex(text) {
        assert_eq!(hash.hex(), text.to_ascii_lowercase());
    }
}

fn checkpoint(text: &str) {
    match text.parse::<Checkpoint>() {
        Ok(checkpoint) => assert_eq!(checkpoint.body(), text),
        Err(error) => crate::check_words(&error.to_string()),
    }
}

/// Leaves of the trees that are proved.
const LEAVES: u16 = 700;
static TREE: LazyLock<Vec<Hash>> =
    LazyLock::new(|| (0..LEAVES).map(|at| leaf_hash(&at.to_be_bytes())).collect());
/// The root of every tree of the first of them.
static ROOTS: LazyLock<Vec<Hash>> = LazyLock::new(|| {
    let mut frontier = Frontier::new();
    let mut roots = vec![frontier.root()];
    for leaf in TREE.iter() {
        frontier.push(*leaf);
        roots.push(frontier.root());
    }
    roots
});

/// Two numbers say which tree and which entry or earlier tree, the rest how the proof is changed.
///
/// The proof made from tiles is the RFC's own, and holds; once changed it does not.
pub(crate) fn proof(bytes: &[u8]) {
    let Some(([a, b, c, d, kind], edits)) = bytes.split_first_chunk() else { return };
    let number = |high: u8, low: u8| usize::from(u16::from_be_bytes([high, low]) % (LEAVES + 1));
    let (size, place) = (number(*a, *b), number(*c, *d));
    match kind % 3 {
        0 => inclusion(place, size, edits),
        1 => consistency(place, size, edits),
        _ => frontier(edits),
    }
}

fn inclusion(index: usize, size: usize, edits: &[u8]) {
    let made = tree::inclusion_proof(&TREE[..size], index);
    let plan = ProofPlan::inclusion(long(index), long(size));
    assert_eq!(plan.is_some(), made.is_some());
    let (Some(plan), Some(made)) = (plan, made) else { return };
    from_tiles(&plan, &made, edits);
    let claimed = changed(&made, edits);
    let (leaf, root) = (&TREE[index], &ROOTS[size]);
    let holds = tree::verify_inclusion(leaf, long(index), long(size), &claimed, root).is_ok();
    assert_eq!(holds, claimed == made, "entry {index} of {size}");
    if let Some(at) = edits.first() {
        let other = (index + 1 + usize::from(*at)) % usize::from(LEAVES);
        let same = other == index;
        let of_other = tree::verify_inclusion(&TREE[other], long(index), long(size), &made, root);
        assert_eq!(of_other.is_ok(), same, "entry {other} as {index} of {size}");
    }
}

fn consistency(old: usize, new: usize, edits: &[u8]) {
    let made = tree::consistency_proof(&TREE[..new], old);
    let plan = ProofPlan::consistency(long(old), long(new));
    assert_eq!(plan.is_some(), made.is_some());
    let (Some(plan), Some(made)) = (plan, made) else { return };
    from_tiles(&plan, &made, edits);
    let claimed = changed(&made, edits);
    let verified =
        tree::verify_consistency(long(old), &ROOTS[old], long(new), &ROOTS[new], &claimed);
    assert_eq!(verified.is_ok(), claimed == made, "{old} to {new}");
}

fn long(count: usize) -> u64 {
    u64::try_from(count).expect("a small number")
}

/// The proof with a hash altered, dropped, doubled or moved, as often as there are pairs of bytes.
fn changed(proof: &[Hash], edits: &[u8]) -> Vec<Hash> {
    let mut changed = proof.to_vec();
    for [how, which] in edits.as_chunks().0 {
        let at = usize::from(*which) % (changed.len() + 1);
        match (how % 4, changed.get(at).copied()) {
            (0, Some(hash)) => {
                let mut bytes = *hash.as_bytes();
                bytes[usize::from(*which) % 32] ^= how | 1;
                changed[at] = bytes.into();
            }
            (1, Some(_)) => drop(changed.remove(at)),
            (2, Some(hash)) => changed.insert(at, hash),
            (3, Some(_)) => changed.swap(at, 0),
            (_, _) => changed.push(leaf_hash(&[*how])),
        }
    }
    changed
}

/// Makes a proof from the tiles that it asks for; without one of them it is an error.
fn from_tiles(plan: &ProofPlan, made: &[Hash], edits: &[u8]) {
    let mut tiles: Tiles = plan.tiles().into_iter().map(|tile| (tile, hashes(tile))).collect();
    assert_eq!(plan.make(&tiles).as_deref(), Ok(made));
    let which = usize::from(edits.first().copied().unwrap_or_default());
    if let Some(missing) = tiles.keys().copied().nth(which) {
        tiles.remove(&missing);
        assert!(plan.make(&tiles).is_err(), "{missing} is not needed");
    }
}

/// What a tile of the first two levels holds: one hash of the second stands for 256 leaves.
fn hashes(tile: TileId) -> Vec<Hash> {
    let width = usize::from(TILE_WIDTH);
    let first = usize::try_from(tile.first_hash()).expect("a small number");
    let of = |place: usize| {
        if tile.level() == 0 {
            return TREE[place];
        }
        tile_root(TREE[place * width..].first_chunk().expect("it is full"))
    };
    (first..first + usize::from(tile.width())).map(of).collect()
}

fn frontier(bytes: &[u8]) {
    match Frontier::from_bytes(bytes) {
        Ok(frontier) => {
            assert_eq!(frontier.to_bytes(), bytes);
            frontier.root();
        }
        Err(error) => crate::check_words(&error.to_string()),
    }
}
