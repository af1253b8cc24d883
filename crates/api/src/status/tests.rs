//! Every failure has its code, its details and its size.

use domain::command::Command;
use domain::event::Author;
use domain::ids::{CaseId, EventId, FirmId, RequestId};
use domain::refusal::{Reason, Violation};
use domain::sealing::InTheClear;
use domain::value::Text;
use domain::{Context, Halt, State, World};
use tonic_types::{ErrorDetails, StatusExt};

use super::*;
use crate::field::FieldError;

/// As much of everything as a hostile or unlucky request can bring about.
fn long_refusal(reason: Reason) -> Refusal {
    let violation = Violation {
        cites: "15 USC 1679d(a)(2)".repeat(20),
        detail: "é".repeat(2_000),
        rule: "r".repeat(200),
        subject: "s".repeat(2_000),
    };
    Refusal { action: 99, ..Refusal::of(reason, vec![violation; 50]) }
}

/// What HTTP/2 carries: the details in base64, and the message percent-encoded.
fn trailer_bytes(status: &Status) -> usize {
    status.details().len().div_ceil(3) * 4 + status.message().len() * 3 + 64
}

/// What every status of ours has.
fn checked(failure: Failure) -> (Code, String, ErrorDetails) {
    let status = Status::from(failure);
    assert!(trailer_bytes(&status) < TRAILER_BYTES_MAX, "{} bytes", trailer_bytes(&status));
    let details = status.get_error_details();
    let info = details.error_info().expect("every status carries ErrorInfo");
    assert_eq!(info.domain, ERROR_DOMAIN);
    // AIP-193: UPPER_SNAKE_CASE of at most 63 characters; keys of at most 64.
    assert!(info.reason.len() <= 63, "{}", info.reason);
    assert!(info.reason.bytes().all(|b| b.is_ascii_uppercase() || b == b'_'), "{}", info.reason);
    assert!(info.metadata.keys().all(|key| key.len() <= 64));
    assert_eq!(status_message(&status).code, i32::from(status.code()));
    (status.code(), info.reason.clone(), details)
}

#[test]
fn every_reason_has_its_code_and_detail() {
    for &reason in Reason::ALL {
        for refusal in [long_refusal(reason), Refusal::new(reason, "case/1", "detail")] {
            let (code, shown, details) = checked(refusal.into());
            assert_eq!(shown, reason.code());
            match code {
                Code::Aborted => {
                    assert!(details.error_info().unwrap().metadata.contains_key("detail"));
                }
                Code::NotFound | Code::AlreadyExists => assert!(details.resource_info().is_some()),
                Code::InvalidArgument => assert!(details.has_bad_request_violations()),
                Code::FailedPrecondition => assert!(details.has_precondition_failure_violations()),
                other => panic!("{reason} became {other:?}"),
            }
        }
    }
}

#[test]
fn a_list_that_is_cut_short_tells_how_long_it_was() {
    let (_, _, details) = checked(long_refusal(Reason::GatesClosed).into());
    let shown = details.precondition_failure().unwrap().violations.len();
    assert!((1..50).contains(&shown), "{shown}");
    assert_eq!(details.error_info().unwrap().metadata["violations"], "50");
}

