//! Plays moves straight through `decide`, with every stream in memory: the domain alone, no engine.

use std::collections::{BTreeSet, HashMap};

use domain::event::{Author, CaseEvent, Event, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, EventId, RequestId};
use domain::named::{MovementName, NameFound};
use domain::refusal::Refusal;
use domain::sealing::{InTheClear, Sealer};
use domain::{Context, Halt, State, World, decide};
use uuid::Uuid;

use crate::corrector::Corrector;
use crate::history::{Crm, Move, firm_id, text};

/// A log in memory and the world it makes.
pub struct Player {
    /// The world.
    pub world: World,
    /// The log.
    pub log: Vec<Recorded>,
    /// What seals personal values.
    pub sealer: Box<dyn Sealer>,
    ids: u128,
    /// The accounts with a movement of each name, which a world remembers of the latest names alone.
    named: HashMap<MovementName, Vec<AccountId>>,
}

impl Default for Player {
    fn default() -> Self {
        Self {
            world: World::new(firm_id(), 0, 0),
            log: Vec::new(),
            sealer: Box::new(InTheClear),
            ids: 0,
            named: HashMap::new(),
        }
    }
}

impl Player {
    /// What a log makes of its firm.
    pub fn of_log(log: impl IntoIterator<Item = Recorded>) -> Self {
        let mut player = Self::default();
        player.take(log);
        player
    }

    /// Takes in what somebody else recorded next.
    pub fn take(&mut self, events: impl IntoIterator<Item = Recorded>) {
        for recorded in events {
            if !self.world.has(recorded.stream) {
                self.world.insert(recorded.stream, State::empty(recorded.stream));
            }
            self.world.apply(&recorded).expect("it was decided like this");
            self.log.push(recorded);
        }
    }

    /// Plays one move.
    pub fn play(&mut self, step: &Move) -> Result<Vec<Recorded>, Refusal> {
        self.ids += 1;
        let request_id = RequestId(Uuid::from_u128(self.ids << 32));
        let mut next = self.ids << 64;
        let mut found = None;
        loop {
            let mut next_id = || {
                next += 1;
                EventId(Uuid::from_u128(next))
            };
            let context = Context {
                author: Author::without_token(text("crm")),
                request_id,
                now: step.now,
                recorded_at: step.now,
                next_id: &mut next_id,
                sealer: self.sealer.as_mut(),
                name_found: found.as_ref(),
            };
            match decide(&mut self.world, context, &step.command) {
                Ok(events) => {
                    for (name, account) in events.iter().filter_map(MovementName::told_by) {
                        self.named.entry(name).or_default().push(account);
                    }
                    self.log.extend(events.iter().cloned());
                    return Ok(events);
                }
                Err(Halt::Need(stream)) => self.world.insert(stream, State::empty(stream)),
                Err(Halt::Unnamed) => {
                    let name = step.command.movement_name().expect("of a name nobody knows");
                    let accounts = self.named.get(&name).cloned().unwrap_or_default();
                    found = Some(NameFound { name, accounts, up_to: self.world.position() });
                }
                Err(Halt::Refused(refusal)) => return Err(*refusal),
            }
        }
    }

    /// Plays a move and tells the CRM what came of it. Gives whether it was accepted.
    pub fn play_and_tell(&mut self, crm: &mut Crm, step: &Move) -> bool {
        match self.play(step) {
            Ok(events) => {
                for event in &events {
                    crm.learn(event);
                }
                true
            }
            Err(_) => false,
        }
    }

    /// The cases that enrolled, by their ids.
    pub fn cases(&self) -> BTreeSet<CaseId> {
        let enrolled =
            self.log.iter().filter_map(|recorded| match (&recorded.event, recorded.stream) {
                (Event::Case(CaseEvent::Enrolled(_)), StreamId::Case(case)) => Some(case),
                _ => None,
            });
        enrolled.collect()
    }

    /// A firm that is set up, and then so many days of its life, on each of which somebody puts a mistake right.
    pub fn corrected_days(crm: &mut Crm, seed: u64, days: u32) -> Self {
        let (mut player, mut corrector) = (Self::days(crm, 0), Corrector::new(seed));
        for _ in 0..days {
            let moves = crm.day();
            for step in &moves {
                player.play_and_tell(crm, step);
            }
            let now = moves.last().map(|step| step.now);
            if let Some(correction) = now.and_then(|now| corrector.step(&player.log, now)) {
                player.play_and_tell(crm, &correction);
            }
        }
        player
    }

    /// A firm that is set up, and then so many days of its life.
    pub fn days(crm: &mut Crm, days: u32) -> Self {
        let mut player = Self::default();
        for step in crm.set_up() {
            player.play(&step).expect("setting a firm up is lawful");
        }
        for _ in 0..days {
            for step in crm.day() {
                player.play_and_tell(crm, &step);
            }
        }
        player
    }
}
