//! The published check values of RFC 9162, RFC 8785 and FIPS 180-4; sources in
//! `tests/data/proof/README.md` at the top of the repository.

use std::fs;
use std::path::PathBuf;

use counterfoil_proof::canonical::{CanonicalError, canonicalize, is_canonical};
use counterfoil_proof::{Frontier, Hash, leaf_hash, node_hash, tree};
use serde_json::Value;
use sha2::{Digest, Sha256};

fn data(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/proof").join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn rows(name: &str) -> Vec<Vec<String>> {
    let text = data(name);
    text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn merkle() -> Value {
    serde_json::from_str(&data("merkle_8_leaves.json")).expect("JSON")
}

fn hash(value: &Value) -> Hash {
    Hash::from_hex(value.as_str().expect("text")).expect("a hash")
}

fn list(value: &Value) -> &[Value] {
    value.as_array().expect("a list")
}

fn hashes(value: &Value) -> Vec<Hash> {
    list(value).iter().map(hash).collect()
}

fn leaves() -> Vec<Hash> {
    list(&merkle()["leaves"]).iter().map(|leaf| hash(&leaf["leaf_hash"])).collect()
}

fn number(value: &Value) -> u64 {
    value.as_u64().expect("a number")
}

fn place(value: &Value) -> usize {
    usize::try_from(number(value)).expect("a small number")
}

#[test]
fn sha_256_agrees_with_fips_180_4() {
    let rows = rows("sha256.csv");
    assert_eq!(rows.len(), 5);
    for row in rows {
        let text = row[0].repeat(row[1].parse().unwrap());
        assert_eq!(hex::encode(Sha256::digest(text.as_bytes())), row[2], "{} × {}", row[0], row[1]);
    }
}

#[test]
fn leaf_hashes_agree_with_rfc_9162() {
    let merkle = merkle();
    let published = list(&merkle["leaves"]);
    assert_eq!(published.len(), 8);
    for leaf in published {
        let input = hex::decode(leaf["input_hex"].as_str().unwrap()).unwrap();
        assert_eq!(leaf_hash(&input), hash(&leaf["leaf_hash"]));
    }
}

#[test]
fn roots_of_every_size_agree_with_rfc_9162() {
    let roots = hashes(&merkle()["roots"]);
    assert_eq!(roots.len(), 9);
    let leaves = leaves();
    let mut frontier = Frontier::new();
    for (size, root) in roots.iter().enumerate() {
        assert_eq!(tree::root_of(&leaves[..size]), *root, "size {size}");
        assert_eq!(frontier.root(), *root, "frontier of size {size}");
        if let Some(leaf) = leaves.get(size) {
            frontier.push(*leaf);
        }
    }
}

#[test]
fn inner_nodes_agree_with_rfc_9162() {
    let merkle = merkle();
    let pairs = |nodes: &[Hash]| -> Vec<Hash> {
        nodes.chunks(2).map(|pair| node_hash(&pair[0], &pair[1])).collect()
    };
    let level_1 = pairs(&leaves());
    assert_eq!(level_1, hashes(&merkle["inner"]["level_1"]));
    assert_eq!(pairs(&level_1), hashes(&merkle["inner"]["level_2"]));
}

#[test]
fn inclusion_proofs_agree_with_rfc_9162() {
    let merkle = merkle();
    let (leaves, roots) = (leaves(), hashes(&merkle["roots"]));
    let published = list(&merkle["inclusion"]);
    assert_eq!(published.len(), 5);
    for case in published {
        let (index, size) = (place(&case["index"]), place(&case["size"]));
        let path = hashes(&case["path"]);
        assert_eq!(tree::inclusion_proof(&leaves[..size], index).unwrap(), path);
        tree::verify_inclusion(
            &leaves[index],
            number(&case["index"]),
            number(&case["size"]),
            &path,
            &roots[size],
        )
        .unwrap();
    }
}

#[test]
fn consistency_proofs_agree_with_rfc_9162() {
    let merkle = merkle();
    let (leaves, roots) = (leaves(), hashes(&merkle["roots"]));
    let published = list(&merkle["consistency"]);
    assert_eq!(published.len(), 5);
    for case in published {
        let (old, new) = (place(&case["old_size"]), place(&case["new_size"]));
        let path = hashes(&case["path"]);
        assert_eq!(tree::consistency_proof(&leaves[..new], old).unwrap(), path);
        tree::verify_consistency(
            number(&case["old_size"]),
            &roots[old],
            number(&case["new_size"]),
            &roots[new],
            &path,
        )
        .unwrap();
    }
}

#[test]
fn documents_agree_with_rfc_8785() {
    let files = rows("jcs/sha256.csv");
    assert_eq!(files.len(), 6);
    for row in files {
        let (name, sha256) = (&row[0], &row[1]);
        let output = data(&format!("jcs/{name}.output.json"));
        let canonical = canonicalize(&data(&format!("jcs/{name}.input.json"))).unwrap();
        assert_eq!(String::from_utf8_lossy(&canonical), output, "{name}");
        assert_eq!(hex::encode(Sha256::digest(&canonical)), *sha256, "{name}");
        assert!(is_canonical(output.as_bytes()), "{name}");
    }
}

#[test]
fn numbers_agree_with_rfc_8785_appendix_b_or_are_refused_as_large_integers() {
    let numbers = rows("jcs/numbers.csv");
    assert_eq!(numbers.len(), 24);
    let mut refused = Vec::new();
    for row in &numbers {
        let value = f64::from_bits(u64::from_str_radix(&row[0], 16).unwrap());
        let written = serde_json_canonicalizer::to_vec(&value).unwrap();
        assert_eq!(String::from_utf8_lossy(&written), row[1], "the library");
        match canonicalize(&format!("{value:e}")) {
            Ok(canonical) => assert_eq!(String::from_utf8_lossy(&canonical), row[1]),
            Err(CanonicalError::IntegerTooLarge { .. }) => refused.push(row[1].as_str()),
            Err(error @ CanonicalError::Json(_)) => panic!("{error}"),
        }
    }
    let beyond = ["295147905179352830000", "999999999999999700000", "999999999999999900000"];
    assert_eq!(refused, beyond);
}

#[test]
fn numbers_that_are_no_doubles_are_refused() {
    // RFC 8785 Appendix B: NaN and the infinities are errors.
    for text in ["NaN", "Infinity", "-Infinity", "1e400"] {
        assert!(matches!(canonicalize(text), Err(CanonicalError::Json(_))), "{text}");
    }
}
