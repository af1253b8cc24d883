//! The read model in memory: the state of every stream, by generation.

use std::collections::{BTreeMap, HashMap, HashSet};

use domain::event::StreamId;
use domain::named::{MovementName, NameFound};
use domain::world::State;

use crate::error::StoreError;
use crate::ports::{Checkpoint, Comparison, ProjectionStep};

/// The generation a firm begins with.
const FIRST_GENERATION: i64 = 1;

#[derive(Default)]
struct Rows {
    position: u64,
    states: HashMap<StreamId, State>,
}

pub(super) struct Generations {
    active: i64,
    last: i64,
    rows: BTreeMap<i64, Rows>,
}

impl Default for Generations {
    fn default() -> Self {
        let rows = BTreeMap::from([(FIRST_GENERATION, Rows::default())]);
        Self { active: FIRST_GENERATION, last: FIRST_GENERATION, rows }
    }
}

impl Generations {
    fn active_rows(&self) -> &Rows {
        self.rows.get(&self.active).expect("the active generation is never dropped")
    }

    pub(super) fn checkpoint(&self) -> Checkpoint {
        Checkpoint { generation: self.active, position: self.active_rows().position }
    }

    pub(super) fn active(&self) -> (Checkpoint, HashMap<StreamId, State>) {
        (self.checkpoint(), self.active_rows().states.clone())
    }

    pub(super) fn named(&self, name: &MovementName) -> NameFound {
        let rows = self.active_rows();
        let carries = |(stream, state): (&StreamId, &State)| match (stream, state) {
            (StreamId::Account(id), State::Account(account)) => {
                account.named(name.reference()).map(|_| *id)
            }
            _ => None,
        };
        let accounts = rows.states.iter().filter_map(carries).collect();
        NameFound { name: name.clone(), accounts, up_to: rows.position }
    }

    pub(super) fn forget(&mut self, stream: StreamId) -> bool {
        let active = self.rows.get_mut(&self.active);
        active.is_some_and(|rows| rows.states.remove(&stream).is_some())
    }

    pub(super) fn compare(&self, generation: i64, position: u64) -> Result<Comparison, StoreError> {
        let live = self.active_rows();
        let Some(other) = self.rows.get(&generation).filter(|rows| rows.position == position)
        else {
            return Err(StoreError::Conflict { actual: 0 });
        };
        if live.position != position {
            return Ok(Comparison::Elsewhere);
        }
        let streams: HashSet<_> = live.states.keys().chain(other.states.keys()).collect();
        let differs = |stream: &&&StreamId| live.states.get(stream) != other.states.get(stream);
        let differing = u64::try_from(streams.iter().filter(differs).count()).unwrap_or(u64::MAX);
        Ok(Comparison::At(vec![("state", differing)]))
    }

    pub(super) fn begin(&mut self) -> i64 {
        self.last += 1;
        self.rows.retain(|generation, _| *generation == self.active);
        self.rows.insert(self.last, Rows::default());
        self.last
    }

    pub(super) fn switch(&mut self, generation: i64) -> Result<(), StoreError> {
        if !self.rows.contains_key(&generation) {
            return Err(StoreError::Conflict { actual: 0 });
        }
        self.active = generation;
        Ok(())
    }

    pub(super) fn drop(&mut self, generation: i64) -> Result<(), StoreError> {
        if generation == self.active {
            return Err(StoreError::internal("the active generation cannot be dropped"));
        }
        self.rows.remove(&generation);
        Ok(())
    }

    /// Moves rows and checkpoint together. Each stream's state before has to be the one in the rows:
    /// an event counted twice, or skipped, cannot pass.
    pub(super) fn project(&mut self, step: &ProjectionStep<'_>) -> Result<(), StoreError> {
        let Some(rows) = self.rows.get_mut(&step.generation) else {
            return Err(StoreError::Conflict { actual: 0 });
        };
        if rows.position != step.from {
            return Err(StoreError::Conflict { actual: rows.position });
        }
        let dense = step.events.iter().map(|event| event.position).eq(step.from + 1..=step.to);
        if !dense {
            return Err(StoreError::internal("a step must be dense"));
        }
        let agree = |touched: &crate::ports::Touched| {
            rows.states.get(&touched.stream) == touched.before.as_ref()
        };
        if !step.touched.iter().all(agree) {
            return Err(StoreError::internal("a stream was not at the state the step began with"));
        }
        for touched in step.touched {
            rows.states.insert(touched.stream, touched.after.clone());
        }
        rows.position = step.to;
        Ok(())
    }
}
