//! A status of the service, told to a person: what, every rule in the way, and what to do next.

use api::status::ANSWERED_BEFORE;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, RpcStatusExt, StatusExt};

/// What went wrong, ready to be printed or counted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Fault {
    /// The gRPC code.
    pub(crate) code: Code,
    /// The stable reason; empty if the status came from elsewhere.
    pub(crate) reason: String,
    /// The service's own sentence.
    pub(crate) message: String,
    /// What is at fault: a field or a rule with its subject, and the description with its citation.
    pub(crate) violations: Vec<(String, String)>,
    /// Whether it is the answer that the same request got before.
    pub(crate) answered_before: bool,
    /// The incident to report, for a fault of the service.
    incident: Option<String>,
    /// The field that names something which is not there.
    named: Option<String>,
    /// Where the log is damaged.
    position: Option<String>,
}

impl Fault {
    /// Reads a status.
    pub(crate) fn of_status(status: &Status) -> Self {
        Self::new(status.code(), status.message(), &status.get_error_details())
    }

    /// Reads one answer of a stream.
    pub(crate) fn of_message(status: &tonic_types::Status) -> Self {
        Self::new(Code::from_i32(status.code), &status.message, &status.get_error_details())
    }

    fn new(code: Code, message: &str, details: &ErrorDetails) -> Self {
        let info = details.error_info();
        Self {
            code,
            reason: info.map(|info| info.reason.clone()).unwrap_or_default(),
            message: message.to_owned(),
            violations: violations(details),
            answered_before: info.is_some_and(|info| info.metadata.contains_key(ANSWERED_BEFORE)),
            incident: info.and_then(|info| info.metadata.get("incident").cloned()),
            named: info.and_then(|info| info.metadata.get("field").cloned()),
            position: info
                .filter(|info| info.reason == "LOG_CORRUPT")
                .and_then(|info| info.metadata.get("position").cloned()),
        }
    }

    /// The field, or the rule's subject, that is at fault first; `line` if none is named.
    pub(crate) fn field(&self) -> &str {
        let first = || self.violations.first().map_or("line", |(field, _)| field);
        self.named.as_deref().unwrap_or_else(first)
    }

    /// One line: the reason, then every violation.
    pub(crate) fn one_line(&self) -> String {
        let mut text = self.headline();
        for (_, description) in &self.violations {
            text.push_str("; ");
            text.push_str(description);
        }
        text
    }

    fn headline(&self) -> String {
        let message = if self.message.is_empty() { "no reason was given" } else { &self.message };
        if self.reason.is_empty() {
            message.to_owned()
        } else {
            format!("{message} ({})", self.reason)
        }
    }

    fn kind(&self) -> &'static str {
        if self.reason.starts_with("EVIDENCE_") && self.code == Code::DataLoss {
            return "the document is lost";
        }
        if is_of_the_transport(self.code, &self.reason) { "no answer" } else { kind(self.code) }
    }

    /// What a person reads.
    pub(crate) fn lines(&self) -> Vec<String> {
        let mut lines = vec![format!("{}: {}", self.kind(), self.headline())];
        for (field, description) in &self.violations {
            lines.push(if field.is_empty() {
                format!("  {description}")
            } else {
                format!("  {field}: {description}")
            });
        }
        if let Some(position) = &self.position {
            lines.push(format!("  at position {position}"));
        }
        if let Some(incident) = &self.incident {
            lines.push(format!("  incident {incident}"));
        }
        if let Some(next) = next(self.code, &self.reason) {
            lines.push(format!("next: {next}"));
        }
        lines
    }
}

/// Whether no service said it: of its own statuses each has a reason, and faults of its own an incident.
pub(crate) fn is_of_the_transport(code: Code, reason: &str) -> bool {
    reason.is_empty() && matches!(code, Code::Unknown | Code::Internal)
}

fn violations(details: &ErrorDetails) -> Vec<(String, String)> {
    let mut found = Vec::new();
    if let Some(bad) = details.bad_request() {
        found.extend(bad.field_violations.iter().map(|v| (v.field.clone(), v.description.clone())));
    }
    if let Some(failure) = details.precondition_failure() {
        found.extend(failure.violations.iter().map(|v| {
            let about = if v.subject.is_empty() { &v.r#type } else { &v.subject };
            (about.clone(), v.description.clone())
        }));
    }
    if let Some(resource) = details.resource_info() {
        let about = format!("{} {}", resource.resource_type, resource.resource_name);
        found.push((about.trim().to_owned(), resource.description.clone()));
    }
    if let Some(quota) = details.quota_failure() {
        found.extend(quota.violations.iter().map(|v| (v.subject.clone(), v.description.clone())));
    }
    found
}

fn kind(code: Code) -> &'static str {
    match code {
        Code::Ok => "ok",
        Code::InvalidArgument | Code::OutOfRange => "not valid",
        Code::NotFound => "not found",
        Code::AlreadyExists => "already there",
        Code::FailedPrecondition => "refused",
        Code::Aborted => "changed meanwhile",
        Code::PermissionDenied => "not allowed",
        Code::Unauthenticated => "not let in",
        Code::Unavailable | Code::ResourceExhausted | Code::Cancelled => "not available",
        Code::DeadlineExceeded => "took too long",
        Code::DataLoss => "the log is damaged",
        Code::Unknown | Code::Unimplemented | Code::Internal => "fault",
    }
}

