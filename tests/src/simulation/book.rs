//! What the clients asked and heard, each answer held against the store the moment it comes.

use std::collections::BTreeMap;
use std::sync::Arc;

use anyhow::{bail, ensure};
use domain::ids::RequestId;
use log::memory::MemoryStore;
use log::{Accepted, Answer, Outcome, OutcomeResult, Submission, SubmitError};

use super::audit::Audit;
use crate::history::firm_id;
use testbed::firm_keys;

/// How one attempt to ask something ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ending {
    /// Not yet.
    Waiting,
    /// With the answer to the request.
    Settled,
    /// With the promise that nothing was recorded.
    NotRecorded,
    /// The answer is unknown, or nobody waited for it.
    InDoubt,
}

/// One attempt, by its request and its place among the attempts.
pub(super) type Attempt = (usize, usize);

struct Asked {
    submission: Submission,
    attempts: Vec<Ending>,
    /// How many answers said that they were the first.
    firsts: u32,
    /// Once known, for ever.
    outcome: Option<Outcome>,
}

/// Everything asked in a run.
pub(super) struct Book {
    store: Arc<MemoryStore>,
    asked: Vec<Asked>,
    pub(super) tally: BTreeMap<&'static str, u64>,
    /// The first promise found broken.
    broken: Option<anyhow::Error>,
}

fn agrees(answer: &Answer, accepted: &Accepted) -> bool {
    answer.first_position == accepted.first
        && answer.count == accepted.count
        && answer.position == accepted.last()
        && answer.streams == accepted.streams
}

impl Book {
    pub(super) fn new(store: Arc<MemoryStore>) -> Self {
        Self { store, asked: Vec::new(), tally: BTreeMap::new(), broken: None }
    }

    pub(super) fn count(&mut self, what: &'static str) {
        *self.tally.entry(what).or_default() += 1;
    }

    pub(super) fn len(&self) -> usize {
        self.asked.len()
    }

    /// Writes down a new request.
    pub(super) fn enter(&mut self, submission: Submission) -> usize {
        self.count("requests");
        let asked = Asked { submission, attempts: Vec::new(), firsts: 0, outcome: None };
        self.asked.push(asked);
        self.asked.len() - 1
    }

    pub(super) fn submission(&self, request: usize) -> Submission {
        self.asked[request].submission.clone()
    }

    pub(super) fn begin(&mut self, request: usize) -> Attempt {
        let attempts = &mut self.asked[request].attempts;
        attempts.push(Ending::Waiting);
        (request, attempts.len() - 1)
    }

    /// Ends an attempt nobody will hear of.
    pub(super) fn give_up(&mut self, attempt: Attempt, what: &'static str) {
        if self.ending(attempt) == Ending::Waiting {
            self.count(what);
            self.end(attempt, Ending::InDoubt);
        }
    }

    fn ending(&self, (request, at): Attempt) -> Ending {
        self.asked[request].attempts[at]
    }

    fn end(&mut self, attempt: Attempt, ending: Ending) {
        if self.ending(attempt) != Ending::Waiting {
            self.break_with(anyhow::anyhow!("a waiter was answered twice"));
        }
        self.asked[attempt.0].attempts[attempt.1] = ending;
    }

    fn break_with(&mut self, error: anyhow::Error) {
        self.broken.get_or_insert(error);
    }

    /// What was found broken since the last look.
    pub(super) fn verdict(&mut self) -> anyhow::Result<()> {
        self.broken.take().map_or(Ok(()), Err)
    }

    /// Requests without an answer of their own.
    pub(super) fn unsettled(&self) -> Vec<usize> {
        let settled = |asked: &Asked| asked.attempts.contains(&Ending::Settled);
        let all = self.asked.iter().enumerate();
        all.filter(|(_, asked)| !settled(asked)).map(|(at, _)| at).collect()
    }

    /// Takes in an answer as the client hears it.
    pub(super) fn answered(
        &mut self,
        attempt: Attempt,
        submission: &Submission,
        answer: &Result<Answer, SubmitError>,
    ) {
        let ending = match answer {
            Ok(_)
            | Err(
                SubmitError::Refused(_)
                | SubmitError::RefusedBefore { .. }
                | SubmitError::RequestReused { .. },
            ) => Ending::Settled,
            Err(SubmitError::Overloaded | SubmitError::Unavailable | SubmitError::Unnamed) => {
                Ending::NotRecorded
            }
            Err(
                SubmitError::OutcomeUnknown
                | SubmitError::Corrupt { .. }
                | SubmitError::Internal(_)
                | SubmitError::ShuttingDown,
            ) => Ending::InDoubt,
        };
        self.end(attempt, ending);
        if let Err(error) = self.judge(attempt.0, submission, answer) {
            let request = submission.request_id;
            self.break_with(error.context(format!("request {request} was answered {answer:?}")));
        }
    }

