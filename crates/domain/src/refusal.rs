//! Refusals: why a command was not carried out, as data. Text for people is made at the edge.

use std::fmt;

use crate::codec::{DecodeError, Field, INTEGER_MAX, In, Out, codes, record};

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

/// A version as a caller names it. No stream gets beyond 2^53 − 1 events, but a caller may say so,
/// and the refusal that says so in return has to be kept and read again: beyond, it is kept as text.
///
/// Answers of older versions hold such a number as a number. They are read as what they say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct NamedVersion(pub u64);

impl Field for NamedVersion {
    fn put(&self, out: &mut Out) {
        if self.0 > INTEGER_MAX { out.string(&self.0.to_string()) } else { self.0.put(out) }
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        if input.next_byte() != Some(b'"') {
            return input.digits(u64::MAX).map(Self);
        }
        let text = input.string()?;
        let value: Option<u64> = text.parse().ok();
        let value = value.filter(|value| *value > INTEGER_MAX && value.to_string() == text);
        value.map(Self).ok_or_else(|| input.error("a version beyond 2^53 − 1"))
    }
}

impl fmt::Display for NamedVersion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

record! {
    /// The version that was decided on, and the version there is.
    #[derive(Copy)]
    pub struct Versions {
        /// The stream's version.
        actual: u64,
        /// The version the caller decided on.
        expected: NamedVersion,
    }
}

record! {
    /// A command was not carried out, and nothing was recorded.
    pub struct Refusal {
        /// Which action of the request, counted from 0.
        action: u32,
        /// The reason.
        reason: Reason,
        /// What a decision on another version was made on; nothing for every other reason.
        versions: Option<Versions>,
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
        Self { action: 0, reason, versions: None, violations }
    }

    /// A refusal because the stream has moved on, or never got that far.
    pub fn stale(subject: impl fmt::Display, versions: Versions) -> Self {
        let Versions { actual, expected } = versions;
        let detail = format!("expected version {expected}, the case is at {actual}");
        let refusal = Self::new(Reason::VersionMismatch, subject, detail);
        Self { versions: Some(versions), ..refusal }
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
