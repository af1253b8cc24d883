//! Commands: what callers ask for. The service decides; only facts get into the log.
//!
//! Most case actions report a fact and carry the very record that will be stored. A fact is never
//! refused for being unlawful: it happened, and what it breaks becomes an exposure. The few that
//! make the service itself act (open work, send a round, claim a fee) are refused when a rule
//! forbids them.

mod bank;
mod correction;
mod finding;
mod money;

use std::collections::BTreeSet;

use calendar::{CivilDate, PeriodRule, Zone};

pub use bank::*;
pub use correction::{
    Becomes, CorrectedBy, Correction, FirmBecomes, FirmCorrection, MoneyBecomes, MoneyCorrection,
};
pub use finding::FindResults;
pub use money::{
    ChargeFailed, Chargeback, FeeNamed, KeepFee, Lower, PaymentReceived, Refund, RefundAsked,
    RefundNotMade,
};

use crate::event::{
    AccessGranted, AccessRevoked, BankAccountDeclared, BasisAttested, BillingDayChanged,
    BureauAnswered, BureauAsked, BureauRegistered, Card, ChartRevised, CircumstanceChanged,
    ClientErased, ClientInformationSent, CloseAccepted, CloseRule, Contact, ContactChanged,
    CorrectionNoted, DisclosureAcknowledged, DisclosureDelivered, ExposureKind, FeesReviewed,
    FirmRegistered, IdentityPaperAccepted, IdentityPaperReceived, IdentityPaperRejected, ItemSeen,
    Languages, LegalHoldLifted, LegalHoldPlaced, Letter, LetterDelivered, LookKind, MatchPolicySet,
    MessageLogged, PackConfirmed, PackUsedAtOwnRisk, PeriodClosedWithoutFee, PeriodLocked,
    ProgressReportSent, PromisedResult, ReportIdentityFailed, ReportSourceConnected,
    ResponseReceived, Score, SecurityEventRecorded, ServiceEnded, ServicePaused, StandingEnded,
    StandingRecorded, UtcMicros,
};
use crate::ids::{
    AccessId, AccountId, BureauCode, CaseId, DocumentHash, ItemCode, PlanCode, ProcessorRef,
    StateCode,
};
use crate::money::Money;
use crate::rules::{ContractItem, RulePack};
use crate::terms::{Plan, Sale, Seat};
use crate::value::{Personal, Text};

/// An action and the civil day it happened, in the firm's zone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dated<A> {
    /// The moment, where it is known: on the same day where the client lives. Only facts of cases have one.
    pub occurred_at: Option<UtcMicros>,
    /// The day.
    pub occurred_on: CivilDate,
    /// The action.
    pub action: A,
}

/// A client enrols.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Enrol {
    /// When periods end.
    pub billing: PeriodRule,
    /// Birth date.
    pub birth_date: Personal,
    /// The card on file, if one was given.
    pub card: Option<Card>,
    /// Contact.
    pub contact: Contact,
    /// The plan, in its current version.
    pub plan: PlanCode,
    /// How the client was enrolled.
    pub sale: Sale,
    /// Alone or one of a couple.
    pub seat: Seat,
    /// Last four digits of the SSN.
    pub ssn_last4: Option<Personal>,
    /// Where midnight is the client's; the firm's zone if it is not known.
    pub zone: Option<Zone>,
}

/// The agreement is signed. Prices, work and rules are fixed from the plan and the packs of the day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignConsent {
    /// Other states in which something of the contract was done.
    pub activity: BTreeSet<StateCode>,
    /// Whether the copies and the notice of cancellation in duplicate were given.
    pub copies_given: bool,
    /// The signed agreement.
    pub document: Option<DocumentHash>,
    /// Whether consent to electronic records was given.
    pub e_sign_consent: bool,
    /// What the agreement holds beside what federal law asks; nothing if nobody said.
    pub items: Option<BTreeSet<ContractItem>>,
    /// In which languages it was made; nothing if nobody said.
    pub languages: Option<Languages>,
    /// The plan that it is of, if it is another than that of the enrolment.
    pub plan: Option<PlanCode>,
    /// The results that the agreement promises.
    pub promised: Vec<PromisedResult>,
    /// The total of all payments that the agreement states.
    pub total_of_payments: Money,
}

