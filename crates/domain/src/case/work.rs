//! Which event evidences which piece of promised work.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;

use super::{Case, WorkDone};
use crate::terms::Work;

/// A promised piece of work and what evidences it, if anything does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assigned<'a> {
    /// The promise.
    pub work: Work,
    /// The evidence.
    pub done: Option<&'a WorkDone>,
}

/// Assigns work done by `as_of` to the promises of a period.
///
/// A piece of work evidences one promise of one period only. Periods take in order, each the
/// earliest piece of the kind (by day, then by position) that was done on or after the period's
/// first day and that no period before it has: so work done late completes the oldest open period,
/// and two rounds in one month never pay for two. Earned periods keep what their fee names; a
/// period given up takes nothing.
pub fn assign(case: &Case, period: u32, as_of: CivilDate) -> Vec<Assigned<'_>> {
    let mut free = Free::of(case, as_of);
    let mut assigned = Vec::new();
    for number in 1..=period {
        let Some(start) = case.schedule.as_ref().and_then(|s| s.period(number)).map(|p| p.start)
        else {
            break;
        };
        if number < period && !case.is_period_open(number) {
            continue;
        }
        let promised = case.agreement_for(start).map_or(&[][..], |a| a.terms.work(number));
        assigned =
            promised.iter().map(|&work| Assigned { work, done: free.take(work, start) }).collect();
    }
    assigned
}

/// Work that no fee names and no period has taken, each kind with the latest first. Periods ask in order, so
/// what was done before the first day of one is too early for all that follow.
struct Free<'a>(BTreeMap<Work, Vec<&'a WorkDone>>);

impl<'a> Free<'a> {
    fn of(case: &'a Case, as_of: CivilDate) -> Self {
        let named = case.earned.values().flat_map(|fee| &fee.evidence);
        let used: BTreeSet<u64> = named.map(|evidence| evidence.event.position).collect();
        let mut free: BTreeMap<Work, Vec<&WorkDone>> = BTreeMap::new();
        let is_free = |w: &&WorkDone| w.mark.on <= as_of && !used.contains(&w.mark.at.position);
        for done in case.work.iter().filter(is_free) {
            free.entry(done.work).or_default().push(done);
        }
        for of_kind in free.values_mut() {
            of_kind.sort_by_key(|w| Reverse((w.mark.on, w.mark.at.position)));
        }
        Self(free)
    }

    fn take(&mut self, work: Work, start: CivilDate) -> Option<&'a WorkDone> {
        let of_kind = self.0.get_mut(&work)?;
        while let Some(done) = of_kind.pop() {
            if start <= done.mark.on {
                return Some(done);
            }
        }
        None
    }
}
