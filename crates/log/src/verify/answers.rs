//! The remembered answers, held against the events they tell of.

use domain::event::{Recorded, UtcMicros};
use domain::ids::{FirmId, RequestId};

use super::{VerifyError, finding};
use crate::error::StoreError;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::LogStore;
use crate::remembered::{Remembered, Stretch};
use crate::walk::Walk;

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

    /// The answer to its request, if that is remembered as having recorded just this.
    fn answer(&self, remembered: &Stretch) -> Option<Outcome> {
        let Stretch { fingerprint, first, events } = *remembered;
        let result = OutcomeResult::Accepted(self.recorded.clone());
        ((first, events) == (self.recorded.first, self.recorded.count)).then_some(Outcome {
            fingerprint,
            recorded_at: self.recorded_at,
            result,
        })
    }
}

/// The answer to each request of a page, after checking that it is remembered as having recorded what
/// it did.
pub(crate) async fn answers_of(
    store: &dyn LogStore,
    firm: FirmId,
    requests: &[Span],
) -> Result<Vec<(RequestId, Outcome)>, VerifyError> {
    let mut answers = Vec::with_capacity(requests.len());
    for chunk in requests.chunks(crate::settings::BATCH_COMMANDS_MAX) {
        let ids: Vec<RequestId> = chunk.iter().map(|span| span.request).collect();
        let known = store.remembered(firm, &ids).await;
        let known = known.map_err(|error| unread(first_of(chunk, &error), error))?;
        for span in chunk {
            let first = span.recorded.first;
            let stretch = known.get(&span.request).and_then(Remembered::stretch);
            let stretch = stretch.ok_or_else(|| {
                finding(first, "its request is not remembered as having recorded it")
            })?;
            let answer = span.answer(&stretch).ok_or_else(|| {
                let what = format!(
                    "request {} is remembered as having recorded other events",
                    span.request
                );
                finding(first, what)
            })?;
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
    while let Some((request, remembered)) = walk.peek().await.map_err(|e| unread(end, e))? {
        match remembered {
            Remembered::Recorded(stretch) if stretch.last() > end => {
                recorded_since(store, firm, *request, stretch).await?;
            }
            Remembered::Recorded(stretch) => claimed += stretch.events,
            Remembered::Alone(outcome) => {
                alone += 1;
                if let OutcomeResult::Accepted(Accepted { first, streams, .. }) = &outcome.result
                    && (*first == 0 || !streams.is_empty())
                {
                    let what = format!(
                        "the answer to request {request} claims stream versions without an event"
                    );
                    return Err(finding(end, what));
                }
            }
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
    stretch: &Stretch,
) -> Result<(), VerifyError> {
    let now = store.head(firm).await?.position;
    if stretch.last() <= now {
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
