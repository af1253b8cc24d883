//! Work on days on which what has to be on file with a state did not stand.

use super::Judge;
use crate::case::Moment;
use crate::refusal::Violation;

/// A piece of work on a day on which what the law of a state asks to be on file on every day of the business is known not
/// to have stood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unsecured<'a> {
    /// The work.
    pub done: &'a Moment,
    /// What did not stand, each with its statute.
    pub violations: Vec<Violation>,
}

impl<'a> Judge<'a> {
    /// Every piece of work, and what was asked of bureaus, of running service and its pauses, by the law of the signing and of its
    /// own day. A fee may be earned by other work: it is a breach beside that (15 USC 1679j).
    pub fn unsecured_work(&self) -> Vec<Unsecured<'a>> {
        let firm = self.matter.firm;
        if !firm.keeps_on_file() {
            return Vec::new();
        }
        let case = self.matter.case;
        let done = case.work.iter().map(|done| &done.moment);
        let served = done.chain(case.asked.iter().map(|asked| &asked.moment));
        let found = served.map(|done| {
            let on = done.on();
            let mut violations = Vec::new();
            for (at, standing) in self.story.standing.iter().enumerate() {
                if !standing.serves(done) {
                    continue;
                }
                let law = self.laws.of_asking(firm, &self.story, at, on);
                for pack in law.iter().flat_map(|law| &law.states) {
                    let state = pack.state.unwrap_or(standing.state);
                    for lapsed in firm.lapsed(pack, state, &standing.terms, on) {
                        if !violations.contains(&lapsed) {
                            violations.push(lapsed);
                        }
                    }
                }
            }
            Unsecured { done, violations }
        });
        found.filter(|found| !found.violations.is_empty()).collect()
    }
}
