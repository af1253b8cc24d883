//! The closed sets of words in which a pack says what a law asks.

use crate::codec::codes;

codes! {
    /// Where a count of cancellation days begins.
    pub enum Anchor {
        /// With the day after the signing.
        AfterSigning = "after_signing",
        /// With the day of signing.
        FromSigning = "from_signing",
    }
}

codes! {
    /// By what an act reaches an agreement.
    pub enum Limb {
        /// The client resides in the state.
        ClientResides = "client_resides",
        /// Something of the contract was done in the state.
        ContractActivity = "contract_activity",
        /// The firm has a place there.
        FirmLocated = "firm_located",
    }
}

codes! {
    /// What an agreement holds beside what federal law asks of it, and what goes with it.
    pub enum ContractItem {
        /// The name of an agent for service in the state.
        Agent = "agent",
        /// The right against the bond or account, and who keeps it.
        BondNotice = "bond_notice",
        /// Both sides sign.
        BothSign = "both_sign",
        /// The client may cancel at any time without penalty.
        CancelAnyTime = "cancel_any_time",
        /// Only services about a credit record.
        CreditRecordOnly = "credit_record_only",
        /// That a free report is due after a denial of credit.
        DeniedCreditSentence = "denied_credit_sentence",
        /// The client's written authorization to write to others.
        DisputeAuthorization = "dispute_authorization",
        /// An e-mail address.
        Email = "email",
        /// The estimated day or length of performance.
        Estimate = "estimate",
        /// A first session that cost nothing.
        FreeFirstSession = "free_first_session",
        /// An estimated day for each entry.
        ItemDates = "item_dates",
        /// What is to be changed of each entry.
        ItemNature = "item_nature",
        /// The entries that are to be changed or investigated.
        ItemsListed = "items_listed",
        /// That no fee may be collected in advance.
        NoAdvanceSentence = "no_advance_sentence",
        /// Periodic payments for services that go on.
        PeriodicPayments = "periodic_payments",
        /// The address of an office, not of a box.
        PhysicalAddress = "physical_address",
        /// Guarantees and promises of refunds.
        RefundPromises = "refund_promises",
        /// The report, attached and marked.
        ReportAnnexedMarked = "report_annexed_marked",
        /// The results to be achieved.
        Results = "results",
        /// The client's rights, in the statute's words.
        RightsText = "rights_text",
        /// Explicit approval to use the client's signature.
        SignatureApproval = "signature_approval",
        /// The state's own statement, given before the agreement.
        StateStatement = "state_statement",
        /// A web address.
        Web = "web",
    }
}

codes! {
    /// When a fee may be asked for, from the weakest rule to the strictest.
    pub enum EarlyFeeRule {
        /// For a service that is done, as federal law has it.
        PerService = "per_service",
        /// By the period, under a written agreement that may be cancelled at any time.
        Subscription = "subscription",
        /// By a plan of so many months at most, which the state approves.
        Plan = "plan",
        /// Before all is done, with security.
        WithSecurity = "with_security",
        /// Not before all agreed services are done.
        Ban = "ban",
    }
}

codes! {
    /// By what an amount is measured.
    pub enum AmountOf {
        /// The client money of an average month.
        AverageClientMoney = "average_client_money",
        /// The client money in trust.
        ClientMoney = "client_money",
        /// The firm's standard fee.
        StandardFee = "standard_fee",
        /// The fees charged in twelve months.
        YearlyFees = "yearly_fees",
    }
}

codes! {
    /// Which fee a cap is of.
    pub enum FeeKind {
        /// Of a month.
        Monthly = "monthly",
        /// Once.
        OneTime = "one_time",
        /// A report of one person.
        ReportSingle = "report_single",
        /// A report of two.
        ReportJoint = "report_joint",
        /// Optional education.
        Education = "education",
    }
}

codes! {
    /// What a client has to have said before something is disputed, from the weakest rule to the strictest.
    pub enum ConsentRule {
        /// The client knows of it.
        Knowledge = "knowledge",
        /// Written authorization; a clause of the contract will do.
        ContractAuthorization = "contract_authorization",
        /// For each entry, the specific basis in writing.
        ItemBasis = "item_basis",
        /// For each entry, a factual basis, and a written statement of the client.
        ItemBasisAndStatement = "item_basis_and_statement",
    }
}

codes! {
    /// From when papers are kept.
    pub enum KeepFrom {
        /// The acknowledgement.
        Acknowledgement = "acknowledgement",
        /// The end of the agreement.
        AgreementEnd = "agreement_end",
        /// The last transaction.
        LastTransaction = "last_transaction",
        /// The signing.
        Signing = "signing",
    }
}

codes! {
    /// What is kept.
    pub enum KeepWhat {
        /// The contract.
        Contract = "contract",
        /// All records of the client.
        Records = "records",
        /// The statement given before the agreement.
        Statement = "statement",
        /// What a suit may ask for.
        Suit = "suit",
    }
}

codes! {
    /// The language of the papers.
    pub enum LanguageRule {
        /// That of the contract.
        AsContract = "as_contract",
        /// That of the negotiation.
        AsNegotiated = "as_negotiated",
    }
}

codes! {
    /// Who may be outside an act.
    pub enum ExemptKind {
        /// An accountant.
        Accountant = "accountant",
        /// An attorney.
        Attorney = "attorney",
        /// A bank, thrift or credit union.
        Bank = "bank",
        /// A broker-dealer.
        BrokerDealer = "broker_dealer",
        /// A consumer reporting agency.
        ConsumerReportingAgency = "consumer_reporting_agency",
        /// A licensed lender.
        Lender = "lender",
        /// A nonprofit under 26 USC 501(c)(3).
        Nonprofit = "nonprofit",
        /// A real-estate broker.
        RealEstateBroker = "real_estate_broker",
    }
}

codes! {
    /// What a registration is.
    pub enum RegistrationKind {
        /// A statement that is filed.
        Statement = "statement",
        /// A certificate that the state gives.
        Certificate = "certificate",
        /// A licence.
        Licence = "licence",
    }
}

codes! {
    /// What may not be done without a registration.
    pub enum Barred {
        /// Advertising.
        Advertise = "advertise",
        /// The business itself.
        Business = "business",
        /// Signing.
        Contract = "contract",
        /// Taking money.
        Money = "money",
    }
}

codes! {
    /// What a statement of services tells.
    pub enum StatementContent {
        /// Copies of letters.
        Letters = "letters",
        /// Money held or paid out.
        Money = "money",
        /// The services.
        Services = "services",
    }
}

codes! {
    /// What a firm has in a state, or on file with it.
    pub enum StandingKind {
        /// A registration or licence.
        Registration = "registration",
        /// A surety bond.
        Bond = "bond",
        /// A letter of credit.
        LetterOfCredit = "letter_of_credit",
        /// A deposit, or a surety account.
        Deposit = "deposit",
        /// A trust account.
        TrustAccount = "trust_account",
        /// A place of the firm.
        Office = "office",
        /// Evidence that the firm is outside the state's act.
        Exemption = "exemption",
    }
}

impl StandingKind {
    /// Whether it is a security, which has an amount.
    pub const fn is_security(self) -> bool {
        match self {
            Self::Bond | Self::LetterOfCredit | Self::Deposit | Self::TrustAccount => true,
            Self::Registration | Self::Office | Self::Exemption => false,
        }
    }
}
