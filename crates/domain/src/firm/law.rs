//! What the law asks of a firm on a day, as far as it is known: the packs it adopted, who stands for them,
//! and what it has on file with a state.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::{Firm, Known, Place, Unknown};
use crate::codec::record;
use crate::event::{
    EventRef, PackConfirmed, PackUsedAtOwnRisk, StandingEndReason, StandingEnded, StandingKind,
    StandingRecorded,
};
use crate::ids::StateCode;
use crate::money::Money;
use crate::rules::{
    Bears, Bond, Dimension, Duty, Limb, PackRef, PerformWithin, Performance, Registration,
    RulePack, Rules, Security, StatementDuty, Telemarketing, fee, followed,
};

record! {
    /// A confirmation by the firm's counsel.
    pub struct Confirmation {
        /// The event.
        at: EventRef,
        /// The day counsel confirmed.
        on: CivilDate,
        /// Who confirmed what.
        said: PackConfirmed,
    }
}

record! {
    /// An administrator's word that a pack is used at the firm's own risk.
    pub struct OwnRisk {
        /// The event.
        at: EventRef,
        /// The day it was said.
        on: CivilDate,
        /// Of what, and why.
        said: PackUsedAtOwnRisk,
    }
}

record! {
    /// A version of a pack that the firm adopted.
    pub struct AdoptedPack {
        /// The adoption.
        at: EventRef,
        /// Who confirmed it, in the order told.
        confirmations: Vec<Confirmation>,
        /// The day it was adopted.
        on: CivilDate,
        /// Since when it is used at the firm's own risk, if it is.
        own_risk: Option<OwnRisk>,
        /// The pack.
        pack: RulePack,
    }
}

record! {
    /// The end of a standing before its last day.
    pub struct StandingEnd {
        /// The event.
        at: EventRef,
        /// The day it was told of.
        on: CivilDate,
        /// What ended when.
        said: StandingEnded,
    }
}

record! {
    /// A registration or bond that was recorded, and its end where it ended early.
    pub struct FiledStanding {
        /// The event.
        at: EventRef,
        /// Ends that were told before the one in force.
        earlier: Vec<StandingEnd>,
        /// Its early end; the latest told, which is the earliest day.
        end: Option<StandingEnd>,
        /// What was recorded.
        filed: StandingRecorded,
    }
}

/// Who stands for a pack.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Backing<'a> {
    /// It is the federal pack. The statute itself asks for what it says, and nobody has to confirm that a
    /// statute is in force; a reading of it that counsel rejects is changed by a new version.
    Statute,
    /// Counsel confirmed it: by these events, or as an older adoption said.
    Counsel(&'a [Confirmation]),
    /// The firm uses it at its own risk.
    OwnRisk(&'a OwnRisk),
    /// Nobody: it opens nothing, and nothing fails by it.
    Nobody,
}

impl AdoptedPack {
    /// Who stands for it.
    pub fn backing(&self) -> Backing<'_> {
        if self.pack.state.is_none() {
            Backing::Statute
        } else if self.pack.confirmed_by_counsel || !self.confirmations.is_empty() {
            Backing::Counsel(&self.confirmations)
        } else {
            self.own_risk.as_ref().map_or(Backing::Nobody, Backing::OwnRisk)
        }
    }
}

/// What the law of the day of signing asks of an agreement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SigningLaw<'f> {
    /// What the service goes by when it acts: the federal pack and the states', whoever stands for it. A
    /// day waited too long harms nobody.
    pub rules: Rules,
    /// What an agreement is judged by: without a pack of a state that nobody stands for.
    pub certain: Rules,
    /// The packs of states in that, each of which asks for itself.
    pub states: Vec<&'f RulePack>,
    /// Whether that is all that the states ask on signing.
    pub state: Known,
}

