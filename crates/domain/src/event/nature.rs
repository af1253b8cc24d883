//! What kinds of events a case has: what happened, what was decided, what was concluded.

use super::{AccountEvent, CaseEvent, FirmFact, MoneyFact, SeenBy};
use crate::codec::codes;
use crate::gates::Gate;

codes! {
    /// What makes the story of a case: what happened on a day, or was ordered and carried out. Only these are
    /// corrected. Each is called as its event is.
    pub enum FactKind {
        /// See [`super::Enrolled`].
        Enrolled = "enrolled",
        /// See [`super::DisclosureDelivered`].
        DisclosureDelivered = "disclosure_delivered",
        /// See [`super::DisclosureAcknowledged`].
        DisclosureAcknowledged = "disclosure_acknowledged",
        /// See [`super::ConsentSigned`].
        ConsentSigned = "consent_signed",
        /// See [`super::ConsentCancelled`].
        ConsentCancelled = "consent_cancelled",
        /// See [`super::IdentityPaperReceived`].
        IdentityPaperReceived = "identity_paper_received",
        /// See [`super::IdentityPaperAccepted`].
        IdentityPaperAccepted = "identity_paper_accepted",
        /// See [`super::IdentityPaperRejected`].
        IdentityPaperRejected = "identity_paper_rejected",
        /// See [`super::ReportSourceConnected`].
        ReportSourceConnected = "report_source_connected",
        /// See [`super::ReportIdentityFailed`].
        ReportIdentityFailed = "report_identity_failed",
        /// See [`super::ReportImported`].
        ReportImported = "report_imported",
        /// See [`super::BasisAttested`].
        BasisAttested = "basis_attested",
        /// See [`super::WorkOpened`].
        WorkOpened = "work_opened",
        /// See [`super::RoundSent`].
        RoundSent = "round_sent",
        /// See [`super::LetterDelivered`].
        LetterDelivered = "letter_delivered",
        /// See [`super::ClientInformationSent`].
        ClientInformationSent = "client_information_sent",
        /// See [`super::ResponseReceived`].
        ResponseReceived = "response_received",
        /// See [`super::ItemReinserted`]: a bureau's notice.
        ItemReinserted = "item_reinserted",
        /// See [`super::BureauAsked`].
        BureauAsked = "bureau_asked",
        /// See [`super::BureauAnswered`].
        BureauAnswered = "bureau_answered",
        /// See [`super::ProgressReportSent`].
        ProgressReportSent = "progress_report_sent",
        /// See [`super::ContactChanged`].
        ContactChanged = "contact_changed",
        /// See [`super::CircumstanceChanged`].
        CircumstanceChanged = "circumstance_changed",
        /// See [`super::BillingDayChanged`].
        BillingDayChanged = "billing_day_changed",
        /// See [`super::MessageLogged`].
        MessageLogged = "message_logged",
        /// See [`super::ServicePaused`].
        ServicePaused = "service_paused",
        /// See [`super::ServiceResumed`].
        ServiceResumed = "service_resumed",
        /// See [`super::ServiceEnded`].
        ServiceEnded = "service_ended",
        /// See [`super::PeriodClosedWithoutFee`].
        PeriodClosedWithoutFee = "period_closed_without_fee",
        /// See [`super::ResultsFound`].
        ResultsFound = "results_found",
    }
}

/// What an event is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Nature {
    /// It says what happened on a day.
    Fact(FactKind),
    /// It was decided on the facts known then. It is judged again, never corrected.
    Decision,
    /// It follows from facts, and is told where it changed.
    Conclusion,
    /// It is about the record itself.
    Record,
}

