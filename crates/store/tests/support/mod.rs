//! A firm of our own invention on a store of its own, and the commands the tests need.
#![allow(dead_code, reason = "each test file uses a part of it")]
#![allow(clippy::unwrap_used, reason = "a test that cannot set up fails")]

pub(crate) mod database;
pub(crate) mod everything;
mod place;

use std::sync::Arc;
use std::time::Duration;

use calendar::{CivilDate, PeriodRule, Zone};
use counterfoil_store::Store;
use domain::command::{
    AccountAction, CaseAction, Command, CoupleAction, Dated, Enrol, FirmAction, ImportReport,
    PaymentReceived, SendRound, SignConsent,
};
use domain::event::{
    Address, Author, Basis, BasisAttested, BureauRegistered, Card, Contact, DisclosureAcknowledged,
    DisclosureDelivered, FirmRegistered, IdentityPaperAccepted, IdentityPaperReceived, ItemKind,
    ItemSeen, Letter, MailClass, PackUsedAtOwnRisk, PaperKind, ProgressReportSent,
    ReportSourceConnected, Score, UtcMicros,
};
use domain::ids::{
    AccountId, BureauCode, CaseId, DocumentHash, FirmId, ItemCode, PaperCode, PlanCode,
    ProcessorRef, RequestId, StateCode,
};
use domain::money::{Currency, Money};
use domain::rules::RulePack;
use domain::terms::{Channel, Plan, Prices, Sale, Seat, Work};
use domain::value::{Personal, Text};
use log::{Answer, Engine, SequentialIds, Settings, SteppedClock, Submission, SubmitError};
pub(crate) use testbed::firm_keys;
use uuid::Uuid;

pub(crate) use place::*;

pub(crate) const FIRM: FirmId = FirmId(Uuid::from_u128(0xf1));
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

pub(crate) struct Bench {
    pub(crate) engine: Engine,
    pub(crate) store: Arc<Store>,
    pub(crate) clock: Arc<SteppedClock>,
}

pub(crate) fn over(store: Arc<Store>, ids: u64) -> Bench {
    let clock = Arc::new(SteppedClock::at(noon(day("2026-01-05"))));
    let settings = Settings {
        snapshot_every: 8,
        snapshot_at_rest: 2,
        poll_interval: Duration::from_millis(20),
        ..Settings::default()
    };
    let sequence = Arc::new(SequentialIds::default());
    for _ in 0..ids {
        log::Ids::event_id(&*sequence, UtcMicros(0));
    }
    let log_clock: Arc<SteppedClock> = Arc::clone(&clock);
    let engine = Engine::new(store.ports(), log_clock, sequence, firm_keys(), settings);
    Bench { engine, store, clock }
}

/// A firm that is registered, with rules, a plan and a bureau.
pub(crate) async fn bench(place: &Place<'_>) -> Bench {
    let bench = over(place.open().await, 0);
    bench.found().await;
    bench
}

/// An invented reading of the law where the clients of these tests live.
pub(crate) const OF_STATE: &str = r#"{
    "code": "us-il", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
    "confirmed_by_counsel": false, "note": "Invented for tests.",
    "read": ["cancellation", "monthly_statement", "perform_within", "performance",
        "prohibited", "registration", "security", "telemarketing",
                 "contract_items", "dispute_consent", "estimate_cap", "fee_cap", "statement"]
}"#;

impl Bench {
    pub(crate) async fn found(&self) {
        let pack =
            RulePack::from_json(include_str!("../../../domain/packs/us-federal-1.json")).unwrap();
        let of_state = RulePack::from_json(OF_STATE).unwrap();
        let bureau = BureauRegistered {
            address: text("2 Bureau Road"),
            bureau: BureauCode::parse("blue").unwrap(),
            name: text("Blue Bureau"),
        };
        let actions = [
            FirmAction::Register(FirmRegistered {
                currency: Currency::USD,
                invoice_due_days: 10,
                name: text("Plum Street Credit"),
                transit_days: 5,
                zone: Zone::parse("America/Chicago").unwrap(),
            }),
            FirmAction::AdoptPack(Box::new(pack)),
            FirmAction::AdoptPack(Box::new(of_state.clone())),
            FirmAction::UsePackAtOwnRisk(PackUsedAtOwnRisk {
                code: of_state.code,
                reason: text("The firm takes it."),
                version: of_state.version,
            }),
            FirmAction::PublishPlan(plan()),
            FirmAction::RegisterBureau(bureau),
        ];
        for (at, action) in (0xf0_0000..).zip(actions) {
            let occurred_on = day("2026-01-05");
            self.submit(
                at,
                Command::Firm { action: Dated { occurred_at: None, occurred_on, action } },
            )
            .await
            .unwrap();
        }
    }

    pub(crate) fn today(&self, today: &str) {
        self.clock.set(noon(day(today)));
    }

    pub(crate) async fn submit(&self, id: u128, command: Command) -> Result<Answer, SubmitError> {
        self.engine.submit(FIRM, submission(id, command)).await
    }

