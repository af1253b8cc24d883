//! What the firm told wrongly of itself: registrations and bonds, their ends, packs, and who stands for those.

use calendar::CivilDate;

use super::{AdoptedPack, Confirmation, FiledStanding, Firm, OwnRisk, StandingEnd, decide};
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
        /// What kind of fact it is.
        kind: FirmFact,
        /// What was taken out.
        taken: TakenOut,
    }
}

record! {
    /// What a correction took out: one of these.
    #[derive(Default)]
    pub struct TakenOut {
        /// Who confirmed a pack.
        confirmation: Option<Confirmation>,
        /// An early end of a standing.
        end: Option<StandingEnd>,
        /// Who uses a pack at the firm's own risk.
        own_risk: Option<OwnRisk>,
        /// An adoption.
        pack: Option<AdoptedPack>,
        /// Where among the packs it stood.
        place: Option<u64>,
        /// A registration or bond.
        standing: Option<FiledStanding>,
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
        let detail = format!("{detail}: correct what stands there first");
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
        | FirmEvent::SecurityEventRecorded(_)
        | FirmEvent::FeesReviewed(_)
        | FirmEvent::AccessGranted(_)
        | FirmEvent::AccessRevoked(_)
        | FirmEvent::AccessUsed(_)
        | FirmEvent::ChartRevised(_)
        | FirmEvent::BankAccountDeclared(_)
        | FirmEvent::BankAccountTakenBack(_)
        | FirmEvent::CloseAccepted(_)
        | FirmEvent::CloseAcceptanceWithdrawn(_)
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
        let taken = self.take_out(e.fact.position);
        let (again, kind) = (e.again == Some(true), e.kind);
        self.corrected.insert(e.fact.position, FirmTakenBack { again, by, kind, taken });
    }

    /// Puts an adoption into its place: the last, or that of the one it is told in the stead of.
    pub(super) fn adopt(&mut self, adopted: AdoptedPack) {
        let stead = self
            .corrected
            .values()
            .find(|known| known.again && known.by.position + 1 == adopted.at.position);
        self.place_pack(adopted, stead.and_then(|known| known.taken.place));
    }

    fn place_pack(&mut self, adopted: AdoptedPack, place: Option<u64>) {
        let place = place.and_then(|place| usize::try_from(place).ok());
        let place = place.map_or(self.packs.len(), |place| place.min(self.packs.len()));
        self.packs.insert(place, adopted);
    }

    /// Ends the standings that an end is of.
    pub(super) fn end_standings(&mut self, end: &StandingEnd) {
        for standing in self.standings.iter_mut().filter(|known| known.is_ended_by(&end.said)) {
            standing.earlier.extend(standing.end.replace(end.clone()));
        }
    }

    /// Takes out what the event at a position told.
    fn take_out(&mut self, position: u64) -> TakenOut {
        let is_it = |at: &EventRef| at.position == position;
        let mut taken = TakenOut::default();
        if let Some(place) = self.standings.iter().position(|known| is_it(&known.at)) {
            taken.standing = Some(self.standings.remove(place));
        }
        for standing in &mut self.standings {
            if let Some(place) = standing.earlier.iter().position(|end| is_it(&end.at)) {
                taken.end = Some(standing.earlier.remove(place));
            }
            if let Some(end) = standing.end.take_if(|end| is_it(&end.at)) {
                standing.end = standing.earlier.pop();
                taken.end = Some(end);
            }
        }
        for pack in &mut self.packs {
            if let Some(place) = pack.confirmations.iter().position(|said| is_it(&said.at)) {
                taken.confirmation = Some(pack.confirmations.remove(place));
            }
            taken.own_risk = pack.own_risk.take_if(|risk| is_it(&risk.at)).or(taken.own_risk);
        }
        if let Some(place) = self.packs.iter().position(|known| is_it(&known.at)) {
            taken.pack = Some(self.packs.remove(place));
            taken.place = u64::try_from(place).ok();
        }
        taken
    }

    /// The positions of what was told first of each fact that was corrected since, corrected last first.
    pub(crate) fn corrected_facts(&self) -> Vec<u64> {
        let is_first = |fact: u64| {
            !self.corrected.values().any(|known| known.again && known.by.position + 1 == fact)
        };
        let first = self.corrected.keys().copied().filter(|&fact| is_first(fact));
        let mut facts: Vec<(u64, u64)> =
            first.map(|fact| (self.last_of(fact).by.position, fact)).collect();
        facts.sort_unstable_by(|one, other| other.cmp(one));
        facts.into_iter().map(|(_, fact)| fact).collect()
    }

    /// The correction in force of a corrected fact: the first is corrected as its newest reading was.
    pub(crate) fn last_of(&self, fact: u64) -> &FirmTakenBack {
        let mut last = &self.corrected[&fact];
        while let Some(next) = self.corrected.get(&(last.by.position + 1)).filter(|_| last.again) {
            last = next;
        }
        last
    }

    /// Puts a fact back as it was told first, whatever it was corrected to.
    pub(crate) fn tell_first(&mut self, fact: u64) {
        let last = self.last_of(fact);
        if last.again {
            self.take_out(last.by.position + 1);
        }
        let TakenOut { confirmation, end, own_risk, pack, place, standing } =
            self.corrected[&fact].taken.clone();
        if let Some(said) = confirmation
            && let Some(adopted) = self.adopted_mut(&said.said.code, said.said.version)
        {
            adopted.confirmations.push(said);
        }
        if let Some(risk) = own_risk
            && let Some(adopted) = self.adopted_mut(&risk.said.code, risk.said.version)
        {
            adopted.own_risk = Some(risk);
        }
        if let Some(end) = end {
            self.end_standings(&end);
        }
        if let Some(pack) = pack {
            self.place_pack(pack, place);
        }
        self.standings.extend(standing);
    }
}
