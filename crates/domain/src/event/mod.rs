//! Events: past-tense facts, each with one stored form that never changes.
//!
//! To add an event: write its record in the file of its stream, name it in the list below, add a
//! golden file under `tests/golden`, and handle it in the stream's `evolve`; the compiler names the
//! other places. To change one: raise its version, keep the old golden file, add an upcaster.

mod account;
mod books;
mod case;
mod circumstance;
mod deposit;
mod dispute;
mod envelope;
mod exposure;
mod firm;
mod keeping;
mod look;
mod nature;
mod reading;
mod tail;
mod upcast;

pub use account::*;
pub use books::*;
pub use case::*;
pub use circumstance::*;
pub use deposit::*;
pub use dispute::*;
pub use envelope::*;
pub use exposure::*;
pub use firm::*;
pub use keeping::*;
pub use look::*;
pub use nature::{FactKind, Nature};
pub use reading::{in_force, money_in_force};
pub use tail::Tail;
pub use upcast::{UPCASTERS, Upcaster, lift};

pub use crate::rules::Languages;

use crate::codec::{DecodeError, Field, In, Out};
use crate::ids::DocumentHash;
use crate::value::Personal;

/// Declares the events of one kind of stream.
macro_rules! events {
    ($(#[$meta:meta])* pub enum $Name:ident { $($Event:ident = $code:literal v $version:literal),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq, Eq)]
        pub enum $Name {
            $(#[doc = concat!("See [`", stringify!($Event), "`].")] $Event($Event)),*
        }

        impl $Name {
            /// Every type's stable name and current version.
            pub const TYPES: &'static [(&'static str, u32)] = &[$(($code, $version)),*];

            /// The type's stable name.
            pub const fn type_name(&self) -> &'static str {
                match self { $(Self::$Event(_) => $code),* }
            }

            /// The version this code writes.
            pub const fn type_version(&self) -> u32 {
                match self { $(Self::$Event(_) => $version),* }
            }

            fn put_payload(&self, out: &mut Out) {
                match self { $(Self::$Event(body) => body.put(out)),* }
            }

            fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
                match self { $(Self::$Event(body) => body.each_personal(visit)),* }
            }

            /// Shows every document that the event names by its hash.
            pub fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
                match self { $(Self::$Event(body) => body.each_document(visit)),* }
            }

            fn take_payload(name: &str, input: &mut In<'_>) -> Option<Result<Self, DecodeError>> {
                match name {
                    $($code => Some(Field::take(input).map(Self::$Event)),)*
                    _ => None,
                }
            }
        }

        $(impl From<$Event> for $Name {
            fn from(event: $Event) -> Self { Self::$Event(event) }
        }
        impl From<$Event> for Event {
            fn from(event: $Event) -> Self { $Name::$Event(event).into() }
        })*
    };
}

events! {
    /// An event of a case.
    pub enum CaseEvent {
        Enrolled = "enrolled" v 1,
        DisclosureDelivered = "disclosure_delivered" v 1,
        DisclosureAcknowledged = "disclosure_acknowledged" v 1,
        ConsentSigned = "consent_signed" v 1,
        ConsentCancelled = "consent_cancelled" v 1,
        IdentityPaperReceived = "identity_paper_received" v 1,
        IdentityPaperAccepted = "identity_paper_accepted" v 1,
        IdentityPaperRejected = "identity_paper_rejected" v 1,
        ReportSourceConnected = "report_source_connected" v 1,
        ReportIdentityFailed = "report_identity_failed" v 1,
        ReportImported = "report_imported" v 1,
        ItemListed = "item_listed" v 1,
        BasisAttested = "basis_attested" v 1,
        WorkOpened = "work_opened" v 1,
        RoundSent = "round_sent" v 1,
        LetterDelivered = "letter_delivered" v 1,
        ClientInformationSent = "client_information_sent" v 1,
        ResponseReceived = "response_received" v 1,
        ItemDeleted = "item_deleted" v 1,
        ItemCorrected = "item_corrected" v 1,
        ItemVerified = "item_verified" v 1,
        ItemReinserted = "item_reinserted" v 1,
        BureauAsked = "bureau_asked" v 1,
        BureauAnswered = "bureau_answered" v 1,
        ProgressReportSent = "progress_report_sent" v 1,
        ContactChanged = "contact_changed" v 1,
        CircumstanceChanged = "circumstance_changed" v 1,
        BillingDayChanged = "billing_day_changed" v 1,
        MessageLogged = "message_logged" v 1,
        ServicePaused = "service_paused" v 1,
        ServiceResumed = "service_resumed" v 1,
        ServiceEnded = "service_ended" v 1,
        PeriodClosedWithoutFee = "period_closed_without_fee" v 1,
        ResultsFound = "results_found" v 1,
        FeeEarned = "fee_earned" v 1,
        FeeHeld = "fee_held" v 1,
        FeeKept = "fee_kept" v 1,
        FeeMarked = "fee_marked" v 1,
        ExposureFound = "exposure_found" v 1,
        CorrectionNoted = "correction_noted" v 1,
        FactCorrected = "fact_corrected" v 1,
        LegalHoldPlaced = "legal_hold_placed" v 1,
        LegalHoldLifted = "legal_hold_lifted" v 1,
        ClientErased = "client_erased" v 1,
    }
}

