//! Where a random life is played: in memory, or through the engine on a database.

use std::sync::Arc;
use std::time::Duration;

use counterfoil_tests::bulk::submission;
use counterfoil_tests::child;
use counterfoil_tests::history::{Move, firm_id};
use counterfoil_tests::player::Player;
use domain::event::Recorded;
use log::{Engine, SteppedClock, SubmitError};

/// Events read at a time.
const PAGE: usize = 1_000;
/// How long an engine may take to end.
const ENDING: Duration = Duration::from_secs(20);

/// Somebody who carries out moves and keeps what came of them.
pub(crate) trait Stage {
    /// What a move recorded; nothing if it was refused.
    async fn play(&mut self, step: &Move) -> Option<Vec<Recorded>>;
    /// The log, and what it makes of the firm.
    fn player(&self) -> &Player;
}

impl Stage for Player {
    async fn play(&mut self, step: &Move) -> Option<Vec<Recorded>> {
        Player::play(self, step).ok()
    }

    fn player(&self) -> &Player {
        self
    }
}

/// The engine over a database, and what is read back from it.
pub(crate) struct OnEngine {
    engine: Engine,
    clock: Arc<SteppedClock>,
    player: Player,
}

impl OnEngine {
    pub(crate) async fn open(place: &str) -> Self {
        let (engine, _store, clock) = child::open(place).await.unwrap();
        engine.start().await.unwrap();
        Self { engine, clock, player: Player::default() }
    }

    /// Verifies the log, and gives what it made of the firm.
    pub(crate) async fn end(self) -> Player {
        self.engine.verify(firm_id(), |_, _| {}).await.unwrap();
        self.engine.shutdown(ENDING).await;
        self.player
    }
}

impl Stage for OnEngine {
    async fn play(&mut self, step: &Move) -> Option<Vec<Recorded>> {
        self.clock.set(step.now);
        match self.engine.submit(firm_id(), submission(step.command.clone())).await {
            Ok(_) => {}
            Err(SubmitError::Refused(_)) => return None,
            Err(error) => panic!("{error}"),
        }
        let mut events = Vec::new();
        loop {
            let after = u64::try_from(self.player.log.len()).unwrap();
            let page = self.engine.read(firm_id(), after, PAGE).await.unwrap();
            let page: Vec<Recorded> =
                page.iter().map(|kept| Recorded::from_bytes(&kept.bytes).unwrap()).collect();
            self.player.take(page.iter().cloned());
            let is_last = page.len() < PAGE;
            events.extend(page);
            if is_last {
                return Some(events);
            }
        }
    }

    fn player(&self) -> &Player {
        &self.player
    }
}
