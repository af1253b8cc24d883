//! Subsets that sum to an amount.

/// How many subsets sum to something, and one of them as bits.
pub(super) struct Combinations {
    pub(super) count: u64,
    pub(super) first: Option<u32>,
}

/// The bits of places in a list of places; nothing if one is not in it.
pub(super) fn bits_of(places: &[usize], among: &[usize]) -> Option<u32> {
    let bit = |place: &usize| among.iter().position(|at| at == place).map(|bit| 1 << bit);
    places.iter().map(bit).sum()
}

/// Every subset but the refused ones, found by the sums of two halves. At most
/// [`COMBINED_MAX`](super::COMBINED_MAX) amounts; of nothing there is no answer, so the empty subset
/// is none.
pub(super) fn combinations(amounts: &[i64], wanted: i64, refused: &[u32]) -> Combinations {
    let mut found = Combinations { count: 0, first: None };
    if wanted == 0 {
        return found;
    }
    let half = amounts.len() / 2;
    let (low, high) = amounts.split_at(half);
    let mut sums: Vec<(i64, u32)> = subset_sums(low).collect();
    sums.sort_unstable();
    for (sum, mask) in subset_sums(high) {
        let rest = wanted - sum;
        let from = sums.partition_point(|(low, _)| *low < rest);
        let to = sums.partition_point(|(low, _)| *low <= rest);
        let fits = sums[from..to].iter().map(|(_, low)| low | mask << half);
        let no = refused.iter().filter(|no| *no >> half == mask && fits.clone().any(|s| s == **no));
        found.count += u64::try_from(fits.len() - no.count()).unwrap_or(u64::MAX);
        if found.first.is_none() {
            found.first = fits.clone().find(|subset| !refused.contains(subset));
        }
    }
    found
}

/// The sum of every subset, with its bits.
fn subset_sums(amounts: &[i64]) -> impl Iterator<Item = (i64, u32)> {
    (0..1_u32 << amounts.len()).map(|mask| {
        let chosen = amounts.iter().enumerate().filter(|(bit, _)| mask >> bit & 1 == 1);
        (chosen.map(|(_, amount)| amount).sum(), mask)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Held against every subset, one by one.
    #[test]
    fn every_subset_is_counted_once_and_refused_ones_are_not() {
        let amounts = [5, -3, 8, 5, 2, 2, -7, 11, 5];
        for wanted in -12..40_i64 {
            let all: Vec<u32> = subset_sums(&amounts)
                .filter(|(sum, _)| *sum == wanted && wanted != 0)
                .map(|(_, mask)| mask)
                .collect();
            let count = |found: &Combinations| usize::try_from(found.count).expect("small");
            let found = combinations(&amounts, wanted, &[]);
            assert_eq!(count(&found), all.len(), "{wanted}");
            assert_eq!(found.first.is_some_and(|mask| all.contains(&mask)), !all.is_empty());
            let refused: Vec<u32> = all.iter().copied().take(3).collect();
            let fewer = combinations(&amounts, wanted, &refused);
            assert_eq!(count(&fewer), all.len() - refused.len(), "{wanted}");
            assert!(fewer.first.is_none_or(|mask| !refused.contains(&mask)));
        }
        assert_eq!(bits_of(&[7, 9], &[3, 7, 9]), Some(0b110));
        assert_eq!(bits_of(&[7, 4], &[3, 7, 9]), None);
    }
}
