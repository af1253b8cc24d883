//! Exposures that still stand: facts on record that nothing after them has put right.

use calendar::CivilDate;

use super::{Case, ExposureSeen, ListingStatus, Moment, Round, fact};
use crate::account::Charged;
use crate::event::{CaseEvent, ExposureKind, PaperKind};
use crate::ids::{BureauCode, ItemCode};
use crate::judge::Judge;
use crate::money::Money;
use crate::terms::Work;

impl Case {
    /// What a piece of service breaks. After an end no agreement is in force any more.
    pub(super) fn broken_by_service(&self, done: &Moment) -> Option<ExposureKind> {
        if self.agreement().is_none() {
            Some(ExposureKind::NoAgreement)
        } else if self.is_early(done.on()) {
            Some(ExposureKind::EarlyService)
        } else {
            (!self.is_served(done.on(), Some(done))).then_some(ExposureKind::NoAgreement)
        }
    }

    /// What a round breaks in its client's name: without an agreement in force, or without authority.
    fn broken_by_letters(&self, sent: &Moment) -> Vec<ExposureKind> {
        let mut kinds: Vec<ExposureKind> = self.broken_by_service(sent).into_iter().collect();
        if self.is_authorized(sent) == Some(false) {
            kinds.push(ExposureKind::DisputeWithoutAuthority);
        }
        kinds
    }

