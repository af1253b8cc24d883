//! Counts of values by size, cheap to add to and read as a whole.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Upper bounds of the buckets that times are counted in, in microseconds: a commit to a good disk
/// takes some milliseconds, and what takes seconds needs somebody to look at it.
pub const MICROS: &[u64] = &[
    250, 500, 1_000, 2_500, 5_000, 10_000, 25_000, 50_000, 100_000, 250_000, 500_000, 1_000_000,
    2_500_000, 5_000_000, 10_000_000, 30_000_000,
];

/// Upper bounds of the buckets that commands and events of a transaction are counted in.
pub const COUNTS: &[u64] = &[0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1_024, 4_096, 8_192];

/// How many values lay in each of a few ranges.
#[derive(Debug)]
pub struct Histogram {
    bounds: &'static [u64],
    /// One more than bounds: the last takes what is above all of them.
    counts: Vec<AtomicU64>,
    sum: AtomicU64,
}

/// A histogram as it was at about one moment: each number is exact, but they are read one by one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counted {
    /// For each bucket its upper bound, which still belongs to it, and how many values lay in it and
    /// no earlier one. The last bucket has no bound.
    pub buckets: Vec<(Option<u64>, u64)>,
    /// The sum of all values.
    pub sum: u64,
}

impl Counted {
    /// How many values there were.
    pub fn count(&self) -> u64 {
        self.buckets.iter().map(|(_, count)| count).sum()
    }
}

impl Histogram {
    /// An empty one with these upper bounds, which rise.
    pub fn new(bounds: &'static [u64]) -> Self {
        let counts = (0..=bounds.len()).map(|_| AtomicU64::default()).collect();
        Self { bounds, counts, sum: AtomicU64::default() }
    }

    /// Counts a value.
    pub fn add(&self, value: u64) {
        let bucket = self.bounds.partition_point(|bound| *bound < value);
        self.counts[bucket].fetch_add(1, Ordering::Relaxed);
        self.sum.fetch_add(value, Ordering::Relaxed);
    }

    /// Counts a time, in microseconds.
    pub fn add_time(&self, time: Duration) {
        self.add(u64::try_from(time.as_micros()).unwrap_or(u64::MAX));
    }

    /// What was counted so far.
    pub fn read(&self) -> Counted {
        let bounds = self.bounds.iter().copied().map(Some).chain([None]);
        let counts = self.counts.iter().map(|count| count.load(Ordering::Relaxed));
        Counted { buckets: bounds.zip(counts).collect(), sum: self.sum.load(Ordering::Relaxed) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_is_counted_in_the_first_bucket_that_reaches_it() {
        let histogram = Histogram::new(&[1, 10]);
        for value in [0, 1, 2, 10, 11, 1_000] {
            histogram.add(value);
        }
        let counted = histogram.read();
        assert_eq!(counted.buckets, [(Some(1), 2), (Some(10), 2), (None, 2)]);
        assert_eq!((counted.count(), counted.sum), (6, 1_024));
    }

    #[test]
    fn bounds_rise() {
        for bounds in [MICROS, COUNTS] {
            assert!(bounds.is_sorted_by(|one, next| one < next));
        }
    }
}
