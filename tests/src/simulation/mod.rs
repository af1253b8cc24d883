//! The simulation: two processes of the real engine over one store in memory, clients that repeat
//! themselves and go away, a clock that jumps, and every fault a store has, all from one seed.
//!
//! The commands are those of the random CRM, so that what is shaken is the whole trade: enrolments,
//! rounds, billing runs, payments, couples, and mistakes put right. The runtime has to have one thread and paused time; then
//! a seed is a run that can be repeated.

mod audit;
mod book;
mod judged;
mod process;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use anyhow::{Context as _, ensure};
use domain::command::Command;
use domain::event::{AccountEvent, Author, CaseEvent, Event, Recorded, UtcMicros};
use domain::ids::RequestId;
use domain::sealing::person_of;
use log::memory::{FaultPlan, MemoryStore};
use log::{
    Accepted, AppendRow, Batch, FoundBy, Head, LoadedStream, LogStore as _, NOTHING_KNOWN, Opening,
    Outcome, OutcomeResult, Person, Plan, RETRY_PATIENCE, SequentialIds, Step, SteppedClock,
    Submission,
};
use proof::{Hash, leaf_hash};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use testbed::firm_keys;
use uuid::Uuid;
use vault::PersonKey;

use crate::corrector::Corrector;
use crate::history::{Crm, Shape, firm_id, text};
use crate::player::Player;
use audit::Audit;
use book::Book;
use process::{BATCH_COMMANDS_MAX, QUEUE_DEPTH_MAX, Running, Shared};

/// Steps of one run.
const STEPS: u32 = 40;
/// Steps between two full checks.
const CHECK_EVERY: u32 = 8;
/// Most days the firm has behind it when the run begins.
const DAYS_BEFORE_MAX: u32 = 75;
/// How many processes share the store.
const PROCESSES: usize = 2;
/// How long, in virtual time, anything may take in fair weather.
const PATIENCE: Duration = Duration::from_mins(10);
/// One seed in so many meets an event that nobody can read.
const POISON_ONE_IN: u32 = 6;
/// One of so many moves corrects what was told.
const CORRECTED_ONE_IN: u32 = 20;
/// Tries until a request must have its answer in fair weather.
const TRIES_MAX: usize = 8;
/// Makes the ids of the run's requests unlike those of the days before.
const REQUESTS: u128 = 0x51 << 96;
const HOUR_MICROS: i64 = 3_600_000_000;

/// What a run came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// How often each thing happened.
    pub tally: BTreeMap<&'static str, u64>,
    /// The root over the log in the end: the same seed, the same root.
    pub root: Hash,
}

struct Simulation {
    rng: StdRng,
    crm: Crm,
    /// Somebody who corrects what was told, and all that was.
    corrector: Corrector,
    told: Vec<Recorded>,
    shared: Shared,
    processes: Vec<Running>,
    audit: Audit,
    /// When the CRM believes it is, and how wrong the servers' clock is.
    now: UtcMicros,
    skew: i64,
}

/// Runs one seed, or says which promise broke.
pub async fn run(seed: u64) -> anyhow::Result<Report> {
    let mut simulation = Simulation::open(seed).await?;
    let poison_at = simulation.rng.random_ratio(1, POISON_ONE_IN).then_some(());
    let poison_at = poison_at.map(|()| simulation.rng.random_range(0..STEPS));
    for step in 0..STEPS {
        if poison_at == Some(step) {
            simulation.poison()?;
        }
        simulation.act().await.with_context(|| format!("step {step}"))?;
        simulation.pass().await;
        simulation.look().with_context(|| format!("step {step}"))?;
        if step % CHECK_EVERY == CHECK_EVERY - 1 {
            simulation.check().await.with_context(|| format!("step {step}"))?;
        }
    }
    simulation.finish(seed).await
}