    /// Actions of one case on one day, which is today.
    pub(crate) async fn case(
        &self,
        id: u128,
        case: u128,
        on: &str,
        actions: Vec<CaseAction>,
    ) -> Answer {
        self.today(on);
        self.submit(id, on_case(case, on, actions)).await.unwrap()
    }

    pub(crate) async fn account(
        &self,
        id: u128,
        case: u128,
        on: &str,
        action: AccountAction,
    ) -> Answer {
        self.today(on);
        let account = account_id(case);
        self.submit(
            id,
            Command::Account {
                account,
                action: Dated { occurred_at: None, occurred_on: day(on), action },
            },
        )
        .await
        .unwrap()
    }

    pub(crate) async fn caught_up(&self) -> u64 {
        let position = self.store.head(FIRM).await.unwrap().position;
        self.engine.wait_applied(FIRM, position, PATIENCE).await.unwrap()
    }

    /// A client from enrolment on 5 January to the end of the first month's work, 3 February.
    pub(crate) async fn first_month(&self, case: u128, seat: Seat) {
        let id = case * 1_000;
        self.case(id, case, "2026-01-05", vec![enrol(case, seat)]).await;
        self.case(id + 1, case, "2026-01-05", papers()).await;
        self.case(
            id + 2,
            case,
            "2026-01-12",
            vec![import(&["loan", "store"]), basis("loan"), CaseAction::OpenWork],
        )
        .await;
        self.case(
            id + 3,
            case,
            "2026-01-13",
            vec![CaseAction::SendRound(SendRound {
                completes_before: None,
                letters: vec![letter(&["loan"])],
            })],
        )
        .await;
        let report = CaseAction::ProgressReportSent(ProgressReportSent {
            completes_before: None,
            document: None,
        });
        self.case(id + 4, case, "2026-02-03", vec![report]).await;
    }

    pub(crate) async fn bill(&self, id: u128, case: u128, as_of: &str) -> Answer {
        self.today(as_of);
        self.submit(id, Command::BillAccount { account: account_id(case), as_of: day(as_of) })
            .await
            .unwrap()
    }

    /// Three clients, two of them a couple, from enrolment to payment: something in each table that
    /// the work of one firm can fill. The read model follows step by step.
    pub(crate) async fn two_months_of_three(&self) {
        for case in [1, 2] {
            self.first_month(case, Seat::Couple).await;
            self.caught_up().await;
        }
        self.first_month(3, Seat::Individual).await;
        let couple = |action| Command::Couple { first: case_id(1), second: case_id(2), action };
        for (id, action) in [(11, CoupleAction::Compare), (12, CoupleAction::Confirm)] {
            self.submit(id, couple(action)).await.unwrap();
            self.caught_up().await;
        }
        self.case(16, 3, "2026-02-10", vec![import_issued("2026-02-09", &["store"])]).await;
        self.caught_up().await;
        self.case(17, 3, "2026-03-10", vec![import_issued("2026-03-09", &["store", "loan"])]).await;
        for (id, case) in [(20, 1), (21, 3)] {
            self.bill(id, case, "2026-03-10").await;
            self.caught_up().await;
        }
        self.pay(22, 3, "2026-03-11", 9_900, Some(2)).await;
        self.pay(23, 1, "2026-03-11", 100, None).await;
        self.caught_up().await;
    }

    pub(crate) async fn pay(
        &self,
        id: u128,
        case: u128,
        on: &str,
        minor: i64,
        invoice: Option<u64>,
    ) -> Answer {
        let payment = ProcessorRef::parse(&format!("pay-{id}")).unwrap();
        let amount = usd(minor);
        self.account(
            id,
            case,
            on,
            AccountAction::PaymentReceived(PaymentReceived { amount, invoice, payment }),
        )
        .await
    }
}

pub(crate) fn submission(id: u128, command: Command) -> Submission {
    use std::hash::{DefaultHasher, Hash as _, Hasher as _};
    let mut hasher = DefaultHasher::new();
    format!("{command:?}").hash(&mut hasher);
    let mut fingerprint = [0; 32];
    fingerprint[..8].copy_from_slice(&hasher.finish().to_be_bytes());
    Submission {
        request_id: RequestId(Uuid::from_u128(id)),
        fingerprint,
        author: Author::without_token(text("tests")),
        command,
    }
}

pub(crate) fn day(text: &str) -> CivilDate {
    text.parse().unwrap()
}

/// Noon in Chicago, near enough.
fn noon(on: CivilDate) -> UtcMicros {
    let days = on.signed_duration_since(day("1970-01-01")).num_days();
    UtcMicros((days * 24 + 18) * 3_600 * 1_000_000)
}

pub(crate) fn case_id(number: u128) -> CaseId {
    CaseId(Uuid::from_u128(0xca5e << 64 | number))
}

pub(crate) fn account_id(number: u128) -> AccountId {
    case_id(number).own_account()
}

