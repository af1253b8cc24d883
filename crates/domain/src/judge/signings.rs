//! Signings against the law of a state, and what a client is to get back by it after a cancellation.

use calendar::CivilDate;

use super::Judge;
use super::story::{Standing, Undone, UndoneBy};
use crate::case::{Agreement, Case, Moment};
use crate::firm::{Firm, Papers, Place};
use crate::refusal::Violation;
use crate::value::Text;

/// A signing that the law of a state barred, or of papers that lack what it asks of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AgainstLaw<'a> {
    /// The signing.
    pub signed: &'a Moment,
    /// What stood against it, each with its statute.
    pub violations: Vec<Violation>,
}

/// By when money is given back after a cancellation, where the law of a state says so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MoneyBack {
    /// The last day.
    pub by: CivilDate,
    /// The statute.
    pub cites: Text,
}

impl Firm {
    /// What stood against an agreement on the day of its signing, by what is known now.
    pub fn against_agreement(&self, case: &Case, agreement: &Agreement) -> Vec<Violation> {
        let on = agreement.signed.on();
        // Where the client lived that day, whenever it was told; an erased client's address is gone.
        let lived = case.contact_on(on).map(|since| since.contact.address.state);
        let state = lived.unwrap_or(agreement.state);
        let place = Place::of(state, agreement.activity.as_ref());
        let law = self.law_of_signing(place, on);
        law.map_or_else(Vec::new, |law| {
            let papers =
                Papers { items: agreement.items.as_ref(), languages: agreement.languages.as_ref() };
            self.against_signing(&law, &agreement.terms, papers, on)
        })
    }
}

impl<'a> Judge<'a> {
    /// Every signing that was against the law of a state, those that were cancelled in their days too: what was done stays
    /// done.
    pub fn signed_against_law(&self) -> Vec<AgainstLaw<'a>> {
        let agreements = self.matter.case.agreements.iter();
        let against = agreements.map(|agreement| AgainstLaw {
            signed: &agreement.signed,
            violations: self.matter.firm.against_agreement(self.matter.case, agreement),
        });
        against.filter(|against| !against.violations.is_empty()).collect()
    }

    /// By when money that came in on a day is given back, if the agreement that it was taken under was cancelled in its days:
    /// the soonest of what the states ask that reached it.
    pub fn money_back(&self, came_on: CivilDate) -> Option<MoneyBack> {
        let signed = |undone: &&Undone<'a>| undone.agreement.signed.on();
        let before = |on: CivilDate| on <= came_on;
        let standing = self.story.standing.iter().map(Standing::signed_on);
        let standing = standing.filter(|on| before(*on)).max();
        let mut undone = self.story.undone.iter().filter(|undone| before(signed(undone)));
        // Money that came before anything was signed was taken for what was signed first.
        let undone = match undone.next_back() {
            Some(last) => Some(last).filter(|last| standing.is_none_or(|on| on < signed(last))),
            None if standing.is_none() => self.story.undone.first(),
            None => None,
        }?;
        let UndoneBy::Cancellation(cancellation) = undone.by else { return None };
        let received = cancellation.moment.on();
        let rules = undone.states.iter().filter_map(|pack| pack.refund_within.as_ref());
        let backs =
            rules.map(|rule| MoneyBack { by: rule.last_day(received), cites: rule.cites.clone() });
        backs.min_by_key(|back| back.by)
    }
}