/// The client cancels. In the cancellation days that undoes the agreement; later it ends the service.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cancel {
    /// Why.
    pub reason: Option<Personal>,
    /// Postmark, or the day a message was sent.
    pub sent_on: CivilDate,
}

/// A bureau's report, with every negative listing on it. A listing known before and not on it is a
/// deletion *seen by import*; one deleted before and on it again is a reinsertion.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportReport {
    /// The bureau.
    pub bureau: BureauCode,
    /// Sum of card balances.
    pub card_balance: Option<Money>,
    /// Sum of card limits.
    pub card_limit: Option<Money>,
    /// That it completes the period before its day, in the days of grace.
    pub completes_before: Option<bool>,
    /// The report itself.
    pub document: Option<DocumentHash>,
    /// Whether it is the free annual report.
    pub free_annual: bool,
    /// Hard inquiries.
    pub inquiries: u16,
    /// The day the bureau issued it.
    pub issued_on: CivilDate,
    /// Every negative listing.
    pub items: Vec<ItemSeen>,
    /// The score.
    pub score: Option<Score>,
}

/// A round of letters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SendRound {
    /// That it completes the period before its day, in the days of grace.
    pub completes_before: Option<bool>,
    /// One letter per bureau.
    pub letters: Vec<Letter>,
}

/// A deleted listing is back, by the bureau's notice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoteReinsertion {
    /// The bureau.
    pub bureau: BureauCode,
    /// The item.
    pub item: ItemCode,
}

/// The firm is told, or tells, that a rule was broken outside this service.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoteExposure {
    /// Money at stake.
    pub amount: Option<Money>,
    /// What.
    pub kind: ExposureKind,
    /// The period it concerns.
    pub period: Option<u32>,
}

/// An action on a case.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CaseAction {
    /// See [`Enrol`].
    Enrol(Box<Enrol>),
    /// See [`DisclosureDelivered`].
    DisclosureDelivered(DisclosureDelivered),
    /// See [`DisclosureAcknowledged`].
    DisclosureAcknowledged(DisclosureAcknowledged),
    /// See [`SignConsent`].
    SignConsent(SignConsent),
    /// See [`Cancel`].
    Cancel(Cancel),
    /// See [`IdentityPaperReceived`].
    IdentityPaperReceived(IdentityPaperReceived),
    /// See [`IdentityPaperAccepted`].
    IdentityPaperAccepted(IdentityPaperAccepted),
    /// See [`IdentityPaperRejected`].
    IdentityPaperRejected(IdentityPaperRejected),
    /// See [`ReportSourceConnected`].
    ReportSourceConnected(ReportSourceConnected),
    /// See [`ReportIdentityFailed`].
    ReportIdentityFailed(ReportIdentityFailed),
    /// See [`ImportReport`].
    ImportReport(ImportReport),
    /// See [`BasisAttested`].
    AttestBasis(BasisAttested),
    /// Open work. Refused until everything is there and the cancellation days are over.
    OpenWork,
    /// Send a round now. Refused unless work is open and every listing has a basis.
    SendRound(SendRound),
    /// A round went out, whether it should have or not.
    NoteRoundSent(SendRound),
    /// See [`LetterDelivered`].
    LetterDelivered(LetterDelivered),
    /// See [`ClientInformationSent`].
    ClientInformationSent(ClientInformationSent),
    /// See [`ResponseReceived`].
    ReceiveResponse(ResponseReceived),
    /// See [`NoteReinsertion`].
    NoteReinsertion(NoteReinsertion),
    /// See [`BureauAsked`].
    BureauAsked(BureauAsked),
    /// See [`BureauAnswered`].
    BureauAnswered(BureauAnswered),
    /// See [`ProgressReportSent`].
    ProgressReportSent(ProgressReportSent),
    /// See [`ContactChanged`].
    ContactChanged(Box<ContactChanged>),
    /// See [`BillingDayChanged`].
    BillingDayChanged(BillingDayChanged),
    /// See [`CircumstanceChanged`].
    ChangeCircumstance(CircumstanceChanged),
    /// See [`MessageLogged`].
    MessageLogged(MessageLogged),
    /// See [`ServicePaused`].
    PauseService(ServicePaused),
    /// Service goes on.
    ResumeService,
    /// See [`ServiceEnded`].
    EndService(ServiceEnded),
    /// See [`PeriodClosedWithoutFee`].
    ClosePeriod(PeriodClosedWithoutFee),
    /// See [`FindResults`].
    FindResults(FindResults),
    /// See [`NoteExposure`].
    NoteExposure(NoteExposure),
    /// See [`CorrectionNoted`].
    NoteCorrection(CorrectionNoted),
    /// See [`LegalHoldPlaced`].
    PlaceLegalHold(LegalHoldPlaced),
    /// See [`LegalHoldLifted`].
    LiftLegalHold(LegalHoldLifted),
    /// Destroy the key of the client's personal values. Refused while the service runs, a legal hold
    /// stands, or a law asks to keep them.
    EraseClient(ClientErased),
}