events! {
    /// An event of a paying account.
    pub enum AccountEvent {
        AccountOpened = "account_opened" v 1,
        CardOnFileChanged = "card_on_file_changed" v 1,
        LinkSuggested = "link_suggested" v 1,
        LinkRefused = "link_refused" v 1,
        MemberLinked = "member_linked" v 1,
        MemberUnlinked = "member_unlinked" v 1,
        PaymentMoved = "payment_moved" v 1,
        PaymentMovedBack = "payment_moved_back" v 1,
        InvoiceIssued = "invoice_issued" v 1,
        ChargeRequested = "charge_requested" v 1,
        PaymentSettled = "payment_settled" v 1,
        PaymentFailed = "payment_failed" v 1,
        RefundRequested = "refund_requested" v 1,
        RefundFailed = "refund_failed" v 1,
        RefundIssued = "refund_issued" v 1,
        ChargebackOpened = "chargeback_opened" v 1,
        ChargebackWon = "chargeback_won" v 1,
        ChargebackLost = "chargeback_lost" v 1,
        CreditGranted = "credit_granted" v 1,
        WrittenOff = "written_off" v 1,
        UnearnedPaymentFound = "unearned_payment_found" v 1,
        MoneyDeposited = "money_deposited" v 1,
        MoneyUndeposited = "money_undeposited" v 1,
        MoneyCorrected = "money_corrected" v 1,
        LinesShared = "lines_shared" v 1,
        MoneyRestated = "money_restated" v 1,
    }
}

events! {
    /// An event of a line of a bank statement, of a statement, or of a payout.
    pub enum DepositEvent {
        StatementLineSeen = "statement_line_seen" v 1,
        PayoutReported = "payout_reported" v 1,
        PayoutLinesReported = "payout_lines_reported" v 1,
        DepositMatched = "deposit_matched" v 1,
        MatchJoined = "match_joined" v 1,
        MatchReversed = "match_reversed" v 1,
        MatchLeft = "match_left" v 1,
        MatchRefused = "match_refused" v 1,
        LineBooked = "line_booked" v 1,
        BookingReversed = "booking_reversed" v 1,
        LineTakenBack = "line_taken_back" v 1,
        PayoutTakenBack = "payout_taken_back" v 1,
        StatementSeen = "statement_seen" v 1,
        StatementLinesListed = "statement_lines_listed" v 1,
        StatementTakenBack = "statement_taken_back" v 1,
    }
}

events! {
    /// An event of a firm.
    pub enum FirmEvent {
        FirmRegistered = "firm_registered" v 1,
        PlanPublished = "plan_published" v 1,
        PackAdopted = "pack_adopted" v 1,
        PackConfirmed = "pack_confirmed" v 1,
        PackUsedAtOwnRisk = "pack_used_at_own_risk" v 1,
        BureauRegistered = "bureau_registered" v 1,
        StandingRecorded = "standing_recorded" v 1,
        StandingEnded = "standing_ended" v 1,
        SecurityEventRecorded = "security_event_recorded" v 1,
        FeesReviewed = "fees_reviewed" v 1,
        AccessGranted = "access_granted" v 1,
        AccessRevoked = "access_revoked" v 1,
        AccessUsed = "access_used" v 1,
        ChartRevised = "chart_revised" v 1,
        BankAccountDeclared = "bank_account_declared" v 1,
        BankAccountTakenBack = "bank_account_taken_back" v 1,
        CloseAccepted = "close_accepted" v 1,
        CloseAcceptanceWithdrawn = "close_acceptance_withdrawn" v 1,
        PeriodLocked = "period_locked" v 1,
        MatchPolicySet = "match_policy_set" v 1,
        FirmCorrected = "firm_corrected" v 1,
    }
}

events! {
    /// An event of the looks at a client.
    pub enum LookEvent {
        ClientLookedAt = "client_looked_at" v 1,
    }
}

/// Any event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// Of a case.
    Case(CaseEvent),
    /// Of an account.
    Account(AccountEvent),
    /// Of a deposit.
    Deposit(DepositEvent),
    /// Of the firm.
    Firm(FirmEvent),
    /// Of the looks at a client.
    Look(LookEvent),
}

impl From<CaseEvent> for Event {
    fn from(event: CaseEvent) -> Self {
        Self::Case(event)
    }
}

impl From<AccountEvent> for Event {
    fn from(event: AccountEvent) -> Self {
        Self::Account(event)
    }
}

impl From<DepositEvent> for Event {
    fn from(event: DepositEvent) -> Self {
        Self::Deposit(event)
    }
}

