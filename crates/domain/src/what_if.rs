//! What another rule pack would say of fees that were claimed: a firm finds its exposure before somebody
//! else does. Nothing is changed by asking, and no pack is legal advice.

use calendar::CivilDate;
use uuid::Uuid;

use crate::case::EarnedFee;
use crate::event::EventRef;
use crate::firm::{AdoptedPack, Firm};
use crate::gates::{FeeStanding, Finding, Gate};
use crate::ids::EventId;
use crate::judge::{Judge, Matter};
use crate::rules::RulePack;

/// A fee that was claimed and that a pack would not have allowed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Disallowed {
    /// The fee as it was claimed.
    pub fee: EarnedFee,
    /// The gates that would have been closed, each with its citation.
    pub closed: Vec<Finding>,
}

/// The firm as it would stand if a pack, confirmed, had always been in force in the place of those of its
/// jurisdiction.
pub fn under(firm: &Firm, pack: &RulePack) -> Firm {
    let mut firm = firm.clone();
    firm.packs.retain(|known| known.pack.state != pack.state);
    firm.packs.push(AdoptedPack {
        at: EventRef { id: EventId(Uuid::nil()), position: 0 },
        confirmations: Vec::new(),
        on: CivilDate::MIN,
        own_risk: None,
        pack: RulePack {
            confirmed_by_counsel: true,
            in_force_from: CivilDate::MIN,
            in_force_through: None,
            ..pack.clone()
        },
    });
    firm
}

/// The claimed fees of a case that a pack would not have allowed, judged on what is known today. `matter`
/// is the case as it stands, `firm` the firm [`under`] the pack.
pub fn disallowed(matter: Matter<'_>, firm: &Firm, pack: &RulePack) -> Vec<Disallowed> {
    let mut of_pack = matter.case.agreements.iter();
    if of_pack.all(|signed| pack.state.is_some_and(|state| state != signed.state)) {
        return Vec::new();
    }
    let judge = Judge::of(Matter { firm, ..matter });
    let exposed = judge.fees().filter(|judged| match judged.standing {
        FeeStanding::Exposed => true,
        FeeStanding::Allowed | FeeStanding::Unproved => false,
    });
    let disallowed = exposed.map(|judged| {
        let mut closed = judge.explain_claimed(&judged).findings;
        closed.retain(|finding| !finding.holds());
        for finding in closed.iter_mut().filter(|finding| finding.gate == Gate::WaitingDays) {
            // The days are the pack's own, longer than the statute's.
            if let Some(rules) = judge.rules(judged.fee.period) {
                finding.cites = rules.cancellation.cites.to_string();
            }
        }
        Disallowed { fee: judged.fee.clone(), closed }
    });
    disallowed.collect()
}
