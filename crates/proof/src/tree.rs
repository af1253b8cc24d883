//! Merkle trees and their proofs straight from RFC 9162 section 2.1: naive and readable.
//!
//! The makers of proofs need every leaf hash and recompute subtrees; the verifiers need only the
//! proof. [`crate::Frontier`] is the fast way to the root of a growing log.

use crate::hash::{Hash, empty_root, node_hash};

/// A proof that does not prove what it claims.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// The leaf is not inside the tree, or the old tree is larger than the new one.
    #[error("the claim lies outside the tree")]
    OutsideTree,
    /// The proof has too few or too many hashes for these sizes.
    #[error("the proof has the wrong number of hashes")]
    WrongLength,
    /// The hashes lead to another root than the one stated.
    #[error("the proof leads to another root")]
    OtherRoot,
}

/// The root over leaf hashes, RFC 9162 section 2.1.1.
pub fn root_of(leaves: &[Hash]) -> Hash {
    match leaves {
        [] => empty_root(),
        [leaf] => *leaf,
        many => {
            let (left, right) = many.split_at(split_point(many.len()));
            node_hash(&root_of(left), &root_of(right))
        }
    }
}

/// The path that proves the leaf at `index` (from zero) is under the root, RFC 9162 section 2.1.3.1;
/// `None` when there is no such leaf.
pub fn inclusion_proof(leaves: &[Hash], index: usize) -> Option<Vec<Hash>> {
    if index >= leaves.len() {
        return None;
    }
    let mut path = Vec::new();
    inclusion_path(leaves, index, &mut path);
    Some(path)
}

/// The hashes that prove the first `old_size` leaves are a prefix of all, RFC 9162 section 2.1.4.1.
///
/// Empty for an old size of zero and for equal sizes (the RFC defines neither); `None` when the old
/// tree would be larger.
pub fn consistency_proof(leaves: &[Hash], old_size: usize) -> Option<Vec<Hash>> {
    if old_size > leaves.len() {
        return None;
    }
    let mut path = Vec::new();
    if old_size > 0 {
        consistency_path(leaves, old_size, OldRoot::Known, &mut path);
    }
    Some(path)
}

/// Checks that `leaf` stands at `index` of the tree of `size` leaves with this root, RFC 9162
/// section 2.1.3.2.
pub fn verify_inclusion(
    leaf: &Hash,
    index: u64,
    size: u64,
    proof: &[Hash],
    root: &Hash,
) -> Result<(), ProofError> {
    if index >= size {
        return Err(ProofError::OutsideTree);
    }
    let mut at = Walk { first: index, second: size - 1 };
    let mut node = *leaf;
    for sibling in proof {
        node = match at.step()? {
            Side::Left => node_hash(sibling, &node),
            Side::Right => node_hash(&node, sibling),
        };
    }
    at.finished()?;
    if node == *root { Ok(()) } else { Err(ProofError::OtherRoot) }
}

/// Checks that the tree of `new_size` leaves only appended to the tree of `old_size`, RFC 9162
/// section 2.1.4.2.
///
/// Every tree extends the empty one, and itself; both take an empty proof.
pub fn verify_consistency(
    old_size: u64,
    old_root: &Hash,
    new_size: u64,
    new_root: &Hash,
    proof: &[Hash],
) -> Result<(), ProofError> {
    if old_size > new_size {
        return Err(ProofError::OutsideTree);
    }
    if old_size == 0 || old_size == new_size {
        if !proof.is_empty() {
            return Err(ProofError::WrongLength);
        }
        let expected = if old_size == 0 { empty_root() } else { *new_root };
        return if *old_root == expected { Ok(()) } else { Err(ProofError::OtherRoot) };
    }
    // An old tree that is one perfect subtree is its own first hash, so the proof leaves it out.
    let (start, rest) = if old_size.is_power_of_two() {
        (*old_root, proof)
    } else {
        let (first, rest) = proof.split_first().ok_or(ProofError::WrongLength)?;
        (*first, rest)
    };
    let mut at = Walk { first: old_size - 1, second: new_size - 1 };
    at.skip(at.first.trailing_ones());
    let (mut old_node, mut new_node) = (start, start);
    for sibling in rest {
        match at.step()? {
            Side::Left => {
                old_node = node_hash(sibling, &old_node);
                new_node = node_hash(sibling, &new_node);
            }
            Side::Right => new_node = node_hash(&new_node, sibling),
        }
    }
    at.finished()?;
    if old_node == *old_root && new_node == *new_root { Ok(()) } else { Err(ProofError::OtherRoot) }
}

/// The largest power of two below `size`, which must be at least 2.
fn split_point(size: usize) -> usize {
    size.next_power_of_two() / 2
}

fn inclusion_path(leaves: &[Hash], index: usize, path: &mut Vec<Hash>) {
    if leaves.len() == 1 {
        return;
    }
    let split = split_point(leaves.len());
    let (left, right) = leaves.split_at(split);
    if index < split {
        inclusion_path(left, index, path);
        path.push(root_of(right));
    } else {
        inclusion_path(right, index - split, path);
        path.push(root_of(left));
    }
}

/// Whether the verifier already holds the root of the subtree in question (the RFC's `b`).
#[derive(Clone, Copy)]
enum OldRoot {
    Known,
    Unknown,
}

fn consistency_path(leaves: &[Hash], old_size: usize, root: OldRoot, path: &mut Vec<Hash>) {
    if old_size == leaves.len() {
        match root {
            OldRoot::Known => {}
            OldRoot::Unknown => path.push(root_of(leaves)),
        }
        return;
    }
    let split = split_point(leaves.len());
    let (left, right) = leaves.split_at(split);
    if old_size <= split {
        consistency_path(left, old_size, root, path);
        path.push(root_of(right));
    } else {
        consistency_path(right, old_size - split, OldRoot::Unknown, path);
        path.push(root_of(left));
    }
}

/// Where the next hash of a proof stands beside the node built so far.
enum Side {
    Left,
    Right,
}

/// The RFC's `fn` and `sn`: the node and the last node of a level, on the way up.
struct Walk {
    first: u64,
    second: u64,
}

impl Walk {
    /// The side of the next sibling, going up one level (more where a level has no sibling).
    fn step(&mut self) -> Result<Side, ProofError> {
        if self.second == 0 {
            return Err(ProofError::WrongLength);
        }
        if self.first & 1 == 0 && self.first != self.second {
            self.skip(1);
            return Ok(Side::Right);
        }
        // A last node without sibling rises until it is a right child.
        let lonely = if self.first == 0 { 0 } else { self.first.trailing_zeros() };
        self.skip(lonely);
        self.skip(1);
        Ok(Side::Left)
    }

    fn skip(&mut self, levels: u32) {
        self.first = self.first.checked_shr(levels).unwrap_or(0);
        self.second = self.second.checked_shr(levels).unwrap_or(0);
    }

    fn finished(&self) -> Result<(), ProofError> {
        if self.second == 0 { Ok(()) } else { Err(ProofError::WrongLength) }
    }
}
