//! What must hold of every tree, frontier and document.

use counterfoil_proof::canonical::{CanonicalError, canonicalize, is_canonical};
use counterfoil_proof::tree::{self, ProofError};
use counterfoil_proof::{FRONTIER_SIZE_MAX, Frontier, FrontierError, Hash, empty_root, leaf_hash};
use proptest::collection::vec;
use proptest::prelude::*;

const SIZE_MAX: usize = 300;

fn leaves(count: usize) -> Vec<Hash> {
    (0..count).map(|number| leaf_hash(&number.to_be_bytes())).collect()
}

fn wide(number: usize) -> u64 {
    u64::try_from(number).expect("a small number")
}

fn flipped(hash: Hash, bit: usize) -> Hash {
    let mut bytes = *hash.as_bytes();
    bytes[bit / 8 % 32] ^= 1 << (bit % 8);
    bytes.into()
}

#[test]
fn a_frontier_has_the_root_of_its_leaves_at_every_size() {
    let leaves = leaves(SIZE_MAX);
    let mut frontier = Frontier::new();
    for size in 0..=SIZE_MAX {
        assert_eq!(frontier.size(), wide(size));
        assert_eq!(frontier.root(), tree::root_of(&leaves[..size]), "size {size}");
        assert_eq!(Frontier::from_bytes(&frontier.to_bytes()), Ok(frontier.clone()));
        if let Some(leaf) = leaves.get(size) {
            frontier.push(*leaf);
        }
    }
}

#[test]
fn every_proof_of_small_trees_verifies() {
    let leaves = leaves(40);
    for size in 1..=leaves.len() {
        let tree_leaves = &leaves[..size];
        let root = tree::root_of(tree_leaves);
        for (index, leaf) in tree_leaves.iter().enumerate() {
            let proof = tree::inclusion_proof(tree_leaves, index).unwrap();
            tree::verify_inclusion(leaf, wide(index), wide(size), &proof, &root).unwrap();
        }
        for old in 0..=size {
            let proof = tree::consistency_proof(tree_leaves, old).unwrap();
            let old_root = tree::root_of(&leaves[..old]);
            tree::verify_consistency(wide(old), &old_root, wide(size), &root, &proof).unwrap();
        }
    }
}

#[test]
fn claims_outside_the_tree_are_refused() {
    let leaves = leaves(5);
    let root = tree::root_of(&leaves);
    assert_eq!(tree::inclusion_proof(&leaves, 5), None);
    assert_eq!(tree::consistency_proof(&leaves, 6), None);
    let outside = Err(ProofError::OutsideTree);
    assert_eq!(tree::verify_inclusion(&leaves[0], 5, 5, &[], &root), outside);
    assert_eq!(tree::verify_consistency(6, &root, 5, &root, &[]), outside);
    let other = Err(ProofError::OtherRoot);
    assert_eq!(tree::verify_consistency(5, &leaves[0], 5, &root, &[]), other);
    assert_eq!(tree::verify_consistency(0, &root, 5, &root, &[]), other);
    assert_eq!(tree::verify_consistency(0, &empty_root(), 5, &root, &[]), Ok(()));
}

#[test]
fn frontier_bytes_of_the_wrong_shape_are_refused() {
    let mut frontier = Frontier::new();
    for leaf in leaves(5) {
        frontier.push(leaf);
    }
    let bytes = frontier.to_bytes();
    assert_eq!(bytes.len(), 8 + 2 * 32);
    let length = |bytes: usize| Err(FrontierError::Length { bytes });
    assert_eq!(Frontier::from_bytes(&bytes[..7]), length(7));
    assert_eq!(Frontier::from_bytes(&bytes[..71]), length(71));
    let peaks = Err(FrontierError::Peaks { size: 5, peaks: 1 });
    assert_eq!(Frontier::from_bytes(&bytes[..40]), peaks);
    let size = FRONTIER_SIZE_MAX + 1;
    let mut large = size.to_be_bytes().to_vec();
    large.extend_from_slice(&[0; 32]);
    assert_eq!(Frontier::from_bytes(&large), Err(FrontierError::Size { size }));
}

#[test]
fn a_hash_reads_what_it_writes_and_nothing_else() {
    let hash = leaf_hash(b"entry");
    assert_eq!(Hash::from_hex(&hash.hex()).unwrap(), hash);
    assert_eq!(format!("{hash:?}"), hash.hex());
    assert!(Hash::from_hex(&hash.hex()[1..]).is_err());
    assert!(Hash::from_hex(&hash.hex().replace(|c: char| c.is_ascii_digit(), "g")).is_err());
}

#[test]
fn integers_beyond_two_to_the_53_are_refused_however_they_are_written() {
    for fine in
        ["9007199254740992", "-9007199254740992", "1e30", "1.5", "-0", "\"9007199254740993\""]
    {
        assert!(canonicalize(&format!("{{\"amount\":{fine}}}")).is_ok(), "{fine}");
    }
    let large = [
        "9007199254740993",
        "-9007199254740993",
        "18446744073709551616",
        "1000000000000000000000000000000",
        "9007199254740994.0",
        "2e20",
    ];
    for large in large {
        let refusal = canonicalize(&format!("{{\"a\\\"1\":[{large}]}}"));
        assert!(matches!(refusal, Err(CanonicalError::IntegerTooLarge { offset: 9 })), "{large}");
    }
}

