//! How old what clients owe is.
//!
//! Buckets by calendar days past the due date on the as-of date: current, 1–30, 31–60, 61–90, over 90;
//! day 30 belongs to 1–30 (common practice, from memory). A credit stays in the bucket of its invoice,
//! so that the buckets sum to the receivable account.

use std::collections::BTreeMap;

use calendar::CivilDate;
use domain::ids::AccountId;

/// How long past due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Bucket {
    /// Not yet due, or due today.
    Current,
    /// 1 to 30 days past due.
    Days1To30,
    /// 31 to 60.
    Days31To60,
    /// 61 to 90.
    Days61To90,
    /// More than 90.
    Over90,
}

impl Bucket {
    /// Every bucket, youngest first.
    pub const ALL: [Self; 5] =
        [Self::Current, Self::Days1To30, Self::Days31To60, Self::Days61To90, Self::Over90];

    /// Its place in [`Self::ALL`].
    const fn place(self) -> usize {
        match self {
            Self::Current => 0,
            Self::Days1To30 => 1,
            Self::Days31To60 => 2,
            Self::Days61To90 => 3,
            Self::Over90 => 4,
        }
    }

    /// The bucket of an invoice on a day.
    pub fn of(due_on: CivilDate, as_of: CivilDate) -> Self {
        match as_of.signed_duration_since(due_on).num_days() {
            ..=0 => Self::Current,
            1..=30 => Self::Days1To30,
            31..=60 => Self::Days31To60,
            61..=90 => Self::Days61To90,
            _ => Self::Over90,
        }
    }
}

/// What is open on one invoice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenItem {
    /// The account that owes it.
    pub account: AccountId,
    /// The invoice.
    pub invoice: u64,
    /// The day it was due.
    pub due_on: CivilDate,
    /// What is open, minor units; below zero the firm owes it back.
    pub open_minor: i64,
}

/// What clients owe on a day, by account and age.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Aging {
    /// The day.
    pub as_of: CivilDate,
    /// Minor units in each of [`Bucket::ALL`], by account.
    pub accounts: BTreeMap<AccountId, [i64; 5]>,
}

impl Aging {
    /// Of what is open on a day.
    pub fn of(as_of: CivilDate, items: impl IntoIterator<Item = OpenItem>) -> Self {
        let mut accounts: BTreeMap<AccountId, [i64; 5]> = BTreeMap::new();
        for item in items.into_iter().filter(|item| item.open_minor != 0) {
            let bucket = Bucket::of(item.due_on, as_of);
            accounts.entry(item.account).or_default()[bucket.place()] += item.open_minor;
        }
        Self { as_of, accounts }
    }

    /// The sum of each bucket.
    pub fn totals(&self) -> [i64; 5] {
        let mut totals = [0; 5];
        for buckets in self.accounts.values() {
            totals.iter_mut().zip(buckets).for_each(|(total, minor)| *total += minor);
        }
        totals
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> CivilDate {
        text.parse().unwrap()
    }

    /// Worked by hand from the rule in the module's head (common practice, from memory).
    #[test]
    fn the_last_day_of_a_bucket_belongs_to_it() {
        let due = day("2026-01-31");
        for (as_of, bucket) in [
            ("2026-01-30", Bucket::Current),
            ("2026-01-31", Bucket::Current),
            ("2026-02-01", Bucket::Days1To30),
            ("2026-03-02", Bucket::Days1To30), // day 30
            ("2026-03-03", Bucket::Days31To60),
            ("2026-04-01", Bucket::Days31To60), // day 60
            ("2026-04-02", Bucket::Days61To90),
            ("2026-05-01", Bucket::Days61To90), // day 90
            ("2026-05-02", Bucket::Over90),
        ] {
            assert_eq!(Bucket::of(due, day(as_of)), bucket, "{as_of}");
        }
    }

    #[test]
    fn a_credit_stays_in_the_bucket_of_its_invoice() {
        let account = AccountId(uuid::Uuid::from_u128(1));
        let item = |invoice, due: &str, open_minor| OpenItem {
            account,
            invoice,
            due_on: day(due),
            open_minor,
        };
        let items =
            [item(1, "2026-01-31", 5_000), item(2, "2026-01-15", -700), item(3, "2026-03-31", 99)];
        let aging = Aging::of(day("2026-02-20"), items);
        // 20 days past 31 January; 36 past 15 January.
        assert_eq!(aging.totals(), [99, 5_000, -700, 0, 0]);
    }
}
