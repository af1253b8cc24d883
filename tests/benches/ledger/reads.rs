//! What reads cost in a firm of 1,500 clients and some 180,000 events: time, and rows read.

use std::cell::RefCell;
use std::sync::Arc;
use std::time::{Duration, Instant};

use api::google::r#type::Date;
use api::v1;
use api::v1::accounts_client::AccountsClient;
use api::v1::administration_client::AdministrationClient;
use api::v1::billing_client::BillingClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use counterfoil_tests::bulk::{self, submission};
use counterfoil_tests::history::{case_id, firm_id, zone};
use counterfoil_tests::{child, lives};
use domain::command::{AccountAction, Command, Dated, Lower, PaymentReceived};
use domain::event::UtcMicros;
use domain::ids::{AccountId, ProcessorRef};
use domain::money::{Currency, Money};
use domain::value::Personal;
use futures::StreamExt as _;
use ledger::ServerConfig;
use log::Engine;
use store::{InvoiceFilter, Store};
use tonic::Request;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use crate::growth::numbers;
use crate::report::Measured;

/// Clients.
const CLIENTS: u32 = 1_500;
/// Months of each, and the messages that are logged in one.
const MONTHS: u32 = 4;
const MESSAGES: usize = 2;
/// One client in so many has a month that nobody has claimed.
const UNBILLED: u32 = 20;
/// One invoice in so many is not paid, and one is credited.
const OPEN: u64 = 5;
const CREDITED: u64 = 50;
/// Times that each read is asked for.
const READS: usize = 100;
/// Entries of a page.
const PAGE: i32 = 50;
/// What a list of a page may take, and what is read of one client, half of the times.
const LIST_MAX: Duration = Duration::from_millis(20);
const CLIENT_MAX: Duration = Duration::from_millis(10);

/// The day after the last of those lives.
const TODAY: Date = Date { year: 2021, month: 7, day: 1 };

/// The firm, served.
struct Firm {
    store: Arc<Store>,
    channel: Channel,
    token: MetadataValue<Ascii>,
    next: RefCell<Box<dyn Iterator<Item = u32>>>,
}

pub(crate) async fn everything(database: &str) {
    let (engine, store, clock) = child::open(database).await.unwrap();
    engine.start().await.unwrap();
    bulk::set_up(&engine).await;
    let today = chrono::NaiveDate::from_ymd_opt(2021, 7, 1).unwrap();
    clock.set(UtcMicros(zone().start_of_day(today) + 12 * 3_600_000_000));
    fill(&engine, &store, today).await;
    let outbox = tempfile::tempdir().unwrap();
    let ledger = child::ledger(engine, Arc::clone(&store), clock, outbox.path());
    let events = ledger.engine().head(firm_id()).await.unwrap().position;
    let token = token(ledger.connect_in_process().await.unwrap()).await;
    let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
    let address = format!("http://{}", listening.local_addr);
    let channel = Channel::from_shared(address).unwrap().connect().await.unwrap();
    let next = RefCell::new(Box::new(numbers(7)) as Box<dyn Iterator<Item = u32>>);
    let firm = Firm { store, channel, token, next };
    println!(
        "\n{CLIENTS} clients, {events} events; {READS} reads of each kind, one after the other"
    );
    println!("  {:<52} {:>9} {:>9} {:>9}", "", "p50, ms", "p99, ms", "rows");
    firm.one_client().await;
    firm.lists().await;
}

async fn fill(engine: &Engine, store: &Store, today: chrono::NaiveDate) {
    let one = async |number: u32| {
        let mut life = lives::long_life(number, MONTHS, MESSAGES);
        if number.is_multiple_of(UNBILLED) {
            life.pop();
        }
        for (_, command) in life {
            engine.submit(firm_id(), submission(command)).await.unwrap();
        }
    };
    futures::stream::iter(0..CLIENTS).map(one).buffer_unordered(256).collect::<Vec<()>>().await;
    caught_up(engine).await;
    let all =
        store.list_invoices(firm_id(), InvoiceFilter::default(), 0, 10_000).await.unwrap().rows;
    let settle = |row: &store::InvoiceRow| {
        let amount = Money::new(row.open_minor, Currency::USD).unwrap();
        let action = if row.number.is_multiple_of(CREDITED) {
            let reason = Personal::parse("goodwill").unwrap();
            AccountAction::GrantCredit(Lower { amount, invoice: row.number, reason })
        } else if row.number.is_multiple_of(OPEN) {
            return None;
        } else {
            let payment = ProcessorRef::parse(&format!("pay-{}", row.number)).unwrap();
            let invoice = Some(row.number);
            AccountAction::PaymentReceived(PaymentReceived { amount, invoice, payment })
        };
        let occurred_on = row.due_on.min(today);
        let action = Dated { occurred_at: None, occurred_on, action };
        Some(Command::Account { account: row.account_id, action })
    };
    let paid = all.iter().filter_map(settle).map(|command| async {
        engine.submit(firm_id(), submission(command)).await.unwrap();
    });
    futures::stream::iter(paid).buffer_unordered(256).collect::<Vec<()>>().await;
    caught_up(engine).await;
}