impl CaseEvent {
    /// What it is.
    pub const fn nature(&self) -> Nature {
        match self {
            Self::Enrolled(_) => Nature::Fact(FactKind::Enrolled),
            Self::DisclosureDelivered(_) => Nature::Fact(FactKind::DisclosureDelivered),
            Self::DisclosureAcknowledged(_) => Nature::Fact(FactKind::DisclosureAcknowledged),
            Self::ConsentSigned(_) => Nature::Fact(FactKind::ConsentSigned),
            Self::ConsentCancelled(_) => Nature::Fact(FactKind::ConsentCancelled),
            Self::IdentityPaperReceived(_) => Nature::Fact(FactKind::IdentityPaperReceived),
            Self::IdentityPaperAccepted(_) => Nature::Fact(FactKind::IdentityPaperAccepted),
            Self::IdentityPaperRejected(_) => Nature::Fact(FactKind::IdentityPaperRejected),
            Self::ReportSourceConnected(_) => Nature::Fact(FactKind::ReportSourceConnected),
            Self::ReportIdentityFailed(_) => Nature::Fact(FactKind::ReportIdentityFailed),
            Self::ReportImported(_) => Nature::Fact(FactKind::ReportImported),
            Self::BasisAttested(_) => Nature::Fact(FactKind::BasisAttested),
            Self::WorkOpened(_) => Nature::Fact(FactKind::WorkOpened),
            Self::RoundSent(_) => Nature::Fact(FactKind::RoundSent),
            Self::LetterDelivered(_) => Nature::Fact(FactKind::LetterDelivered),
            Self::ClientInformationSent(_) => Nature::Fact(FactKind::ClientInformationSent),
            Self::ResponseReceived(_) => Nature::Fact(FactKind::ResponseReceived),
            Self::BureauAsked(_) => Nature::Fact(FactKind::BureauAsked),
            Self::BureauAnswered(_) => Nature::Fact(FactKind::BureauAnswered),
            Self::ProgressReportSent(_) => Nature::Fact(FactKind::ProgressReportSent),
            Self::ContactChanged(_) => Nature::Fact(FactKind::ContactChanged),
            Self::CircumstanceChanged(_) => Nature::Fact(FactKind::CircumstanceChanged),
            Self::BillingDayChanged(_) => Nature::Fact(FactKind::BillingDayChanged),
            Self::MessageLogged(_) => Nature::Fact(FactKind::MessageLogged),
            Self::ServicePaused(_) => Nature::Fact(FactKind::ServicePaused),
            Self::ServiceResumed(_) => Nature::Fact(FactKind::ServiceResumed),
            Self::ServiceEnded(_) => Nature::Fact(FactKind::ServiceEnded),
            Self::PeriodClosedWithoutFee(_) => Nature::Fact(FactKind::PeriodClosedWithoutFee),
            Self::ResultsFound(_) => Nature::Fact(FactKind::ResultsFound),
            // A notice is told; what reports and answers show of it is concluded.
            Self::ItemReinserted(e) => match e.seen_by {
                SeenBy::Notice => Nature::Fact(FactKind::ItemReinserted),
                SeenBy::Response | SeenBy::Import => Nature::Conclusion,
            },
            Self::FeeEarned(_) | Self::FeeHeld(_) | Self::FeeKept(_) => Nature::Decision,
            Self::ItemListed(_)
            | Self::ItemDeleted(_)
            | Self::ItemCorrected(_)
            | Self::ItemVerified(_)
            | Self::ExposureFound(_)
            | Self::FeeMarked(_) => Nature::Conclusion,
            Self::CorrectionNoted(_)
            | Self::FactCorrected(_)
            | Self::LegalHoldPlaced(_)
            | Self::LegalHoldLifted(_)
            | Self::ClientErased(_) => Nature::Record,
        }
    }

    /// Which fact it is, if it is one.
    pub const fn fact(&self) -> Option<FactKind> {
        match self.nature() {
            Nature::Fact(kind) => Some(kind),
            Nature::Decision | Nature::Conclusion | Nature::Record => None,
        }
    }
}

