//! Exposures that still stand: facts on record that nothing after them has put right.

use calendar::CivilDate;

use super::{Case, CaseStatus, ExposureSeen, ListingStatus};
use crate::event::{ExposureKind, PaperKind};
use crate::ids::{BureauCode, ItemCode};

impl Case {
    /// What service on a day breaks.
    pub(super) fn broken_by_service(&self, on: CivilDate) -> Option<ExposureKind> {
        if self.agreement().is_none() {
            Some(ExposureKind::NoAgreement)
        } else {
            self.is_early(on).then_some(ExposureKind::EarlyService)
        }
    }

    /// What a round of a day breaks that disputes some listings.
    pub(super) fn broken_by_round<'a>(
        &self,
        on: CivilDate,
        mut disputed: impl Iterator<Item = (&'a ItemCode, &'a BureauCode)>,
    ) -> Vec<ExposureKind> {
        let mut kinds: Vec<ExposureKind> = self.broken_by_service(on).into_iter().collect();
        kinds.extend(self.broken_by_letter(on));
        if self.lacks_papers() {
            kinds.push(ExposureKind::PapersMissing);
        }
        if disputed.any(|(item, bureau)| self.lacks_basis(item, bureau)) {
            kinds.push(ExposureKind::DisputeWithoutBasis);
        }
        kinds
    }

    /// Whether an accepted paper of some kind is missing.
    pub(super) fn lacks_papers(&self) -> bool {
        !PaperKind::ALL.iter().all(|&kind| self.has_paper(kind))
    }

    /// Whether a listing is known of which nobody attested why it is wrong.
    pub(super) fn lacks_basis(&self, item: &ItemCode, bureau: &BureauCode) -> bool {
        let listing = self.listings.get(&(item.clone(), bureau.clone()));
        listing.is_some_and(|listing| listing.basis.is_none())
    }

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
            // What left without authority stays so, whatever the client says of later letters.
            ExposureKind::DisputeWithoutAuthority => served,
            ExposureKind::PapersMissing => served && self.lacks_papers(),
            ExposureKind::FeeAskedUnearned | ExposureKind::PaymentUnearned => {
                seen.found.period.is_none_or(|period| {
                    self.earned_for(period).is_none() && self.given_up_for(period).is_none()
                })
            }
        }
    }
}
