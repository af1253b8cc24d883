//! Which event evidences which piece of promised work.

use std::collections::BTreeSet;

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
    let mut used: BTreeSet<u64> = case
        .earned
        .values()
        .flat_map(|fee| fee.evidence.iter().map(|e| e.event.position))
        .collect();
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
        assigned = promised
            .iter()
            .map(|&work| Assigned { work, done: take(case, work, start, as_of, &mut used) })
            .collect();
    }
    assigned
}

fn take<'a>(
    case: &'a Case,
    work: Work,
    start: CivilDate,
    as_of: CivilDate,
    used: &mut BTreeSet<u64>,
) -> Option<&'a WorkDone> {
    let done = case
        .work
        .iter()
        .filter(|w| w.work == work && start <= w.mark.on && w.mark.on <= as_of)
        .filter(|w| !used.contains(&w.mark.at.position))
        .min_by_key(|w| (w.mark.on, w.mark.at.position))?;
    used.insert(done.mark.at.position);
    Some(done)
}
