//! A refusal of the domain as a status.

use domain::refusal::{Reason, Refusal, Versions, Violation};
use tonic::{Code, Status};

use super::build::Answer;

/// What a reason becomes: its code, the detail beside `ErrorInfo`, and the message.
struct Shape {
    code: Code,
    detail: Detail,
    message: &'static str,
}

enum Detail {
    /// Versions in the metadata.
    Version,
    /// The resource, by its type.
    Resource(&'static str),
    /// The fields at fault.
    Fields,
    /// The rules in the way.
    Rules,
}

const fn shape(reason: Reason) -> Shape {
    use Detail::{Fields, Resource, Rules, Version};
    let (code, detail, message) = match reason {
        Reason::VersionMismatch => {
            (Code::Aborted, Version, "the case has another version; read it again and decide again")
        }
        Reason::FirmUnknown => (Code::NotFound, Resource("Firm"), "the firm is not registered"),
        Reason::CaseUnknown => (Code::NotFound, Resource("Case"), "no such case has enrolled"),
        Reason::AccountUnknown => {
            (Code::NotFound, Resource("Account"), "no such account was opened")
        }
        Reason::ReferenceUnknown => {
            (Code::NotFound, Resource("Reference"), "something named was never recorded")
        }
        Reason::FirmExists => {
            (Code::AlreadyExists, Resource("Firm"), "the firm is registered already")
        }
        Reason::CaseExists => {
            (Code::AlreadyExists, Resource("Case"), "the case has enrolled already")
        }
        Reason::AlreadyRecorded => {
            (Code::AlreadyExists, Resource("Reference"), "it was recorded before")
        }
        Reason::DateImpossible => (Code::InvalidArgument, Fields, "a date is impossible"),
        Reason::ValueRefused => (Code::InvalidArgument, Fields, "a value does not fit the firm"),
        Reason::TooLarge => (Code::InvalidArgument, Fields, "the event would be too large"),
        Reason::NotAllowedYet => {
            (Code::FailedPrecondition, Rules, "the law or the trade forbids this now")
        }
        Reason::StateRefuses => {
            (Code::FailedPrecondition, Rules, "the state of the case or account does not allow it")
        }
        Reason::GatesClosed => (Code::FailedPrecondition, Rules, "the fee's gates do not all hold"),
    };
    Shape { code, detail, message }
}

/// A refusal, and of a request of several actions the action that was refused.
pub(super) fn status(refusal: Refusal, action: Option<u32>) -> Status {
    let Shape { code, detail, message } = shape(refusal.reason);
    let mut answer = Answer::new(code, refusal.reason.code(), message);
    if let Some(action) = action {
        answer = answer.with("action", action);
    }
    match detail {
        Detail::Version => version(answer, refusal.versions, refusal.violations.first()),
        Detail::Resource(resource_type) => resource(answer, resource_type, refusal.violations),
        Detail::Fields => {
            let violations = refusal.violations.into_iter();
            answer.bad_request(violations.map(|violation| at_fault(violation, action)).collect())
        }
        Detail::Rules => {
            let rule = |v: Violation| {
                let description = cited(&v.detail, &v.cites);
                (v.rule, v.subject, description)
            };
            answer.preconditions(refusal.violations.into_iter().map(rule).collect())
        }
    }
}

fn version(
    mut answer: Answer,
    versions: Option<Versions>,
    violation: Option<&Violation>,
) -> Status {
    if let Some(violation) = violation {
        answer = answer.with("subject", &violation.subject).with("detail", &violation.detail);
    }
    if let Some(Versions { actual, expected }) = versions {
        answer = answer.with("expected", expected).with("actual", actual);
    }
    answer.status()
}

/// Whether a refusal is about a stream as a whole, and about no field.
fn is_stream(subject: &str) -> bool {
    subject == "firm" || subject.contains('/')
}

/// A field and its rule. The domain names a field of the request where it can (`plan.individual`,
/// `occurred_on`), and otherwise the stream that the action is about, which a request names first: the rule
/// says which.
fn at_fault(violation: Violation, action: Option<u32>) -> (String, String) {
    let Violation { subject, detail, cites, .. } = violation;
    if is_stream(&subject) {
        let field = action.map_or_else(|| "name".to_owned(), |at| format!("actions[{at}]"));
        return (field, cited(&format!("{subject}: {detail}"), &cites));
    }
    let rule = cited(&detail, &cites);
    match action {
        Some(at) if subject == "occurred_on" => (format!("actions[{at}].occurred_on"), rule),
        Some(_) | None => (subject, rule),
    }
}

/// What never was on record has no name but in words: whose record it would be in is said as its owner.
fn resource(answer: Answer, resource_type: &str, violations: Vec<Violation>) -> Status {
    match violations.into_iter().next() {
        Some(first) if resource_type == "Reference" && is_stream(&first.subject) => {
            answer.owned(resource_type, "", &first.subject, &first.detail)
        }
        Some(first) => answer.resource(resource_type, &first.subject, &first.detail),
        None => answer.resource(resource_type, "", ""),
    }
}

fn cited(text: &str, cites: &str) -> String {
    if cites.is_empty() { text.to_owned() } else { format!("{text} ({cites})") }
}