/// What to do next. Reasons are the stable ones of the contract; what is left goes by the code.
fn next(code: Code, reason: &str) -> Option<&'static str> {
    if is_of_the_transport(code, reason) {
        return Some(
            "look at the address, and whether it begins as it has to: https:// where TLS is spoken, http:// \
             where it is not",
        );
    }
    Some(match reason {
        "FIRM_UNKNOWN" => "register the firm: counterfoil firm register FILE.json",
        "CASE_UNKNOWN" => "look the case up: counterfoil clients",
        "VERSION_MISMATCH" => "read the case again: counterfoil status CASE",
        "GATES_CLOSED" => "see each gate: counterfoil explain CASE PERIOD",
        "NOT_ALLOWED_YET" => "see what is still missing: counterfoil status CASE",
        "NO_SIGNING_KEY" => "make one where the database is: counterfoil keys new",
        "REQUEST_ID_REUSED" => "give a new request a new id",
        "REVIEW_DUE" => "see what changes: counterfoil review; then: counterfoil review --record",
        "REBUILD_SUPERSEDED" | "REVIEW_OVERTAKEN" | "ROWS_OUTRUN" => {
            "try again in a moment: nothing was changed"
        }
        "READ_BEHIND" => "try again in a moment; if it stays so: counterfoil verify",
        "POSITION_BEYOND_LOG" | "CURSOR_FORKED" => {
            "see where the log ends: counterfoil head; if it was restored, go on from an event that \
             both have, or from the start"
        }
        "OUTCOME_UNKNOWN" => "ask again under the same request id: nothing is recorded twice",
        "OUTBOX_UNUSABLE" | "CHARGES_NOT_HANDED_OVER" => {
            "put the folder for charges right, then ask for charges again"
        }
        "NO_EVIDENCE_STORE" => "say where it is kept, with --evidence or COUNTERFOIL_EVIDENCE",
        "EVIDENCE_ALTERED" | "EVIDENCE_MISSING" => {
            "take it from a backup or upload it again; see them all: counterfoil evidence check"
        }
        "LOG_CORRUPT" => "write nothing more, keep the file, and run: counterfoil verify",
        _ => match code {
            Code::Unauthenticated => {
                "give a token with --token or COUNTERFOIL_TOKEN; the firm's administrator makes \
                 one: counterfoil tokens create"
            }
            Code::PermissionDenied => "use a token of this firm with the scope that this needs",
            Code::Unavailable | Code::DeadlineExceeded | Code::ResourceExhausted => {
                "try again in a moment; repeating is harmless under the same request id"
            }
            Code::NotFound => {
                "what there is, these list: counterfoil clients, counterfoil invoices, counterfoil firm show"
            }
            Code::DataLoss => "write nothing more, keep the file, and run: counterfoil verify",
            Code::Internal | Code::Unknown => "report it with the service's own log",
            Code::Ok
            | Code::Cancelled
            | Code::InvalidArgument
            | Code::AlreadyExists
            | Code::FailedPrecondition
            | Code::Aborted
            | Code::OutOfRange
            | Code::Unimplemented => return None,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;

    #[test]
    fn what_no_service_said_is_no_fault_to_report() {
        for code in [Code::Unknown, Code::Internal] {
            let lines = Fault::of_status(&Status::new(code, "h2 protocol error")).lines();
            assert_eq!(lines[0], "no answer: h2 protocol error");
            assert!(lines[1].contains("https:// where TLS is spoken"), "{lines:?}");
        }
    }

    #[test]
    fn a_refusal_shows_its_rule_citation_and_next_step() {
        let mut details =
            ErrorDetails::with_error_info("GATES_CLOSED", "counterfoil", HashMap::new());
        details.add_precondition_failure_violation(
            "G3",
            "period 1",
            "a round went out on the second day (15 USC 1679d(a)(2))",
        );
        let status =
            Status::with_error_details(Code::FailedPrecondition, "gates do not hold", details);
        let lines = Fault::of_status(&status).lines();
        assert_eq!(lines[0], "refused: gates do not hold (GATES_CLOSED)");
        assert_eq!(lines[1], "  period 1: a round went out on the second day (15 USC 1679d(a)(2))");
        assert!(lines[2].starts_with("next: see each gate"), "{lines:?}");
    }

    #[test]
    fn a_bare_status_still_says_what_to_do() {
        let lines = Fault::of_status(&Status::unauthenticated("who is it?")).lines();
        assert_eq!(lines[0], "not let in: who is it?");
        assert!(lines[1].contains("--token"), "{lines:?}");
    }
}
