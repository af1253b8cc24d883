//! Signings against the law of a state, as they are judged by what is known now.

use calendar::CivilDate;
use domain::event::{EventRef, ExposureKind};
use domain::judge::Judge;

use super::cited;

/// Those of one case.
pub(crate) struct Signings {
    pub(crate) of_days: Vec<OfDay>,
}

/// What stood against a signing.
pub(crate) struct OfDay {
    pub(crate) details: Vec<String>,
    pub(crate) event: EventRef,
    pub(crate) on: CivilDate,
}

impl Signings {
    pub(crate) fn of(judge: &Judge<'_>) -> Self {
        let against = judge.signed_against_law().into_iter().map(|against| OfDay {
            details: against.violations.iter().map(|of| cited(&of.detail, &of.cites)).collect(),
            event: against.signed.mark.at.clone(),
            on: against.signed.on(),
        });
        Self { of_days: against.collect() }
    }

    /// What stood against the signings of a day, for an exposure of that kind.
    pub(crate) fn details(&self, kind: ExposureKind, on: CivilDate) -> Vec<String> {
        let of_day = self.of_days.iter().filter(|of| of.on == on);
        let is_it = kind == ExposureKind::SignedAgainstLaw;
        of_day.filter(|_| is_it).flat_map(|of| of.details.iter().cloned()).collect()
    }

    /// Whether an exposure of that kind is none by what is known now.
    pub(crate) fn put_right(&self, kind: ExposureKind, on: CivilDate) -> bool {
        kind == ExposureKind::SignedAgainstLaw && self.of_days.iter().all(|of| of.on != on)
    }
}