    /// What a round breaks that disputes some listings.
    pub(super) fn broken_by_round<'a>(
        &self,
        sent: &Moment,
        mut disputed: impl Iterator<Item = (&'a ItemCode, &'a BureauCode)>,
    ) -> Vec<ExposureKind> {
        let mut kinds = self.broken_by_letters(sent);
        if self.lacks_papers() {
            kinds.push(ExposureKind::PapersMissing);
        }
        if disputed.any(|(item, bureau)| self.lacks_basis(item, bureau)) {
            kinds.push(ExposureKind::DisputeWithoutBasis);
        }
        kinds
    }

    /// The moment of a round.
    fn sent_at(&self, round: &Round) -> Option<&Moment> {
        let mut rounds = self.work.iter().filter(|done| done.work == Work::DisputeRound);
        let is_it = |moment: &&Moment| moment.mark.at.position == round.mark.at.position;
        rounds.find_map(|done| Some(&done.moment).filter(is_it))
    }

    /// What letters and requests to bureaus broke as the facts stand now and nobody has been told, one for each, with
    /// its day. `told` is what is told of it beside.
    pub(super) fn untold(
        &self,
        told: impl Iterator<Item = (CivilDate, ExposureKind)>,
    ) -> Vec<(CivilDate, CaseEvent)> {
        let mut broken = self.broken_by_requests();
        broken.extend(self.broken_by_signings());
        for (round, sent) in self.rounds_sent() {
            let letters = round.letters.iter();
            let disputed = letters.flat_map(|l| l.items.iter().map(|item| (item, &l.bureau)));
            let kinds = self.broken_by_round(sent, disputed);
            broken.extend(kinds.into_iter().map(|kind| (sent.on(), kind)));
        }
        self.without_told(broken, told)
    }

    /// The same of what an end, a cancellation or a revocation makes of letters that left, and of agreements that were
    /// signed, before it was told.
    pub(crate) fn untold_by_story(&self) -> Vec<(CivilDate, CaseEvent)> {
        let mut broken = self.broken_by_requests();
        broken.extend(self.broken_by_signings());
        for (_, sent) in self.rounds_sent() {
            let kinds = self.broken_by_letters(sent);
            broken.extend(kinds.into_iter().map(|kind| (sent.on(), kind)));
        }
        self.without_told(broken, std::iter::empty())
    }

    /// What was against the law of a state as it is judged, and nobody has been told, one for each with its day: signings, and
    /// work on days without what has to be on file.
    pub fn untold_by_law(&self, judge: &Judge<'_>) -> Vec<(CivilDate, CaseEvent)> {
        self.untold_by_law_beside(judge, std::iter::empty())
    }

    /// The same; `told` is what is told of it beside.
    pub(super) fn untold_by_law_beside(
        &self,
        judge: &Judge<'_>,
        told: impl Iterator<Item = (CivilDate, ExposureKind)>,
    ) -> Vec<(CivilDate, CaseEvent)> {
        if self.erased.is_some() {
            return Vec::new();
        }
        let signed = judge.signed_against_law().into_iter();
        let signed = signed.map(|of| (of.signed.on(), ExposureKind::SignedAgainstLaw));
        let done = judge.unsecured_work().into_iter();
        let done = done.map(|of| (of.done.on(), ExposureKind::WorkUnsecured));
        self.without_told(signed.chain(done).collect(), told)
    }

    fn broken_by_requests(&self) -> Vec<(CivilDate, ExposureKind)> {
        let asked = self.asked.iter().map(|asked| &asked.moment);
        asked.filter_map(|asked| Some((asked.on(), self.broken_by_service(asked)?))).collect()
    }

    pub(super) fn is_signed_after_death(&self) -> bool {
        self.broken_by_signings().next().is_some()
    }

    fn broken_by_signings(&self) -> impl Iterator<Item = (CivilDate, ExposureKind)> {
        let signed = self.agreements.iter().map(|agreement| &agreement.signed);
        let behind = signed.filter(|signed| self.death_before(signed).is_some());
        behind.map(|signed| (signed.on(), ExposureKind::SignedAfterDeath))
    }

    /// What charges of the client's card broke as the facts stand now and nobody has been told, one for each, on its day.
    pub(crate) fn untold_by_charges(&self, charged: &[Charged]) -> Vec<(CivilDate, CaseEvent)> {
        let seen = self.exposures.iter();
        let mut known: Vec<(CivilDate, ExposureKind, Option<Money>)> =
            seen.map(|seen| (seen.mark.on, seen.found.kind, seen.found.amount)).collect();
        let mut events = Vec::new();
        for Charged { amount, on, .. } in charged {
            let Some(kind) = self.broken_by_charge(*amount, *on) else { continue };
            match known.iter().position(|told| *told == (*on, kind, Some(*amount))) {
                Some(at) => {
                    known.swap_remove(at);
                }
                None => events.push((*on, fact::exposure(kind, Some(*amount), None).into())),
            }
        }
        events
    }

    fn rounds_sent(&self) -> impl Iterator<Item = (&Round, &Moment)> {
        self.rounds.iter().filter_map(|round| Some((round, self.sent_at(round)?)))
    }

    fn without_told(
        &self,
        mut broken: Vec<(CivilDate, ExposureKind)>,
        told: impl Iterator<Item = (CivilDate, ExposureKind)>,
    ) -> Vec<(CivilDate, CaseEvent)> {
        let known = self.exposures.iter().map(|seen| (seen.mark.on, seen.found.kind));
        let mut known: Vec<(CivilDate, ExposureKind)> = known.chain(told).collect();
        broken.retain(|(on, kind)| {
            let is_it = |(day, of): &(CivilDate, ExposureKind)| {
                day == on && (of == kind || of.is_of_service() && kind.is_of_service())
            };
            let at = known.iter().position(is_it);
            at.map(|at| known.swap_remove(at)).is_none()
        });
        let event = |(on, kind)| (on, fact::exposure(kind, None, None).into());
        broken.into_iter().map(event).collect()
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
    pub fn standing_exposures(&self) -> impl Iterator<Item = &ExposureSeen> {
        self.exposures.iter().filter(|seen| self.stands(seen))
    }

    /// What puts an exposure right (common practice, no source): the basis attested, the papers
    /// accepted, the fee earned or given up after all. No end and no cancellation does: what was done
    /// stays done. Work without an agreement in force and letters without authority stay so, unless
    /// the facts of their day turn out to be others.
    fn stands(&self, seen: &ExposureSeen) -> bool {
        match seen.found.kind {
            ExposureKind::EarlyService | ExposureKind::NoAgreement => {
                let on = seen.mark.on;
                let asked = self.asked.iter().map(|asked| &asked.moment);
                let mut done = asked.chain(self.rounds_sent().map(|(_, sent)| sent));
                !self.is_served(on, None)
                    || done.any(|done| done.on() == on && self.broken_by_service(done).is_some())
            }
            ExposureKind::DisputeWithoutBasis => {
                let mut disputed =
                    self.listings.values().filter(|l| l.status == ListingStatus::InDispute);
                disputed.any(|listing| listing.basis.is_none())
            }
            ExposureKind::DisputeWithoutAuthority => self.is_without_authority(seen),
            ExposureKind::SignedAfterDeath => {
                let kind = (seen.mark.on, seen.found.kind);
                seen.cause.is_none() || self.broken_by_signings().any(|broken| broken == kind)
            }
            // What was asked of the card stays asked: the facts of its day alone say whether it might be.
            kind @ (ExposureKind::ChargeUnauthorized | ExposureKind::ChargeAfterDeath) => {
                let charged = seen.found.amount.filter(|_| seen.cause.is_some());
                charged
                    .is_none_or(|amount| self.broken_by_charge(amount, seen.mark.on) == Some(kind))
            }
            ExposureKind::PapersMissing => self.lacks_papers(),
            ExposureKind::SignedAgainstLaw => {
                self.agreements.iter().any(|agreement| agreement.signed.on() == seen.mark.on)
            }
            // Whether something stood that day is the firm's, and is judged where it is shown.
            ExposureKind::WorkUnsecured => {
                let asked = self.asked.iter().map(|asked| &asked.moment);
                let mut done = self.work.iter().map(|done| &done.moment).chain(asked);
                done.any(|done| done.on() == seen.mark.on)
            }
            ExposureKind::FeeAskedUnearned | ExposureKind::PaymentUnearned => {
                seen.found.period.is_none_or(|period| {
                    self.earned_for(period).is_none() && self.given_up_for(period).is_none()
                })
            }
        }
    }

    /// Of a day as many stand as rounds of it are without authority. What somebody noted follows from no fact, and stands.
    fn is_without_authority(&self, seen: &ExposureSeen) -> bool {
        if seen.cause.is_none() {
            return true;
        }
        let (kind, on) = (ExposureKind::DisputeWithoutAuthority, seen.mark.on);
        let alike = self.exposures.iter().filter(|other| {
            other.cause.is_some() && other.found.kind == kind && other.mark.on == on
        });
        let before = alike.take_while(|other| other.mark.at.position < seen.mark.at.position);
        let broken = self
            .rounds_sent()
            .filter(|(_, sent)| sent.on() == on && self.is_authorized(sent) == Some(false));
        before.count() < broken.count()
    }
}

impl ExposureKind {
    /// Whether it is of service on a day that no agreement allowed, whichever way that is said.
    const fn is_of_service(self) -> bool {
        matches!(self, Self::EarlyService | Self::NoAgreement)
    }
}
