//! What the law asks of a firm on a day, as far as it is known: the packs it adopted, who stands for them,
//! and what it has on file with a state.

use std::fmt;

use calendar::CivilDate;

use super::Firm;
use crate::codec::record;
use crate::event::{
    EventRef, PackConfirmed, PackUsedAtOwnRisk, StandingEndReason, StandingEnded, StandingKind,
    StandingRecorded,
};
use crate::ids::StateCode;
use crate::money::Money;
use crate::rules::{
    Bond, Dimension, Duty, PackRef, PerformWithin, Performance, RulePack, Rules, StatementDuty,
    Telemarketing, fee,
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

    /// Whether a newer version has taken its place on a day on which both might be in force by their own
    /// days. It does so from its first day on, and for good: a law that has run out does not give way to
    /// what was read of it before, but to what begins later.
    fn gives_way_to(&self, newer: &Self, day: CivilDate) -> bool {
        let newer = &newer.pack;
        newer.code == self.pack.code
            && newer.version > self.pack.version
            && newer.in_force_from <= day
            && newer.in_force_through.is_none_or(|last| self.pack.in_force_from <= last)
    }
}

/// Why the law of a state is not known on a day.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unknown {
    /// The firm adopted no pack of the state.
    NoPack(StateCode),
    /// It adopted some, and none is in force.
    NotInForce {
        /// The state.
        state: StateCode,
        /// The day.
        on: CivilDate,
    },
    /// Nobody says that the law was read in a dimension.
    Unread {
        /// The pack.
        pack: PackRef,
        /// The dimension.
        dimension: Dimension,
    },
    /// The pack is neither confirmed nor used at the firm's own risk.
    Unconfirmed(PackRef),
}

impl fmt::Display for Unknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPack(state) => write!(f, "no rule pack of {state} was adopted"),
            Self::NotInForce { state, on } => {
                write!(f, "no adopted rule pack of {state} is in force on {on}")
            }
            Self::Unread { pack: PackRef { code, version }, dimension } => {
                write!(f, "pack {code} version {version} does not say that {dimension} was read")
            }
            Self::Unconfirmed(PackRef { code, version }) => write!(
                f,
                "pack {code} version {version} is neither confirmed by counsel nor used at own risk"
            ),
        }
    }
}

/// How well the law of a state is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Known {
    /// It was read, and counsel confirmed every pack.
    Confirmed,
    /// It was read, and these packs are used at the firm's own risk.
    AtOwnRisk(Vec<PackRef>),
    /// It is not, for each of these reasons.
    Unknown(Vec<Unknown>),
}

/// What the law of the day of signing asks of an agreement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SigningLaw {
    /// What the service goes by when it acts: the federal pack and the state's, whoever stands for it. A
    /// day waited too long harms nobody.
    pub rules: Rules,
    /// What an agreement is judged by: without a pack of the state that nobody stands for.
    pub certain: Rules,
    /// Whether that is all that the state asks on signing.
    pub state: Known,
}

/// What the law asks of a fee, on the day of signing or on the day it is asked for, the stricter winning in
/// each dimension (15 USC 1679j). Packs that nobody stands for are not in it: they make it unknown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeeLaw {
    /// The bonds, each of which must stand on its own days: one that must always stand, and a larger one
    /// that must stand if something is paid before all is done.
    pub bonds: Vec<Bond>,
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
    /// Registration or licence on file.
    pub registration: Option<Duty>,
    /// Whether that is all that the state asks of a fee.
    pub state: Known,
    /// The telemarketing rule.
    pub telemarketing: Telemarketing,
}

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

impl Firm {
    /// One adopted version of a pack.
    pub fn adopted(&self, pack: &PackRef) -> Option<&AdoptedPack> {
        self.packs.iter().find(|adopted| adopted.pack.reference() == *pack)
    }

    /// The version of a jurisdiction's pack that is in force on a day, the newest of several, whenever the
    /// firm adopted it. Of two packs of one jurisdiction the firm follows the one that it adopted last.
    pub fn pack_on(&self, state: Option<StateCode>, day: CivilDate) -> Option<&AdoptedPack> {
        let in_force = |adopted: &&AdoptedPack| {
            adopted.pack.state == state
                && adopted.pack.is_in_force(day)
                && !self.packs.iter().any(|newer| adopted.gives_way_to(newer, day))
        };
        let followed = &self.packs.iter().rev().find(in_force)?.pack.code;
        let versions = self.packs.iter().filter(|adopted| adopted.pack.code == *followed);
        versions.filter(in_force).max_by_key(|adopted| adopted.pack.version)
    }