#[test]
fn a_key_that_stands_twice_is_refused() {
    for twice in [r#"{"a":1,"a":1}"#, r#"[{"b":{"a":1,"\u0061":2}}]"#] {
        assert!(matches!(canonicalize(twice), Err(CanonicalError::Json(_))), "{twice}");
    }
    assert!(canonicalize(r#"{"a":{"a":1},"b":{"a":1}}"#).is_ok());
}

#[test]
fn only_the_canonical_spelling_is_canonical() {
    assert!(is_canonical(br#"{"a":1,"b":"2"}"#));
    for other in
        [&br#"{"b":"2","a":1}"#[..], br#"{"a": 1}"#, br#"{"a":1.0}"#, b"{\"a\":1}\n", b"\xff", b""]
    {
        assert!(!is_canonical(other), "{}", String::from_utf8_lossy(other));
    }
}

fn json() -> impl Strategy<Value = serde_json::Value> {
    let leaf = prop_oneof![
        Just(serde_json::Value::Null),
        any::<bool>().prop_map(Into::into),
        any::<i64>().prop_map(Into::into),
        any::<f64>().prop_map(Into::into),
        any::<String>().prop_map(Into::into),
    ];
    leaf.prop_recursive(3, 24, 6, |inner| {
        prop_oneof![
            vec(inner.clone(), 0..6).prop_map(Into::into),
            proptest::collection::btree_map(any::<String>(), inner, 0..6)
                .prop_map(|members| serde_json::Value::Object(members.into_iter().collect())),
        ]
    })
}

proptest! {
    #[test]
    fn an_inclusion_proof_verifies_and_a_flipped_bit_does_not(
        size in 1..SIZE_MAX, at in any::<prop::sample::Index>(), bit in 0_usize..256, pick in any::<prop::sample::Index>()
    ) {
        let leaves = leaves(size);
        let (index, root) = (at.index(size), tree::root_of(&leaves));
        let mut proof = tree::inclusion_proof(&leaves, index).unwrap();
        let verify = |leaf: Hash, proof: &[Hash], root: Hash| {
            tree::verify_inclusion(&leaf, wide(index), wide(size), proof, &root)
        };
        prop_assert_eq!(verify(leaves[index], &proof, root), Ok(()));
        prop_assert_eq!(verify(flipped(leaves[index], bit), &proof, root), Err(ProofError::OtherRoot));
        prop_assert_eq!(verify(leaves[index], &proof, flipped(root, bit)), Err(ProofError::OtherRoot));
        proof.push(root);
        prop_assert_eq!(verify(leaves[index], &proof, root), Err(ProofError::WrongLength));
        proof.pop();
        if !proof.is_empty() {
            let place = pick.index(proof.len());
            prop_assert_eq!(verify(leaves[index], &proof[1..], root), Err(ProofError::WrongLength));
            proof[place] = flipped(proof[place], bit);
            prop_assert_eq!(verify(leaves[index], &proof, root), Err(ProofError::OtherRoot));
        }
    }

    #[test]
    fn a_consistency_proof_verifies_and_a_flipped_bit_does_not(
        size in 2..SIZE_MAX, at in any::<prop::sample::Index>(), bit in 0_usize..256, pick in any::<prop::sample::Index>()
    ) {
        let leaves = leaves(size);
        let old = 1 + at.index(size - 1);
        let (old_root, root) = (tree::root_of(&leaves[..old]), tree::root_of(&leaves));
        let mut proof = tree::consistency_proof(&leaves, old).unwrap();
        let verify = |old_root: Hash, proof: &[Hash], root: Hash| {
            tree::verify_consistency(wide(old), &old_root, wide(size), &root, proof)
        };
        prop_assert_eq!(verify(old_root, &proof, root), Ok(()));
        prop_assert_eq!(verify(flipped(old_root, bit), &proof, root), Err(ProofError::OtherRoot));
        prop_assert_eq!(verify(old_root, &proof, flipped(root, bit)), Err(ProofError::OtherRoot));
        prop_assert_eq!(verify(old_root, &proof[..proof.len() - 1], root), Err(ProofError::WrongLength));
        let place = pick.index(proof.len());
        proof[place] = flipped(proof[place], bit);
        prop_assert_eq!(verify(old_root, &proof, root), Err(ProofError::OtherRoot));
    }

    #[test]
    fn a_verifier_never_panics(
        first in any::<u64>(), second in any::<u64>(), proof in vec(any::<[u8; 32]>().prop_map(Hash::from), 0..70)
    ) {
        let root = empty_root();
        prop_assert!(tree::verify_inclusion(&root, first, second, &proof, &root).is_err());
        prop_assume!(first != second);
        prop_assert!(tree::verify_consistency(first, &root, second, &root, &proof).is_err() || first == 0);
    }

    #[test]
    fn what_canonicalize_returns_is_canonical_and_says_the_same(value in json()) {
        match canonicalize(&value.to_string()) {
            Ok(canonical) => {
                prop_assert!(is_canonical(&canonical));
                let read: serde_json::Value = serde_json::from_slice(&canonical).unwrap();
                prop_assert_eq!(canonicalize(&read.to_string()).unwrap(), canonical);
            }
            Err(CanonicalError::IntegerTooLarge { .. }) => {}
            Err(CanonicalError::Json(error)) => prop_assert!(false, "{}", error),
        }
    }

    #[test]
    fn any_text_is_answered(text in ".*") {
        let _ = canonicalize(&text);
    }
}
