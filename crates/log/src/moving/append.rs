//! One transaction of the target's own writer.

use domain::ids::{FirmId, RequestId};

use super::MoveError;
use crate::head::Head;
use crate::outcome::Outcome;
use crate::ports::{AppendRow, Batch, LoadedStream, LogStore, NOTHING_KNOWN};
use crate::ports::{Opening, Plan, Step};

/// What is to be appended, and to which log.
pub(super) struct Append {
    reached: Head,
    rows: Vec<AppendRow>,
    answers: Vec<(RequestId, Outcome)>,
    head: Head,
    given: u64,
    refused: Option<MoveError>,
}

/// What was appended.
pub(super) struct Appended {
    /// The head now.
    pub(super) head: Head,
    /// Answers that were not there before.
    pub(super) answers: u64,
}

impl Append {
    pub(super) fn new(
        reached: &Head,
        rows: Vec<AppendRow>,
        answers: Vec<(RequestId, Outcome)>,
        head: Head,
    ) -> Self {
        Self { reached: reached.clone(), rows, answers, head, given: 0, refused: None }
    }

    pub(super) async fn to(
        mut self,
        target: &dyn LogStore,
        firm: FirmId,
    ) -> Result<Appended, MoveError> {
        let requests: Vec<RequestId> = self.answers.iter().map(|(request, _)| *request).collect();
        let head = self.head.clone();
        let landed = target.transact(firm, NOTHING_KNOWN, &requests, &mut self).await;
        landed.map_err(MoveError::TargetStore)?;
        match self.refused {
            Some(refused) => Err(refused),
            None => Ok(Appended { head, answers: self.given }),
        }
    }
}

impl Plan for Append {
    /// The target must be where it was left, to the root, and may know an answer only as it is.
    fn open(&mut self, opening: Opening) -> Step {
        if opening.head != self.reached {
            self.refused = Some(MoveError::TargetInUse { position: self.reached.position });
            return Step::Nothing;
        }
        let mut outcomes = Vec::with_capacity(self.answers.len());
        for (request, outcome) in std::mem::take(&mut self.answers) {
            match opening.outcomes.get(&request) {
                None => outcomes.push((request, outcome)),
                Some(known) if *known == outcome => {}
                Some(_) => {
                    self.refused = Some(MoveError::ForeignAnswer { request });
                    return Step::Nothing;
                }
            }
        }
        self.given = u64::try_from(outcomes.len()).unwrap_or(u64::MAX);
        let rows = std::mem::take(&mut self.rows);
        if rows.is_empty() && outcomes.is_empty() {
            return Step::Nothing;
        }
        let (expected, head) = (self.reached.position, self.head.clone());
        Step::Write(Batch { expected, rows, outcomes, head, people: Vec::new() })
    }

    fn loaded(&mut self, _: Vec<LoadedStream>) -> Step {
        Step::Nothing
    }
}
