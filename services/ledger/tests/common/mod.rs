//! A firm on a store of its own, on either engine, behind a real socket.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part of it")]
#![allow(
    clippy::unwrap_used,
    clippy::unnecessary_wraps,
    reason = "what is set up here has to work"
)]

pub mod erasing;
pub mod office;
mod place;
pub mod rpc;

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use api::google::r#type::{Date, Money};
use api::v1;
use api::v1::accounts_client::AccountsClient;
use api::v1::administration_client::AdministrationClient;
use api::v1::billing_client::BillingClient;
use api::v1::books_client::BooksClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use counterfoil_ledger::gateway::FileOutbox;
use counterfoil_ledger::{Ledger, Limits, Listening, ServerConfig};
use domain::event::UtcMicros;
use log::{Engine, Settings, SteppedClock, UuidV7Ids};
use sqlx::Connection as _;
use store::Store;
use testbed::firm_keys;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Channel, Endpoint};
use tonic::{Request, Status};
use uuid::Uuid;
use vault::FirmKeys;

pub use place::Place;

/// 2 March 2026, 18:00 UTC: noon where the firm is.
const NOW: i64 = 1_772_474_400_000_000;

/// An invented reading of the law where the clients of these tests live.
pub const NOTHING_ADDED: &str = r#"{
    "code": "us-il", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
    "confirmed_by_counsel": false, "nothing_is_added": true, "note": "Invented for tests."
}"#;

/// Clients that were given a token: labels tell the tokens of a firm apart.
static CLIENTS: AtomicU32 = AtomicU32::new(0);

pub fn date(year: i32, month: i32, day: i32) -> Option<Date> {
    Some(Date { year, month, day })
}

pub fn usd(units: i64) -> Option<Money> {
    Some(Money { currency_code: "USD".into(), units, nanos: 0 })
}

pub fn id() -> String {
    Uuid::now_v7().to_string()
}

/// Puts a bearer token on every request.
#[derive(Clone)]
pub struct Bearer(pub Option<MetadataValue<Ascii>>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if let Some(token) = &self.0 {
            request.metadata_mut().insert("authorization", token.clone());
        }
        Ok(request)
    }
}

pub type Wire = InterceptedService<Channel, Bearer>;

/// A running service.
pub struct Service {
    pub ledger: Ledger,
    pub store: Arc<Store>,
    pub listening: Option<Listening>,
    pub clock: Arc<SteppedClock>,
    /// A channel with every scope, inside the process.
    pub local: Channel,
    pub outbox: FileOutbox,
    address: String,
    pub place: Place,
}

/// Asks again, as a caller is told to, while the request before holds the only place.
async fn when_free<T>(ask: impl AsyncFn() -> Result<tonic::Response<T>, tonic::Status>) -> T {
    for _ in 0..200 {
        match ask().await {
            Err(status) if status.code() == tonic::Code::Unavailable => {
                tokio::time::sleep(std::time::Duration::from_millis(25)).await;
            }
            answer => return answer.unwrap().into_inner(),
        }
    }
    panic!("no place was free for five seconds");
}

impl Service {
    /// The rows and events that an answer costs: the fewest of some tries, since whatever else the service does
    /// meanwhile is counted with it.
    pub async fn rows_of(&self, ask: impl AsyncFn()) -> u64 {
        let mut fewest = u64::MAX;
        for _ in 0..5 {
            let before = self.store.rows_read();
            ask().await;
            fewest = fewest.min(self.store.rows_read() - before);
        }
        fewest
    }