impl From<FirmEvent> for Event {
    fn from(event: FirmEvent) -> Self {
        Self::Firm(event)
    }
}

impl From<LookEvent> for Event {
    fn from(event: LookEvent) -> Self {
        Self::Look(event)
    }
}

impl Event {
    /// Every type's stable name and current version.
    pub fn types() -> impl Iterator<Item = (&'static str, u32)> {
        let of_streams = [
            CaseEvent::TYPES,
            AccountEvent::TYPES,
            DepositEvent::TYPES,
            FirmEvent::TYPES,
            LookEvent::TYPES,
        ];
        of_streams.into_iter().flatten().copied()
    }

    /// The type's stable name.
    pub const fn type_name(&self) -> &'static str {
        match self {
            Self::Case(event) => event.type_name(),
            Self::Account(event) => event.type_name(),
            Self::Deposit(event) => event.type_name(),
            Self::Firm(event) => event.type_name(),
            Self::Look(event) => event.type_name(),
        }
    }

    /// The version this code writes.
    pub const fn type_version(&self) -> u32 {
        match self {
            Self::Case(event) => event.type_version(),
            Self::Account(event) => event.type_version(),
            Self::Deposit(event) => event.type_version(),
            Self::Firm(event) => event.type_version(),
            Self::Look(event) => event.type_version(),
        }
    }

    /// The position of the fact that was moved here from another client's file, if it says so of one.
    pub const fn moved(&self) -> Option<u64> {
        match self {
            Self::Case(CaseEvent::CorrectionNoted(noted)) if matches!(noted.moved, Some(true)) => {
                Some(noted.corrects)
            }
            Self::Case(_) | Self::Account(_) | Self::Deposit(_) | Self::Firm(_) | Self::Look(_) => {
                None
            }
        }
    }

    /// The position of the fact that it corrects, if it corrects one.
    pub const fn corrects(&self) -> Option<u64> {
        if let Self::Case(CaseEvent::FactCorrected(corrected)) = self {
            Some(corrected.fact.position)
        } else if let Self::Account(AccountEvent::MoneyCorrected(corrected)) = self {
            Some(corrected.fact.position)
        } else if let Self::Firm(FirmEvent::FirmCorrected(corrected)) = self {
            Some(corrected.fact.position)
        } else {
            None
        }
    }

    /// Whether it makes an entry in the books or changes what stands behind one.
    pub const fn moves_money(&self) -> bool {
        match self {
            Self::Case(event) => {
                matches!(event, CaseEvent::FeeEarned(_) | CaseEvent::FeeMarked(_))
            }
            Self::Account(event) => matches!(
                event,
                AccountEvent::InvoiceIssued(_)
                    | AccountEvent::PaymentSettled(_)
                    | AccountEvent::RefundIssued(_)
                    | AccountEvent::ChargebackOpened(_)
                    | AccountEvent::ChargebackWon(_)
                    | AccountEvent::ChargebackLost(_)
                    | AccountEvent::CreditGranted(_)
                    | AccountEvent::WrittenOff(_)
                    | AccountEvent::MoneyDeposited(_)
                    | AccountEvent::MoneyUndeposited(_)
                    | AccountEvent::MoneyCorrected(_)
                    | AccountEvent::MoneyRestated(_)
            ),
            Self::Deposit(event) => !matches!(event, DepositEvent::MatchRefused(_)),
            Self::Firm(event) => matches!(
                event,
                FirmEvent::BankAccountDeclared(_) | FirmEvent::BankAccountTakenBack(_)
            ),
            Self::Look(_) => false,
        }
    }

    /// Shows every personal value, in the order they are stored.
    pub fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        match self {
            Self::Case(event) => event.each_personal(visit),
            Self::Account(event) => event.each_personal(visit),
            Self::Deposit(event) => event.each_personal(visit),
            Self::Firm(event) => event.each_personal(visit),
            Self::Look(event) => event.each_personal(visit),
        }
    }

    fn put_payload(&self, out: &mut Out) {
        match self {
            Self::Case(event) => event.put_payload(out),
            Self::Account(event) => event.put_payload(out),
            Self::Deposit(event) => event.put_payload(out),
            Self::Firm(event) => event.put_payload(out),
            Self::Look(event) => event.put_payload(out),
        }
    }

    fn take_payload(name: &str, input: &mut In<'_>) -> Result<Self, DecodeError> {
        if let Some(event) = CaseEvent::take_payload(name, input) {
            return event.map(Self::Case);
        }
        if let Some(event) = AccountEvent::take_payload(name, input) {
            return event.map(Self::Account);
        }
        if let Some(event) = DepositEvent::take_payload(name, input) {
            return event.map(Self::Deposit);
        }
        if let Some(event) = FirmEvent::take_payload(name, input) {
            return event.map(Self::Firm);
        }
        match LookEvent::take_payload(name, input) {
            Some(event) => event.map(Self::Look),
            None => Err(input.error(format!("an event type this code knows, not {name:?}"))),
        }
    }
}