impl Simulation {
    /// A firm with some days behind it, and two processes to serve it.
    async fn open(seed: u64) -> anyhow::Result<Self> {
        let mut rng = StdRng::seed_from_u64(seed);
        let shape = Shape { clients: 3, enrol_days: 4, nonsense_percent: 6 };
        let mut crm = Crm::new(rng.random(), shape);
        let before = Player::days(&mut crm, rng.random_range(0..=DAYS_BEFORE_MAX));
        let now = before.log.last().map_or(UtcMicros(0), |last| last.recorded_at);
        let store = Arc::new(MemoryStore::default());
        import(&store, &before).await?;
        let shared = Shared {
            book: Arc::new(Mutex::new(Book::new(Arc::clone(&store)))),
            clock: Arc::new(SteppedClock::at(now)),
            ids: Arc::new(SequentialIds::default()),
            store,
        };
        let mut audit = Audit::new(Arc::clone(&shared.store));
        let told = audit.take()?;
        let corrector = Corrector::new(seed);
        let processes = (0..PROCESSES).map(|_| Running::start(&shared)).collect();
        let mut simulation =
            Self { rng, crm, corrector, told, shared, processes, audit, now, skew: 0 };
        simulation.change_weather();
        Ok(simulation)
    }

    async fn act(&mut self) -> anyhow::Result<()> {
        match self.rng.random_range(0..100) {
            0..42 => {
                for _ in 0..self.rng.random_range(1..=3) {
                    self.ask_next();
                }
            }
            42..50 => self.bill(),
            50..60 => self.ask_again(),
            60..66 => self.ask_otherwise(),
            66..71 => {
                let (at, pick) = (self.any_process(), self.rng.random_range(0..64));
                self.processes[at].drop_one(&self.shared, pick);
            }
            71..76 => self.jump(),
            76..81 => self.change_weather(),
            81..86 => self.replace(Running::kill, "kills"),
            86..89 => self.replace(|old, _| drop(old), "restarts"),
            89..92 => return self.flood().await,
            92..95 => self.ask_in_order(),
            95..97 => self.rebuild().await,
            _ => tokio::time::sleep(Duration::from_secs(3)).await,
        }
        Ok(())
    }

    fn any_process(&mut self) -> usize {
        // The second process is the other writer; most clients talk to the first.
        usize::from(self.rng.random_ratio(1, 4))
    }

    fn enter(&mut self, command: Command) -> usize {
        let mut book = self.shared.book();
        let number = u128::try_from(book.len()).expect("a small number");
        book.enter(Submission {
            request_id: RequestId(Uuid::from_u128(REQUESTS | number)),
            fingerprint: [1; 32],
            author: Author::without_token(text("crm")),
            command,
        })
    }

    /// Somebody asks something at a process; some are in a hurry.
    fn send(&mut self, request: usize, submission: Submission) {
        let hurry = self.rng.random_ratio(1, 10);
        let patience = hurry.then(|| Duration::from_millis(self.rng.random_range(0..60)));
        let at = self.any_process();
        let attempt = self.shared.book().begin(request);
        self.processes[at].ask(&self.shared, attempt, submission, patience);
    }

    fn send_again(&mut self, request: usize) {
        let submission = self.shared.book().submission(request);
        self.send(request, submission);
    }

    fn next_command(&mut self) -> Command {
        let step = self.crm.next_move();
        self.now = step.now;
        self.set_clock();
        if self.rng.random_ratio(1, CORRECTED_ONE_IN)
            && let Some(correction) = self.corrector.step(&self.told, step.now)
        {
            self.shared.book().count("corrections");
            return correction.command;
        }
        step.command
    }

    fn set_clock(&self) {
        self.shared.clock.set(UtcMicros(self.now.0 + self.skew));
    }

    fn ask_next(&mut self) {
        let command = self.next_command();
        let request = self.enter(command);
        self.send_again(request);
        // An impatient client sends the same again at once, perhaps elsewhere.
        if self.rng.random_ratio(1, 8) {
            self.shared.book().count("duplicates");
            self.send_again(request);
        }
    }

