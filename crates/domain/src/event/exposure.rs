//! What a firm is exposed by.

use crate::codec::{codes, record};
use crate::money::Money;
use crate::value::Text;

codes! {
    /// What a firm is exposed by.
    pub enum ExposureKind {
        /// Service was performed before the cancellation days ended (15 USC 1679d(a)(2)).
        EarlyService = "early_service",
        /// A listing was disputed without a basis the client attested (15 USC 1679b(a)(1)).
        DisputeWithoutBasis = "dispute_without_basis",
        /// Service was performed with no agreement in force (15 USC 1679d(a)(1)).
        NoAgreement = "no_agreement",
        /// Letters went out without an accepted pair of papers (common practice, no source).
        PapersMissing = "papers_missing",
        /// A fee was asked for before it was earned (15 USC 1679b(b); 16 CFR 310.4(a)(2)).
        FeeAskedUnearned = "fee_asked_unearned",
        /// Money was taken for an unearned fee (15 USC 1679b(b)).
        PaymentUnearned = "payment_unearned",
        /// Letters went out after the client had taken back the authority to write (common law of agency).
        DisputeWithoutAuthority = "dispute_without_authority",
        /// An agreement was signed behind the client's death: no consumer signed it (15 USC 1679d(a)(1)).
        SignedAfterDeath = "signed_after_death",
        /// A card was charged that no authorization of the client covered on that day (12 CFR 1005.10(b) to (d)).
        ChargeUnauthorized = "charge_unauthorized",
        /// A card was charged behind the client's death (common law of agency).
        ChargeAfterDeath = "charge_after_death",
        /// An agreement was signed against the law of a state (15 USC 1679j).
        SignedAgainstLaw = "signed_against_law",
        /// Work was done on a day on which what the law of a state asks to be on file did not stand (15 USC 1679j).
        WorkUnsecured = "work_unsecured",
    }
}

record! {
    /// The firm did, or is told it did, what a rule forbids. It stays on record.
    pub struct ExposureFound {
        /// Money at stake, if it is known.
        amount: Option<Money>,
        /// The rule.
        cites: Text,
        /// What.
        kind: ExposureKind,
        /// The period it concerns.
        period: Option<u32>,
    }
}
