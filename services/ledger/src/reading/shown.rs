//! What each reader has been shown, so that nobody is taken back by a replica that is behind.

use std::collections::HashMap;

use domain::ids::{AccessId, FirmId};

use crate::access::Authority;

/// Most readers remembered at once. When there are more, the half that has not read for longest is
/// forgotten, and reads like somebody new.
const READERS_MAX: usize = 16_384;

/// Who reads: a token, or the process itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Reader(Option<AccessId>);

impl Reader {
    /// Whoever is inside the process.
    #[cfg(test)]
    pub(crate) const PROCESS: Self = Self(None);

    /// The token's id; nothing for the process itself.
    pub(crate) fn bytes(self) -> Vec<u8> {
        self.0.map_or_else(Vec::new, |access| access.0.as_bytes().to_vec())
    }

    pub(crate) fn of(authority: &Authority) -> Self {
        match authority {
            Authority::Local | Authority::Schedule => Self(None),
            Authority::Token(grant) => Self(Some(grant.access)),
        }
    }
}

/// How far the read models were, and the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Positions {
    /// The read models' position.
    pub(crate) applied: u64,
    /// The end of the log.
    pub(crate) head: u64,
}

impl Positions {
    /// The later of each.
    pub(super) fn max(self, other: Self) -> Self {
        Self { applied: self.applied.max(other.applied), head: self.head.max(other.head) }
    }
}

/// The positions that readers have been shown, by firm.
#[derive(Debug, Default)]
pub(crate) struct Shown {
    by_reader: HashMap<(FirmId, Reader), (Positions, u64)>,
    reads: u64,
}

impl Shown {
    /// What a reader has seen of a firm.
    pub(super) fn of(&self, reader: (FirmId, Reader)) -> Positions {
        self.by_reader.get(&reader).map_or_else(Positions::default, |(positions, _)| *positions)
    }

    /// A reader is shown positions.
    pub(super) fn raise(&mut self, reader: (FirmId, Reader), positions: Positions) {
        self.reads += 1;
        let reads = self.reads;
        let (known, used) = self.by_reader.entry(reader).or_default();
        (*known, *used) = (known.max(positions), reads);
        if self.by_reader.len() > READERS_MAX {
            let mut uses: Vec<u64> = self.by_reader.values().map(|(_, used)| *used).collect();
            let middle = uses.len() / 2;
            let median = *uses.select_nth_unstable(middle).1;
            self.by_reader.retain(|_, (_, used)| *used >= median);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn reader(number: usize) -> (FirmId, Reader) {
        let id = Uuid::from_u128(u128::try_from(number).unwrap());
        (FirmId(Uuid::nil()), Reader(Some(AccessId(id))))
    }

    #[test]
    fn a_reader_is_remembered_by_the_furthest_it_has_seen() {
        let mut shown = Shown::default();
        shown.raise(reader(1), Positions { applied: 7, head: 9 });
        shown.raise(reader(1), Positions { applied: 8, head: 3 });
        assert_eq!(shown.of(reader(1)), Positions { applied: 8, head: 9 });
        assert_eq!(shown.of(reader(2)), Positions::default());
    }

    #[test]
    fn whoever_has_not_read_for_longest_is_forgotten_first() {
        let mut shown = Shown::default();
        for number in 0..=READERS_MAX {
            shown.raise(reader(number), Positions { applied: 1, head: 1 });
        }
        assert!(shown.by_reader.len() <= READERS_MAX);
        assert_eq!(shown.of(reader(0)), Positions::default());
        assert_eq!(shown.of(reader(READERS_MAX)).head, 1);
    }
}