    /// A billing run, and now and then a second one at the same time.
    fn bill(&mut self) {
        let runs = if self.rng.random_ratio(1, 3) { 2 } else { 1 };
        for _ in 0..runs {
            for command in self.crm.billing_run() {
                let request = self.enter(command);
                self.send_again(request);
            }
        }
    }

    fn earlier(&mut self) -> Option<usize> {
        let asked = self.shared.book().len();
        (asked > 0).then(|| self.rng.random_range(0..asked))
    }

    /// An earlier request once more, word for word.
    fn ask_again(&mut self) {
        if let Some(request) = self.earlier() {
            self.shared.book().count("repeats");
            self.send_again(request);
        }
    }

    /// An earlier request's id on another body.
    fn ask_otherwise(&mut self) {
        if let Some(request) = self.earlier() {
            let request_id = self.shared.book().submission(request).request_id;
            let command = self.next_command();
            let submission = Submission {
                request_id,
                fingerprint: [2; 32],
                author: Author::without_token(text("crm")),
                command,
            };
            self.shared.book().count("other bodies");
            self.send(request, submission);
        }
    }

    fn ask_in_order(&mut self) {
        let mut asked = Vec::new();
        for _ in 0..3 {
            let command = self.next_command();
            let request = self.enter(command);
            let submission = self.shared.book().submission(request);
            asked.push((self.shared.book().begin(request), submission));
        }
        self.shared.book().count("ordered streams");
        self.processes[0].ask_in_order(&self.shared, asked);
    }

    /// The servers' clock jumps: mostly back, sometimes to the right time.
    fn jump(&mut self) {
        self.skew = if self.skew < 0 && self.rng.random_bool(0.6) {
            0
        } else {
            self.shared.book().count("clock jumps back");
            -self.rng.random_range(1..30 * HOUR_MICROS)
        };
        self.set_clock();
    }

    fn change_weather(&mut self) {
        let mut often = |rates: [u16; 4]| rates[self.rng.random_range(0..rates.len())];
        let plan = FaultPlan {
            unreachable: often([0, 40, 150, 500]),
            commit_fails: often([0, 40, 150, 600]),
            answer_lost: often([0, 40, 150, 400]),
            commit_vanishes: often([0, 20, 80, 300]),
            other_writer: often([0, 20, 60, 150]),
            slow: often([0, 30, 100, 300]),
            project_fails: often([0, 30, 100, 400]),
            project_answer_lost: often([0, 30, 100, 400]),
            seed: 0,
        };
        let plan = FaultPlan { seed: self.rng.random(), ..plan };
        self.shared.store.set_faults(plan);
    }

    /// One process ends and another takes its place. Killed, its clients hear nothing; dropped without
    /// a word, whoever waits already must still get an answer.
    fn replace(&mut self, end: fn(Running, &Shared), what: &'static str) {
        let at = self.rng.random_range(0..PROCESSES);
        let next = Running::start(&self.shared);
        let old = std::mem::replace(&mut self.processes[at], next);
        end(old, &self.shared);
        self.shared.book().count(what);
    }

    /// More at once than a queue may hold, while the store answers nobody.
    async fn flood(&mut self) -> anyhow::Result<()> {
        let held = self.shared.store.hold().await;
        for _ in 0..QUEUE_DEPTH_MAX + BATCH_COMMANDS_MAX + 3 {
            let asked = self.shared.book().len();
            let request = if asked > 0 && self.rng.random_bool(0.7) {
                self.rng.random_range(0..asked)
            } else {
                let command = self.next_command();
                self.enter(command)
            };
            let submission = self.shared.book().submission(request);
            let attempt = self.shared.book().begin(request);
            self.processes[0].ask(&self.shared, attempt, submission, None);
        }
        tokio::time::sleep(Duration::from_millis(1)).await;
        let bounded = self.queues_are_bounded();
        drop(held);
        self.shared.book().count("floods");
        bounded
    }

