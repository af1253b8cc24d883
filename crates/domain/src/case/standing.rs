//! Exposures that still stand: facts on record that nothing after them has put right.

use super::{Case, CaseStatus, ExposureSeen, ListingStatus};
use crate::event::{ExposureKind, PaperKind};

impl Case {
    /// The exposures that still stand. All of them stay on record; this is what still needs a person.
    /// None stands once the agreement was cancelled in its days: nothing can be asked for any more.
    pub fn standing_exposures(&self) -> impl Iterator<Item = &ExposureSeen> {
        let undone = self.status() == CaseStatus::Cancelled;
        self.exposures.iter().filter(move |seen| !undone && self.stands(seen))
    }

    /// What puts an exposure right (common practice, no source): the basis attested, the papers
    /// accepted, the fee earned or given up after all, the end of the service. Work that came before
    /// the days were over stays early, and gate G3 holds every fee for it: after the end, that needs
    /// a person until each of them is given up.
    fn stands(&self, seen: &ExposureSeen) -> bool {
        let served = self.ended.is_none();
        match seen.found.kind {
            ExposureKind::EarlyService | ExposureKind::NoAgreement => {
                self.is_early(seen.mark.on) && (served || self.has_unsettled_period())
            }
            ExposureKind::DisputeWithoutBasis => {
                let mut disputed =
                    self.listings.values().filter(|l| l.status == ListingStatus::InDispute);
                served && disputed.any(|listing| listing.basis.is_none())
            }
            ExposureKind::PapersMissing => {
                served && !PaperKind::ALL.iter().all(|&kind| self.has_paper(kind))
            }
            ExposureKind::FeeAskedUnearned | ExposureKind::PaymentUnearned => {
                seen.found.period.is_none_or(|period| self.is_period_open(period))
            }
        }
    }

    /// Whether a period that began before the end of the service is neither earned nor given up.
    fn has_unsettled_period(&self) -> bool {
        let (Some(schedule), Some(ended)) = (&self.schedule, &self.ended) else { return false };
        (1..)
            .map_while(|number| schedule.period(number))
            .take_while(|period| period.start <= ended.mark.on)
            .any(|period| self.is_period_open(period.number))
    }
}