/// What the law asks of a fee, on the day of signing or on the day it is asked for, the stricter winning in
/// each dimension (15 USC 1679j). Packs that nobody stands for are not in it: they make it unknown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeeLaw<'f> {
    /// The bonds with the client's state, each of which must stand on its own days: one that must always stand, and
    /// a larger one that must stand if something is paid before all is done.
    pub bonds: Vec<Bond>,
    /// States of whose act the firm has shown to be outside, with the events that say so.
    pub exempt: Vec<(StateCode, EventRef)>,
    /// A statement every period.
    pub monthly_statement: Option<StatementDuty>,
    /// The packs merged, the federal ones first.
    pub packs: Vec<PackRef>,
    /// All services within so many days of signing.
    pub perform_within: Option<PerformWithin>,
    /// How "fully performed" is read.
    pub performance: Performance,
    /// The trade is not allowed.
    pub prohibited: Option<Duty>,
    /// Registration or licence on file with the client's state.
    pub registration: Option<Registration>,
    /// Whether that is all that the states ask of a fee.
    pub state: Known,
    /// The packs of states, each of which asks for itself.
    pub states: Vec<&'f RulePack>,
    /// The telemarketing rule.
    pub telemarketing: Telemarketing,
}

/// Days before its end in which the end of what is on file is told.
const STANDING_TOLD_DAYS: i64 = 45;

