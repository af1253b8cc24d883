//! A firm of many clients that all did the same, through a real engine: for benches and crash tests.

use std::ops::Range;
use std::sync::atomic::{AtomicU32, Ordering};

use api::google::r#type::Date;
use api::v1::administration_client::AdministrationClient;
use api::v1::{self, Scope, action};
use calendar::CivilDate;
use domain::command::{CaseAction, Command, Dated, SendRound};
use domain::event::{
    Author, Basis, BasisAttested, Direction, Event, Letter, MailClass, MessageLogged,
    ProgressReportSent, UtcMicros,
};
use domain::ids::{FirmId, ItemCode, RequestId};
use futures::stream::{self, StreamExt};
use ledger::Ledger;
use log::{Engine, Submission};
use uuid::Uuid;

use crate::history::{
    Crm, Shape, bureau, case_id, firm_id, personal, plain_report, plain_start, text, zone,
};

/// What every message says: about as long as people write.
pub const MESSAGE: &str = "Thank you, the letters went out this morning by certified mail; we expect the \
                           bureau's answer within about thirty days and will call you when it comes.";

const ENROLLED_ON: &str = "2025-03-03";
const OPENED_ON: &str = "2025-03-10";
const TODAY: &str = "2025-04-07";
/// Submissions in flight while a firm is filled.
const IN_FLIGHT: usize = 512;

fn day(text: &str) -> CivilDate {
    text.parse().expect("a date of ours")
}

/// Noon of the last day, where the firm is.
pub fn now() -> UtcMicros {
    UtcMicros(zone().start_of_day(day(TODAY)) + 12 * 3_600_000_000)
}

/// The last day, as the interface writes it.
pub fn today() -> Date {
    Date { year: 2025, month: 4, day: 7 }
}

/// Tokens that this process has given out.
static TOKENS: AtomicU32 = AtomicU32::new(0);

/// The bearer token of a new caller of the bulk firm, who may do these things.
pub async fn token(ledger: &Ledger, label: &str, scopes: &[Scope]) -> String {
    token_of(ledger, firm_id(), label, scopes).await
}

/// The bearer token of a new caller of a firm.
pub async fn token_of(ledger: &Ledger, firm: FirmId, label: &str, scopes: &[Scope]) -> String {
    let channel = ledger.connect_in_process().await.expect("a pipe inside the process");
    let token = v1::Token {
        // Labels tell the tokens of a firm apart.
        label: format!("{label} {} {}", std::process::id(), TOKENS.fetch_add(1, Ordering::Relaxed)),
        scopes: scopes.iter().map(|&scope| scope.into()).collect(),
        ..v1::Token::default()
    };
    let request = v1::CreateTokenRequest {
        parent: format!("firms/{firm}"),
        request_id: Uuid::now_v7().to_string(),
        occurred_on: Some(today()),
        token: Some(token),
    };
    let answer = AdministrationClient::new(channel).create_token(request).await;
    answer.expect("the firm may give out tokens").into_inner().secret
}

/// A request that nobody made before.
pub fn submission(command: Command) -> Submission {
    let request_id = RequestId(Uuid::now_v7());
    Submission {
        request_id,
        fingerprint: [0; 32],
        author: Author::without_token(text("bulk")),
        command,
    }
}

/// One message logged in a case.
pub fn message(number: u32) -> Command {
    let message =
        MessageLogged { complaint: false, direction: Direction::Incoming, text: personal(MESSAGE) };
    case(number, dated(TODAY, [CaseAction::MessageLogged(message)]))
}

fn case(number: u32, actions: Vec<Dated<CaseAction>>) -> Command {
    Command::Case { case: case_id(number), expected_version: None, actions }
}

/// A firm that is filled through an engine.
#[derive(Clone, Copy)]
pub struct Bulk<'e> {
    /// The engine.
    pub engine: &'e Engine,
    /// The firm.
    pub firm: FirmId,
}

impl Bulk<'_> {
    /// Registers the firm as the random history does.
    pub async fn set_up(&self) {
        let shape = Shape { clients: 0, enrol_days: 1, nonsense_percent: 0 };
        for step in Crm::new(0, shape).set_up() {
            let answer = self.engine.submit(self.firm, submission(step.command)).await;
            answer.expect("setting a firm up is lawful");
        }
    }

    /// Enrols these clients, with everything that has to be there before work opens.
    pub async fn enrol(&self, clients: Range<u32>) {
        self.each(clients, |number| case(number, enrolment(number))).await;
    }

    /// Opens work and does everything promised for the first month.
    pub async fn first_month(&self, clients: Range<u32>) {
        self.each(clients, |number| case(number, month())).await;
    }

    /// Logs a message of each client.
    pub async fn messages(&self, clients: Range<u32>) {
        self.each(clients, message).await;
    }

    /// Claims what these clients owe for their first month, each on an invoice.
    pub async fn bill(&self, clients: impl Iterator<Item = u32>) {
        let bill = |number| Command::BillAccount {
            account: case_id(number).own_account(),
            as_of: day(TODAY),
        };
        self.each(clients, bill).await;
    }

    async fn each(&self, clients: impl Iterator<Item = u32>, command: impl Fn(u32) -> Command) {
        let answers =
            clients.map(|number| self.engine.submit(self.firm, submission(command(number))));
        let answers = stream::iter(answers).buffer_unordered(IN_FLIGHT);
        answers
            .for_each(|answer| async { drop(answer.expect("the bulk history is lawful")) })
            .await;
    }
}

