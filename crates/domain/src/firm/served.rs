//! What is known of the law that a client is or was served under.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::{AdoptedPack, Backing, Firm, Known, Place, Unknown};
use crate::case::Case;
use crate::ids::StateCode;
use crate::rules::{Dimension, RulePack};

/// What a dimension of the packs that reach somebody says, as far as it is known.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reached<'f> {
    /// The packs, whoever stands for them.
    pub packs: Vec<&'f RulePack>,
    /// Why more may be asked than they say.
    pub unknown: BTreeSet<Unknown>,
}

impl Firm {
    /// Why the law that a client is served under is not known today, as far as it bears on an agreement or on a fee: of the
    /// agreement in force, or of one that a client who has signed none would sign where the client lives. Nothing for whom
    /// nothing is done any more.
    pub fn unknown_law(&self, case: &Case, today: CivilDate) -> BTreeSet<Unknown> {
        let lives = case.contact_on(today).map(|since| since.contact.address.state);
        let (place, signed_on) = match (case.agreement(), lives) {
            (Some(agreement), _) => {
                (Place::of(agreement.state, agreement.activity.as_ref()), agreement.signed.on())
            }
            (None, Some(state)) => (state.into(), today),
            (None, None) => return BTreeSet::new(),
        };
        let signing = self.law_of_signing(place, signed_on).map(|law| law.state);
        let asking = self.law_of_asking(place, signed_on, today).map(|law| law.state);
        let mut found = BTreeSet::new();
        for known in [signing, asking].into_iter().flatten() {
            match known {
                Known::Unknown(reasons) => found.extend(reasons),
                Known::Confirmed | Known::AtOwnRisk(_) => {}
            }
        }
        found
    }

    /// What the packs that reach somebody on a day say in a dimension, and why that may not be all.
    pub fn reached_in<'f>(
        &'f self,
        place: Place<'f>,
        on: CivilDate,
        dimension: Dimension,
    ) -> Reached<'f> {
        let mut reached = Reached::default();
        for (state, adopted) in self.reaching(place, on) {
            match adopted {
                Some(adopted) => {
                    reached.packs.push(&adopted.pack);
                    reached.unknown.extend(adopted.unknown_in(dimension));
                }
                None => {
                    reached.unknown.insert(self.without_pack(state, on));
                }
            }
        }
        reached
    }

    pub(super) fn without_pack(&self, state: StateCode, on: CivilDate) -> Unknown {
        let any = self.packs.iter().any(|adopted| adopted.pack.state == Some(state));
        if any { Unknown::NotInForce { state, on } } else { Unknown::NoPack(state) }
    }

    /// The days in a span on which other packs may begin to reach somebody: its first, and those on which a pack comes into
    /// force, a place of the firm begins, or what the firm shows to be outside of an act by ends.
    pub(crate) fn turns_of_law(&self, first: CivilDate, last: CivilDate) -> BTreeSet<CivilDate> {
        let days = self.law_changes().into_iter();
        days.filter(|day| first < *day && *day <= last).chain([first]).collect()
    }
}

impl AdoptedPack {
    /// Why its word in a dimension is not taken for all that the state asks: nobody says that the law was read in it, or
    /// nobody stands for the pack.
    fn unknown_in(&self, dimension: Dimension) -> Option<Unknown> {
        let pack = self.pack.reference();
        match self.backing() {
            Backing::Nobody => Some(Unknown::Unconfirmed(pack)),
            Backing::Statute | Backing::Counsel(_) | Backing::OwnRisk(_) => {
                let is_read = self.pack.is_read(dimension);
                (!is_read).then_some(Unknown::Unread { pack, dimension })
            }
        }
    }
}
