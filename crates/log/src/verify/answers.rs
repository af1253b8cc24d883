//! The remembered answers, held against the events they tell of.

use domain::event::{Recorded, UtcMicros};
use domain::ids::{FirmId, RequestId};

use super::{VerifyError, finding};
use crate::error::StoreError;
use crate::moving::Walk;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::LogStore;

/// The stretch of the log that one request recorded.
#[derive(Clone, Debug)]
pub(crate) struct Span {
    /// Whose.
    pub(crate) request: RequestId,
    /// When it was recorded.
    recorded_at: UtcMicros,
    /// What the answer to it has to say.
    recorded: Accepted,
}

impl Span {
    fn begin(recorded: &Recorded) -> Self {
        let Recorded { request_id: request, position, recorded_at, .. } = *recorded;
        Self { request, recorded_at, recorded: Accepted::before(position) }
    }

    /// Takes the next event in: its request's stretch grows, or another begins.
    pub(crate) fn extend(spans: &mut Vec<Self>, recorded: &Recorded) {
        if spans.last().is_none_or(|span| span.request != recorded.request_id) {
            spans.push(Self::begin(recorded));
        }
        if let Some(span) = spans.last_mut() {
            span.recorded.take(recorded);
        }
    }

    fn is_told_by(&self, outcome: &Outcome) -> bool {
        outcome.recorded_at == self.recorded_at
            && outcome.result == OutcomeResult::Accepted(self.recorded.clone())
    }
}

/// The remembered answer to each request of a page, after checking that it says what the request
/// recorded, where, and when.
pub(crate) async fn answers_of(
    store: &dyn LogStore,
    firm: FirmId,
    requests: &[Span],
) -> Result<Vec<(RequestId, Outcome)>, VerifyError> {
    let mut answers = Vec::with_capacity(requests.len());
    for chunk in requests.chunks(crate::settings::BATCH_COMMANDS_MAX) {
        let ids: Vec<RequestId> = chunk.iter().map(|span| span.request).collect();
        let known = store.answers(firm, &ids).await;
        let mut known = known.map_err(|error| unread(first_of(chunk, &error), error))?;
        for span in chunk {
            let first = span.recorded.first;
            let answer = known.remove(&span.request);
            let answer =
                answer.filter(|answer| matches!(answer.result, OutcomeResult::Accepted(_)));
            let answer = answer.ok_or_else(|| {
                finding(first, "its request is not remembered as having recorded it")
            })?;
            if !span.is_told_by(&answer) {
                let what = format!(
                    "the answer to request {} names other events, stream versions or another time \
                     than those it recorded",
                    span.request
                );
                return Err(finding(first, what));
            }
            answers.push((span.request, answer));
        }
    }
    Ok(answers)
}

/// Where a request recorded whose answer does not read.
fn first_of(spans: &[Span], error: &StoreError) -> u64 {
    let StoreError::Answer { request, .. } = error else { return 0 };
    spans.iter().find(|span| span.request == *request).map_or(0, |span| span.recorded.first)
}

/// Reads every remembered answer, those of refusals too. Each event is covered by the answer of its
/// request already; that they claim as many as there are says that none claims another's. Gives the
/// number of those that no event tells of.
pub(super) async fn every_answer_reads(
    store: &dyn LogStore,
    firm: FirmId,
    end: u64,
) -> Result<u64, VerifyError> {
    let mut walk = Walk::of(store, firm);
    let (mut claimed, mut alone): (u64, u64) = (0, 0);
    while let Some((request, outcome)) = walk.peek().await.map_err(|e| unread(end, e))? {
        match &outcome.result {
            OutcomeResult::Refused(_) => alone += 1,
            OutcomeResult::Accepted(accepted) if accepted.last() > end => {
                recorded_since(store, firm, *request, accepted).await?;
            }
            OutcomeResult::Accepted(Accepted { count: 0, streams, first }) => {
                alone += 1;
                if *first == 0 || !streams.is_empty() {
                    let what = format!(
                        "the answer to request {request} claims stream versions without an event"
                    );
                    return Err(finding(end, what));
                }
            }
            OutcomeResult::Accepted(accepted) => claimed += accepted.count,
        }
        walk.pass();
    }
    if claimed == end {
        return Ok(alone);
    }
    let what = format!("the answers to requests claim {claimed} of {end} events");
    Err(finding(end, what))
}

/// An answer that claims events behind the head that was read is of a request that came in since.
async fn recorded_since(
    store: &dyn LogStore,
    firm: FirmId,
    request: RequestId,
    accepted: &Accepted,
) -> Result<(), VerifyError> {
    let now = store.head(firm).await?.position;
    if accepted.last() <= now {
        return Ok(());
    }
    let what = format!("the answer to request {request} claims events that are not there");
    Err(finding(now, what))
}

/// An answer that does not read is found where its request recorded, or at the head.
fn unread(position: u64, error: StoreError) -> VerifyError {
    match error {
        error @ StoreError::Answer { .. } => finding(position, error.to_string()),
        other => other.into(),
    }
}
