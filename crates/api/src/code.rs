//! Enums of the contract and the domain's closed sets of words, paired one to one.

use crate::v1;

/// An enum of the contract that stands for one of the domain.
pub trait Paired: Copy + TryFrom<i32> + Into<i32> {
    /// The domain's enum.
    type Domain: Copy;
    /// What it stands for; nothing if it is unspecified.
    fn to_domain(self) -> Option<Self::Domain>;
    /// The contract's value.
    fn from_domain(value: Self::Domain) -> Self;
}

/// Pairs the values of one name; the compiler finds one that either side lacks.
macro_rules! paired {
    ($($(#[$meta:meta])* $Name:ident = $Domain:path { $($Value:ident),* $(,)? })*) => {$(
        impl Paired for v1::$Name {
            type Domain = $Domain;
            fn to_domain(self) -> Option<Self::Domain> {
                use $Domain as Domain;
                match self {
                    Self::Unspecified => None,
                    $(Self::$Value => Some(Domain::$Value),)*
                }
            }
            fn from_domain(value: Self::Domain) -> Self {
                use $Domain as Domain;
                match value { $(Domain::$Value => Self::$Value,)* }
            }
        }
    )*};
}

paired! {
    Ask = domain::event::Ask { ProcedureDescription, TheftBlock }
    AutomaticMatches = domain::event::AutomaticMatches { Nothing, Certain }
    Basis = domain::event::Basis {
        NotMine, BalanceWrong, DatesWrong, StatusWrong, Obsolete, IdentityTheft, Duplicate, Paid,
        Unverified,
    }
    BlockRefusal = domain::event::BlockRefusal { Declined, Rescinded }
    BlockRefusedFor = domain::event::BlockRefusedFor { Error, Misrepresentation, BenefitObtained }
    BookAccount = domain::event::BookAccount {
        Bank, Suspense, Clearing, Receivable, Unbilled, OwedToClients, Elsewhere, FeeRevenue,
        RefundsAndCredits, ProcessorCosts, BankCosts, ChargebackLosses, BadDebt,
    }
    Channel = domain::terms::Channel { Telephone, InPerson, Online, Post }
    ClockKind = calendar::Clock {
        Reinvestigation, ReinvestigationExtended, FreeReportReinvestigation, ResultsNotice,
        FrivolousNotice, ReinsertionNotice, ProcedureDescription, TheftBlock, BlockNotice,
    }
    Circumstance = domain::event::Circumstance {
        AuthorityRevoked, ChargeMandate, ChargeNotice, DebitCard, DoNotCall,
        ElectronicRecordsWithdrawn, Represented,
    }
    Direction = domain::event::Direction { Outgoing, Incoming }
    EndedBy = domain::event::EndedBy { Client, Firm, Death }
    ErasureBasis = domain::event::ErasureBasis { Asked, RetentionOver }
    ExposureKind = domain::event::ExposureKind {
        EarlyService, DisputeWithoutBasis, NoAgreement, PapersMissing, FeeAskedUnearned,
        PaymentUnearned, DisputeWithoutAuthority, SignedAfterDeath, ChargeUnauthorized,
        ChargeAfterDeath, SignedAgainstLaw, WorkUnsecured,
    }
    FailureReason = domain::event::FailureReason {
        InsufficientFunds, CardExpired, Declined, LostOrStolen, AccountClosed,
        AuthorizationRevoked,
    }
    FullyPerformed = domain::terms::FullyPerformed { EachPeriod, WholeContract }
    Gate = domain::gates::Gate {
        Disclosure, Agreement, WaitingDays, FullyPerformed, NotClaimed, Telemarketing, State,
        Total,
    }
    ItemKind = domain::event::ItemKind {
        LatePayments, Collection, ChargeOff, Bankruptcy, PublicRecord, Inquiry,
    }
    LinkedBy = domain::event::LinkedBy { Rule, Person }
    MailClass = domain::event::MailClass { FirstClass, Certified, Portal, Fax }
    Match = domain::event::Match { Phone, Address, Card }
    MatchRule = domain::event::MatchRule { Reference, Amount, Person }
    MovementKind = domain::event::MovementKind { Payment, Refund, Chargeback, ChargebackWon }
    Outcome = domain::event::Outcome { Deleted, Corrected, Verified, Frivolous, NoAnswer }
    PaperKind = domain::event::PaperKind { PhotoId, Residence }
    Purpose = domain::event::Purpose { BankCosts, ProcessorCosts, Elsewhere }
    RefundFailureReason = domain::event::RefundFailureReason {
        InsufficientFunds, Declined, AccountClosed, PaymentTooOld, Disputed, Withdrawn,
    }
    Scope = domain::event::Scope { Record, Read, Bill, Examine, Administer, Correct, Accept }
    Seat = domain::terms::Seat { Individual, Couple }
    StatementSource = domain::event::StatementSource { Camt053, Csv }
    SeenBy = domain::event::SeenBy { Response, Import, Notice }
    StandingEndReason = domain::event::StandingEndReason {
        SuretyCancelled, Revoked, Surrendered, RecordedWrongly,
    }
    StandingKind = domain::event::StandingKind {
        Registration, Bond, LetterOfCredit, Deposit, TrustAccount, Office, Exemption,
    }
    Work = domain::terms::Work { ReportImport, DisputeRound, ProgressReport }
}
