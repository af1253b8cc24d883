//! What a pack may rule on, and what each of it bears on.

use crate::codec::codes;

codes! {
    /// What a pack may rule on. A law that says nothing of one and a law that nobody has read are not
    /// the same: see [`RulePack::is_read`](super::RulePack::is_read).
    pub enum Dimension {
        /// What may be said in advertisements.
        Advertising = "advertising",
        /// An agent for service in the state.
        Agent = "agent",
        /// A right to cancel at any time.
        CancelAnyTime = "cancel_any_time",
        /// Days in which the client may cancel, and before whose end no service runs.
        Cancellation = "cancellation",
        /// What the agreement has to hold beside what federal law asks.
        ContractItems = "contract_items",
        /// What a client has to have said before something is disputed.
        DisputeConsent = "dispute_consent",
        /// The longest time that an agreement may estimate.
        EstimateCap = "estimate_cap",
        /// Who is not under the act.
        Exempt = "exempt",
        /// The most that may be charged.
        FeeCap = "fee_cap",
        /// How long papers are kept.
        Keep = "keep",
        /// The language of the papers.
        Language = "language",
        /// A statement of the services performed.
        MonthlyStatement = "monthly_statement",
        /// A time in which all services must be performed.
        PerformWithin = "perform_within",
        /// When a fee may be asked for, and how "fully performed" is read.
        Performance = "performance",
        /// Whether the trade is allowed at all.
        Prohibited = "prohibited",
        /// Whom the act reaches beside clients who reside in the state.
        Reach = "reach",
        /// How soon money is given back after a cancellation.
        RefundWithin = "refund_within",
        /// A registration or licence.
        Registration = "registration",
        /// What a breach costs.
        Remedy = "remedy",
        /// A surety bond, or what stands in its place.
        Security = "security",
        /// A statement of the state's own, given before the agreement.
        Statement = "statement",
        /// Which sales leave the telemarketing rule.
        Telemarketing = "telemarketing",
    }
}

/// What a dimension bears on: a gate is unknown where nobody read one that bears on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bears {
    /// On an agreement: the law of the day of signing rules on it alone.
    Signing,
    /// On a fee: the day of signing and the day on which it is asked for count, the stricter winning (15 USC
    /// 1679j).
    Fee,
    /// On no gate: it reminds, keeps or is shown.
    Nothing,
}

/// The edition of the rules that first asked in dimensions that packs of before do not name.
pub(crate) const MORE_ASKED_SINCE: u32 = 4;

impl Dimension {
    /// What it bears on.
    pub const fn bears(self) -> Bears {
        match self {
            Self::Cancellation | Self::ContractItems | Self::EstimateCap | Self::Statement => {
                Bears::Signing
            }
            Self::FeeCap
            | Self::MonthlyStatement
            | Self::PerformWithin
            | Self::Performance
            | Self::Prohibited
            | Self::Registration
            | Self::Security
            | Self::Telemarketing => Bears::Fee,
            Self::Advertising
            | Self::Agent
            | Self::CancelAnyTime
            | Self::DisputeConsent
            | Self::Exempt
            | Self::Keep
            | Self::Language
            | Self::Reach
            | Self::RefundWithin
            | Self::Remedy => Bears::Nothing,
        }
    }

    /// Whether gates asked for it only since [`MORE_ASKED_SINCE`].
    pub(crate) const fn is_new(self) -> bool {
        matches!(self, Self::ContractItems | Self::EstimateCap | Self::FeeCap | Self::Statement)
    }
}
