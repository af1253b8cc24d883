//! A firm of our own invention and the few commands the tests need.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use calendar::{CivilDate, PeriodRule, Zone};
use domain::command::{CaseAction, Command, Dated, Enrol, FirmAction};
use domain::event::{
    Address, Author, BureauRegistered, Contact, Direction, FirmRegistered, MessageLogged, Recorded,
    StreamId, UtcMicros,
};
use domain::ids::{AccessId, BureauCode, CaseId, EventId, FirmId, PlanCode, RequestId, StateCode};
use domain::money::{Currency, Money};
use domain::terms::{Channel, Plan, Prices, Sale, Seat, Work};
use domain::value::{Personal, Text};
use domain::world::State;
use uuid::Uuid;
use vault::{FirmKey, FirmKeys};

use crate::memory::MemoryStore;
use crate::{
    Answer, Engine, LogStore as _, SequentialIds, Settings, SteppedClock, Submission, SubmitError,
};

/// 2026-01-06 15:00 UTC.
pub(super) const NOW: UtcMicros = UtcMicros(1_767_711_600_000_000);
pub(super) const FIRM: FirmId = FirmId(Uuid::from_u128(0xf1));
pub(super) const PATIENCE: Duration = Duration::from_secs(30);

pub(super) struct Bench {
    pub(super) engine: Engine,
    pub(super) store: Arc<MemoryStore>,
}

pub(super) fn firm_keys() -> FirmKeys {
    FirmKeys::new(FirmKey::from_bytes([7; 32]))
}

pub(super) fn engine_over(store: &Arc<MemoryStore>, settings: Settings) -> Engine {
    let store: Arc<MemoryStore> = Arc::clone(store);
    Engine::new(
        store,
        Arc::new(SteppedClock::at(NOW)),
        Arc::new(SequentialIds::default()),
        firm_keys(),
        settings,
    )
}

/// An engine over an empty store.
pub(super) fn bench_with(settings: Settings) -> Bench {
    let store = Arc::new(MemoryStore::default());
    Bench { engine: engine_over(&store, settings), store }
}

/// An engine with the firm registered and its plan published: positions 1 and 2.
pub(super) async fn open_bench(settings: Settings) -> Bench {
    let bench = bench_with(settings);
    bench.submit(1, register()).await.unwrap();
    bench.submit(2, publish()).await.unwrap();
    bench
}

impl Bench {
    pub(super) async fn submit(&self, id: u128, command: Command) -> Result<Answer, SubmitError> {
        self.engine.submit(FIRM, submission(id, command)).await
    }

    /// Submits together, so that the commands share batches, and returns answers in that order.
    pub(super) async fn submit_together(
        &self,
        commands: impl IntoIterator<Item = Submission>,
    ) -> Vec<Result<Answer, SubmitError>> {
        let held = self.store.hold().await;
        let mut pending = Vec::new();
        for command in commands {
            pending.push(self.engine.enqueue(FIRM, command).await.unwrap());
        }
        drop(held);
        let mut answers = Vec::new();
        for answer in pending {
            answers.push(answer.await.unwrap());
        }
        answers
    }

    pub(super) async fn position(&self) -> u64 {
        self.store.head(FIRM).await.unwrap().position
    }

    /// Waits until everything is in the read model.
    pub(super) async fn caught_up(&self) -> u64 {
        let position = self.position().await;
        self.engine.wait_applied(FIRM, position, PATIENCE).await.unwrap()
    }

    /// Every stream folded from the whole log up to a position, without a snapshot.
    pub(super) async fn folded(&self, position: u64) -> HashMap<StreamId, State> {
        let mut states = HashMap::new();
        let mut after = 0;
        while after < position {
            let page = self.store.read(FIRM, after, 1_000).await.unwrap();
            for stored in page.iter().take_while(|stored| stored.position <= position) {
                let recorded = Recorded::from_bytes(&stored.bytes).unwrap();
                let stream = recorded.stream;
                states.entry(stream).or_insert_with(|| State::empty(stream)).apply(&recorded);
            }
            after = page.last().unwrap().position;
        }
        states
    }
}

/// A submission whose fingerprint is its command's own.
pub(super) fn submission(id: u128, command: Command) -> Submission {
    use std::hash::{DefaultHasher, Hash as _, Hasher as _};
    let mut hasher = DefaultHasher::new();
    format!("{command:?}").hash(&mut hasher);
    let mut fingerprint = [0; 32];
    fingerprint[..8].copy_from_slice(&hasher.finish().to_be_bytes());
    Submission {
        request_id: request(id),
        fingerprint,
        author: Author::without_token(text("tests")),
        command,
    }
}