pub(crate) fn text(words: &str) -> Text {
    Text::parse(words).unwrap()
}

pub(crate) fn personal(words: &str) -> Personal {
    Personal::parse(words).unwrap()
}

pub(crate) fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).unwrap()
}

fn plan() -> Plan {
    let prices = |minor| Prices { first_fee: usd(minor), monthly_fee: usd(minor) };
    Plan {
        grace_days: None,
        code: PlanCode::parse("basic").unwrap(),
        couple: Some(prices(14_999)),
        first_work: vec![Work::ReportImport, Work::DisputeRound, Work::ProgressReport],
        individual: prices(9_900),
        monthly_work: vec![Work::DisputeRound, Work::ProgressReport],
        name: text("Basic"),
        periods: 6,
        version: 1,
    }
}

pub(crate) fn on_case(case: u128, on: &str, actions: Vec<CaseAction>) -> Command {
    let actions = actions
        .into_iter()
        .map(|action| Dated { occurred_at: None, occurred_on: day(on), action })
        .collect();
    Command::Case { case: case_id(case), expected_version: None, actions }
}

pub(crate) fn card(token: &str) -> Card {
    Card {
        expires: text("2029-01"),
        last4: personal("4242"),
        token: Personal::card_token(token).unwrap(),
    }
}

/// Members of a couple share telephone and address; every client has another card.
pub(crate) fn enrol(case: u128, seat: Seat) -> CaseAction {
    let household = if seat == Seat::Couple { 0 } else { case };
    let address = Address {
        city: personal("Springfield"),
        line1: personal(&format!("{} Elm Street", 10 + household)),
        line2: None,
        state: StateCode::parse("IL").unwrap(),
        zip: personal("62701"),
    };
    let contact = Contact {
        address,
        email: personal("client@example.com"),
        name: personal("Robin Vale"),
        phone: Personal::phone(&format!("+121755501{household:02}")).unwrap(),
    };
    let evidence = Some(DocumentHash([7; 32]));
    CaseAction::Enrol(Box::new(Enrol {
        billing: PeriodRule::every_days(30).unwrap(),
        birth_date: personal("1980-02-03"),
        card: Some(card(&format!("card-{case}"))),
        contact,
        plan: PlanCode::parse("basic").unwrap(),
        sale: Sale { channel: Channel::Online, evidence, promised_days: 180 },
        seat,
        ssn_last4: None,
        zone: None,
    }))
}

pub(crate) fn papers() -> Vec<CaseAction> {
    let mut actions = vec![
        CaseAction::DisclosureDelivered(DisclosureDelivered { document: None }),
        CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
        CaseAction::SignConsent(SignConsent {
            activity: [].into(),
            copies_given: true,
            document: None,
            e_sign_consent: true,
            items: None,
            languages: None,
            plan: None,
            promised: Vec::new(),
            total_of_payments: usd(100_000),
        }),
        CaseAction::ReportSourceConnected(ReportSourceConnected { source: text("Report Source") }),
    ];
    for (code, kind) in [("licence", PaperKind::PhotoId), ("bill", PaperKind::Residence)] {
        let paper = PaperCode::parse(code).unwrap();
        actions.push(CaseAction::IdentityPaperReceived(IdentityPaperReceived {
            document: None,
            kind,
            paper: paper.clone(),
        }));
        actions.push(CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper }));
    }
    actions
}

pub(crate) fn item(code: &str) -> ItemCode {
    ItemCode::parse(code).unwrap()
}

pub(crate) fn bureau() -> BureauCode {
    BureauCode::parse("blue").unwrap()
}

pub(crate) fn import(items: &[&str]) -> CaseAction {
    import_issued("2026-01-10", items)
}

pub(crate) fn import_issued(issued_on: &str, items: &[&str]) -> CaseAction {
    let seen = |code: &&str| ItemSeen {
        balance: Some(usd(120_000)),
        delinquent_since: Some(day("2024-05-01")),
        furnisher: text("Maple Lending"),
        item: item(code),
        kind: ItemKind::Collection,
    };
    CaseAction::ImportReport(ImportReport {
        completes_before: None,
        bureau: bureau(),
        card_balance: Some(usd(300_000)),
        card_limit: Some(usd(900_000)),
        document: None,
        free_annual: false,
        inquiries: 2,
        issued_on: day(issued_on),
        items: items.iter().map(seen).collect(),
        score: Some(Score { model: text("Score Nine"), value: 611 }),
    })
}

pub(crate) fn basis(code: &str) -> CaseAction {
    CaseAction::AttestBasis(BasisAttested {
        basis: Basis::NotMine,
        bureau: bureau(),
        item: item(code),
        statement: None,
    })
}

pub(crate) fn letter(items: &[&str]) -> Letter {
    Letter {
        bureau: bureau(),
        document: None,
        items: items.iter().map(|code| item(code)).collect(),
        mail_class: MailClass::Certified,
        tracking: None,
    }
}
