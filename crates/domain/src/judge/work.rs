//! Which work counts, for which period, and what was done that no agreement allowed.

use calendar::{BusinessCalendar, CivilDate};

use super::grid::{Slot, slot_for, slot_of};
use super::story::Story;
use crate::case::{Case, EarnedFee, Mark, OfListing, Round, WorkDone};
use crate::terms::{GRACE_DAYS, Work};

/// What became of a piece of work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    /// It counts for a period.
    Counts(usize),
    /// It was done in a pause and earns nothing.
    InPause,
    /// No agreement allowed it: a breach.
    Breach,
    /// A report was imported outside running service: preparation, neither work that counts nor service.
    Preparation,
    /// A round of which nothing was disputed on a basis that the client attested: a breach.
    WithoutBasis,
    /// A round after the client had taken back the authority to write: a breach.
    WithoutAuthority,
    /// A round on the day on which that was taken back or given again, and nobody has said which came first: it counts for
    /// a period, or is a breach.
    InDoubt(usize),
    /// It was done in running service on a day of no period.
    Nowhere,
}

/// A piece of work and what became of it.
#[derive(Clone, Copy)]
pub(crate) struct Placed<'a> {
    pub(crate) done: &'a WorkDone,
    pub(crate) standing: Standing,
}

impl Placed<'_> {
    pub(crate) fn on(&self) -> CivilDate {
        self.done.moment.on()
    }
}

/// Every piece of work, by its day.
pub(crate) fn place<'a>(case: &'a Case, story: &Story<'_>, slots: &[Slot]) -> Vec<Placed<'a>> {
    let placing = Placing { case, story, slots, old: case.fees_of_old().collect() };
    case.work.iter().map(|done| Placed { done, standing: placing.standing(done) }).collect()
}

/// What was done on days that no agreement allowed, and what was asked of bureaus then: service, though no promised
/// work.
pub(crate) fn early<'a>(case: &'a Case, story: &Story<'_>, placed: &[Placed<'a>]) -> Vec<&'a Mark> {
    let done = placed.iter().filter(|placed| placed.standing == Standing::Breach);
    let asked = case.asked.iter().filter(|asked| !story.serves_on(asked.moment.on()));
    let done = done.map(|placed| &placed.done.moment.mark);
    done.chain(asked.map(|asked| &asked.moment.mark)).collect()
}

/// Whether service that no agreement allowed closes the gate of the waiting days of one: it was done in them, or
/// before the first agreement was signed, and this is the first. After an end it is a breach alone.
pub(crate) fn taints(story: &Story<'_>, agreement: usize, on: CivilDate) -> bool {
    let standing = &story.standing[agreement];
    let in_waiting_days = standing.signed_on() <= on && on < standing.service_from;
    in_waiting_days || agreement == 0 && on < standing.signed_on()
}

struct Placing<'a> {
    case: &'a Case,
    story: &'a Story<'a>,
    slots: &'a [Slot],
    old: Vec<&'a EarnedFee>,
}

impl Placing<'_> {
    fn standing(&self, done: &WorkDone) -> Standing {
        if !self.story.serves(&done.moment) {
            return match done.work {
                Work::ReportImport => Standing::Preparation,
                Work::DisputeRound | Work::ProgressReport => Standing::Breach,
            };
        }
        if self.story.pause_of(&done.moment).is_some() {
            return Standing::InPause;
        }
        let is_round = done.work == Work::DisputeRound;
        let is_authorized =
            if is_round { self.case.is_authorized(&done.moment) } else { Some(true) };
        if is_authorized == Some(false) {
            return Standing::WithoutAuthority;
        }
        if is_round && !self.has_basis(done) {
            return Standing::WithoutBasis;
        }
        let counts = if is_authorized.is_some() { Standing::Counts } else { Standing::InDoubt };
        self.slot(done).map_or(Standing::Nowhere, counts)
    }

    /// The period of its day; or the one before, if its record or a fee from before records said so says that
    /// it completes it, in the days of grace of that period's agreement.
    fn slot(&self, done: &WorkDone) -> Option<usize> {
        let own = slot_of(self.slots, done.moment.on())?;
        let before = own
            .checked_sub(1)
            .filter(|&before| self.slots[before].period.end == self.slots[own].period.start);
        let Some(before) = before else { return Some(own) };
        let agreement = self.slots[before].agreement.map(|at| &self.story.standing[at]);
        let grace = if done.completes_before {
            agreement.map_or(GRACE_DAYS, |agreement| agreement.terms.grace())
        } else if self.is_named_for(done, before) {
            GRACE_DAYS
        } else {
            return Some(own);
        };
        let last =
            BusinessCalendar::EveryDay.add_business_days(self.slots[before].period.end, grace);
        Some(if done.moment.on() < last { before } else { own })
    }

    /// Whether a fee from before records said what they complete names the work for a period.
    fn is_named_for(&self, done: &WorkDone, slot: usize) -> bool {
        let mut naming = self.old.iter().filter(|fee| {
            fee.evidence.iter().any(|e| e.event.position == done.moment.mark.at.position)
        });
        naming.any(|fee| slot_for(self.slots, fee.start, fee.end) == Some(slot))
    }

    /// Whether a round disputes something that its client said is wrong, or that is obsolete.
    fn has_basis(&self, done: &WorkDone) -> bool {
        // Where the day of the work is in doubt, that of its letters is the day before or after.
        let from = done.moment.on().pred_opt().unwrap_or(CivilDate::MIN);
        let near = self.case.rounds.partition_point(|round| round.mark.on < from);
        let sent = |round: &&Round| round.mark.at.position == done.moment.mark.at.position;
        let Some(round) = self.case.rounds[near..].iter().find(sent) else { return true };
        let mut disputed = round.letters.iter().flat_map(|letter| {
            letter.items.iter().map(|item| (item.clone(), letter.bureau.clone()))
        });
        let by = |day: Option<CivilDate>| day.is_some_and(|day| day <= done.moment.on());
        disputed.any(|key| match self.case.listings.get(&key) {
            Some(listing) => by(listing.basis_on) || by(listing.obsolete_from()),
            // What the client attested stands where the report that showed the listing was taken back.
            None => by(self.case.unlisted.get(&key).and_then(OfListing::basis_on)),
        })
    }
}
