//! The one place where what went wrong becomes a gRPC status (AIP-193).
//!
//! Every status carries `ErrorInfo` with a stable reason, the domain [`ERROR_DOMAIN`] and metadata;
//! beside it at most one of `BadRequest`, `PreconditionFailure`, `ResourceInfo`, `QuotaFailure` and
//! `RetryInfo`. Reasons and metadata keys are part of the contract. The whole stays below
//! [`TRAILER_BYTES_MAX`], so long lists are cut short and their full length told.

mod build;
mod refusal;

use std::fmt;
use std::time::Duration;

use domain::event::UtcMicros;
use domain::refusal::Refusal;
use log::{FollowError, ReadBehind, RebuildError, StoreError, SubmitError, VerifyError};
use prost::Message;
use tonic::{Code, Status};
use tonic_types::StatusExt as _;
use uuid::Uuid;

use crate::codec::{NO_MESSAGE, UNREADABLE};
use crate::field::{FieldErrors, REQUEST};
use crate::scalar;
use build::Answer;

pub use build::{ERROR_DOMAIN, TRAILER_BYTES_MAX};

/// When to try again after a full queue or a store that is down.
const RETRY_STORE: Duration = Duration::from_secs(1);
/// When to try again if the read models are behind; they usually are for milliseconds.
const RETRY_READ: Duration = Duration::from_millis(200);

/// In the metadata of `ErrorInfo`: when a refusal was first given that is given once more.
pub const ANSWERED_BEFORE: &str = "answered_before_time";

/// Everything that can go wrong with a request.
#[derive(Debug)]
pub enum Failure {
    /// Fields are malformed or missing.
    Fields(FieldErrors),
    /// The domain refused.
    Refused(Box<Refusal>),
    /// This was the answer to the same request when it was first asked.
    Before {
        /// The answer.
        failure: Box<Failure>,
        /// When it was given, UTC.
        at: UtcMicros,
    },
    /// The domain refused one of a request's actions.
    RefusedAction(Box<Refusal>),
    /// The request id was used for another request.
    RequestReused {
        /// When, UTC.
        first_seen: UtcMicros,
    },
    /// The read models did not reach the position asked for in time.
    ReadBehind {
        /// The position asked for.
        wanted: u64,
        /// The position reached.
        applied: u64,
    },
    /// The log has not reached the position asked for, and waiting would not help: whoever was given it
    /// was given it by another log, or by this one before it was restored.
    PositionBeyondLog {
        /// The position asked for.
        asked: u64,
        /// The last position of the log.
        end: u64,
    },
    /// The event at the caller's position is not the one that the caller knows: this is another log, or
    /// this one after it was restored and written to anew.
    CursorForked {
        /// The position.
        position: u64,
    },
    /// A resource does not exist. Ask only after permission was checked.
    NotFound {
        /// Its type: `Case`, `Account`, `Invoice`, `Firm`.
        resource_type: &'static str,
        /// Its name.
        name: String,
    },
    /// What a request names leads to nothing. Ask only after permission was checked.
    Unfound {
        /// The field that names it: `settled.invoice`.
        field: &'static str,
        /// Its type: `Invoice`, `Payment`, `Chargeback`.
        resource_type: &'static str,
        /// Its name.
        name: String,
    },
    /// The token does not allow it; also for another firm's resources, existing or not.
    PermissionDenied {
        /// The scope that is missing, if that is what is missing.
        scope: Option<&'static str>,
    },
    /// An examiner's token is bound to less than this would show.
    OutOfBounds {
        /// The rule.
        rule: &'static str,
    },
    /// There is no token, or none that is valid.
    Unauthenticated,
    /// Others changed meanwhile what the work was about. Nothing came of it, and it may be begun again.
    Overtaken {
        /// The stable reason: `REBUILD_SUPERSEDED`.
        reason: &'static str,
        /// By whom.
        what: &'static str,
    },
    /// Something that this needs was not set up, or is not there yet.
    Unready {
        /// The stable reason: `NO_SIGNING_KEY`.
        reason: &'static str,
        /// What is missing.
        what: &'static str,
    },
    /// What was kept is not there any more, or is not what was kept.
    Lost {
        /// The stable reason: `EVIDENCE_ALTERED`, `EVIDENCE_MISSING`.
        reason: &'static str,
        /// What it means.
        what: &'static str,
        /// Its type: `Document`.
        resource_type: &'static str,
        /// Its name.
        name: String,
    },
    /// Where evidence is kept cannot be reached; nothing was kept.
    EvidenceUnavailable,
    /// The caller asks too much at a time.
    Quota {
        /// Whose quota: a token's public id, a firm.
        subject: String,
        /// What is limited, and how far.
        limit: String,
    },
    /// Too many requests wait already; nothing was recorded.
    Overloaded,
    /// The store is down or full; nothing was recorded.
    Unavailable,
    /// The service is shutting down; nothing was recorded.
    ShuttingDown,
    /// It may or may not have been recorded.
    OutcomeUnknown,
    /// Charges have nowhere to go; none was asked for.
    OutboxUnusable,
    /// Charges are recorded as asked for, and could not be handed over.
    ChargesNotHandedOver,
    /// A refund is recorded as asked for, and could not be handed over.
    RefundNotHandedOver,
    /// The caller's deadline passed. A change that waits for the writer is recorded all the same.
    DeadlineExceeded,
    /// The log is not what was written.
    Corrupt {
        /// Where.
        position: u64,
    },
    /// A fault of the service. Callers see the incident only.
    Internal {
        /// Names it in the service's own log.
        incident: Uuid,
        /// What happened; goes to the service's own log.
        what: String,
    },
}