/// An action on an account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AccountAction {
    /// A new card on file.
    ChangeCard(Card),
    /// Ask the processor to charge what is open on an invoice.
    RequestCharge {
        /// The invoice.
        invoice: u64,
    },
    /// See [`PaymentReceived`].
    PaymentReceived(PaymentReceived),
    /// See [`ChargeFailed`].
    ChargeFailed(ChargeFailed),
    /// See [`RefundAsked`].
    RequestRefund(RefundAsked),
    /// See [`RefundNotMade`].
    RefundFailed(RefundNotMade),
    /// See [`Refund`].
    Refund(Refund),
    /// See [`Chargeback`].
    OpenChargeback(Chargeback),
    /// The firm won a chargeback.
    ChargebackWon(ProcessorRef),
    /// The firm lost a chargeback.
    ChargebackLost(ProcessorRef),
    /// Lower an invoice.
    GrantCredit(Lower),
    /// Give up what is open.
    WriteOff(Lower),
}

/// What to do about two cases that may be a couple.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoupleAction {
    /// Compare them: link if all three match, suggest if two do, nothing otherwise.
    Compare,
    /// A person says they are a couple.
    Confirm,
    /// A person says they are not.
    Refuse,
    /// They pay apart again.
    Unlink,
}

/// An action on the firm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FirmAction {
    /// Register it.
    Register(FirmRegistered),
    /// Publish a plan; its version is given by the service.
    PublishPlan(Plan),
    /// Adopt a rule pack.
    AdoptPack(Box<RulePack>),
    /// Record that counsel confirmed a version of a pack.
    ConfirmPack(PackConfirmed),
    /// Use a version of a pack that no counsel has confirmed.
    UsePackAtOwnRisk(PackUsedAtOwnRisk),
    /// Register a bureau.
    RegisterBureau(BureauRegistered),
    /// Record a registration or bond.
    RecordStanding(StandingRecorded),
    /// Record that a registration or bond ended early.
    EndStanding(StandingEnded),
    /// Record what is known of an event of security.
    RecordSecurityEvent(SecurityEventRecorded),
    /// Note that every claimed fee was judged again and marked. Refused if the firm told something since.
    NoteReview(FeesReviewed),
    /// Give out a token.
    GrantAccess(AccessGranted),
    /// Take a token back.
    RevokeAccess(AccessRevoked),
    /// Number and name accounts of the books.
    ReviseChart(ChartRevised),
    /// Declare an account at a bank. One that is declared otherwise is taken back first.
    DeclareBankAccount(BankAccountDeclared),
    /// Accept what stands in the way of closing a month.
    AcceptForClose(CloseAccepted),
    /// Accept no more what was accepted of a month that is open.
    WithdrawAcceptance {
        /// Why. No place for personal data.
        reason: Text,
        /// What was accepted.
        rule: CloseRule,
        /// The last day of the month.
        through: CivilDate,
    },
    /// Close a month. Refused if money moved after it was checked.
    LockPeriod(PeriodLocked),
    /// Decide what is matched without a person.
    SetMatchPolicy(MatchPolicySet),
}

