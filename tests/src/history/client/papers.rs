//! What a client signs and shows before work opens.

use calendar::CivilDate;
use domain::command::{Cancel, CaseAction, SignConsent};
use domain::event::{
    DisclosureAcknowledged, DisclosureDelivered, IdentityPaperAccepted, IdentityPaperReceived,
    IdentityPaperRejected, PaperKind, ReportIdentityFailed, ReportSourceConnected,
};
use domain::ids::PaperCode;
use rand::RngExt;
use rand::rngs::StdRng;

use super::super::{personal, text, usd};
use super::{Client, asked, message};

impl Client {
    pub(super) fn set_up(&self, rng: &mut StdRng, step: u8, today: CivilDate) -> Vec<CaseAction> {
        if matches!(step, 1 | 2) {
            return self.sign(rng);
        }
        vec![self.preparation(rng, step, today)]
    }

    fn preparation(&self, rng: &mut StdRng, step: u8, today: CivilDate) -> CaseAction {
        if step > 2 && rng.random_ratio(1, 60) {
            return CaseAction::Cancel(Cancel { reason: None, sent_on: today });
        }
        // One in fifty is served in the cancellation days: G3 has to find it.
        if step == 3 && rng.random_ratio(1, 50) {
            return asked(rng);
        }
        match step {
            0 => CaseAction::DisclosureDelivered(DisclosureDelivered { document: None }),
            3 => paper_received("photo", PaperKind::PhotoId),
            4 => paper_judged(rng, "photo"),
            5 => paper_received("home", PaperKind::Residence),
            6 => paper_judged(rng, "home"),
            7 if rng.random_ratio(1, 8) => {
                CaseAction::ReportIdentityFailed(ReportIdentityFailed { source: text("source") })
            }
            7 => {
                CaseAction::ReportSourceConnected(ReportSourceConnected { source: text("source") })
            }
            _ => self.import(rng, usize::from(step), today),
        }
    }

    /// The disclosure and the agreement, mostly in one sitting. One in thirty signs before the disclosure was
    /// signed for, and mostly signs for it afterwards: G1 has to find both.
    fn sign(&self, rng: &mut StdRng) -> Vec<CaseAction> {
        if self.never_signs() && self.signed.disclosure {
            return vec![message(rng)];
        }
        let in_one_sitting = !self.signed.disclosure && !self.signed.agreement;
        if in_one_sitting && !self.never_signs() && rng.random_ratio(2, 3) {
            return self.papers(rng);
        }
        let signs = if self.signed.agreement {
            rng.random_ratio(1, 3)
        } else {
            self.signed.disclosure || !self.never_signs() && rng.random_ratio(1, 30)
        };
        if signs { vec![self.agreement(rng)] } else { vec![acknowledgement()] }
    }

    /// The acknowledgement and the agreement, in this order.
    pub(super) fn papers(&self, rng: &mut StdRng) -> Vec<CaseAction> {
        vec![acknowledgement(), self.agreement(rng)]
    }

    /// A few get no copies with their first agreement, and a few never consent to electronic records.
    fn agreement(&self, rng: &mut StdRng) -> CaseAction {
        CaseAction::SignConsent(SignConsent {
            activity: [].into(),
            items: None,
            languages: None,
            plan: None,
            copies_given: self.signed.agreement || self.number % 30 != 11,
            document: None,
            e_sign_consent: self.number % 30 != 22,
            promised: self.promised(rng),
            total_of_payments: usd(rng.random_range(30_000..200_000)),
        })
    }
}

fn acknowledgement() -> CaseAction {
    CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None })
}

fn paper_received(code: &str, kind: PaperKind) -> CaseAction {
    let paper = PaperCode::parse(code).expect("a code of ours");
    CaseAction::IdentityPaperReceived(IdentityPaperReceived { document: None, kind, paper })
}

fn paper_judged(rng: &mut StdRng, code: &str) -> CaseAction {
    let paper = PaperCode::parse(code).expect("a code of ours");
    if rng.random_ratio(1, 6) {
        let reason = personal("not readable");
        return CaseAction::IdentityPaperRejected(IdentityPaperRejected { paper, reason });
    }
    CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper })
}
