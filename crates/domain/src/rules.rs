//! Rule packs: the law's numbers as dated, cited data, and how a state's and the federal rules meet.
//!
//! A pack is engineering input, never legal advice: state law differs and licensed counsel decides.
//! Every rule carries its citation and stays marked for confirmation until the firm's counsel has
//! confirmed it.

use std::collections::BTreeSet;

use calendar::{BusinessCalendar, CivilDate};

use crate::codec::{self, DecodeError, record};
use crate::ids::{PackCode, StateCode};
use crate::money::Money;
use crate::terms::{Channel, FullyPerformed, Sale};
use crate::value::Text;

record! {
    /// Which pack, in which version.
    pub struct PackRef {
        /// The pack.
        code: PackCode,
        /// Counted from 1.
        version: u32,
    }
}

record! {
    /// The days in which a client may cancel without penalty, and before whose end no service runs.
    pub struct Cancellation {
        /// Which days count.
        calendar: BusinessCalendar,
        /// The statute.
        cites: Text,
        /// How many of them.
        days: u16,
    }
}

record! {
    /// All services must be performed within so many days of signing.
    pub struct PerformWithin {
        /// The statute.
        cites: Text,
        /// Calendar days after the day of signing.
        days: u16,
    }
}

record! {
    /// A rule that holds or does not.
    pub struct Duty {
        /// The statute.
        cites: Text,
    }
}

record! {
    /// A surety bond that must be on file and unexpired.
    pub struct Bond {
        /// The least amount.
        amount: Money,
        /// The statute.
        cites: Text,
    }
}

record! {
    /// How "fully performed" is read.
    pub struct Performance {
        /// The statute.
        cites: Text,
        /// The reading.
        reading: FullyPerformed,
    }
}

record! {
    /// The telemarketing rule.
    pub struct Telemarketing {
        /// The rule.
        cites: Text,
        /// Channels that leave it, given evidence.
        exempt: BTreeSet<Channel>,
    }
}

impl Telemarketing {
    /// Whether a sale leaves the rule: by its channel, and with evidence of it.
    pub fn exempts(&self, sale: &Sale) -> bool {
        self.exempt.contains(&sale.channel) && sale.evidence.is_some()
    }
}

record! {
    /// A pack as adopted: what one jurisdiction asks.
    pub struct RulePack {
        /// A surety bond.
        bond: Option<Bond>,
        /// Cancellation days.
        cancellation: Option<Cancellation>,
        /// The pack's code.
        code: PackCode,
        /// Whether the firm's counsel has confirmed this version.
        confirmed_by_counsel: bool,
        /// First day on which an agreement may be signed under this version.
        in_force_from: CivilDate,
        /// A statement of the services performed, every period.
        monthly_statement: Option<Duty>,
        /// What the pack is, and what counsel has to look at.
        note: Text,
        /// All services within so many days.
        perform_within: Option<PerformWithin>,
        /// How "fully performed" is read.
        performance: Option<Performance>,
        /// The trade is not allowed here.
        prohibited: Option<Duty>,
        /// Registration or licence on file.
        registration: Option<Duty>,
        /// The state, or nothing for the federal pack.
        state: Option<StateCode>,
        /// The telemarketing rule.
        telemarketing: Option<Telemarketing>,
        /// Counted from 1.
        version: u32,
    }
}

record! {
    /// The rules of one agreement: federal and state merged on the day of signing, for each
    /// dimension the most protective (15 USC 1679j). They stay with the agreement for good.
    pub struct Rules {
        /// A surety bond.
        bond: Option<Bond>,
        /// Cancellation days: the later of the two ends wins.
        cancellation: Cancellation,
        /// A statement every period.
        monthly_statement: Option<Duty>,
        /// The packs merged.
        packs: Vec<PackRef>,
        /// All services within so many days.
        perform_within: Option<PerformWithin>,
        /// How "fully performed" is read.
        performance: Performance,
        /// The trade is not allowed here.
        prohibited: Option<Duty>,
        /// Registration or licence on file.
        registration: Option<Duty>,
        /// The telemarketing rule.
        telemarketing: Telemarketing,
    }
}

impl RulePack {
    /// Reads a pack as a person writes it. The error says where and what.
    pub fn from_json(json: &str) -> Result<Self, DecodeError> {
        codec::from_json(json)
    }

    /// Which pack this is.
    pub fn reference(&self) -> PackRef {
        PackRef { code: self.code.clone(), version: self.version }
    }
}

