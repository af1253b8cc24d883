//! Somebody who corrects what was told of clients: takes facts back, moves them to other days, errs in that, too.

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
}

impl Corrector {
    /// One whose choices follow from a seed.
    pub fn new(seed: u64) -> Self {
        Self { rng: StdRng::seed_from_u64(seed ^ 0xc0ec) }
    }

    /// A correction of some fact of the log; nothing if it has none.
    pub fn step(&mut self, log: &[Recorded], now: UtcMicros) -> Option<Move> {
        let facts: Vec<&Recorded> = log.iter().filter(|recorded| is_fact(recorded)).collect();
        if facts.is_empty() {
            return None;
        }
        let told = facts[self.rng.random_range(0..facts.len())];
        let StreamId::Case(case) = told.stream else { return None };
        let readings: Vec<&Recorded> = log.iter().filter(|r| corrects(r, told.position)).collect();
        // Now and then the reading that is named was replaced.
        let replaces = match readings.last() {
            Some(last) if self.rng.random_ratio(9, 10) => last,
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

fn is_fact(recorded: &Recorded) -> bool {
    use domain::event::FactKind as K;
    matches!(&recorded.event, Event::Case(event) if event.fact().is_some_and(|k| !matches!(k, K::BasisAttested|K::ReportImported|K::ResponseReceived|K::LetterDelivered|K::ClientInformationSent|K::BureauAsked|K::BureauAnswered|K::RoundSent)))
}

fn corrects(recorded: &Recorded, position: u64) -> bool {
    matches!(&recorded.event, Event::Case(CaseEvent::FactCorrected(corrected))
        if corrected.fact.position == position)
}
