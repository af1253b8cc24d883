//! One proof for every event of a part of the log: the hashes of what is not in it.
//!
//! The leaves that a bundle leaves out form runs. Each run is covered, from left to right, by the
//! largest subtrees of the RFC 9162 tree that begin where the one before ended and hold nothing but
//! the run. The hashes of these subtrees and the leaves of the bundle together are one pass from
//! position 1 to the tree's end, and that pass makes the root.

use proof::{Hash, empty_root, node_hash};

/// The hashes of perfect subtrees from some position on: a tree's right edge, or a run's cover.
#[derive(Clone, Debug, Default)]
pub(crate) struct Run {
    /// Index of the first leaf, from zero.
    start: u64,
    /// Index after the last leaf.
    end: u64,
    /// Subtrees from left to right, each with the number of levels above its leaves.
    nodes: Vec<(u32, Hash)>,
}

impl Run {
    /// A run without leaves that begins at an index.
    pub(crate) const fn at(start: u64) -> Self {
        Self { start, end: start, nodes: Vec::new() }
    }

    /// Whether it has no leaf.
    pub(crate) const fn is_empty(&self) -> bool {
        self.start == self.end
    }

    /// Adds a subtree of `2^level` leaves at the end.
    ///
    /// # Panics
    /// If a subtree of this size cannot begin there.
    pub(crate) fn push(&mut self, level: u32, hash: Hash) {
        assert!(self.end.trailing_zeros() >= level, "a subtree begins at a multiple of its size");
        self.end += 1 << level;
        let (mut level, mut hash) = (level, hash);
        while let Some(&(left_level, left)) = self.nodes.last() {
            // The left one may be the left half of a larger subtree only if that one begins there.
            if left_level != level || (self.end - (2 << level)).trailing_zeros() <= level {
                break;
            }
            self.nodes.pop();
            hash = node_hash(&left, &hash);
            level += 1;
        }
        self.nodes.push((level, hash));
    }

    /// The hashes of the subtrees that cover it, from left to right.
    pub(crate) fn hashes(&self) -> impl Iterator<Item = &Hash> {
        self.nodes.iter().map(|(_, hash)| hash)
    }

    /// The root over all leaves of a run that begins at zero, RFC 9162 section 2.1.1.
    pub(crate) fn root(&self) -> Hash {
        let mut nodes = self.nodes.iter().rev().map(|(_, hash)| *hash);
        let Some(last) = nodes.next() else { return empty_root() };
        nodes.fold(last, |right, left| node_hash(&left, &right))
    }

    /// How many leaves lie before the next one.
    pub(crate) const fn end(&self) -> u64 {
        self.end
    }
}

/// The levels of the subtrees that cover the leaves from `start` up to, not including, `end`.
pub(crate) fn cover(start: u64, end: u64) -> impl Iterator<Item = u32> {
    let mut at = start;
    std::iter::from_fn(move || {
        let left = end.checked_sub(at).filter(|left| *left > 0)?;
        let largest = u64::BITS - 1 - left.leading_zeros();
        let level = largest.min(at.trailing_zeros());
        at += 1 << level;
        Some(level)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proof::leaf_hash;
    use proof::tree::root_of;

    fn leaves(count: u64) -> Vec<Hash> {
        (0..count).map(|number| leaf_hash(&number.to_be_bytes())).collect()
    }

    fn index(at: u64) -> usize {
        usize::try_from(at).unwrap()
    }

    #[test]
    fn a_cover_is_what_the_run_keeps_and_its_hashes_are_roots_of_rfc_9162_trees() {
        // The roots are the naive tree's of `proof`, which is held against the published vectors of
        // RFC 9162 there.
        let leaves = leaves(37);
        for start in 0..37 {
            for end in start..=37 {
                let mut run = Run::at(start);
                for leaf in &leaves[index(start)..index(end)] {
                    run.push(0, *leaf);
                }
                let mut from = start;
                let mut expected = Vec::new();
                for level in cover(start, end) {
                    let to = from + (1 << level);
                    expected.push(root_of(&leaves[index(from)..index(to)]));
                    from = to;
                }
                assert_eq!(from, end);
                assert_eq!(run.hashes().copied().collect::<Vec<_>>(), expected, "{start}..{end}");
            }
        }
    }

    #[test]
    fn subtrees_and_leaves_make_the_root_in_one_pass() {
        for size in 0..40_u64 {
            let leaves = leaves(size);
            for pattern in [0_u64, 1, 0b1011, 0x00ff_f00f, 0x5555_5555, u64::MAX] {
                let absent = |at: u64| pattern >> at & 1 == 1;
                let mut whole = Run::at(0);
                let mut at = 0;
                while at < size {
                    if !absent(at) {
                        whole.push(0, leaves[index(at)]);
                        at += 1;
                        continue;
                    }
                    let end = (at..size).find(|&next| !absent(next)).unwrap_or(size);
                    for level in cover(at, end) {
                        let to = at + (1 << level);
                        whole.push(level, root_of(&leaves[index(at)..index(to)]));
                        at = to;
                    }
                }
                assert_eq!(whole.root(), root_of(&leaves), "{size} {pattern:b}");
            }
        }
    }
}
