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
    /// the days were over stays early, and gate G3 holds every fee for it.
    fn stands(&self, seen: &ExposureSeen) -> bool {
        let served = !self.is_over();
        match seen.found.kind {
            ExposureKind::EarlyService | ExposureKind::NoAgreement => {
                served && self.is_early(seen.mark.on)
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
                seen.found.period.is_none_or(|period| {
                    self.earned_for(period).is_none() && self.given_up_for(period).is_none()
                })
            }
        }
    }
}
