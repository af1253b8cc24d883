//! What the states that reach a client ask before a letter leaves, and of the letter itself.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::Case;
use crate::firm::{Firm, Place, Reached};
use crate::refusal::Violation;
use crate::rules::{ConsentRule, Dimension, DisputeConsent};

/// What the rule of a letter is called in a refusal.
const RULE: &str = "dispute_consent";

/// Something that a clerk sees to before a letter leaves, because the program does not see the letter.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct LetterDuty {
    /// The statute.
    pub cites: String,
    /// What it asks.
    pub says: String,
}

impl Case {
    /// What stands against letters of a day: the client has not said what a state asks to be said before anything is disputed,
    /// nobody has said whether the client has, or nobody has read whether the state asks. A basis for each listing is
    /// asked for in any case.
    pub fn against_letters(&self, firm: &Firm, on: CivilDate) -> Vec<Violation> {
        let reached = self.reached_by_letters(firm, on);
        let rules = reached.iter().flat_map(|reached| &reached.packs);
        let mut found: Vec<Violation> = Vec::new();
        for rule in rules.filter_map(|pack| pack.dispute_consent.as_ref()) {
            found.extend(self.lacks_consent(rule));
        }
        let unknown = reached.iter().flat_map(|reached| &reached.unknown).collect::<BTreeSet<_>>();
        found.extend(unknown.into_iter().map(|reason| Violation {
            cites: String::new(),
            detail: format!(
                "whether a state asks for more before anything is disputed is not known: {reason}; {}",
                reason.way_out()
            ),
            rule: RULE.into(),
            subject: "occurred_on".into(),
        }));
        found.dedup();
        found
    }

    /// What a clerk sees to before letters of a day leave.
    pub fn before_letters(&self, firm: &Firm, on: CivilDate) -> BTreeSet<LetterDuty> {
        let reached = self.reached_by_letters(firm, on);
        let packs = reached.iter().flat_map(|reached| &reached.packs);
        let rules = packs.filter_map(|pack| pack.dispute_consent.as_ref());
        rules.flat_map(DisputeConsent::duties).collect()
    }

    /// The states whose law reaches letters of a day: those of the signing, and where the client lives on the day.
    fn reached_by_letters<'f>(&'f self, firm: &'f Firm, on: CivilDate) -> Vec<Reached<'f>> {
        let Some(agreement) = self.agreement() else { return Vec::new() };
        let (signed, activity) = (agreement.signed.on(), agreement.activity.as_ref());
        let signing = Place::of(agreement.state, activity);
        let lived = self.contact_on(on).map(|since| since.contact.address.state);
        let now = lived.map(|state| (Place::of(state, activity), on));
        let places = [(signing, signed)].into_iter().chain(now);
        places.map(|(place, day)| firm.reached_in(place, day, Dimension::DisputeConsent)).collect()
    }

    fn lacks_consent(&self, rule: &DisputeConsent) -> Option<Violation> {
        let agreement = self.agreement()?;
        let detail = if agreement.items.is_some() {
            "the agreement does not hold the client's written authorization"
        } else {
            "nobody has said whether the agreement holds the client's written authorization: correct what was told of the \
             signing, or have the client sign anew"
        };
        (!rule.is_met_by_papers(|item| agreement.holds(item))).then(|| Violation {
            cites: rule.cites.to_string(),
            detail: detail.into(),
            rule: RULE.into(),
            subject: "occurred_on".into(),
        })
    }
}

impl DisputeConsent {
    /// What it asks of letters that the program cannot see: it writes none. What is deleted at a bureau is disputed there by no
    /// letter in any case; what left another's report, and when, is for a clerk to know.
    fn duties(&self) -> Vec<LetterDuty> {
        let cites = self.cites.to_string();
        let duty = |says: String| LetterDuty { cites: cites.clone(), says };
        let removed = self.after_removal_days.map(|days| {
            duty(format!("dispute no account more than {days} days after it left the report"))
        });
        let cut = self.identifiers_cut == Some(true);
        let cut = cut.then(|| {
            duty(
                "cut identifiers to their last four digits, and the birth date to month and year, unless the whole is \
                 required"
                    .to_owned(),
            )
        });
        let statement = self.rule == ConsentRule::ItemBasisAndStatement;
        let statement = statement.then(|| {
            duty(
                "have the client's own written statement of what is wrong with each entry"
                    .to_owned(),
            )
        });
        removed.into_iter().chain(cut).chain(statement).collect()
    }
}