    /// A rebuild beside everything else; in bad weather it may be given up.
    async fn rebuild(&mut self) {
        let at = self.rng.random_range(0..PROCESSES);
        let rebuilt = self.processes[at].engine.rebuild(firm_id(), |_, _| {}).await;
        self.shared.book().count(if rebuilt.is_ok() { "rebuilds" } else { "rebuilds given up" });
    }

    /// From here on a projection cannot pass this position, and everything else goes on.
    fn poison(&mut self) -> anyhow::Result<()> {
        self.look()?;
        let position = self.shared.store.poison(firm_id()).context("a firm to poison")?;
        self.audit.poisoned(position);
        self.shared.book().count("poison events");
        self.look()
    }

    /// Lets some virtual time pass, and with it the tasks.
    async fn pass(&mut self) {
        match self.rng.random_range(0..8) {
            0..3 => {
                for _ in 0..self.rng.random_range(1..6) {
                    tokio::task::yield_now().await;
                }
            }
            3..6 => {
                tokio::time::sleep(Duration::from_millis(self.rng.random_range(1..30))).await;
            }
            _ => tokio::time::sleep(Duration::from_millis(self.rng.random_range(30..400))).await,
        }
    }

    /// What is looked at after every step. The CRM learns from the log what happened.
    fn look(&mut self) -> anyhow::Result<()> {
        for recorded in self.audit.take()? {
            self.crm.learn(&recorded);
            if let Event::Account(AccountEvent::PaymentSettled(_)) = recorded.event {
                self.shared.book().count("payments");
            }
            self.told.push(recorded);
        }
        self.queues_are_bounded()?;
        self.shared.book().verdict()
    }

    fn queues_are_bounded(&self) -> anyhow::Result<()> {
        for process in &self.processes {
            let inside = process.inside();
            let limit = QUEUE_DEPTH_MAX + BATCH_COMMANDS_MAX;
            ensure!(inside <= limit, "{inside} wait where {limit} may");
        }
        Ok(())
    }

    async fn check(&mut self) -> anyhow::Result<()> {
        self.look()?;
        self.audit.check().await?;
        self.shared.book().check(&self.audit)
    }