/// Somebody looked at the record, or took it along. It happened, so it is refused for nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Look {
    /// The token; nothing for whoever holds the database.
    pub access: Option<AccessId>,
    /// The clients it was about; none for the firm as a whole.
    pub cases: BTreeSet<CaseId>,
    /// How.
    pub kind: LookKind,
    /// The day, where the firm is.
    pub on: CivilDate,
    /// What was asked: the RPC's name.
    pub what: Text,
}

/// Many commands that one request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Run {
    /// Bill every account.
    Billing {
        /// The day up to which it is judged.
        as_of: CivilDate,
    },
    /// Ask for the charge of every invoice that is due.
    Charges {
        /// The day on which it is.
        as_of: CivilDate,
    },
    /// Note that a charge was handed over.
    HandOver,
    /// Match what is certain.
    Matching,
}

impl Run {
    /// What it is called.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Billing { .. } => "RunBilling",
            Self::Charges { .. } => "RequestCharges",
            Self::HandOver => "HandOver",
            Self::Matching => "MatchAutomatically",
        }
    }
}

/// A command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Actions on one case, all or none.
    Case {
        /// The case.
        case: CaseId,
        /// The version the caller decided on.
        expected_version: Option<u64>,
        /// What happened, in order.
        actions: Vec<Dated<CaseAction>>,
    },
    /// Facts of one case that were told wrongly, all or none.
    Correct {
        /// Who corrects them.
        by: CorrectedBy,
        /// The case.
        case: CaseId,
        /// The version the caller decided on.
        expected_version: Option<u64>,
        /// What was wrong, in order.
        corrections: Vec<Correction>,
    },
    /// A fact about money that was told wrongly.
    CorrectMoney {
        /// The account at which it was told.
        account: AccountId,
        /// Who says so.
        by: CorrectedBy,
        /// The version of the account that the caller decided on.
        expected_version: Option<u64>,
        /// What was wrong.
        correction: Box<MoneyCorrection>,
    },
    /// Something that the firm told wrongly of itself.
    CorrectFirm(Box<FirmCorrection>),
    /// An action on one account.
    Account {
        /// The account.
        account: AccountId,
        /// What happened.
        action: Dated<AccountAction>,
    },
    /// What the bank and the processor say, and what a person makes of it.
    Bank(BankAction),
    /// An action on the firm.
    Firm {
        /// What happened.
        action: Dated<FirmAction>,
    },
    /// See [`Look`].
    Look(Look),
    /// See [`Run`].
    Begin(Run),
    /// Two cases that may be a couple.
    Couple {
        /// One, the payer if they are linked and enrolled the same day.
        first: CaseId,
        /// The other.
        second: CaseId,
        /// What to do.
        action: CoupleAction,
    },
    /// Claim one period's fee; refused with every gate that does not hold.
    ClaimFee {
        /// The case.
        case: CaseId,
        /// The period.
        period: u32,
        /// The day up to which it is judged.
        as_of: CivilDate,
    },
    /// Keep money of a claimed fee by counsel's reason.
    KeepFee {
        /// The case.
        case: CaseId,
        /// What was decided.
        action: Dated<KeepFee>,
    },
    /// Judge the claimed fees of a case again, and mark what changed.
    Review {
        /// The case.
        case: CaseId,
    },
    /// Claim whatever the members of an account have earned, on one invoice; note what is held.
    BillAccount {
        /// The account.
        account: AccountId,
        /// The day up to which it is judged.
        as_of: CivilDate,
    },
}