/// What is on file with a state on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StandingAnswer<'a> {
    /// It stands; the largest bond, if several do.
    Stands(&'a FiledStanding),
    /// A bond stands, and it is smaller than asked or of another currency.
    TooSmall(&'a FiledStanding),
    /// It stood before and does not any more. This one ended last.
    Lapsed(&'a FiledStanding),
    /// The day is before the first that was recorded, or none was: nobody knows.
    NeverRecorded,
}

impl FiledStanding {
    /// Its last day.
    pub fn last_day(&self) -> CivilDate {
        let end = self.end.as_ref().map(|end| end.said.last_day);
        end.map_or(self.filed.valid_through, |day| day.min(self.filed.valid_through))
    }

    /// Whether an end is about this one and comes before its last day so far.
    pub(super) fn is_ended_by(&self, end: &StandingEnded) -> bool {
        self.is_named_by(end) && end.last_day < self.last_day()
    }

    /// Whether an end is about this one.
    pub(super) fn is_named_by(&self, end: &StandingEnded) -> bool {
        let filed = &self.filed;
        (filed.kind, filed.state, filed.valid_from) == (end.kind, end.state, end.valid_from)
    }

    fn stands_on(&self, day: CivilDate) -> bool {
        self.filed.valid_from <= day && day <= self.last_day()
    }

    /// Whether it was a mistake altogether, so that nothing is known by it.
    fn was_never(&self) -> bool {
        let mistaken = |end: &StandingEnd| end.said.reason == StandingEndReason::RecordedWrongly;
        self.last_day() < self.filed.valid_from && self.end.as_ref().is_some_and(mistaken)
    }

    fn minor(&self) -> i64 {
        self.filed.amount.map_or(0, Money::minor)
    }
}

/// A state whose law reaches an agreement on a day, unless the firm has shown to be outside of it.
struct Reached<'f> {
    on: CivilDate,
    state: StateCode,
    /// Its pack in force.
    adopted: Option<&'f AdoptedPack>,
    /// What shows the firm to be outside.
    exemption: Option<&'f FiledStanding>,
}

impl Firm {
    /// One adopted version of a pack.
    pub fn adopted(&self, pack: &PackRef) -> Option<&AdoptedPack> {
        self.packs.iter().find(|adopted| adopted.pack.reference() == *pack)
    }

    /// The state whose law is not known for a reason.
    pub fn state_of(&self, unknown: &Unknown) -> Option<StateCode> {
        match unknown {
            Unknown::NoPack(state) | Unknown::NotInForce { state, .. } => Some(*state),
            Unknown::Unread { pack, .. } | Unknown::Unconfirmed(pack) => {
                self.adopted(pack)?.pack.state
            }
        }
    }

    /// The version of a jurisdiction's pack that is in force on a day, the newest of several, whenever the
    /// firm adopted it. Of two packs of one jurisdiction the firm follows the one that it adopted last.
    pub fn pack_on(&self, state: Option<StateCode>, day: CivilDate) -> Option<&AdoptedPack> {
        followed(&self.packs, |adopted| &adopted.pack, state, day)
    }

    /// What the law of the day of signing asks of an agreement. Nothing without a federal pack in force: no
    /// agreement can be judged without one.
    pub fn law_of_signing<'f>(
        &'f self,
        place: impl Into<Place<'f>>,
        signed_on: CivilDate,
    ) -> Option<SigningLaw<'f>> {
        let place = place.into();
        let federal = &self.pack_on(None, signed_on)?.pack;
        let mut reaching = self.reached(place, signed_on);
        reaching.retain(|reached| reached.exemption.is_none());
        let packs = || reaching.iter().filter_map(|reached| reached.adopted);
        let backed = || packs().filter(|adopted| adopted.backing() != Backing::Nobody);
        Some(SigningLaw {
            rules: Rules::merge(federal, packs().map(|adopted| &adopted.pack), signed_on)?,
            certain: Rules::merge(federal, backed().map(|adopted| &adopted.pack), signed_on)?,
            states: backed().map(|adopted| &adopted.pack).collect(),
            state: self.known(place, &reaching, Bears::Signing),
        })
    }

    /// What the law asks of a fee under an agreement signed on one day and asked for on another. Nothing
    /// without a federal pack in force on either.
    pub fn law_of_asking<'f>(
        &'f self,
        place: impl Into<Place<'f>>,
        signed_on: CivilDate,
        asked_on: CivilDate,
    ) -> Option<FeeLaw<'f>> {
        let place = place.into();
        let days = [signed_on, asked_on];
        let mut packs: Vec<&RulePack> = Vec::new();
        for day in days {
            packs.push(&self.pack_on(None, day)?.pack);
        }
        let reached: Vec<_> = days.iter().flat_map(|day| self.reached(place, *day)).collect();
        let reaching = || reached.iter().filter(|reached| reached.exemption.is_none());
        let backed = reaching().filter_map(|reached| reached.adopted);
        let backed = backed.filter(|adopted| adopted.backing() != Backing::Nobody);
        packs.extend(backed.map(|adopted| &adopted.pack));
        let is_same = |one: &RulePack, other: &RulePack| {
            (one.version, &one.code) == (other.version, &other.code)
        };
        let mut merged: Vec<&RulePack> = Vec::new();
        for pack in packs {
            if !merged.iter().any(|known| is_same(known, pack)) {
                merged.push(pack);
            }
        }
        let packs = merged;
        let elsewhere = |pack: &&RulePack| pack.state.is_some_and(|state| state != place.state);
        let own: Vec<&RulePack> = packs.iter().copied().filter(|pack| !elsewhere(pack)).collect();
        Some(FeeLaw {
            bonds: fee::bonds(&own),
            exempt: exemptions(&reached),
            monthly_statement: fee::sooner(&packs),
            packs: packs.iter().map(|pack| pack.reference()).collect(),
            perform_within: fee::shorter(&packs),
            performance: fee::stricter_performance(&packs)?,
            prohibited: fee::duty(&own, |pack| pack.prohibited.as_ref()),
            registration: fee::registration(&own),
            state: self.known(place, reaching(), Bears::Fee),
            telemarketing: fee::fewer_exempt(&packs)?,
            states: packs.into_iter().filter(|pack| pack.state.is_some()).collect(),
        })
    }

    /// The days from which other law may reach somebody than on the day before, in order: where a pack's force, a place of
    /// the firm, or what shows it to be outside of an act begins, and the day after its last.
    pub(crate) fn law_changes(&self) -> Vec<CivilDate> {
        let packs = self.packs.iter().map(|adopted| &adopted.pack);
        let packs = packs.map(|pack| (pack.in_force_from, pack.in_force_through));
        let filed = self.standings.iter().filter(|standing| match standing.filed.kind {
            StandingKind::Office | StandingKind::Exemption => true,
            StandingKind::Registration
            | StandingKind::Bond
            | StandingKind::LetterOfCredit
            | StandingKind::Deposit
            | StandingKind::TrustAccount => false,
        });
        let filed = filed.map(|filed| (filed.filed.valid_from, Some(filed.last_day())));
        let changes = packs.chain(filed).flat_map(|(first, last)| {
            std::iter::once(first).chain(last.and_then(|last| last.succ_opt()))
        });
        let mut changes: Vec<CivilDate> = changes.collect();
        changes.sort_unstable();
        changes.dedup();
        changes
    }

    /// The states whose law reaches an agreement on a day, the client's own first, each with its pack in force. A
    /// state in which something of the contract was done or in which the firm has a place is one of them, unless
    /// its pack says that the act does not reach so far. Where nobody read how far it reaches, it reaches, and that is
    /// unknown. A state that the firm has shown to be outside of is none.
    pub fn reaching(
        &self,
        place: Place<'_>,
        on: CivilDate,
    ) -> Vec<(StateCode, Option<&AdoptedPack>)> {
        let reached = self.reached(place, on).into_iter();
        let reached = reached.filter(|reached| reached.exemption.is_none());
        reached.map(|reached| (reached.state, reached.adopted)).collect()
    }

    fn reached(&self, place: Place<'_>, on: CivilDate) -> Vec<Reached<'_>> {
        let offices: BTreeSet<StateCode> = self
            .standings
            .iter()
            .filter(|s| s.filed.kind == StandingKind::Office && s.stands_on(on))
            .map(|standing| standing.filed.state)
            .collect();
        let of_contract = |state: &StateCode| {
            offices.contains(state) || place.activity.is_some_and(|states| states.contains(state))
        };
        let others = place.activity.into_iter().flatten().chain(&offices);
        let others: BTreeSet<StateCode> =
            others.copied().filter(|state| *state != place.state).collect();
        let of_state = |state| (state, self.pack_on(Some(state), on));
        let reaches = |(state, adopted): &(StateCode, Option<&AdoptedPack>)| {
            adopted.is_none_or(|adopted| match &adopted.pack.reach {
                Some(reach) => reach.limbs.iter().any(|limb| match limb {
                    Limb::ClientResides => false,
                    Limb::ContractActivity => of_contract(state),
                    Limb::FirmLocated => offices.contains(state),
                }),
                None => place.is_reached_by_the_unread() && !adopted.pack.is_read(Dimension::Reach),
            })
        };
        let others = others.into_iter().map(of_state).filter(reaches);
        let reached = std::iter::once(of_state(place.state)).chain(others);
        let reached = reached.map(|(state, adopted)| {
            let exemption = adopted.and_then(|of| self.exemption(state, &of.pack, on));
            Reached { on, state, adopted, exemption }
        });
        reached.collect()
    }

    /// What the firm has on file to show that it is outside of the act of a state on a day, where its pack names who is.
    fn exemption(
        &self,
        state: StateCode,
        pack: &RulePack,
        on: CivilDate,
    ) -> Option<&FiledStanding> {
        match self.standing_on(state, StandingKind::Exemption, on) {
            StandingAnswer::Stands(filed) => Some(filed).filter(|_| pack.exempt.is_some()),
            StandingAnswer::TooSmall(_)
            | StandingAnswer::Lapsed(_)
            | StandingAnswer::NeverRecorded => None,
        }
    }

    /// How well the law of the states that reach an agreement is known, in what it bears on.
    fn known<'r, 'f: 'r>(
        &self,
        place: Place<'_>,
        reaching: impl IntoIterator<Item = &'r Reached<'f>>,
        bears: Bears,
    ) -> Known {
        let mut unknown = Vec::new();
        let mut at_own_risk = Vec::new();
        for &Reached { on, state, adopted, .. } in reaching {
            let Some(adopted) = adopted else {
                unknown.push(self.without_pack(state, on));
                continue;
            };
            match adopted.backing() {
                Backing::Statute | Backing::Counsel(_) => {}
                Backing::OwnRisk(_) => at_own_risk.push(adopted.pack.reference()),
                Backing::Nobody => unknown.push(Unknown::Unconfirmed(adopted.pack.reference())),
            }
            let is_elsewhere = state != place.state;
            let unread = |dimension: &Dimension| {
                let is_asked =
                    dimension.bears() == bears || is_elsewhere && *dimension == Dimension::Reach;
                is_asked && !adopted.pack.is_read(*dimension)
            };
            let unread = Dimension::ALL.iter().copied().filter(unread);
            let pack = || adopted.pack.reference();
            unknown.extend(unread.map(|dimension| Unknown::Unread { pack: pack(), dimension }));
        }
        unknown.sort();
        unknown.dedup();
        at_own_risk.sort();
        at_own_risk.dedup();
        if !unknown.is_empty() {
            Known::Unknown(unknown)
        } else if at_own_risk.is_empty() {
            Known::Confirmed
        } else {
            Known::AtOwnRisk(at_own_risk)
        }
    }

    /// What is on file with a state on a day.
    pub fn standing_on(
        &self,
        state: StateCode,
        kind: StandingKind,
        day: CivilDate,
    ) -> StandingAnswer<'_> {
        let begun = self.standings.iter().filter(|standing| {
            standing.filed.state == state
                && standing.filed.kind == kind
                && standing.filed.valid_from <= day
                && !standing.was_never()
        });
        if let Some(largest) =
            begun.clone().filter(|s| s.stands_on(day)).max_by_key(|standing| standing.minor())
        {
            return StandingAnswer::Stands(largest);
        }
        let last = begun.max_by_key(|standing| standing.last_day());
        last.map_or(StandingAnswer::NeverRecorded, StandingAnswer::Lapsed)
    }

    /// What is on file with a state and ends within [`STANDING_TOLD_DAYS`] days, where nothing of its kind follows.
    pub fn standings_ending(&self, today: CivilDate) -> impl Iterator<Item = &FiledStanding> {
        let ends = move |standing: &&FiledStanding| {
            let last = standing.last_day();
            let left = last.signed_duration_since(today).num_days();
            (0..=STANDING_TOLD_DAYS).contains(&left)
                && !standing.was_never()
                && standing.filed.kind != StandingKind::Office
                && !self.standings.iter().any(|other| {
                    let next = last.succ_opt().unwrap_or(last);
                    (other.filed.kind, other.filed.state)
                        == (standing.filed.kind, standing.filed.state)
                        && other.stands_on(next)
                })
        };
        self.standings.iter().filter(ends)
    }

    /// The same of a bond of at least an amount.
    pub fn bond_on(&self, state: StateCode, least: Money, day: CivilDate) -> StandingAnswer<'_> {
        self.security_on(state, StandingKind::Bond, least, day)
    }

    /// The same of all kinds of a security. Any will do, unless all are asked for. Where none stands, one that stood before
    /// says more than one that was never told of.
    pub fn any_security_on(
        &self,
        state: StateCode,
        rule: &Security,
        least: Money,
        day: CivilDate,
    ) -> StandingAnswer<'_> {
        let is_all = rule.all_of == Some(true);
        let rank = |answer: &StandingAnswer<'_>| match answer {
            StandingAnswer::Stands(_) => 0,
            StandingAnswer::TooSmall(_) | StandingAnswer::Lapsed(_) if is_all => 2,
            StandingAnswer::TooSmall(_) | StandingAnswer::Lapsed(_) => 1,
            StandingAnswer::NeverRecorded if is_all => 1,
            StandingAnswer::NeverRecorded => 2,
        };
        let of_kind = |&kind| self.security_on(state, kind, least, day);
        let answers = rule.kinds.iter().map(of_kind);
        let found = if is_all { answers.max_by_key(rank) } else { answers.min_by_key(rank) };
        found.unwrap_or(StandingAnswer::NeverRecorded)
    }

    /// The same of a security of a kind.
    pub fn security_on(
        &self,
        state: StateCode,
        kind: StandingKind,
        least: Money,
        day: CivilDate,
    ) -> StandingAnswer<'_> {
        let answer = self.standing_on(state, kind, day);
        let StandingAnswer::Stands(filed) = answer else { return answer };
        let is_enough = |amount: Money| {
            amount.currency() == least.currency() && amount.minor() >= least.minor()
        };
        // A trust account holds what clients pay, and has no amount of its own.
        if kind == StandingKind::TrustAccount || filed.filed.amount.is_some_and(is_enough) {
            answer
        } else {
            StandingAnswer::TooSmall(filed)
        }
    }
}

/// The exemptions by which the law of a state does not reach an agreement.
fn exemptions(reached: &[Reached<'_>]) -> Vec<(StateCode, EventRef)> {
    let exempt = reached.iter().filter_map(|of| Some((of.state, of.exemption?.at.clone())));
    let mut exempt: Vec<_> = exempt.collect();
    exempt.sort_by_key(|(state, at)| (*state, at.position));
    exempt.dedup();
    exempt
}
