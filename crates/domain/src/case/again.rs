//! The action that would tell a fact again.

use crate::command::{
    Cancel, CaseAction, Enrol, FindResults, ImportReport, NoteReinsertion, SendRound, SignConsent,
};
use crate::event::{CaseEvent, RoundSent, SeenBy};

/// The action that tells what an event tells; nothing for what no action tells, and for a report whose list is
/// not known.
pub(super) fn action_of(event: CaseEvent) -> Option<CaseAction> {
    Some(match event {
        CaseEvent::Enrolled(e) => CaseAction::Enrol(Box::new(Enrol {
            billing: e.billing,
            birth_date: e.birth_date,
            card: None,
            contact: e.contact,
            plan: e.plan,
            sale: e.sale,
            seat: e.seat,
            ssn_last4: e.ssn_last4,
            zone: Some(e.zone),
        })),
        CaseEvent::DisclosureDelivered(e) => CaseAction::DisclosureDelivered(e),
        CaseEvent::DisclosureAcknowledged(e) => CaseAction::DisclosureAcknowledged(e),
        CaseEvent::ConsentSigned(e) => CaseAction::SignConsent(SignConsent {
            activity: e.activity.unwrap_or_default(),
            copies_given: e.copies_given,
            document: e.document,
            e_sign_consent: e.e_sign_consent,
            items: e.items,
            languages: e.languages,
            plan: e.plan.map(|plan| plan.code),
            promised: e.promised.unwrap_or_default(),
            total_of_payments: e.total_of_payments,
        }),
        CaseEvent::ConsentCancelled(e) => {
            CaseAction::Cancel(Cancel { reason: e.reason, sent_on: e.sent_on })
        }
        CaseEvent::IdentityPaperReceived(e) => CaseAction::IdentityPaperReceived(e),
        CaseEvent::IdentityPaperAccepted(e) => CaseAction::IdentityPaperAccepted(e),
        CaseEvent::IdentityPaperRejected(e) => CaseAction::IdentityPaperRejected(e),
        CaseEvent::ReportSourceConnected(e) => CaseAction::ReportSourceConnected(e),
        CaseEvent::ReportIdentityFailed(e) => CaseAction::ReportIdentityFailed(e),
        CaseEvent::BasisAttested(e) => CaseAction::AttestBasis(e),
        CaseEvent::WorkOpened(_) => CaseAction::OpenWork,
        CaseEvent::RoundSent(RoundSent { completes_before, letters, .. }) => {
            CaseAction::NoteRoundSent(SendRound { completes_before, letters })
        }
        CaseEvent::LetterDelivered(e) => CaseAction::LetterDelivered(e),
        CaseEvent::ClientInformationSent(e) => CaseAction::ClientInformationSent(e),
        CaseEvent::ResponseReceived(e) => CaseAction::ReceiveResponse(e),
        CaseEvent::BureauAsked(e) => CaseAction::BureauAsked(e),
        CaseEvent::BureauAnswered(e) => CaseAction::BureauAnswered(e),
        CaseEvent::ProgressReportSent(e) => CaseAction::ProgressReportSent(e),
        CaseEvent::ContactChanged(e) => CaseAction::ContactChanged(Box::new(e)),
        CaseEvent::BillingDayChanged(e) => CaseAction::BillingDayChanged(e),
        CaseEvent::CircumstanceChanged(e) => CaseAction::ChangeCircumstance(e),
        CaseEvent::MessageLogged(e) => CaseAction::MessageLogged(e),
        CaseEvent::ServicePaused(e) => CaseAction::PauseService(e),
        CaseEvent::ServiceResumed(_) => CaseAction::ResumeService,
        CaseEvent::ServiceEnded(e) => CaseAction::EndService(e),
        CaseEvent::PeriodClosedWithoutFee(e) => CaseAction::ClosePeriod(e),
        CaseEvent::ResultsFound(e) => CaseAction::FindResults(FindResults {
            agreement: Some(e.agreement.position),
            document: e.document,
            found: e.found,
            found_by: e.found_by,
            reason: e.reason,
        }),
        CaseEvent::ReportImported(e) => CaseAction::ImportReport(ImportReport {
            bureau: e.bureau,
            card_balance: e.card_balance,
            card_limit: e.card_limit,
            completes_before: e.completes_before,
            document: e.document,
            free_annual: e.free_annual,
            inquiries: e.inquiries,
            issued_on: e.issued_on,
            items: e.items?,
            score: e.score,
        }),
        CaseEvent::ItemReinserted(e) => match e.seen_by {
            SeenBy::Notice => {
                CaseAction::NoteReinsertion(NoteReinsertion { bureau: e.bureau, item: e.item })
            }
            SeenBy::Response | SeenBy::Import => return None,
        },
        CaseEvent::ItemListed(_)
        | CaseEvent::ItemDeleted(_)
        | CaseEvent::ItemCorrected(_)
        | CaseEvent::ItemVerified(_)
        | CaseEvent::FeeEarned(_)
        | CaseEvent::FeeHeld(_)
        | CaseEvent::FeeKept(_)
        | CaseEvent::FeeMarked(_)
        | CaseEvent::ExposureFound(_)
        | CaseEvent::CorrectionNoted(_)
        | CaseEvent::FactCorrected(_)
        | CaseEvent::LegalHoldPlaced(_)
        | CaseEvent::LegalHoldLifted(_)
        | CaseEvent::ClientErased(_) => return None,
    })
}