    /// Does what only somebody with the database at hand can, past every trigger, and leaves each as it was.
    pub async fn tamper(&self, sqlite: &str, postgres: &str) {
        let url = &self.place.database;
        if let Some(path) = url.strip_prefix("sqlite:") {
            let url = format!("sqlite://{path}");
            let mut raw = sqlx::SqliteConnection::connect(&url).await.unwrap();
            let triggers: Vec<(String, String)> =
                sqlx::query_as("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
                    .fetch_all(&mut raw)
                    .await
                    .unwrap();
            let drops = triggers.iter().map(|(name, _)| format!("DROP TRIGGER {name};"));
            let drops = drops.collect::<Vec<_>>().join(" ");
            let makes = triggers.iter().map(|(_, sql)| format!("{sql};"));
            let makes = makes.collect::<Vec<_>>().join(" ");
            let text = format!("BEGIN; {drops} {sqlite}; {makes} COMMIT");
            sqlx::raw_sql(sqlx::AssertSqlSafe(text)).execute(&mut raw).await.unwrap();
        } else {
            let mut raw = sqlx::PgConnection::connect(url).await.unwrap();
            let text = format!(
                "SET search_path TO counterfoil; SET session_replication_role = replica; {postgres}"
            );
            sqlx::raw_sql(sqlx::AssertSqlSafe(text)).execute(&mut raw).await.unwrap();
        }
    }

    pub async fn start() -> Self {
        Self::with(Limits::default()).await
    }

    pub async fn with(limits: Limits) -> Self {
        Self::over(limits, Settings::default()).await
    }

    /// Over an engine with limits of its own.
    pub async fn over(limits: Limits, settings: Settings) -> Self {
        let place = Place::new();
        let store = Arc::new(Store::connect(&place.database).await.unwrap());
        let clock = Arc::new(SteppedClock::at(UtcMicros(NOW)));
        let engine = Engine::new(
            store.ports(),
            clock.clone(),
            Arc::new(UuidV7Ids::default()),
            firm_keys(),
            settings,
        );
        let outbox = FileOutbox::new(place.outbox());
        let gateway = Arc::new(outbox.clone());
        let ledger = Ledger::new(engine, store.clone(), clock.clone(), gateway, limits);
        let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
        let local = ledger.connect_in_process().await.unwrap();
        let address = format!("http://{}", listening.local_addr);
        let listening = Some(listening);
        Self { ledger, store, listening, clock, local, outbox, address, place }
    }

    /// Another process on the same database, with the same clock; it serves nobody yet.
    pub async fn beside(&self, limits: Limits) -> Ledger {
        self.beside_with(firm_keys(), limits).await
    }

    /// The same, with firm keys of its own.
    pub async fn beside_with(&self, firm_keys: FirmKeys, limits: Limits) -> Ledger {
        let store = Arc::new(Store::connect(&self.place.database).await.unwrap());
        let ids = Arc::new(UuidV7Ids::default());
        let engine =
            Engine::new(store.ports(), self.clock.clone(), ids, firm_keys, Settings::default());
        let outbox = FileOutbox::new(self.place.folder().join("outbox-of-the-next"));
        Ledger::new(engine, store, self.clock.clone(), Arc::new(outbox), limits)
    }

    pub async fn channel(&self) -> Channel {
        Endpoint::from_shared(self.address.clone()).unwrap().connect().await.unwrap()
    }

    /// Where it listens.
    pub fn address(&self) -> &str {
        &self.address
    }

    pub async fn wire(&self, token: Option<&str>) -> Wire {
        let bearer = Bearer(token.map(|token| format!("Bearer {token}").parse().unwrap()));
        InterceptedService::new(self.channel().await, bearer)
    }

    pub fn administration(&self) -> AdministrationClient<Channel> {
        AdministrationClient::new(self.local.clone())
    }

    pub fn cases(&self) -> CaseLedgerClient<Channel> {
        CaseLedgerClient::new(self.local.clone())
    }

    pub fn accounts(&self) -> AccountsClient<Channel> {
        AccountsClient::new(self.local.clone())
    }

    pub fn books(&self) -> BooksClient<Channel> {
        BooksClient::new(self.local.clone())
    }

    pub fn billing(&self) -> BillingClient<Channel> {
        BillingClient::new(self.local.clone())
    }

    /// Registers a firm with packs that counsel stands for, a plan and a bureau, and gives its name.
    pub async fn firm(&self) -> String {
        let name = format!("firms/{}", Uuid::now_v7());
        let client = self.administration();
        let occurred_on = date(2026, 1, 2);
        let firm = v1::Firm {
            name: name.clone(),
            display_name: "Alder & Finch Credit".into(),
            currency_code: "USD".into(),
            time_zone: "America/Chicago".into(),
            invoice_due_days: 0,
            transit_days: 5,
            ..v1::Firm::default()
        };
        let register = v1::RegisterFirmRequest { firm: Some(firm), request_id: id(), occurred_on };
        when_free(async || client.clone().register_firm(register.clone()).await).await;
        self.adopt(&name, domain::rules::EXAMPLE_PACKS[0]).await;
        let pack = self.adopt(&name, NOTHING_ADDED).await;
        let confirm = v1::ConfirmPackRequest {
            parent: name.clone(),
            request_id: id(),
            occurred_on,
            code: pack.code,
            version: pack.version,
            sha256: pack.sha256,
            counsel: "C. Ounsel".into(),
            document_sha256: String::new(),
        };
        when_free(async || client.clone().confirm_pack(confirm.clone()).await).await;
        let plan = Some(plan());
        let publish =
            v1::PublishPlanRequest { parent: name.clone(), request_id: id(), occurred_on, plan };
        when_free(async || client.clone().publish_plan(publish.clone()).await).await;
        let bureau = Some(v1::Bureau {
            code: "northern".into(),
            display_name: "Northern File".into(),
            address: "1 Larch Square, Dover DE 19901".into(),
        });
        let bureau = v1::RegisterBureauRequest {
            parent: name.clone(),
            request_id: id(),
            occurred_on,
            bureau,
        };
        when_free(async || client.clone().register_bureau(bureau.clone()).await).await;
        name
    }

    /// Adopts a pack that nobody stands for yet.
    pub async fn adopt(&self, firm: &str, pack_json: &str) -> v1::RulePack {
        let adopt = v1::AdoptPackRequest {
            parent: firm.into(),
            request_id: id(),
            occurred_on: date(2026, 1, 2),
            pack_json: pack_json.into(),
        };
        let client = self.administration();
        let adopted = when_free(async || client.clone().adopt_pack(adopt.clone()).await).await;
        adopted.pack.unwrap()
    }

    /// A token of a firm.
    pub async fn token(&self, firm: &str, scopes: &[v1::Scope]) -> String {
        self.create_token(firm, scopes, None).await.secret
    }

    pub async fn create_token(
        &self,
        firm: &str,
        scopes: &[v1::Scope],
        expires_on: Option<Date>,
    ) -> v1::CreateTokenResponse {
        // A token that may examine has a last day.
        let examines = scopes.contains(&v1::Scope::Examine);
        let expires_on = expires_on.or_else(|| date(2026, 12, 31).filter(|_| examines));
        let token = Some(v1::Token {
            label: format!("test client {}", CLIENTS.fetch_add(1, Ordering::Relaxed)),
            scopes: scopes.iter().map(|&scope| scope.into()).collect(),
            expires_on,
            ..v1::Token::default()
        });
        let parent = firm.to_owned();
        let occurred_on = date(2026, 3, 2);
        let request = v1::CreateTokenRequest { parent, request_id: id(), occurred_on, token };
        self.administration().create_token(request).await.unwrap().into_inner()
    }

    /// Records actions on a case.
    pub async fn record(&self, case: &str, actions: Vec<v1::Action>) -> v1::RecordResponse {
        let request = record(case, actions);
        self.cases().record(request).await.unwrap().into_inner()
    }
}

/// Limits with so many `Follow` streams of a token.
pub fn follows(per_token: usize) -> Limits {
    let mut limits = Limits::default();
    limits.quotas.follow_streams.per_token = per_token;
    limits
}

pub fn record(case: &str, actions: Vec<v1::Action>) -> v1::RecordRequest {
    v1::RecordRequest { name: case.into(), request_id: id(), expected_version: None, actions }
}

pub fn new_case(firm: &str) -> String {
    format!("{firm}/cases/{}", Uuid::now_v7())
}

fn plan() -> v1::Plan {
    let prices =
        |first, monthly| Some(v1::Prices { first_fee: usd(first), monthly_fee: usd(monthly) });
    v1::Plan {
        grace_days: None,
        code: "steady".into(),
        display_name: "Steady".into(),
        individual: prices(99, 79),
        couple: prices(149, 119),
        first_work: vec![v1::Work::ReportImport.into(), v1::Work::DisputeRound.into()],
        monthly_work: vec![v1::Work::ReportImport.into(), v1::Work::DisputeRound.into()],
        periods: 6,
        version: 0,
    }
}

pub fn action(occurred_on: Option<Date>, action: v1::action::Action) -> v1::Action {
    v1::Action { occurred_at: None, occurred_on, action: Some(action) }
}

pub fn contact(phone: &str) -> v1::Contact {
    v1::Contact {
        display_name: "Ada Lark".into(),
        email: "ada@example.com".into(),
        phone: phone.into(),
        address: Some(v1::Address {
            line1: "12 Alder Row".into(),
            line2: String::new(),
            city: "Springfield".into(),
            state_code: "IL".into(),
            zip: "62701".into(),
        }),
    }
}

pub fn enrol(seat: v1::Seat, phone: &str, card: &str) -> v1::Action {
    let enrol = v1::Enrol {
        plan: "steady".into(),
        seat: seat.into(),
        contact: Some(contact(phone)),
        birth_date: date(1980, 5, 17),
        ssn_last4: String::new(),
        sale: Some(v1::Sale {
            channel: v1::Channel::InPerson.into(),
            evidence_sha256: "ab".repeat(32),
            promised_days: 180,
        }),
        billing: Some(v1::PeriodRule { rule: Some(v1::period_rule::Rule::Days(30)) }),
        card: Some(v1::Card {
            token: card.into(),
            last4: "4242".into(),
            expires: "2029-12".into(),
        }),
        time_zone: "America/Chicago".into(),
    };
    action(date(2026, 1, 5), v1::action::Action::Enrol(enrol))
}

/// A client whose first period is over and complete on the day the tests run.
pub fn first_month(seat: v1::Seat, phone: &str, card: &str) -> Vec<v1::Action> {
    use v1::action::Action as A;
    let paper = |paper: &str, kind: v1::PaperKind| {
        let received = v1::IdentityPaperReceived {
            paper: paper.into(),
            kind: kind.into(),
            document_sha256: String::new(),
        };
        let accepted = v1::IdentityPaperAccepted { paper: paper.into() };
        [A::IdentityPaperReceived(received), A::IdentityPaperAccepted(accepted)]
    };
    let mut actions = vec![enrol(seat, phone, card)];
    let signed = v1::SignConsent {
        total_of_payments: usd(2_000),
        copies_given: true,
        e_sign_consent: true,
        document_sha256: "cd".repeat(32),
        ..v1::SignConsent::default()
    };
    let first_day = [
        A::DisclosureDelivered(v1::DisclosureDelivered::default()),
        A::DisclosureAcknowledged(v1::DisclosureAcknowledged::default()),
        A::SignConsent(signed),
    ];
    actions.extend(first_day.map(|a| action(date(2026, 1, 5), a)));
    actions.extend(paper("id-1", v1::PaperKind::PhotoId).map(|a| action(date(2026, 1, 6), a)));
    actions.extend(paper("home-1", v1::PaperKind::Residence).map(|a| action(date(2026, 1, 6), a)));
    let report = v1::ImportReport {
        bureau: "northern".into(),
        issued_on: date(2026, 1, 12),
        items: vec![v1::ItemSeen {
            item: "item-1".into(),
            kind: v1::ItemKind::Collection.into(),
            furnisher: "Harbour Stores".into(),
            ..v1::ItemSeen::default()
        }],
        ..v1::ImportReport::default()
    };
    let basis = v1::AttestBasis {
        bureau: "northern".into(),
        item: "item-1".into(),
        basis: v1::Basis::NotMine.into(),
        statement: String::new(),
    };
    let letters = vec![v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::Certified.into(),
        ..v1::Letter::default()
    }];
    let later = [
        A::ReportSourceConnected(v1::ReportSourceConnected { source: "Northern portal".into() }),
        A::ImportReport(report),
        A::AttestBasis(basis),
        A::OpenWork(v1::OpenWork {}),
        A::SendRound(v1::SendRound { completes_before: false, letters }),
    ];
    actions.extend(later.map(|a| action(date(2026, 1, 13), a)));
    actions
}

/// The stable reason of an error.
pub fn reason(status: &Status) -> String {
    use tonic_types::StatusExt;
    status.get_details_error_info().map(|info| info.reason).unwrap_or_default()
}
