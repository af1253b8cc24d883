//! What is asked of the engine, how it waits, and what it is answered.

use domain::command::Command;
use domain::event::{Author, StreamId, UtcMicros};
use domain::ids::RequestId;
use domain::named::NameFound;
use domain::refusal::Refusal;
use tokio::sync::oneshot;
use tokio::time::Instant;
use tracing::Span;

use crate::outcome::{Accepted, Outcome, OutcomeResult};

/// One request to record something.
#[derive(Clone, Debug)]
pub struct Submission {
    /// The caller's id for it: the same id is the same request, for ever.
    pub request_id: RequestId,
    /// A hash of everything that makes the request what it is, by the caller of the engine.
    pub fingerprint: [u8; 32],
    /// Who asks.
    pub author: Author,
    /// What is asked.
    pub command: Command,
}

/// A request that was carried out, now or before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The position of its first event, or the one it would have had.
    pub first_position: u64,
    /// How many events it recorded.
    pub count: u64,
    /// The position to wait for before reading what it changed.
    pub position: u64,
    /// Every stream it wrote to and the version that stream reached.
    pub streams: Vec<(StreamId, u64)>,
    /// Whether this is the first answer, given again.
    pub replayed: bool,
}

impl Answer {
    pub(crate) fn first_time(accepted: &Accepted) -> Self {
        Self {
            first_position: accepted.first,
            count: accepted.count,
            position: accepted.last(),
            streams: accepted.streams.clone(),
            replayed: false,
        }
    }

    pub(crate) fn replayed(outcome: &Outcome) -> Result<Self, SubmitError> {
        match &outcome.result {
            OutcomeResult::Accepted(accepted) => {
                Ok(Self { replayed: true, ..Self::first_time(accepted) })
            }
            OutcomeResult::Refused(refusal) => Err(SubmitError::RefusedBefore {
                refusal: refusal.clone(),
                at: outcome.recorded_at,
            }),
        }
    }
}

/// Why a request was not carried out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SubmitError {
    /// A rule stood in the way. The same request gets the same refusal again.
    #[error("refused: {0}")]
    Refused(Box<Refusal>),
    /// A rule stood in the way when the same request was first asked. What is on record may be another
    /// since; a new request would be judged by it.
    #[error("refused earlier: {refusal}")]
    RefusedBefore {
        /// The first answer.
        refusal: Box<Refusal>,
        /// When it was given.
        at: UtcMicros,
    },
    /// The request id was used for something else.
    #[error("the request id was used before for another request")]
    RequestReused {
        /// When that was decided.
        first_seen: UtcMicros,
    },
    /// Too many requests wait already; nothing was recorded.
    #[error("too many requests are waiting")]
    Overloaded,
    /// The store cannot be written to; nothing was recorded.
    #[error("the log cannot be written to at the moment")]
    Unavailable,
    /// It may or may not have been recorded: ask again with the same request id.
    #[error("the outcome is unknown; ask again with the same request id")]
    OutcomeUnknown,
    /// A stored event that the decision needs cannot be read; nothing was recorded.
    #[error("the log is corrupt at position {position}")]
    Corrupt {
        /// Where.
        position: u64,
    },
    /// A fault of the service; nothing was recorded.
    #[error("internal: {0}")]
    Internal(String),
    /// The name that it records a movement under was recorded under meanwhile, by whom it is not known; nothing was recorded.
    #[error("the processor's name has to be looked up again")]
    Unnamed,
    /// The service takes no more requests; nothing was recorded.
    #[error("the service is shutting down")]
    ShuttingDown,
}

impl SubmitError {
    /// What stood in the way, now or when the request was first asked; nothing if it was no rule.
    pub fn refusal(&self) -> Option<&Refusal> {
        match self {
            Self::Refused(refusal) | Self::RefusedBefore { refusal, .. } => Some(refusal),
            Self::RequestReused { .. }
            | Self::Overloaded
            | Self::Unavailable
            | Self::OutcomeUnknown
            | Self::Corrupt { .. }
            | Self::Internal(_)
            | Self::Unnamed
            | Self::ShuttingDown => None,
        }
    }
}

/// The answer to come to an enqueued request. An error of the receiver itself means
/// [`SubmitError::OutcomeUnknown`].
pub type Pending = oneshot::Receiver<Result<Answer, SubmitError>>;

/// A command in the queue and where its one answer goes.
pub(crate) struct Waiting {
    pub(crate) submission: Submission,
    /// Where the name was found that it records a movement under.
    pub(crate) found: Option<NameFound>,
    answer: oneshot::Sender<Result<Answer, SubmitError>>,
    pub(crate) since: Instant,
    /// From here to the answer, inside the span of whoever asked.
    pub(crate) span: Span,
}

impl Waiting {
    pub(crate) fn new(
        submission: Submission,
        found: Option<NameFound>,
        answer: oneshot::Sender<Result<Answer, SubmitError>>,
    ) -> Self {
        let span = tracing::debug_span!("log.append", request_id = %submission.request_id);
        Self { submission, found, answer, since: Instant::now(), span }
    }

    pub(crate) fn answer(self, answer: Result<Answer, SubmitError>) {
        // A caller that went away has stopped waiting; what was decided stands.
        let _ = self.answer.send(answer);
    }
}