async fn caught_up(engine: &Engine) {
    let head = engine.head(firm_id()).await.unwrap().position;
    engine.wait_applied(firm_id(), head, Duration::from_mins(10)).await.unwrap();
}

async fn token(channel: Channel) -> MetadataValue<Ascii> {
    let scopes = [v1::Scope::Read, v1::Scope::Bill, v1::Scope::Administer];
    let request = v1::CreateTokenRequest {
        parent: format!("firms/{}", firm_id()),
        request_id: uuid::Uuid::now_v7().to_string(),
        occurred_on: Some(TODAY),
        token: Some(v1::Token {
            label: "reads".into(),
            scopes: scopes.iter().map(|&scope| scope.into()).collect(),
            ..v1::Token::default()
        }),
    };
    let answer = AdministrationClient::new(channel).create_token(request).await.unwrap();
    format!("Bearer {}", answer.into_inner().secret).parse().unwrap()
}

fn parent() -> String {
    format!("firms/{}", firm_id())
}

impl Firm {
    fn authorize<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        request.metadata_mut().insert("authorization", self.token.clone());
        request
    }

    /// Any client.
    fn client(&self) -> u32 {
        self.next.borrow_mut().next().unwrap() % CLIENTS
    }

    fn case(&self) -> String {
        format!("firms/{}/cases/{}", firm_id(), case_id(self.client()))
    }

    /// Asks for something again and again; what it gives is how many entries it had.
    async fn measure(&self, what: &str, most: Duration, read: impl AsyncFn() -> usize) {
        // The first look at a client on a day is put on record: that is another thing to measure.
        let entries = read().await;
        let (before, mut micros) = (self.store.rows_read(), Vec::with_capacity(READS));
        let began = Instant::now();
        for _ in 0..READS {
            let started = Instant::now();
            read().await;
            micros.push(u64::try_from(started.elapsed().as_micros()).unwrap());
            if began.elapsed() > Duration::from_secs(20) {
                break;
            }
        }
        let rows = (self.store.rows_read() - before) as f64 / micros.len() as f64;
        let measured = Measured::of(micros, began.elapsed().as_secs_f64());
        let [p50, p99] = [50, 99].map(|percent| measured.percentile(percent) as f64 / 1e3);
        let verdict = if p50 <= most.as_secs_f64() * 1e3 { "met" } else { "MISSED" };
        let name = format!("{what} ({entries})");
        println!(
            "  {name:<52} {p50:>9.2} {p99:>9.2} {rows:>9.0}  {} ms: {verdict}",
            most.as_millis()
        );
    }

    async fn one_client(&self) {
        let (cases, billing) =
            (CaseLedgerClient::new(self.channel.clone()), BillingClient::new(self.channel.clone()));
        // Everybody is looked at once, so that no look is put on record while it is measured.
        for number in 0..CLIENTS {
            let name = format!("firms/{}/cases/{}", firm_id(), case_id(number));
            let request = v1::GetCaseRequest { name, ..Default::default() };
            cases.clone().get_case(self.authorize(request)).await.unwrap();
        }
        self.measure("GetCase", CLIENT_MAX, async || {
            let request = v1::GetCaseRequest { name: self.case(), ..Default::default() };
            cases.clone().get_case(self.authorize(request)).await.unwrap();
            1
        })
        .await;
        self.measure("ExplainFee", CLIENT_MAX, async || {
            let request =
                v1::ExplainFeeRequest { name: self.case(), period: 2, ..Default::default() };
            billing.clone().explain_fee(self.authorize(request)).await.unwrap();
            1
        })
        .await;
        self.measure("ReadEvents of a client's stream, to its end", CLIENT_MAX, async || {
            let stream = Some(format!("case/{}", case_id(self.client())));
            let mut request =
                v1::ReadEventsRequest { parent: parent(), stream, ..Default::default() };
            let mut events = 0;
            loop {
                let answer = cases.clone().read_events(self.authorize(request.clone())).await;
                let answer = answer.unwrap().into_inner();
                events += answer.events.len();
                request.page_token = answer.next_page_token;
                if request.page_token.is_empty() {
                    return events;
                }
            }
        })
        .await;
        self.measure("FindCases by id", CLIENT_MAX, async || {
            let id = case_id(self.client()).to_string().replace('-', "");
            let sought = Some(v1::find_cases_request::Sought::IdPart(id[20..].to_owned()));
            let request = v1::FindCasesRequest { parent: parent(), sought, at_least_position: 0 };
            cases.clone().find_cases(self.authorize(request)).await.unwrap();
            1
        })
        .await;
    }

    async fn lists(&self) {
        let cases = CaseLedgerClient::new(self.channel.clone());
        let accounts = AccountsClient::new(self.channel.clone());
        let administration = AdministrationClient::new(self.channel.clone());
        let billing = BillingClient::new(self.channel.clone());
        for (name, has_exception) in
            [("", None), (", with an exception", Some(true)), (", without one", Some(false))]
        {
            self.measure(&format!("ListCases{name}"), LIST_MAX, async || {
                let request = v1::ListCasesRequest {
                    parent: parent(),
                    page_size: PAGE,
                    has_exception,
                    ..Default::default()
                };
                let answer = cases.clone().list_cases(self.authorize(request)).await;
                answer.unwrap().into_inner().cases.len()
            })
            .await;
        }
        let states = [
            v1::InvoiceState::Unspecified,
            v1::InvoiceState::Open,
            v1::InvoiceState::Paid,
            v1::InvoiceState::Closed,
        ];
        for state in states {
            let name = format!("ListInvoices, {}", state.as_str_name());
            self.measure(&name, LIST_MAX, async || {
                let request = v1::ListInvoicesRequest {
                    parent: parent(),
                    page_size: PAGE,
                    state: state.into(),
                    ..Default::default()
                };
                let answer = accounts.clone().list_invoices(self.authorize(request)).await;
                answer.unwrap().into_inner().invoices.len()
            })
            .await;
        }
        self.measure("ListInvoices of one account", CLIENT_MAX, async || {
            let AccountId(id) = case_id(self.client()).own_account();
            let request = v1::ListInvoicesRequest {
                parent: parent(),
                account: format!("{}/accounts/{id}", parent()),
                ..Default::default()
            };
            let answer = accounts.clone().list_invoices(self.authorize(request)).await;
            answer.unwrap().into_inner().invoices.len()
        })
        .await;
        self.measure("ListAccounts", LIST_MAX, async || {
            let (parent, page_size) = (parent(), PAGE);
            let request = v1::ListAccountsRequest { parent, page_size, ..Default::default() };
            let answer = accounts.clone().list_accounts(self.authorize(request)).await;
            answer.unwrap().into_inner().accounts.len()
        })
        .await;
        self.measure("ListPayments", LIST_MAX, async || {
            let (parent, page_size) = (parent(), PAGE);
            let request = v1::ListPaymentsRequest { parent, page_size, ..Default::default() };
            let answer = accounts.clone().list_payments(self.authorize(request)).await;
            answer.unwrap().into_inner().payments.len()
        })
        .await;
        self.measure("ListExposures of one kind", LIST_MAX, async || {
            let (parent, page_size) = (parent(), PAGE);
            let kind = v1::ExposureKind::PaymentUnearned.into();
            let request =
                v1::ListExposuresRequest { parent, page_size, kind, ..Default::default() };
            let answer = accounts.clone().list_exposures(self.authorize(request)).await;
            answer.unwrap().into_inner().exposures.len()
        })
        .await;
        self.measure("ListDue", LIST_MAX, async || {
            let (parent, page_size) = (parent(), PAGE);
            let request = v1::ListDueRequest { parent, page_size, ..Default::default() };
            let answer = administration.clone().list_due(self.authorize(request)).await;
            answer.unwrap().into_inner().due.len()
        })
        .await;
        for (name, with_sums) in [("", false), (", with sums", true)] {
            self.measure(&format!("ListClaimable{name}"), LIST_MAX, async || {
                let request = v1::ListClaimableRequest {
                    parent: parent(),
                    page_size: PAGE,
                    as_of: Some(TODAY),
                    with_sums,
                    ..Default::default()
                };
                let answer = billing.clone().list_claimable(self.authorize(request)).await;
                answer.unwrap().into_inner().fees.len()
            })
            .await;
        }
    }
}