/// Dimensions that only the federal pack must set, and their names.
fn missing(pack: &RulePack) -> Option<&'static str> {
    if pack.cancellation.is_none() {
        Some("cancellation")
    } else if pack.performance.is_none() {
        Some("performance")
    } else if pack.telemarketing.is_none() {
        Some("telemarketing")
    } else {
        None
    }
}

/// Why a pack cannot be adopted, if it cannot.
pub fn check_pack(pack: &RulePack) -> Option<String> {
    if pack.version == 0 {
        return Some("version must be at least 1".into());
    }
    match (&pack.state, missing(pack)) {
        (None, Some(dimension)) => Some(format!("the federal pack must state {dimension}")),
        _ => None,
    }
}

impl Rules {
    /// Merges the federal pack with the client's state's, for an agreement signed on `signed_on`.
    /// Nothing comes back if `federal` lacks a dimension that it must have.
    pub fn merge(
        federal: &RulePack,
        state: Option<&RulePack>,
        signed_on: CivilDate,
    ) -> Option<Self> {
        let mut packs = vec![federal.reference()];
        packs.extend(state.map(RulePack::reference));
        Some(Self {
            bond: stricter_bond(federal.bond.as_ref(), state.and_then(|s| s.bond.as_ref())),
            cancellation: longer(
                federal.cancellation.as_ref()?,
                state.and_then(|s| s.cancellation.as_ref()),
                signed_on,
            ),
            monthly_statement: either(federal, state, |p| p.monthly_statement.as_ref()),
            packs,
            perform_within: shorter(
                federal.perform_within.as_ref(),
                state.and_then(|s| s.perform_within.as_ref()),
            ),
            performance: stricter_performance(
                federal.performance.as_ref()?,
                state.and_then(|s| s.performance.as_ref()),
            ),
            prohibited: either(federal, state, |p| p.prohibited.as_ref()),
            registration: either(federal, state, |p| p.registration.as_ref()),
            telemarketing: fewer_exempt(
                federal.telemarketing.as_ref()?,
                state.and_then(|s| s.telemarketing.as_ref()),
            ),
        })
    }

    /// The last day on which the client may cancel without penalty, and the first day of service.
    pub fn cancellation_window(&self, signed_on: CivilDate) -> (CivilDate, CivilDate) {
        window(&self.cancellation, signed_on)
    }
}

fn window(rule: &Cancellation, signed_on: CivilDate) -> (CivilDate, CivilDate) {
    let through = calendar::cancellation::right_ends_on(signed_on, rule.days, rule.calendar);
    let service = calendar::cancellation::service_opens_on(signed_on, rule.days, rule.calendar);
    (through, service)
}

fn longer(
    federal: &Cancellation,
    state: Option<&Cancellation>,
    signed_on: CivilDate,
) -> Cancellation {
    match state {
        Some(state) if window(state, signed_on) > window(federal, signed_on) => state.clone(),
        _ => federal.clone(),
    }
}

fn shorter(
    federal: Option<&PerformWithin>,
    state: Option<&PerformWithin>,
) -> Option<PerformWithin> {
    [federal, state].into_iter().flatten().min_by_key(|rule| rule.days).cloned()
}

fn stricter_bond(federal: Option<&Bond>, state: Option<&Bond>) -> Option<Bond> {
    [federal, state].into_iter().flatten().max_by_key(|rule| rule.amount.minor()).cloned()
}

fn stricter_performance(federal: &Performance, state: Option<&Performance>) -> Performance {
    match state {
        Some(state) if state.reading == FullyPerformed::WholeContract => state.clone(),
        _ => federal.clone(),
    }
}

fn fewer_exempt(federal: &Telemarketing, state: Option<&Telemarketing>) -> Telemarketing {
    let Some(state) = state else { return federal.clone() };
    Telemarketing {
        cites: if state.exempt.is_superset(&federal.exempt) {
            &federal.cites
        } else {
            &state.cites
        }
        .clone(),
        exempt: federal.exempt.intersection(&state.exempt).copied().collect(),
    }
}

fn either<'a>(
    federal: &'a RulePack,
    state: Option<&'a RulePack>,
    dimension: impl Fn(&'a RulePack) -> Option<&'a Duty>,
) -> Option<Duty> {
    state.and_then(&dimension).or_else(|| dimension(federal)).cloned()
}

/// The packs that come with the software, as examples for a firm's counsel to read and confirm.
pub const EXAMPLE_PACKS: &[&str] = &[
    include_str!("../packs/us-federal-1.json"),
    include_str!("../packs/us-ca-1.json"),
    include_str!("../packs/us-tx-1.json"),
    include_str!("../packs/us-ga-1.json"),
];
