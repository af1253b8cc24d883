//! Rule packs: the law's numbers as dated, cited data, and how a state's and the federal rules meet.
//!
//! A pack is engineering input, never legal advice: state law differs and licensed counsel decides.
//! Every rule carries its citation and stays marked for confirmation until the firm's counsel has
//! confirmed it.

mod asked;
mod check;
mod dimension;
mod floor;
mod follows;
mod merge;
mod shipped;
mod stated;
mod words;

use std::collections::BTreeSet;
use std::fmt;

use calendar::{BusinessCalendar, CivilDate};

use crate::codec::{self, DecodeError, Field, In, Out, codes, record};
use crate::ids::{PackCode, StateCode};
use crate::money::Money;
use crate::terms::{Channel, FullyPerformed, Sale};
use crate::value::{Text, ValueError};

pub use asked::*;
pub use check::check_pack;
pub use dimension::{Bears, Dimension};
pub use follows::ClientSaid;
pub use shipped::STATE_PACKS;
pub use stated::Stated;
pub(crate) use stated::listed;
pub use words::*;

pub(crate) use dimension::MORE_ASKED_SINCE;
pub(crate) use merge::fee;
pub use merge::followed;

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
        /// Where the count begins; with the day after the signing unless the pack says otherwise.
        anchor: Option<Anchor>,
        /// Which days count.
        calendar: BusinessCalendar,
        /// The statute.
        cites: Text,
        /// Days that the calendar counts and the state does not, such as its own holidays.
        closed_days: Option<BTreeSet<CivilDate>>,
        /// How many of them.
        days: u16,
        /// The words of the state's own form, or who issues it.
        form: Option<Text>,
    }
}

record! {
    /// All services must be performed within so many days of signing.
    pub struct PerformWithin {
        /// The statute.
        cites: Text,
        /// Calendar days after the day of signing.
        days: u16,
        /// Whether it is not asked of an agreement that goes on by periodic payments, is about a credit record
        /// alone, and may be cancelled at any time.
        unless_ongoing: Option<bool>,
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
        /// What it tells; the services unless the pack says more.
        contents: Option<BTreeSet<StatementContent>>,
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
        /// What may be said in advertisements.
        advertising: Option<Shown>,
        /// An agent for service in the state.
        agent: Option<Duty>,
        /// A surety bond.
        bond: Option<Bond>,
        /// A right to cancel at any time.
        cancel_any_time: Option<CancelAnyTime>,
        /// Cancellation days.
        cancellation: Option<Cancellation>,
        /// The pack's code.
        code: PackCode,
        /// Whether counsel had confirmed this version when it was adopted. Only older adoptions say so: a
        /// confirmation is an event of its own, which names counsel.
        confirmed_by_counsel: bool,
        /// What the agreement has to hold.
        contract_items: Option<ContractItems>,
        /// What a client has to have said before something is disputed.
        dispute_consent: Option<DisputeConsent>,
        /// When a fee may be asked for.
        early_fee: Option<EarlyFee>,
        /// The longest time that an agreement may estimate.
        estimate_cap: Option<DaysAfter>,
        /// Who is not under the act.
        exempt: Option<Exempt>,
        /// The most that may be charged.
        fee_caps: Option<Vec<FeeCap>>,
        /// The first day of its force.
        in_force_from: CivilDate,
        /// The last day of its force; what the law is afterwards is not known.
        in_force_through: Option<CivilDate>,
        /// How long papers are kept.
        keep: Option<Vec<Keep>>,
        /// The language of the papers.
        language: Option<Language>,
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
        /// What counsel has to answer.
        questions: Option<Vec<Text>>,
        /// Whom the act reaches beside clients who reside in the state.
        reach: Option<Reach>,
        /// The dimensions in which the law was read, whether it says something or not. Packs from before this
        /// was said were read in what they state, and in nothing else.
        read: Option<BTreeSet<Dimension>>,
        /// How soon money is given back after a cancellation.
        refund_within: Option<DaysAfter>,
        /// Registration or licence on file.
        registration: Option<Registration>,
        /// What a breach costs.
        remedy: Option<Remedy>,
        /// What has to be on file, each a paper of its own.
        security: Option<Vec<Security>>,
        /// Where the dimensions were read. Older packs do not say.
        sources: Option<Vec<Source>>,
        /// The state, or nothing for the federal pack.
        state: Option<StateCode>,
        /// A statement of the state's own.
        statement: Option<StateStatement>,
        /// The telemarketing rule.
        telemarketing: Option<Telemarketing>,
        /// The day on which the law was read.
        text_read_on: Option<CivilDate>,
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
        registration: Option<Registration>,
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
        self.rules().into_iter().map(|stated| stated.dimension).collect()
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

/// The federal pack, and packs that came with earlier versions of the software, for firms that follow them.
pub const EXAMPLE_PACKS: &[&str] = &[
    include_str!("../packs/us-federal-1.json"),
    include_str!("../packs/us-ca-2.json"),
    include_str!("../packs/us-tx-2.json"),
    include_str!("../packs/us-ga-2.json"),
];