    /// Fair weather: everybody is answered, everything is projected, everything holds.
    async fn finish(mut self, seed: u64) -> anyhow::Result<Report> {
        self.shared.store.set_faults(FaultPlan::default());
        self.everybody_is_answered().await?;
        // Some never ask again, so that what was denied and never repeated can be looked for.
        let mut insists = self.shared.book().unsettled();
        insists.retain(|_| self.rng.random_ratio(3, 4));
        for _ in 0..TRIES_MAX {
            if insists.is_empty() {
                break;
            }
            for request in &insists {
                self.send_again(*request);
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            self.everybody_is_answered().await?;
            let open = self.shared.book().unsettled();
            insists.retain(|request| open.contains(request));
        }
        ensure!(insists.is_empty(), "{} requests have no answer in fair weather", insists.len());
        if !self.audit.is_poisoned() {
            self.is_judged_rightly(seed).await?;
        }
        self.projected_to_the_end().await?;
        self.check().await?;
        self.shared.book().nobody_waits()?;
        let root = self.audit.check_from_scratch(&self.processes[0].engine).await?;
        Ok(self.report(root))
    }

    async fn everybody_is_answered(&mut self) -> anyhow::Result<()> {
        let until = tokio::time::Instant::now() + PATIENCE;
        while self.shared.book().nobody_waits().is_err() && tokio::time::Instant::now() < until {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        self.look()?;
        self.shared.book().nobody_waits()
    }

    /// What a caller who went away had asked for may be on its way to the log still.
    async fn nothing_comes_any_more(&mut self) -> anyhow::Result<()> {
        loop {
            let before = self.audit.events();
            tokio::time::sleep(RETRY_PATIENCE).await;
            self.look()?;
            if self.audit.events() == before {
                return Ok(());
            }
        }
    }

    async fn projected_to_the_end(&mut self) -> anyhow::Result<()> {
        self.nothing_comes_any_more().await?;
        let (end, readable) = (self.audit.events(), self.audit.readable_to());
        for process in &self.processes {
            let engine = &process.engine;
            let applied = engine.wait_applied(firm_id(), end, PATIENCE).await;
            let applied = applied.unwrap_or_else(|behind| behind.applied);
            ensure!(applied == readable, "projected to {applied}, not to {readable}");
            let fault = engine.projection_fault(firm_id()).map(|fault| fault.position);
            let expected = (readable < end).then_some(readable + 1);
            ensure!(fault == expected, "the projection names {fault:?}, not {expected:?}");
        }
        let (checkpoint, _) = self.shared.store.projected(firm_id());
        ensure!(checkpoint.position == readable, "the checkpoint is at {}", checkpoint.position);
        Ok(())
    }

    fn report(self, root: Hash) -> Report {
        let injected = self.shared.store.injected();
        let mut tally = std::mem::take(&mut self.shared.book().tally);
        tally.extend([
            ("unreachable", injected.unreachable),
            ("commit fails", injected.commit_fails),
            ("answer lost", injected.answer_lost),
            ("commit vanishes", injected.commit_vanishes),
            ("head moved", injected.other_writer),
            ("slow store", injected.slow),
            ("projection fails", injected.project_fails),
            ("projection answer lost", injected.project_answer_lost),
            ("events", self.audit.events()),
            ("fees", self.audit.fees()),
            ("invoices", self.audit.invoices()),
        ]);
        Report { tally, root }
    }
}

/// Every client who enrolled among these events, with a key.
fn everybody(rows: &[AppendRow]) -> Vec<Person> {
    let firm_keys = firm_keys();
    let enrolments =
        rows.iter().filter(|row| matches!(row.recorded.event, Event::Case(CaseEvent::Enrolled(_))));
    let ids = enrolments.filter_map(|row| person_of(row.recorded.stream));
    ids.map(|id| {
        let wrapped = firm_keys.wrap(firm_id().0, id, &PersonKey::from_bytes([9; 32]));
        Person { id, wrapped, found_by: FoundBy::default(), complete: true }
    })
    .collect()
}

/// Puts the days before the run into the store as one batch.
struct Import(Vec<Recorded>, u64);

impl Plan for Import {
    fn open(&mut self, opening: Opening) -> Step {
        let mut head = Head { invoices: self.1, ..opening.head };
        let mut outcomes: Vec<(RequestId, Outcome)> = Vec::new();
        let mut rows = Vec::new();
        for recorded in std::mem::take(&mut self.0) {
            let bytes = recorded.to_bytes();
            let leaf = leaf_hash(&bytes);
            head.frontier.push(leaf);
            head.position = recorded.position;
            head.recorded_at = recorded.recorded_at;
            match outcomes.last_mut() {
                Some((request, Outcome { result: OutcomeResult::Accepted(accepted), .. }))
                    if *request == recorded.request_id =>
                {
                    accepted.take(&recorded);
                }
                Some(_) | None => outcomes.push((recorded.request_id, outcome_of(&recorded))),
            }
            rows.push(AppendRow { recorded: recorded.into(), bytes, leaf });
        }
        let people = everybody(&rows);
        Step::Write(Batch { expected: 0, rows, outcomes, head, people })
    }

    fn loaded(&mut self, _: Vec<LoadedStream>) -> Step {
        Step::Nothing
    }
}

fn outcome_of(first: &Recorded) -> Outcome {
    let mut accepted = Accepted::before(first.position);
    accepted.take(first);
    let result = OutcomeResult::Accepted(accepted);
    Outcome { fingerprint: [0; 32], recorded_at: first.recorded_at, result }
}

async fn import(store: &MemoryStore, before: &Player) -> anyhow::Result<()> {
    let mut plan = Import(before.log.clone(), before.world.invoices());
    store.transact(firm_id(), NOTHING_KNOWN, &[], &mut plan).await?;
    Ok(())
}
