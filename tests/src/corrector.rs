//! Somebody who corrects what was told of clients: takes facts back, moves them to other days, errs in that, too.

use std::collections::HashMap;

use chrono::TimeDelta;
use domain::command::{Becomes, Command, Correction};
use domain::event::{CaseEvent, Event, Recorded, StreamId, UtcMicros};
use domain::value::Personal;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::history::Move;

/// How far a day is moved at most.
const DAYS_MAX: i64 = 12;

/// The corrector.
pub struct Corrector {
    rng: StdRng,
    /// Events of the log that were looked at.
    seen: usize,
    /// Where the facts among them stand.
    facts: Vec<usize>,
    /// And the latest reading of each that was corrected.
    readings: HashMap<usize, usize>,
}

impl Corrector {
    /// One whose choices follow from a seed.
    pub fn new(seed: u64) -> Self {
        let rng = StdRng::seed_from_u64(seed ^ 0xc0ec);
        Self { rng, seen: 0, facts: Vec::new(), readings: HashMap::new() }
    }

    fn look(&mut self, log: &[Recorded]) {
        for (at, recorded) in log.iter().enumerate().skip(self.seen) {
            let Event::Case(event) = &recorded.event else { continue };
            if let CaseEvent::FactCorrected(corrected) = event {
                let fact = usize::try_from(corrected.fact.position).expect("a place of a log");
                self.readings.insert(fact - 1, at);
            } else if event.fact().is_some() {
                self.facts.push(at);
            }
        }
        self.seen = log.len();
    }

    /// A correction of some fact of the log; nothing if it has none.
    pub fn step(&mut self, log: &[Recorded], now: UtcMicros) -> Option<Move> {
        self.look(log);
        if self.facts.is_empty() {
            return None;
        }
        let at = self.facts[self.rng.random_range(0..self.facts.len())];
        let told = &log[at];
        let StreamId::Case(case) = told.stream else { return None };
        // Now and then the reading that is named was replaced.
        let replaces = match self.readings.get(&at) {
            Some(&last) if self.rng.random_ratio(9, 10) => &log[last],
            Some(_) | None => told,
        };
        let becomes = if self.rng.random_ratio(1, 3) {
            Becomes::Nothing
        } else {
            let days = TimeDelta::days(self.rng.random_range(-DAYS_MAX..=DAYS_MAX));
            Becomes::OnDay(told.occurred_on + days)
        };
        let correction = Correction {
            about_another: becomes == Becomes::Nothing && self.rng.random_ratio(1, 3),
            becomes,
            reason: Personal::parse("It was typed wrongly.").ok()?,
            replaces: Box::new(replaces.clone()),
            said_by: Personal::parse("the clerk").ok()?,
            told: Box::new(told.clone()),
        };
        let corrections = vec![correction];
        Some(Move { now, command: Command::Correct { case, expected_version: None, corrections } })
    }
}