    /// What the law of the day of signing asks of an agreement with a client of a state. Nothing without a
    /// federal pack in force: no agreement can be judged without one.
    pub fn law_of_signing(&self, state: StateCode, signed_on: CivilDate) -> Option<SigningLaw> {
        let federal = &self.pack_on(None, signed_on)?.pack;
        let of_state = self.pack_on(Some(state), signed_on);
        let backed = of_state.filter(|adopted| adopted.backing() != Backing::Nobody);
        let merge = |adopted: Option<&AdoptedPack>| {
            Rules::merge(federal, adopted.map(|adopted| &adopted.pack), signed_on)
        };
        Some(SigningLaw {
            rules: merge(of_state)?,
            certain: merge(backed)?,
            state: self.known(state, &[signed_on], Dimension::is_of_signing),
        })
    }

    /// What the law asks of a fee under an agreement signed on one day and asked for on another. Nothing
    /// without a federal pack in force on either.
    pub fn law_of_asking(
        &self,
        state: StateCode,
        signed_on: CivilDate,
        asked_on: CivilDate,
    ) -> Option<FeeLaw> {
        let days = [signed_on, asked_on];
        let mut packs: Vec<&RulePack> = Vec::new();
        for day in days {
            packs.push(&self.pack_on(None, day)?.pack);
        }
        let of_state = days.iter().filter_map(|day| self.pack_on(Some(state), *day));
        let backed = of_state.filter(|adopted| adopted.backing() != Backing::Nobody);
        packs.extend(backed.map(|adopted| &adopted.pack));
        packs.dedup_by(|one, other| (one.version, &one.code) == (other.version, &other.code));
        Some(FeeLaw {
            bonds: fee::bonds(&packs),
            monthly_statement: fee::sooner(&packs),
            packs: packs.iter().map(|pack| pack.reference()).collect(),
            perform_within: fee::shorter(&packs),
            performance: fee::stricter_performance(&packs)?,
            prohibited: fee::duty(&packs, |pack| pack.prohibited.as_ref()),
            registration: fee::duty(&packs, |pack| pack.registration.as_ref()),
            state: self.known(state, &days, |dimension| !dimension.is_of_signing()),
            telemarketing: fee::fewer_exempt(&packs)?,
        })
    }

    /// How well a state's law is known on some days, in the dimensions asked for.
    fn known(
        &self,
        state: StateCode,
        days: &[CivilDate],
        asked: impl Fn(Dimension) -> bool,
    ) -> Known {
        let mut unknown = Vec::new();
        let mut at_own_risk = Vec::new();
        for &on in days {
            let Some(adopted) = self.pack_on(Some(state), on) else {
                let any = self.packs.iter().any(|adopted| adopted.pack.state == Some(state));
                unknown.push(if any {
                    Unknown::NotInForce { state, on }
                } else {
                    Unknown::NoPack(state)
                });
                continue;
            };
            let pack = adopted.pack.reference();
            match adopted.backing() {
                Backing::Statute | Backing::Counsel(_) => {}
                Backing::OwnRisk(_) => at_own_risk.push(pack.clone()),
                Backing::Nobody => unknown.push(Unknown::Unconfirmed(pack.clone())),
            }
            let unread =
                |dimension: &Dimension| asked(*dimension) && !adopted.pack.is_read(*dimension);
            let unread = Dimension::ALL.iter().copied().filter(unread);
            unknown
                .extend(unread.map(|dimension| Unknown::Unread { pack: pack.clone(), dimension }));
        }
        unknown.sort();
        unknown.dedup();
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

    /// The same of a bond of at least an amount.
    pub fn bond_on(&self, state: StateCode, least: Money, day: CivilDate) -> StandingAnswer<'_> {
        let answer = self.standing_on(state, StandingKind::Bond, day);
        let StandingAnswer::Stands(bond) = answer else { return answer };
        let is_enough = |amount: Money| {
            amount.currency() == least.currency() && amount.minor() >= least.minor()
        };
        if bond.filed.amount.is_some_and(is_enough) {
            answer
        } else {
            StandingAnswer::TooSmall(bond)
        }
    }
}
