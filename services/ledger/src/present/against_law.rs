//! What was done against the law of a state, as it is judged by what is known now: signings, and work on days without what
//! has to be on file.

use std::collections::BTreeSet;

use calendar::CivilDate;
use domain::case::Case;
use domain::event::{EventRef, ExposureKind};
use domain::judge::Judge;
use domain::refusal::Violation;

use super::cited;

/// That of one case.
pub(crate) struct AgainstLaw {
    found: Vec<Broken>,
}

/// What stood against a signing or a piece of work.
pub(crate) struct Broken {
    pub(crate) details: Vec<String>,
    pub(crate) event: EventRef,
    pub(crate) kind: ExposureKind,
    pub(crate) on: CivilDate,
}

impl AgainstLaw {
    pub(crate) fn of(judge: &Judge<'_>) -> Self {
        let details = |violations: &[Violation]| -> Vec<String> {
            violations.iter().map(|of| cited(&of.detail, &of.cites)).collect()
        };
        let signed = judge.signed_against_law().into_iter().map(|against| Broken {
            details: details(&against.violations),
            event: against.signed.mark.at.clone(),
            kind: ExposureKind::SignedAgainstLaw,
            on: against.signed.on(),
        });
        let unsecured = judge.unsecured_work().into_iter().map(|unsecured| Broken {
            details: details(&unsecured.violations),
            event: unsecured.done.mark.at.clone(),
            kind: ExposureKind::WorkUnsecured,
            on: unsecured.done.on(),
        });
        Self { found: signed.chain(unsecured).collect() }
    }

    fn of_day(&self, kind: ExposureKind, on: CivilDate) -> impl Iterator<Item = &Broken> {
        self.found.iter().filter(move |broken| (broken.kind, broken.on) == (kind, on))
    }

    /// What stood against it, for an exposure of a kind and day, each once.
    pub(crate) fn details(&self, kind: ExposureKind, on: CivilDate) -> Vec<String> {
        each_once(self.of_day(kind, on))
    }

    /// The same of every day.
    pub(crate) fn details_of(&self, kind: ExposureKind) -> Vec<String> {
        each_once(self.found.iter().filter(|broken| broken.kind == kind))
    }

    /// Whether an exposure of that kind is none by what is known now.
    pub(crate) fn put_right(&self, kind: ExposureKind, on: CivilDate) -> bool {
        is_judged(kind) && self.of_day(kind, on).next().is_none()
    }

    /// What no event says yet: what the firm told since has to be carried to the cases by a review.
    pub(crate) fn untold<'s>(&'s self, case: &Case) -> impl Iterator<Item = &'s Broken> {
        let told = case.exposures.iter().map(|seen| (seen.found.kind, seen.mark.on));
        let told: BTreeSet<(ExposureKind, CivilDate)> = told.collect();
        self.found.iter().filter(move |broken| !told.contains(&(broken.kind, broken.on)))
    }
}

fn each_once<'b>(broken: impl Iterator<Item = &'b Broken>) -> Vec<String> {
    let mut details: Vec<String> = Vec::new();
    for detail in broken.flat_map(|broken| &broken.details) {
        if !details.contains(detail) {
            details.push(detail.clone());
        }
    }
    details
}

/// Whether packs and what is on file decide of an exposure, and not the events of its case alone.
pub(crate) const fn is_judged(kind: ExposureKind) -> bool {
    matches!(kind, ExposureKind::SignedAgainstLaw | ExposureKind::WorkUnsecured)
}
