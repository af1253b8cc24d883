//! Refusals: why a command was not carried out, as data. Text for people is made at the edge.

use std::fmt;

use crate::codec::{codes, record};

codes! {
    /// The stable reason of a refusal; it is part of the interface and never renamed.
    pub enum Reason {
        /// `expected_version` is not the stream's version: read again and decide again.
        VersionMismatch = "VERSION_MISMATCH",
        /// The firm is not registered.
        FirmUnknown = "FIRM_UNKNOWN",
        /// The firm is registered already.
        FirmExists = "FIRM_EXISTS",
        /// No such case has enrolled.
        CaseUnknown = "CASE_UNKNOWN",
        /// The case has enrolled already.
        CaseExists = "CASE_EXISTS",
        /// No such account was opened.
        AccountUnknown = "ACCOUNT_UNKNOWN",
        /// A plan, bureau, paper, item, round, invoice, payment or token that was never recorded.
        ReferenceUnknown = "REFERENCE_UNKNOWN",
        /// It was recorded before, under this very code.
        AlreadyRecorded = "ALREADY_RECORDED",
        /// The date lies in the future, or before what it follows from.
        DateImpossible = "DATE_IMPOSSIBLE",
        /// A value does not fit the firm: another currency, an amount that is not above zero.
        ValueRefused = "VALUE_REFUSED",
        /// The law or the trade forbids the service to do this now.
        NotAllowedYet = "NOT_ALLOWED_YET",
        /// The state of the case or account does not allow it.
        StateRefuses = "STATE_REFUSES",
        /// A fee's gates do not all hold.
        GatesClosed = "GATES_CLOSED",
        /// The event would be larger than an event may be.
        TooLarge = "TOO_LARGE",
    }
}

record! {
    /// One rule that stood in the way.
    pub struct Violation {
        /// The statute, standard or common practice.
        cites: String,
        /// What is wrong, without personal values.
        detail: String,
        /// The rule's stable name.
        rule: String,
        /// What it is about: a stream, a field, a period, a listing.
        subject: String,
    }
}

record! {
    /// A command was not carried out, and nothing was recorded.
    pub struct Refusal {
        /// Which action of the request, counted from 0.
        action: u32,
        /// The reason.
        reason: Reason,
        /// Every rule that stood in the way.
        violations: Vec<Violation>,
    }
}

impl Refusal {
    /// A refusal by one rule of the trade or the product, without a statute.
    pub fn new(reason: Reason, subject: impl fmt::Display, detail: impl Into<String>) -> Self {
        Self::citing(reason, subject, detail, "")
    }

    /// A refusal by one rule with its citation.
    pub fn citing(
        reason: Reason,
        subject: impl fmt::Display,
        detail: impl Into<String>,
        cites: impl Into<String>,
    ) -> Self {
        Self::of(
            reason,
            vec![Violation {
                cites: cites.into(),
                detail: detail.into(),
                rule: reason.code().to_ascii_lowercase(),
                subject: subject.to_string(),
            }],
        )
    }

    /// A refusal by several rules at once.
    pub fn of(reason: Reason, violations: Vec<Violation>) -> Self {
        Self { action: 0, reason, violations }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.reason)?;
        for violation in &self.violations {
            write!(f, "; {}: {}", violation.subject, violation.detail)?;
            if !violation.cites.is_empty() {
                write!(f, " ({})", violation.cites)?;
            }
        }
        Ok(())
    }
}