/// Registers the firm of the random history.
pub async fn set_up(engine: &Engine) {
    Bulk { engine, firm: firm_id() }.set_up().await;
}

/// Enrols so many clients, with everything that has to be there before work opens.
pub async fn enrol(engine: &Engine, clients: u32) {
    Bulk { engine, firm: firm_id() }.enrol(0..clients).await;
}

/// Opens work and does everything promised for the first month.
pub async fn first_month(engine: &Engine, clients: u32) {
    Bulk { engine, firm: firm_id() }.first_month(0..clients).await;
}

fn dated(on: &str, actions: impl IntoIterator<Item = CaseAction>) -> Vec<Dated<CaseAction>> {
    actions
        .into_iter()
        .map(|action| Dated { occurred_at: None, occurred_on: day(on), action })
        .collect()
}

fn enrolment(number: u32) -> Vec<Dated<CaseAction>> {
    let mut actions = plain_start(number);
    for at in 0..3 {
        actions.push(CaseAction::ImportReport(plain_report(at, day(ENROLLED_ON), 3)));
        actions.push(CaseAction::AttestBasis(BasisAttested {
            basis: Basis::NotMine,
            bureau: bureau(at),
            item: first_item(),
            statement: Some(personal("I do not know this account.")),
        }));
    }
    dated(ENROLLED_ON, actions)
}

fn first_item() -> ItemCode {
    ItemCode::parse("item-0").expect("a code of ours")
}

fn month() -> Vec<Dated<CaseAction>> {
    let letter = |at| Letter {
        bureau: bureau(at),
        document: None,
        items: vec![first_item()],
        mail_class: MailClass::Certified,
        tracking: None,
    };
    let round = SendRound { completes_before: None, letters: (0..3).map(letter).collect() };
    dated(
        OPENED_ON,
        [
            CaseAction::OpenWork,
            CaseAction::ImportReport(plain_report(0, day(OPENED_ON), 3)),
            CaseAction::SendRound(round),
            CaseAction::ProgressReportSent(ProgressReportSent {
                completes_before: None,
                document: None,
            }),
        ],
    )
}

/// The same month asked for over the interface.
pub fn month_request(number: u32) -> v1::RecordRequest {
    let letter = |at| v1::Letter {
        bureau: bureau(at).to_string(),
        items: vec![first_item().to_string()],
        mail_class: v1::MailClass::Certified.into(),
        ..v1::Letter::default()
    };
    let round = v1::SendRound { completes_before: false, letters: (0..3).map(letter).collect() };
    let report = v1::ProgressReportSent { completes_before: false, document_sha256: String::new() };
    let seen = |number| v1::ItemSeen {
        item: format!("item-{number}"),
        kind: v1::ItemKind::Collection.into(),
        furnisher: "Example Collections".into(),
        ..v1::ItemSeen::default()
    };
    let import = v1::ImportReport {
        bureau: bureau(0).to_string(),
        issued_on: Some(opened_on()),
        items: (0..3).map(seen).collect(),
        ..v1::ImportReport::default()
    };
    let actions = [
        action::Action::OpenWork(v1::OpenWork {}),
        action::Action::ImportReport(import),
        action::Action::SendRound(round),
        action::Action::ProgressReportSent(report),
    ];
    record(firm_id(), number, opened_on(), actions)
}

/// The day on which work opens, as the interface writes it.
fn opened_on() -> Date {
    Date { year: 2025, month: 3, day: 10 }
}

/// So many messages of today in a case of a firm, asked for over the interface.
pub fn messages_request(
    firm: impl std::fmt::Display,
    number: u32,
    count: usize,
) -> v1::RecordRequest {
    let message = v1::MessageLogged {
        direction: v1::Direction::Outgoing.into(),
        text: MESSAGE.into(),
        complaint: false,
    };
    let message = action::Action::MessageLogged(message);
    record(firm, number, today(), std::iter::repeat_n(message, count))
}

/// Actions of one day in a case of a firm, asked for over the interface.
pub(crate) fn record(
    firm: impl std::fmt::Display,
    number: u32,
    on: Date,
    actions: impl IntoIterator<Item = action::Action>,
) -> v1::RecordRequest {
    let action =
        |action| v1::Action { occurred_at: None, occurred_on: Some(on), action: Some(action) };
    v1::RecordRequest {
        name: format!("firms/{firm}/cases/{}", case_id(number)),
        request_id: Uuid::now_v7().to_string(),
        expected_version: None,
        actions: actions.into_iter().map(action).collect(),
    }
}

/// Logs one message and gives the size of its event.
pub async fn message_bytes(engine: &Engine) -> usize {
    let answer =
        engine.submit(firm_id(), submission(message(0))).await.expect("a message is lawful");
    let stored = engine.read(firm_id(), answer.position - 1, 1).await.expect("the log can be read");
    let recorded = domain::event::Recorded::from_bytes(&stored[0].bytes).expect("an event of ours");
    assert!(matches!(recorded.event, Event::Case(_)), "the message");
    stored[0].bytes.len()
}
