//! Rule packs: the law's numbers as dated, cited data, and how a state's and the federal rules meet.
//!
//! A pack is engineering input, never legal advice: state law differs and licensed counsel decides.
//! Every rule carries its citation and stays marked for confirmation until the firm's counsel has
//! confirmed it.

mod check;
mod floor;
mod merge;

use std::collections::BTreeSet;
use std::fmt;

use calendar::{BusinessCalendar, CivilDate};

use crate::codec::{self, DecodeError, Field, In, Out, codes, record};
use crate::ids::{PackCode, StateCode};
use crate::money::Money;
use crate::terms::{Channel, FullyPerformed, Sale};
use crate::value::{Text, ValueError};

pub use check::check_pack;
pub(crate) use merge::fee;

codes! {
    /// What a pack may rule on. A law that says nothing of one and a law that nobody has read are not
    /// the same: see [`RulePack::is_read`].
    pub enum Dimension {
        /// Days in which the client may cancel, and before whose end no service runs.
        Cancellation = "cancellation",
        /// A statement of the services performed.
        MonthlyStatement = "monthly_statement",
        /// A time in which all services must be performed.
        PerformWithin = "perform_within",
        /// How "fully performed" is read.
        Performance = "performance",
        /// Whether the trade is allowed at all.
        Prohibited = "prohibited",
        /// A registration or licence.
        Registration = "registration",
        /// A surety bond, or what stands in its place.
        Security = "security",
        /// Which sales leave the telemarketing rule.
        Telemarketing = "telemarketing",
    }
}

impl Dimension {
    /// Whether the law of the day of signing rules on it alone. In every other dimension the day on which
    /// a fee is asked for counts as well, the stricter winning (15 USC 1679j).
    pub const fn is_of_signing(self) -> bool {
        match self {
            Self::Cancellation => true,
            Self::MonthlyStatement
            | Self::PerformWithin
            | Self::Performance
            | Self::Prohibited
            | Self::Registration
            | Self::Security
            | Self::Telemarketing => false,
        }
    }
}

/// The hash of a pack: SHA-256 (FIPS 180-4) over its stored form. Whoever confirms a pack says by it what was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PackHash(pub [u8; 32]);

impl PackHash {
    /// Reads 64 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        codec::unhex(text).map(Self).ok_or_else(|| {
            ValueError::new("must be a SHA-256 hash: 64 lower-case hexadecimal digits")
        })
    }
}

impl fmt::Display for PackHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&codec::hex(&self.0))
    }
}

impl Field for PackHash {
    fn put(&self, out: &mut Out) {
        self.0.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        <[u8; 32]>::take(input).map(Self)
    }
}

record! {
    /// Which pack, in which version.
    #[derive(PartialOrd, Ord)]
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
    /// A statement of the services performed, every period.
    pub struct StatementDuty {
        /// The statute.
        cites: Text,
        /// Days after the period's last counted work within which it may still be sent; none unless the pack
        /// says so.
        within_days: Option<u16>,
    }
}

impl StatementDuty {
    /// Days after the last counted work within which it may still be sent.
    pub fn days_after_work(&self) -> u16 {
        self.within_days.unwrap_or(0)
    }
}

codes! {
    /// When a bond must stand.
    pub enum BondWhen {
        /// On the day of signing, while the work is done, and whenever a fee is asked for.
        Always = "always",
        /// Only if something is to be paid before all of the work is done.
        IfPaidBeforeAllDone = "if_paid_before_all_done",
    }
}

record! {
    /// A surety bond that must be on file and unexpired.
    pub struct Bond {
        /// The least amount.
        amount: Money,
        /// The statute.
        cites: Text,
        /// When it must stand; always, which is the stricter, unless the pack says otherwise.
        when: Option<BondWhen>,
    }
}

impl Bond {
    /// When it must stand.
    pub fn stands(&self) -> BondWhen {
        self.when.unwrap_or(BondWhen::Always)
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
        /// Whether counsel had confirmed this version when it was adopted. Only older adoptions say so: a
        /// confirmation is an event of its own, which names counsel.
        confirmed_by_counsel: bool,
        /// The first day of its force.
        in_force_from: CivilDate,
        /// The last day of its force; what the law is afterwards is not known.
        in_force_through: Option<CivilDate>,
        /// A statement of the services performed, every period.
        monthly_statement: Option<StatementDuty>,
        /// What the pack is, and what counsel has to look at.
        note: Text,
        /// Whether the state's law was read and adds nothing to the federal rules.
        nothing_is_added: Option<bool>,
        /// All services within so many days.
        perform_within: Option<PerformWithin>,
        /// How "fully performed" is read.
        performance: Option<Performance>,
        /// The trade is not allowed here.
        prohibited: Option<Duty>,
        /// The dimensions in which the law was read, whether it says something or not. Packs from before this
        /// was said were read in what they state, and in nothing else.
        read: Option<BTreeSet<Dimension>>,
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
        monthly_statement: Option<StatementDuty>,
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

    /// The hash of its stored form.
    pub fn hash(&self) -> PackHash {
        use sha2::{Digest as _, Sha256};
        PackHash(Sha256::digest(codec::to_bytes(self)).into())
    }

    /// Whether it is in force on a day, by its own days.
    pub fn is_in_force(&self, day: CivilDate) -> bool {
        self.in_force_from <= day && self.in_force_through.is_none_or(|last| day <= last)
    }

    /// Whether the law was read and adds nothing.
    pub fn adds_nothing(&self) -> bool {
        self.nothing_is_added == Some(true)
    }

    /// The dimensions that it states something of.
    pub fn stated(&self) -> BTreeSet<Dimension> {
        let states = |dimension: &Dimension| match dimension {
            Dimension::Cancellation => self.cancellation.is_some(),
            Dimension::MonthlyStatement => self.monthly_statement.is_some(),
            Dimension::PerformWithin => self.perform_within.is_some(),
            Dimension::Performance => self.performance.is_some(),
            Dimension::Prohibited => self.prohibited.is_some(),
            Dimension::Registration => self.registration.is_some(),
            Dimension::Security => self.bond.is_some(),
            Dimension::Telemarketing => self.telemarketing.is_some(),
        };
        Dimension::ALL.iter().copied().filter(states).collect()
    }

    /// Whether the law was read in a dimension. The federal pack is the statute that this program is made
    /// for, and was read in all of them.
    pub fn is_read(&self, dimension: Dimension) -> bool {
        if self.state.is_none() || self.adds_nothing() {
            return true;
        }
        self.read
            .as_ref()
            .map_or_else(|| self.stated().contains(&dimension), |read| read.contains(&dimension))
    }
}

/// The packs that come with the software, as examples for a firm's counsel to read and confirm.
pub const EXAMPLE_PACKS: &[&str] = &[
    include_str!("../packs/us-federal-1.json"),
    include_str!("../packs/us-ca-2.json"),
    include_str!("../packs/us-tx-2.json"),
    include_str!("../packs/us-ga-2.json"),
];