    fn judge(
        &mut self,
        request: usize,
        submission: &Submission,
        answer: &Result<Answer, SubmitError>,
    ) -> anyhow::Result<()> {
        let outcome = self.store.outcome(firm_id(), submission.request_id);
        let own = match (&outcome, self.store.person(firm_id(), firm_id().0)) {
            (Some(outcome), Some(secret)) => {
                let asked = &submission.fingerprint;
                let kept = log::kept_fingerprint(&firm_keys(), firm_id(), &secret, asked)?;
                outcome.fingerprint == kept
            }
            (None, _) | (_, None) => false,
        };
        match (answer, outcome.as_ref().map(|outcome| &outcome.result)) {
            (Ok(answer), Some(OutcomeResult::Accepted(accepted))) => {
                ensure!(own, "it is the answer to another request");
                ensure!(agrees(answer, accepted), "remembered is {accepted:?}");
                if !answer.replayed {
                    self.asked[request].firsts += 1;
                    ensure!(
                        self.asked[request].firsts == 1,
                        "carried out for the first time, twice"
                    );
                }
                self.count(if answer.replayed { "replayed" } else { "accepted" });
            }
            (Err(SubmitError::Refused(said)), Some(OutcomeResult::Refused(kept))) => {
                ensure!(own && said == kept, "remembered is {kept:?}");
                self.count("refused");
            }
            (
                Err(SubmitError::RefusedBefore { refusal: said, at }),
                Some(OutcomeResult::Refused(kept)),
            ) => {
                let kept_at = outcome.as_ref().map(|outcome| outcome.recorded_at);
                ensure!(own && said == kept && kept_at == Some(*at), "remembered is {kept:?}");
                self.count("refused");
            }
            (Err(SubmitError::RequestReused { first_seen }), Some(_)) => {
                let at = outcome.as_ref().map(|outcome| outcome.recorded_at);
                ensure!(!own && at == Some(*first_seen), "remembered is {outcome:?}");
                self.count("reused");
            }
            (Err(SubmitError::Overloaded), _) => self.count("overloaded"),
            (Err(SubmitError::Unavailable | SubmitError::Unnamed), _) => self.count("unavailable"),
            (Err(SubmitError::OutcomeUnknown), _) => self.count("unknown"),
            (
                Ok(_)
                | Err(
                    SubmitError::Refused(_)
                    | SubmitError::RefusedBefore { .. }
                    | SubmitError::RequestReused { .. },
                ),
                other,
            ) => bail!("remembered is {other:?}"),
            (
                Err(
                    SubmitError::Corrupt { .. }
                    | SubmitError::Internal(_)
                    | SubmitError::ShuttingDown,
                ),
                _,
            ) => bail!("no fault of the simulation leads there"),
        }
        self.remember(request, outcome)
    }

    fn remember(&mut self, request: usize, found: Option<Outcome>) -> anyhow::Result<()> {
        let asked = &mut self.asked[request];
        ensure!(asked.outcome.is_none() || asked.outcome == found, "another outcome: {found:?}");
        asked.outcome = found;
        Ok(())
    }

    /// Every outcome is the one it was, and the log holds what it says and nothing else.
    pub(super) fn check(&mut self, audit: &Audit) -> anyhow::Result<()> {
        for request in 0..self.asked.len() {
            let id: RequestId = self.asked[request].submission.request_id;
            self.remember(request, self.store.outcome(firm_id(), id))?;
            let asked = &self.asked[request];
            let expected = match asked.outcome.as_ref().map(|outcome| &outcome.result) {
                Some(OutcomeResult::Accepted(accepted)) => {
                    (accepted.count > 0).then_some((accepted.first, accepted.last()))
                }
                Some(OutcomeResult::Refused(_)) | None => None,
            };
            ensure!(audit.recorded_by(id) == expected, "request {id} must stand at {expected:?}");
            let denied = asked.attempts.iter().all(|ending| *ending == Ending::NotRecorded);
            ensure!(!denied || asked.outcome.is_none(), "request {id} was recorded and denied");
        }
        Ok(())
    }

    pub(super) fn nobody_waits(&self) -> anyhow::Result<()> {
        for asked in &self.asked {
            let waits = asked.attempts.contains(&Ending::Waiting);
            ensure!(!waits, "request {} got no answer", asked.submission.request_id);
        }
        Ok(())
    }
}