impl Failure {
    /// A fault of the service, under a new incident id.
    pub fn internal(what: impl fmt::Display) -> Self {
        Self::Internal { incident: Uuid::now_v7(), what: what.to_string() }
    }

    /// The same of a request that has actions.
    #[must_use]
    pub fn of_actions(self) -> Self {
        match self {
            Self::Refused(refusal) => Self::RefusedAction(refusal),
            Self::Before { failure, at } => {
                Self::Before { failure: Box::new(failure.of_actions()), at }
            }
            other => other,
        }
    }
}

impl From<FieldErrors> for Failure {
    fn from(errors: FieldErrors) -> Self {
        Self::Fields(errors)
    }
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

impl From<ReadBehind> for Failure {
    fn from(ReadBehind { wanted, applied }: ReadBehind) -> Self {
        Self::ReadBehind { wanted, applied }
    }
}

impl From<SubmitError> for Failure {
    fn from(error: SubmitError) -> Self {
        match error {
            SubmitError::Refused(refusal) => Self::Refused(refusal),
            SubmitError::RefusedBefore { refusal, at } => {
                Self::Before { failure: Box::new(Self::Refused(refusal)), at }
            }
            SubmitError::RequestReused { first_seen } => Self::RequestReused { first_seen },
            SubmitError::Overloaded => Self::Overloaded,
            SubmitError::Unavailable | SubmitError::Unnamed => Self::Unavailable,
            SubmitError::OutcomeUnknown => Self::OutcomeUnknown,
            SubmitError::Corrupt { position } => Self::Corrupt { position },
            SubmitError::Internal(what) => Self::internal(what),
            SubmitError::ShuttingDown => Self::ShuttingDown,
        }
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Corrupt { position, .. } => Self::Corrupt { position },
            StoreError::Answer { .. } | StoreError::Internal { .. } => {
                Self::internal(with_causes(&error))
            }
            StoreError::OutcomeUnknown { .. } => Self::OutcomeUnknown,
            StoreError::Unavailable { .. }
            | StoreError::Conflict { .. }
            | StoreError::Full { .. } => Self::Unavailable,
        }
    }
}

impl From<FollowError> for Failure {
    fn from(error: FollowError) -> Self {
        match error {
            FollowError::Store { source, .. } => source.into(),
            FollowError::Gap { expected } => Self::Corrupt { position: expected },
            FollowError::ShuttingDown => Self::ShuttingDown,
        }
    }
}

impl From<VerifyError> for Failure {
    fn from(error: VerifyError) -> Self {
        match error {
            VerifyError::Finding { position, .. } => Self::Corrupt { position },
            VerifyError::Store(source) => source.into(),
        }
    }
}

impl From<RebuildError> for Failure {
    fn from(error: RebuildError) -> Self {
        match error {
            RebuildError::Fault(fault) => Self::Corrupt { position: fault.position },
            RebuildError::Superseded => Self::Overtaken {
                reason: "REBUILD_SUPERSEDED",
                what: "another rebuild or check of this firm began, and took over; nothing that is \
                       read has changed",
            },
            RebuildError::Outrun => Self::Overtaken {
                reason: "ROWS_OUTRUN",
                what: "more was recorded each time before the rows were compared; nothing was found",
            },
            RebuildError::Store(source) => source.into(),
        }
    }
}

/// An error and what lies beneath it, for the service's own log.
pub fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut beneath = error.source();
    while let Some(cause) = beneath {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        beneath = cause.source();
    }
    text
}