impl AccountEvent {
    /// Which fact about money it is, if it is one: the others are decided, or about the account itself.
    pub const fn money_fact(&self) -> Option<MoneyFact> {
        match self {
            Self::PaymentSettled(_) => Some(MoneyFact::PaymentSettled),
            Self::PaymentFailed(_) => Some(MoneyFact::PaymentFailed),
            Self::RefundIssued(_) => Some(MoneyFact::RefundIssued),
            Self::ChargebackOpened(_) => Some(MoneyFact::ChargebackOpened),
            Self::ChargebackWon(_) => Some(MoneyFact::ChargebackWon),
            Self::ChargebackLost(_) => Some(MoneyFact::ChargebackLost),
            Self::CreditGranted(_) => Some(MoneyFact::CreditGranted),
            Self::WrittenOff(_) => Some(MoneyFact::WrittenOff),
            Self::AccountOpened(_)
            | Self::CardOnFileChanged(_)
            | Self::LinkSuggested(_)
            | Self::LinkRefused(_)
            | Self::MemberLinked(_)
            | Self::MemberUnlinked(_)
            | Self::PaymentMoved(_)
            | Self::PaymentMovedBack(_)
            | Self::InvoiceIssued(_)
            | Self::ChargeRequested(_)
            | Self::RefundRequested(_)
            | Self::RefundFailed(_)
            | Self::UnearnedPaymentFound(_)
            | Self::MoneyDeposited(_)
            | Self::MoneyUndeposited(_)
            | Self::MoneyCorrected(_)
            | Self::LinesShared(_)
            | Self::MoneyRestated(_) => None,
        }
    }
}

impl FirmFact {
    /// The gates that look at it. A pack words the law of each.
    pub const fn gates(self) -> &'static [Gate] {
        match self {
            Self::PackAdopted | Self::PackConfirmed | Self::PackUsedAtOwnRisk => Gate::ALL,
            Self::StandingRecorded | Self::StandingEnded => &[Gate::State],
        }
    }
}

impl FactKind {
    /// The gates that look at it: beside them a correction of such a fact is shown.
    pub const fn gates(self) -> &'static [Gate] {
        match self {
            Self::DisclosureAcknowledged => &[Gate::Disclosure],
            Self::ConsentSigned => &[
                Gate::Disclosure,
                Gate::Agreement,
                Gate::WaitingDays,
                Gate::FullyPerformed,
                Gate::Telemarketing,
                Gate::State,
                Gate::Total,
            ],
            Self::ConsentCancelled => &[Gate::Agreement, Gate::FullyPerformed],
            Self::Enrolled => &[
                Gate::Agreement,
                Gate::WaitingDays,
                Gate::FullyPerformed,
                Gate::Telemarketing,
                Gate::State,
            ],
            Self::ReportImported => &[Gate::FullyPerformed, Gate::Telemarketing],
            Self::ResponseReceived | Self::ItemReinserted | Self::ResultsFound => {
                &[Gate::Telemarketing]
            }
            Self::RoundSent => &[Gate::WaitingDays, Gate::FullyPerformed, Gate::State],
            Self::BureauAsked => &[Gate::WaitingDays],
            Self::ProgressReportSent => {
                &[Gate::WaitingDays, Gate::FullyPerformed, Gate::Telemarketing, Gate::State]
            }
            Self::ContactChanged => &[Gate::State],
            Self::BasisAttested
            | Self::BillingDayChanged
            | Self::CircumstanceChanged
            | Self::ServicePaused
            | Self::ServiceResumed
            | Self::ServiceEnded
            | Self::PeriodClosedWithoutFee => &[Gate::FullyPerformed],
            Self::DisclosureDelivered
            | Self::IdentityPaperReceived
            | Self::IdentityPaperAccepted
            | Self::IdentityPaperRejected
            | Self::ReportSourceConnected
            | Self::ReportIdentityFailed
            | Self::WorkOpened
            | Self::LetterDelivered
            | Self::ClientInformationSent
            | Self::BureauAnswered
            | Self::MessageLogged => &[],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_of_fact_is_called_as_its_event_is() {
        for kind in FactKind::ALL {
            assert!(CaseEvent::TYPES.iter().any(|(name, _)| *name == kind.code()), "{kind}");
        }
        for kind in MoneyFact::ALL {
            assert!(AccountEvent::TYPES.iter().any(|(name, _)| *name == kind.code()), "{kind}");
        }
    }
}