pub(super) fn request(id: u128) -> RequestId {
    RequestId(Uuid::from_u128(id))
}

pub(super) fn case_id(number: u128) -> CaseId {
    CaseId(Uuid::from_u128(0xca5e << 64 | number))
}

fn text(words: &str) -> Text {
    Text::parse(words).unwrap()
}

fn personal(words: &str) -> Personal {
    Personal::parse(words).unwrap()
}

fn day() -> CivilDate {
    "2026-01-05".parse().unwrap()
}

pub(super) fn on_firm(action: FirmAction) -> Command {
    Command::Firm { action: Dated { occurred_at: None, occurred_on: day(), action } }
}

pub(super) fn register() -> Command {
    on_firm(FirmAction::Register(FirmRegistered {
        currency: Currency::USD,
        invoice_due_days: 10,
        name: text("Plum Street Credit"),
        transit_days: 5,
        zone: Zone::parse("America/Chicago").unwrap(),
    }))
}

pub(super) fn publish() -> Command {
    publish_promising(1)
}

/// A plan whose event grows with what it promises.
pub(super) fn publish_promising(reports: usize) -> Command {
    let fee = Money::new(9_900, Currency::USD).unwrap();
    on_firm(FirmAction::PublishPlan(Plan {
        grace_days: None,
        code: PlanCode::parse("basic").unwrap(),
        couple: None,
        first_work: vec![Work::ReportImport; reports],
        individual: Prices { first_fee: fee, monthly_fee: fee },
        monthly_work: vec![Work::ProgressReport],
        name: text("Basic"),
        periods: 6,
        version: 1,
    }))
}

/// One event on the firm.
pub(super) fn bureau(number: u128) -> Command {
    on_firm(FirmAction::RegisterBureau(BureauRegistered {
        address: text("2 Bureau Road"),
        bureau: BureauCode::parse(&format!("bureau-{number}")).unwrap(),
        name: text("Blue Bureau"),
    }))
}

/// A command that is always refused: no such token was given out.
pub(super) fn refused() -> Command {
    let access = AccessId(Uuid::from_u128(9));
    on_firm(FirmAction::RevokeAccess(domain::event::AccessRevoked { access }))
}

fn on_case(case: CaseId, actions: impl IntoIterator<Item = CaseAction>) -> Command {
    let actions = actions
        .into_iter()
        .map(|action| Dated { occurred_at: None, occurred_on: day(), action })
        .collect();
    Command::Case { case, expected_version: None, actions }
}

/// Two events: on the case and on its account.
pub(super) fn enrol(number: u128) -> Command {
    let address = Address {
        city: personal("Springfield"),
        line1: personal("3 Elm Street"),
        line2: None,
        state: StateCode::parse("IL").unwrap(),
        zip: personal("62701"),
    };
    let contact = Contact {
        address,
        email: personal("client@example.com"),
        name: personal("Robin Vale"),
        phone: Personal::phone("+12175550123").unwrap(),
    };
    let sale = Sale { channel: Channel::Online, evidence: None, promised_days: 180 };
    on_case(
        case_id(number),
        [CaseAction::Enrol(Box::new(Enrol {
            billing: PeriodRule::every_days(30).unwrap(),
            birth_date: personal("1980-02-03"),
            card: None,
            contact,
            plan: PlanCode::parse("basic").unwrap(),
            sale,
            seat: Seat::Individual,
            ssn_last4: None,
            zone: None,
        }))],
    )
}

/// As many events on one case as there are messages.
pub(super) fn messages(number: u128, count: usize, words: &str) -> Command {
    let message =
        MessageLogged { complaint: false, direction: Direction::Incoming, text: personal(words) };
    let messages = std::iter::repeat_n(CaseAction::MessageLogged(message), count);
    on_case(case_id(number), messages)
}

/// An event of the firm's, the first of which begins the log: nobody decided it.
pub(super) fn recorded(at: u64, recorded_at: UtcMicros) -> Recorded {
    let Command::Firm { action } = bureau(at.into()) else { unreachable!("it is the firm's") };
    let FirmAction::RegisterBureau(event) = action.action else { unreachable!("so it is") };
    Recorded {
        access: None,
        actor: text("an older version"),
        causation: None,
        event: event.into(),
        event_id: EventId(Uuid::from_u128(at.into())),
        firm: FIRM,
        late_days: None,
        occurred_at: None,
        occurred_on: action.occurred_on,
        position: at,
        recorded_at,
        request_id: request(at.into()),
        stream: StreamId::Firm,
        stream_version: at,
    }
}