impl From<Failure> for Status {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Fields(errors) => fields(errors),
            Failure::Before { failure, at } => before(&Self::from(*failure), at),
            Failure::Refused(refusal) => refusal::status(*refusal, None),
            Failure::RefusedAction(refusal) => {
                let action = refusal.action;
                refusal::status(*refusal, Some(action))
            }
            Failure::RequestReused { first_seen } => reused(first_seen),
            Failure::ReadBehind { wanted, applied } => Answer::new(
                Code::Unavailable,
                "READ_BEHIND",
                "the read models have not reached the position yet; try again",
            )
            .with("wanted", wanted)
            .with("applied", applied)
            .retry(RETRY_READ),
            Failure::PositionBeyondLog { asked, end } => Answer::new(
                Code::OutOfRange,
                "POSITION_BEYOND_LOG",
                "the log ends before the position; it was restored, or is not the one you know",
            )
            .with("asked", asked)
            .with("end", end)
            .status(),
            // Nothing of this log is lost, so no DATA_LOSS: what the caller holds has to be put right
            // before the same call can make sense again (FAILED_PRECONDITION).
            Failure::CursorForked { position } => Answer::new(
                Code::FailedPrecondition,
                "CURSOR_FORKED",
                "the event at the position is another one than you know; the log was restored, or is \
                 not the one you know",
            )
            .with("position", position)
            .preconditions(vec![(
                "CURSOR_FORKED".to_owned(),
                format!("position {position}"),
                "begin again from an event that both logs have, such as one of an earlier backup"
                    .to_owned(),
            )]),
            Failure::NotFound { resource_type, name } => {
                Answer::new(Code::NotFound, "RESOURCE_NOT_FOUND", "there is no such resource")
                    .resource(resource_type, &name, "nothing of that name is kept here")
            }
            Failure::Unfound { field, resource_type, name } => Answer::new(
                Code::NotFound,
                "REFERENCE_UNKNOWN",
                "something named was never recorded",
            )
            .with("field", field)
            .resource(resource_type, &name, &format!("{field} names nothing on record")),
            Failure::PermissionDenied { scope } => permission(scope),
            Failure::OutOfBounds { rule } => denied().with("bounds", rule).status(),
            Failure::Unauthenticated => Answer::new(
                Code::Unauthenticated,
                "TOKEN_INVALID",
                "a valid bearer token is needed in the authorization metadata",
            )
            .status(),
            Failure::Overtaken { reason, what } => {
                Answer::new(Code::Aborted, reason, what).retry(RETRY_STORE)
            }
            Failure::Unready { reason, what } => Answer::new(
                Code::FailedPrecondition,
                reason,
                "something that this needs is not there",
            )
            .preconditions(vec![(reason.to_owned(), "firm".to_owned(), what.to_owned())]),
            Failure::Lost { reason, what, resource_type, name } => {
                Answer::new(Code::DataLoss, reason, what).resource(resource_type, &name, what)
            }
            Failure::EvidenceUnavailable => {
                unavailable("EVIDENCE_UNAVAILABLE", "evidence cannot be reached at the moment")
            }
            Failure::Quota { subject, limit } => Answer::new(
                Code::ResourceExhausted,
                "QUOTA_EXCEEDED",
                "the caller asks too much at a time",
            )
            .quota(&subject, &limit),
            Failure::Overloaded => unavailable("OVERLOADED", "too many requests are waiting"),
            Failure::Unavailable => {
                unavailable("STORE_UNAVAILABLE", "the log cannot be reached at the moment")
            }
            Failure::ShuttingDown => unavailable("SHUTTING_DOWN", "the service is shutting down"),
            Failure::OutcomeUnknown => unavailable(
                "OUTCOME_UNKNOWN",
                "it may or may not have been recorded; ask again with the same request_id",
            ),
            Failure::OutboxUnusable => unavailable(
                "OUTBOX_UNUSABLE",
                "the folder for charges and refunds cannot be used, its log says why; nothing was asked for",
            ),
            Failure::ChargesNotHandedOver => unavailable(
                "CHARGES_NOT_HANDED_OVER",
                "charges are recorded and could not be handed over; the next request for charges hands them \
                 over, each under the key it has",
            ),
            Failure::RefundNotHandedOver => unavailable(
                "REFUND_NOT_HANDED_OVER",
                "the refund is recorded as asked for and could not be handed over; the same request, or the next \
                 one for a refund, hands it over under the key it has",
            ),
            Failure::DeadlineExceeded => Answer::new(
                Code::DeadlineExceeded,
                "DEADLINE_EXCEEDED",
                "the deadline passed; a change may be recorded all the same: ask again with the same \
                 request_id",
            )
            .status(),
            Failure::Corrupt { position } => Answer::new(
                Code::DataLoss,
                "LOG_CORRUPT",
                "the log is not what was written; stop and call someone",
            )
            .with("position", position)
            .status(),
            Failure::Internal { incident, what } => internal(incident, &what),
        }
    }
}