#[test]
fn gates_name_rule_subject_and_citation() {
    let gate = Violation {
        cites: "15 USC 1679b(b)".into(),
        detail: "the progress report is missing".into(),
        rule: "G4".into(),
        subject: "case/1 period 2".into(),
    };
    let (code, _, details) = checked(Refusal::of(Reason::GatesClosed, vec![gate]).into());
    assert_eq!(code, Code::FailedPrecondition);
    let violation = &details.precondition_failure().unwrap().violations[0];
    assert_eq!(violation.r#type, "G4");
    assert_eq!(violation.subject, "case/1 period 2");
    assert_eq!(violation.description, "the progress report is missing (15 USC 1679b(b))");
}

/// A refusal as the domain itself words it: a new case, and a caller who expects version 3.
fn domain_mismatch() -> Refusal {
    let mut world = World::new(FirmId(Uuid::from_u128(1)), 0, 0);
    let case = CaseId(Uuid::from_u128(2));
    let command = Command::Case { case, expected_version: Some(3), actions: Vec::new() };
    let mut next_id = || EventId(Uuid::nil());
    // The world lends what the decision asks for; nothing was ever recorded.
    for _ in 0..10 {
        let context = Context {
            author: Author::without_token(Text::parse("test").unwrap()),
            request_id: RequestId(Uuid::from_u128(3)),
            now: UtcMicros(0),
            recorded_at: UtcMicros(0),
            next_id: &mut next_id,
            sealer: &mut InTheClear,
            name_found: None,
        };
        match domain::decide(&mut world, context, &command) {
            Err(Halt::Need(stream)) => world.insert(stream, State::empty(stream)),
            Err(Halt::Unnamed) => panic!("a world that began with its log knows every name"),
            Err(Halt::Refused(refusal)) => return *refusal,
            Ok(events) => panic!("decided {events:?}"),
        }
    }
    panic!("the decision never has enough")
}

#[test]
fn a_version_mismatch_tells_both_versions() {
    let (code, _, details) = checked(domain_mismatch().into());
    assert_eq!(code, Code::Aborted);
    let metadata = &details.error_info().unwrap().metadata;
    assert_eq!((metadata["expected"].as_str(), metadata["actual"].as_str()), ("3", "0"));
}

#[test]
fn what_leads_nowhere_is_named_by_its_field() {
    let failure = Failure::Unfound {
        field: "settled.invoice",
        resource_type: "Invoice",
        name: "firms/1/invoices/9".into(),
    };
    let (_, _, details) = checked(failure);
    assert_eq!(details.error_info().unwrap().metadata["field"], "settled.invoice");
    assert!(details.resource_info().unwrap().description.contains("settled.invoice"));
}

#[test]
fn a_refused_value_names_its_field() {
    for (subject, field, of_actions) in [
        ("plan.individual", "plan.individual", "plan.individual"),
        ("case/1", "name", "actions[4]"),
        ("occurred_on", "occurred_on", "actions[4].occurred_on"),
        ("as_of", "as_of", "as_of"),
    ] {
        let mut refusal = Refusal::new(Reason::ValueRefused, subject, "must be another");
        refusal.action = 4;
        let (_, _, details) = checked(refusal.clone().into());
        let violation = &details.bad_request().unwrap().field_violations[0];
        assert_eq!(violation.field, field);
        let about = if subject == "case/1" { "case/1: " } else { "" };
        assert_eq!(violation.description, format!("{about}must be another"), "said once");
        assert_eq!(details.error_info().unwrap().metadata.get("action"), None, "it has no actions");
        let (_, _, details) = checked(Failure::from(refusal).of_actions());
        assert_eq!(details.bad_request().unwrap().field_violations[0].field, of_actions);
        assert_eq!(details.error_info().unwrap().metadata["action"], "4");
    }
}

#[test]
fn what_was_never_recorded_is_not_named_as_what_would_have_it() {
    let refusal = Refusal::new(Reason::ReferenceUnknown, "case/1", "no such letter");
    let (_, _, details) = checked(refusal.into());
    let resource = details.resource_info().unwrap();
    assert_eq!((&*resource.resource_name, &*resource.owner), ("", "case/1"));
    assert_eq!(resource.description, "no such letter");
}

#[test]
fn field_faults_are_named_with_path_and_rule() {
    let error = |at| FieldError {
        field: format!("actions[{at}].enrol.contact.phone"),
        rule: "must be a telephone number".into(),
    };
    let (code, reason, details) = checked(FieldErrors((0..20).map(error).collect()).into());
    assert_eq!((code, reason.as_str()), (Code::InvalidArgument, "FIELD_INVALID"));
    let violations = &details.bad_request().unwrap().field_violations;
    assert_eq!(violations.len(), 20);
    assert_eq!(violations[2].field, "actions[2].enrol.contact.phone");
}

#[test]
fn every_other_failure_has_its_code() {
    let cases = [
        (
            Failure::RequestReused { first_seen: UtcMicros(0) },
            Code::InvalidArgument,
            "REQUEST_ID_REUSED",
        ),
        (Failure::ReadBehind { wanted: 9, applied: 7 }, Code::Unavailable, "READ_BEHIND"),
        (Failure::PositionBeyondLog { asked: 9, end: 7 }, Code::OutOfRange, "POSITION_BEYOND_LOG"),
        (Failure::CursorForked { position: 7 }, Code::FailedPrecondition, "CURSOR_FORKED"),
        (
            Failure::NotFound { resource_type: "Case", name: "x".repeat(5_000) },
            Code::NotFound,
            "RESOURCE_NOT_FOUND",
        ),
        (
            Failure::PermissionDenied { scope: Some("bill") },
            Code::PermissionDenied,
            "PERMISSION_DENIED",
        ),
        (Failure::PermissionDenied { scope: None }, Code::PermissionDenied, "PERMISSION_DENIED"),
        (Failure::OutOfBounds { rule: "no days" }, Code::PermissionDenied, "PERMISSION_DENIED"),
        (Failure::Unauthenticated, Code::Unauthenticated, "TOKEN_INVALID"),
        (
            Failure::Quota { subject: "token".into(), limit: "4 streams".into() },
            Code::ResourceExhausted,
            "QUOTA_EXCEEDED",
        ),
        (RebuildError::Superseded.into(), Code::Aborted, "REBUILD_SUPERSEDED"),
        (RebuildError::Outrun.into(), Code::Aborted, "ROWS_OUTRUN"),
        (SubmitError::Overloaded.into(), Code::Unavailable, "OVERLOADED"),
        (SubmitError::Unavailable.into(), Code::Unavailable, "STORE_UNAVAILABLE"),
        (SubmitError::ShuttingDown.into(), Code::Unavailable, "SHUTTING_DOWN"),
        (SubmitError::OutcomeUnknown.into(), Code::Unavailable, "OUTCOME_UNKNOWN"),
        (Failure::OutboxUnusable, Code::Unavailable, "OUTBOX_UNUSABLE"),
        (Failure::ChargesNotHandedOver, Code::Unavailable, "CHARGES_NOT_HANDED_OVER"),
        (Failure::RefundNotHandedOver, Code::Unavailable, "REFUND_NOT_HANDED_OVER"),
        (
            Failure::Unfound {
                field: "refunded.payment",
                resource_type: "Payment",
                name: "x".repeat(5_000),
            },
            Code::NotFound,
            "REFERENCE_UNKNOWN",
        ),
        (Failure::DeadlineExceeded, Code::DeadlineExceeded, "DEADLINE_EXCEEDED"),
        (
            Failure::Lost {
                reason: "EVIDENCE_ALTERED",
                what: "what is there is not the document that was uploaded",
                resource_type: "Document",
                name: "ab".repeat(32),
            },
            Code::DataLoss,
            "EVIDENCE_ALTERED",
        ),
        (Failure::EvidenceUnavailable, Code::Unavailable, "EVIDENCE_UNAVAILABLE"),
        (SubmitError::Corrupt { position: 12 }.into(), Code::DataLoss, "LOG_CORRUPT"),
        (StoreError::Full { source: None }.into(), Code::Unavailable, "STORE_UNAVAILABLE"),
        (FollowError::Gap { expected: 3 }.into(), Code::DataLoss, "LOG_CORRUPT"),
        (SubmitError::Internal("a secret".into()).into(), Code::Internal, "INTERNAL"),
    ];
    for (failure, code, reason) in cases {
        let retryable = matches!(code, Code::Unavailable | Code::Aborted);
        let (shown, shown_reason, details) = checked(failure);
        assert_eq!((shown, shown_reason.as_str()), (code, reason));
        assert_eq!(details.retry_info().is_some(), retryable, "{reason}");
    }
}

#[test]
fn a_reused_id_tells_when_it_was_first_seen() {
    let (_, _, details) = checked(Failure::RequestReused { first_seen: UtcMicros(1_500_000) });
    assert_eq!(
        details.error_info().unwrap().metadata["first_seen_time"],
        "1970-01-01T00:00:01.500Z"
    );
}

#[test]
fn a_fault_shows_its_incident_and_nothing_else() {
    let status = Status::from(Failure::internal("password=hunter2 in /var/lib"));
    assert!(!format!("{status:?}").contains("hunter2"));
    assert!(!status.details().windows(7).any(|bytes| bytes == b"hunter2"));
}

#[test]
fn a_field_at_fault_is_named_once() {
    let refusal = Refusal::new(Reason::ValueRefused, "label", "must have a letter or a digit");
    let (_, _, details) = checked(refusal.into());
    let violation = &details.bad_request().unwrap().field_violations[0];
    assert_eq!(violation.field, "label");
    assert_eq!(violation.description, "must have a letter or a digit");
}

#[test]
fn an_answer_of_an_earlier_time_says_when_and_still_names_its_action() {
    let at = UtcMicros(1_767_711_600_000_000);
    for reason in Reason::ALL {
        let refusal = Box::new(long_refusal(*reason));
        let before = SubmitError::RefusedBefore { refusal, at };
        let (_, said, details) = checked(Failure::from(before).of_actions());
        assert_eq!(said, reason.code());
        let metadata = &details.error_info().unwrap().metadata;
        assert_eq!(metadata[ANSWERED_BEFORE], "2026-01-06T15:00:00Z");
        assert_eq!(metadata["action"], "99");
    }
}
