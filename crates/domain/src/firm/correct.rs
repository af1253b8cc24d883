//! What the firm told wrongly of itself: registrations and bonds, their ends, packs, and who stands for those.

use calendar::CivilDate;

use super::{AdoptedPack, Firm, decide};
use crate::codec::record;
use crate::command::{FirmAction, FirmBecomes, FirmCorrection};
use crate::event::{Event, EventRef, FirmCorrected, FirmEvent, FirmFact, Recorded};
use crate::refusal::{Reason, Refusal};

record! {
    /// A correction of what the firm told of itself.
    pub struct FirmTakenBack {
        /// Whether the event behind the correction tells it anew.
        again: bool,
        /// The correction.
        by: EventRef,
        /// Where among the packs an adoption stood.
        place: Option<u64>,
    }
}

/// A correction, and what is told anew behind it.
pub(crate) struct Corrected {
    pub(crate) event: FirmCorrected,
    pub(crate) again: Option<FirmEvent>,
}

/// Decides a correction. A new reading is decided as it would be now, on the firm without the old one; what it changes
/// of claimed fees is carried to them by a review, as for anything that a firm tells of itself.
pub(crate) fn correct(
    firm: &Firm,
    on: CivilDate,
    correction: &FirmCorrection,
) -> Result<Corrected, Refusal> {
    let told = &correction.told;
    let kind = fact_of(firm, told)?;
    if let Some(detail) = firm.resting_on(told.position) {
        let detail = format!("{detail}: correct that first");
        return Err(Refusal::new(Reason::StateRefuses, "firm", detail));
    }
    let action = match &correction.becomes {
        FirmBecomes::Nothing => None,
        FirmBecomes::OnDay(_) => action_of(&told.event),
        FirmBecomes::Told(dated) => Some(dated.action.clone()),
    };
    let mut without = firm.clone();
    without.take_out(told.position);
    let again = action.map(|action| decide(&without, on, 0, &action)).transpose()?;
    if let Some(again) = &again {
        if again.fact() != Some(kind) {
            let kind = words(kind);
            let detail = format!("a {kind} stays one: take it back, and record what is true");
            return Err(Refusal::new(Reason::StateRefuses, "firm", detail));
        }
        if told.occurred_on == on && told.event == Event::Firm(again.clone()) {
            let detail = "that is what the reading in force tells: nothing would change";
            return Err(Refusal::new(Reason::AlreadyRecorded, "firm", detail));
        }
    }
    let event = FirmCorrected {
        again: again.is_some().then_some(true),
        fact: told.reference(),
        kind,
        reason: correction.reason.clone(),
        said_by: correction.said_by.clone(),
    };
    Ok(Corrected { event, again })
}

fn words(kind: FirmFact) -> String {
    kind.code().replace('_', " ")
}

/// What kind of fact it is, if it is one of the firm's and in force.
fn fact_of(firm: &Firm, told: &Recorded) -> Result<FirmFact, Refusal> {
    let position = told.position;
    if let Some(known) = firm.corrected.get(&position) {
        let by = known.by.position;
        let detail = if known.again {
            format!("it was replaced; the reading in force is at position {}", by + 1)
        } else {
            format!("position {by} took it back: record what is true as a fact of its own")
        };
        return Err(Refusal::new(Reason::StateRefuses, "firm", detail));
    }
    let kind = if let Event::Firm(event) = &told.event { event.fact() } else { None };
    kind.ok_or_else(|| {
        let name = told.event.type_name().replace('_', " ");
        let detail = format!(
            "the event at position {position} is {name}: of what a firm tells of itself, standings, their ends, packs \
             and who stands for them are corrected"
        );
        Refusal::new(Reason::StateRefuses, "firm", detail)
    })
}

/// The action that tells what an event tells.
fn action_of(event: &Event) -> Option<FirmAction> {
    let Event::Firm(event) = event else { return None };
    Some(match event.clone() {
        FirmEvent::PackAdopted(e) => FirmAction::AdoptPack(Box::new(e.pack)),
        FirmEvent::PackConfirmed(e) => FirmAction::ConfirmPack(e),
        FirmEvent::PackUsedAtOwnRisk(e) => FirmAction::UsePackAtOwnRisk(e),
        FirmEvent::StandingRecorded(e) => FirmAction::RecordStanding(e),
        FirmEvent::StandingEnded(e) => FirmAction::EndStanding(e),
        FirmEvent::FirmRegistered(_)
        | FirmEvent::PlanPublished(_)
        | FirmEvent::BureauRegistered(_)
        | FirmEvent::FeesReviewed(_)
        | FirmEvent::AccessGranted(_)
        | FirmEvent::AccessRevoked(_)
        | FirmEvent::AccessUsed(_)
        | FirmEvent::ChartRevised(_)
        | FirmEvent::PeriodLocked(_)
        | FirmEvent::MatchPolicySet(_)
        | FirmEvent::FirmCorrected(_) => return None,
    })
}

impl Firm {
    /// What was told of a standing or a pack since: it is undone first.
    pub fn resting_on(&self, position: u64) -> Option<String> {
        let pack = self.packs.iter().find(|known| known.at.position == position);
        let of_pack = pack.and_then(|known| {
            let confirmed = known.confirmations.iter().map(|said| &said.at);
            let at = confirmed.chain(known.own_risk.iter().map(|risk| &risk.at)).next()?;
            Some(format!("position {} says who stands for it", at.position))
        });
        let standing = self.standings.iter().find(|known| known.at.position == position);
        let end = standing.and_then(|known| known.end.as_ref());
        of_pack.or_else(|| end.map(|end| format!("position {} tells of its end", end.at.position)))
    }

    /// Folds a correction.
    pub(super) fn take_back_fact(&mut self, e: &FirmCorrected, by: EventRef) {
        let place = self.take_out(e.fact.position);
        let again = e.again == Some(true);
        self.corrected.insert(e.fact.position, FirmTakenBack { again, by, place });
    }

    /// Puts an adoption into its place: the last, or that of the one it is told in the stead of.
    pub(super) fn adopt(&mut self, adopted: AdoptedPack) {
        let stead = self
            .corrected
            .values()
            .find(|known| known.again && known.by.position + 1 == adopted.at.position);
        let place = stead.and_then(|known| usize::try_from(known.place?).ok());
        let place = place.map_or(self.packs.len(), |place| place.min(self.packs.len()));
        self.packs.insert(place, adopted);
    }

    /// Takes out what the event at a position told. Gives the place of an adoption among the packs.
    fn take_out(&mut self, position: u64) -> Option<u64> {
        self.standings.retain(|known| known.at.position != position);
        for standing in &mut self.standings {
            standing.earlier.retain(|end| end.at.position != position);
            if standing.end.as_ref().is_some_and(|end| end.at.position == position) {
                standing.end = standing.earlier.pop();
            }
        }
        for pack in &mut self.packs {
            pack.confirmations.retain(|said| said.at.position != position);
            pack.own_risk = pack.own_risk.take().filter(|risk| risk.at.position != position);
        }
        let place = self.packs.iter().position(|known| known.at.position == position)?;
        self.packs.remove(place);
        u64::try_from(place).ok()
    }
}