fn fields(errors: FieldErrors) -> Status {
    let violations = errors.0.into_iter().map(|error| (error.field, error.rule)).collect();
    Answer::new(Code::InvalidArgument, "FIELD_INVALID", "fields are missing or malformed")
        .bad_request(violations)
}

/// An earlier answer, which says so: what it tells of was so then.
fn before(status: &Status, at: UtcMicros) -> Status {
    // Timestamp's Display is RFC 3339.
    let at = scalar::timestamp(at).to_string();
    let message =
        format!("{}; this is the answer of {at} to the same request_id", status.message());
    let mut details = status.get_error_details();
    if let Some(info) = details.error_info() {
        let (reason, domain) = (info.reason.clone(), info.domain.clone());
        let mut metadata = info.metadata.clone();
        metadata.insert(ANSWERED_BEFORE.to_owned(), at);
        details.set_error_info(reason, domain, metadata);
    }
    Status::with_error_details(status.code(), message, details)
}

fn reused(first_seen: UtcMicros) -> Status {
    // Timestamp's Display is RFC 3339.
    let first_seen = scalar::timestamp(first_seen);
    Answer::new(
        Code::InvalidArgument,
        "REQUEST_ID_REUSED",
        "the request_id was used before for another request",
    )
    .with("first_seen_time", first_seen)
    .bad_request(vec![("request_id".into(), "must be new for a new request".into())])
}

fn denied() -> Answer {
    Answer::new(Code::PermissionDenied, "PERMISSION_DENIED", "the token does not allow this")
}

fn permission(scope: Option<&'static str>) -> Status {
    let answer = denied();
    match scope {
        Some(scope) => answer.with("scope", scope).status(),
        None => answer.status(),
    }
}

fn unavailable(reason: &'static str, message: &'static str) -> Status {
    Answer::new(Code::Unavailable, reason, message).retry(RETRY_STORE)
}

fn internal(incident: Uuid, what: &str) -> Status {
    tracing::error!(%incident, what, "a request met a fault of the service");
    Answer::new(Code::Internal, "INTERNAL", "a fault of the service; report the incident")
        .with("incident", incident)
        .status()
}

/// What the transport says of bytes that are no message, as the service says it: the field and the rule.
/// Nothing for any other status.
///
/// Of its own statuses the service gives each with details. gRPC has a transport say INTERNAL of what a
/// caller sent wrongly, and OUT_OF_RANGE of what is too large; it has no word for either but its text.
pub fn unreadable(status: &Status, bytes_max: usize) -> Option<FieldErrors> {
    if !status.details().is_empty() {
        return None;
    }
    let (mut field, rule) = match status.code() {
        Code::OutOfRange => ("", format!("must be at most {bytes_max} bytes as a message")),
        Code::Internal => {
            let said = status.message();
            let of_codec = said.strip_prefix(UNREADABLE).and_then(|found| found.split_once(": "));
            let (field, rule) = of_codec.unwrap_or_else(|| ("", rule_of(said)));
            (field, rule.to_owned())
        }
        _ => return None,
    };
    if field.is_empty() {
        field = REQUEST;
    }
    Some(FieldErrors::one(field, rule))
}

/// The rule that the frames of a request break (gRPC over HTTP/2, "Length-Prefixed-Message").
fn rule_of(said: &str) -> &'static str {
    if said.contains("Unexpected EOF") {
        "must be as long as it says"
    } else if said.contains("Missing request message") {
        "is required"
    } else if said.contains("compress") {
        "must not be compressed"
    } else {
        NO_MESSAGE
    }
}

/// The same status as a message, for one answer of a stream.
pub fn status_message(status: &Status) -> tonic_types::Status {
    // With details the status is already encoded; without, there is its code and message.
    if let (false, Ok(message)) =
        (status.details().is_empty(), tonic_types::Status::decode(status.details()))
    {
        return message;
    }
    tonic_types::Status {
        code: i32::from(status.code()),
        message: status.message().to_owned(),
        details: Vec::new(),
    }
}

#[cfg(test)]
mod tests;
