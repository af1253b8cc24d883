//! A month of a large firm, from its payments to its close.

use std::ffi::OsStr;
use std::path::Path;
use std::process::Stdio;
use std::sync::Arc;
use std::time::{Duration, Instant};

use api::google::r#type::{Date, Money};
use api::v1::accounts_client::AccountsClient;
use api::v1::billing_client::BillingClient;
use api::v1::books_client::BooksClient;
use api::v1::record_payment_request::Event;
use api::v1::{self, Scope};
use counterfoil_tests::history::firm_id;
use counterfoil_tests::{bulk, child};
use futures::{StreamExt, TryStreamExt, stream};
use ledger::{Ledger, ServerConfig};
use tokio::process::Command;
use tonic::Request;
use tonic::transport::Channel;
use uuid::Uuid;

use crate::load::memory_mb;
use crate::ours::caught_up;

/// Payments behind one payout.
const BATCH: usize = 100;
/// Payments recorded at once.
const IN_FLIGHT: usize = 64;
const MICROS_A_DAY: i64 = 86_400_000_000;

type Books = BooksClient<Channel>;

fn april(day: i32) -> Date {
    Date { year: 2025, month: 4, day }
}

fn id() -> String {
    Uuid::now_v7().to_string()
}

fn patient<M>(message: M) -> Request<M> {
    let mut request = Request::new(message);
    request.set_timeout(Duration::from_mins(5));
    request
}

/// Says how long a step took, and what the process holds after it.
fn took(what: &str, since: Instant) {
    println!("  {what:<52} {:>7.2} s   {:>5} MB", since.elapsed().as_secs_f64(), memory_mb("self"));
}

/// Bills so many clients, has all of them pay, proves every deposit, and closes the month.
pub(crate) async fn month(clients: u32) {
    println!(
        "\nA month of {clients} clients, service in this process; what it holds after each step"
    );
    let folder = tempfile::tempdir().unwrap();
    let place = format!("sqlite:{}", folder.path().join("firm.db").display());
    let (engine, store, clock) = child::open(&place).await.unwrap();
    engine.start().await.unwrap();
    let started = Instant::now();
    bulk::set_up(&engine).await;
    bulk::enrol(&engine, clients).await;
    bulk::first_month(&engine, clients).await;
    took("enrolled, a month of work", started);
    let ledger = child::ledger(engine, store, clock.clone(), &outbox(folder.path()));
    caught_up(&ledger).await;
    let channel = ledger.connect_in_process().await.unwrap();
    let started = Instant::now();
    let run =
        v1::RunBillingRequest { parent: parent(), request_id: id(), as_of: Some(bulk::today()) };
    let billed = BillingClient::new(channel.clone()).run_billing(patient(run)).await.unwrap();
    assert_eq!(billed.into_inner().invoices_issued.unsigned_abs(), clients);
    caught_up(&ledger).await;
    took("billed", started);
    let started = Instant::now();
    let paid = pay(channel.clone()).await;
    assert_eq!(paid.len(), usize::try_from(clients).unwrap() / 10 * 9);
    caught_up(&ledger).await;
    took("paid, a request each", started);
    clock.advance(30 * MICROS_A_DAY);
    let mut books = BooksClient::new(channel);
    let started = Instant::now();
    let lines = bank(&mut books, &paid).await;
    caught_up(&ledger).await;
    took(&format!("{lines} payouts and bank lines noted"), started);
    let started = Instant::now();
    let request = v1::ProposeMatchesRequest { parent: parent(), at_least_position: 0 };
    let found = books.propose_matches(patient(request)).await.unwrap().into_inner().proposals;
    assert_eq!(found.len(), lines);
    took("matches proposed", started);
    let certain = |p: &v1::MatchProposal| p.certainty() == v1::MatchCertainty::Certain;
    assert!(found.iter().all(certain));
    let policy = v1::SetMatchPolicyRequest {
        name: parent(),
        request_id: id(),
        occurred_on: Some(april(30)),
        automatic: v1::AutomaticMatches::Certain.into(),
    };
    books.set_match_policy(policy).await.unwrap();
    let started = Instant::now();
    let all = v1::MatchAutomaticallyRequest { parent: parent(), request_id: id() };
    let matched = books.match_automatically(patient(all)).await.unwrap().into_inner();
    assert_eq!(matched.deposits.len(), lines);
    took("matched by policy", started);
    let started = Instant::now();
    let through = Some(april(30));
    let close = v1::CloseMonthRequest { parent: parent(), request_id: id(), through };
    books.close_month(patient(close)).await.unwrap();
    let seconds = started.elapsed().as_secs_f64();
    took("checked and closed", started);
    let started = Instant::now();
    let entries = journal(&mut books).await;
    took(&format!("journal read, {entries} entries"), started);
    let verdict = if seconds < 30.0 { "met" } else { "MISSED" };
    println!("month close: {seconds:.2} s for {clients} clients; target 30 s: {verdict}");
    if let Some(program) = std::env::var_os("COUNTERFOIL_BENCH_PROGRAM") {
        package(&program, &ledger, folder.path()).await;
    }
    ledger.shutdown().await;
}

/// Has the program write the month's package, over the network as a bookkeeper would.
async fn package(program: &OsStr, ledger: &Ledger, folder: &Path) {
    let token = bulk::token(ledger, "bookkeeper", &[Scope::Read, Scope::Bill]).await;
    let listening = ledger.serve(&ServerConfig::loopback(0)).await.unwrap();
    let to = folder.join("package");
    let started = Instant::now();
    let mut child = Command::new(program)
        .args(["books", "package", "2025-04", "--to"])
        .arg(&to)
        .env("COUNTERFOIL_SERVER", format!("http://{}", listening.local_addr))
        .env("COUNTERFOIL_TOKEN", token)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let (process, mut most) = (child.id().unwrap().to_string(), 0);
    let status = loop {
        most = most.max(memory_mb(&process));
        match child.try_wait().unwrap() {
            Some(status) => break status,
            None => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    };
    assert!(status.success());
    took("package written by the program", started);
    let open = std::fs::read_to_string(to.join("Open_Accounts_Receivable.csv")).unwrap();
    let bytes: u64 =
        std::fs::read_dir(&to).unwrap().map(|f| f.unwrap().metadata().unwrap().len()).sum();
    println!(
        "package: {} open invoices, {} MB of files; the program held {most} MB",
        open.lines().count() - 1,
        bytes >> 20
    );
}

fn parent() -> String {
    format!("firms/{}", firm_id())
}

fn outbox(folder: &Path) -> std::path::PathBuf {
    folder.join("outbox")
}

/// Every open invoice paid; the names and amounts of the payments.
async fn pay(channel: Channel) -> Vec<(String, Money)> {
    let mut accounts = AccountsClient::new(channel);
    let mut invoices = Vec::new();
    let mut request =
        v1::ListInvoicesRequest { parent: parent(), page_size: 500, ..Default::default() };
    loop {
        let page = accounts.list_invoices(patient(request.clone())).await.unwrap().into_inner();
        invoices.extend(page.invoices);
        if page.next_page_token.is_empty() {
            break;
        }
        request.page_token = page.next_page_token;
    }
    let accounts = Arc::new(accounts);
    // Every tenth is left open, so that there is something to age.
    let paid = invoices.into_iter().enumerate().filter(|(at, _)| at % 10 != 0);
    let each = stream::iter(paid).map(|(at, invoice)| {
        let mut accounts = (*accounts).clone();
        async move {
            let (payment, amount) = (format!("pay-{at}"), invoice.total.unwrap());
            let settled = v1::PaymentSettled {
                payment: payment.clone(),
                amount: Some(amount.clone()),
                invoice: invoice.name,
            };
            let request = v1::RecordPaymentRequest {
                name: invoice.account,
                request_id: id(),
                occurred_on: Some(bulk::today()),
                event: Some(Event::Settled(settled)),
            };
            accounts.record_payment(patient(request)).await.map(|_| (payment, amount))
        }
    });
    each.buffered(IN_FLIGHT).try_collect().await.unwrap()
}

/// A payout for each hundred payments and the bank's line for it; how many.
async fn bank(books: &mut Books, paid: &[(String, Money)]) -> usize {
    let mut lines = Vec::new();
    for (at, batch) in paid.chunks(BATCH).enumerate() {
        let line = |(name, amount): &(String, Money)| v1::PayoutLine {
            kind: v1::MovementKind::Payment.into(),
            name: name.clone(),
            amount: Some(amount.clone()),
        };
        let nanos: i64 =
            batch.iter().map(|(_, m)| m.units * 1_000_000_000 + i64::from(m.nanos)).sum();
        let net = Money {
            units: nanos / 1_000_000_000,
            nanos: i32::try_from(nanos % 1_000_000_000).unwrap(),
            currency_code: batch[0].1.currency_code.clone(),
        };
        let payout = v1::NotePayoutRequest {
            parent: parent(),
            request_id: id(),
            payout: format!("po-{at}"),
            paid_on: Some(april(10)),
            net: Some(net.clone()),
            lines: batch.iter().map(line).collect(),
            ..v1::NotePayoutRequest::default()
        };
        books.note_payout(patient(payout)).await.unwrap();
        lines.push(v1::BankLine {
            bank: "operating".into(),
            line_hash: format!("{at:064x}"),
            booked_on: Some(april(11)),
            amount: Some(net),
            references: vec![format!("po-{at}")],
            ..v1::BankLine::default()
        });
    }
    let nothing = Money { currency_code: "USD".into(), ..Money::default() };
    let declare = v1::DeclareBankAccountRequest {
        name: parent(),
        request_id: id(),
        account: Some(v1::BankAccount {
            bank: "operating".into(),
            display_name: "Operating account".into(),
            opened_on: Some(april(1)),
            opening: Some(nothing.clone()),
            ..v1::BankAccount::default()
        }),
    };
    books.declare_bank_account(patient(declare)).await.unwrap();
    let mut deposits = Vec::new();
    for some in lines.chunks(BATCH) {
        let note =
            v1::NoteBankLinesRequest { parent: parent(), request_id: id(), lines: some.to_vec() };
        deposits.extend(books.note_bank_lines(patient(note)).await.unwrap().into_inner().deposits);
    }
    let nanos = |money: &Money| money.units * 1_000_000_000 + i64::from(money.nanos);
    let sum: i64 = lines.iter().filter_map(|line| line.amount.as_ref()).map(nanos).sum();
    let closing = Money {
        units: sum / 1_000_000_000,
        nanos: i32::try_from(sum % 1_000_000_000).unwrap(),
        ..nothing.clone()
    };
    let statement = v1::NoteStatementRequest {
        parent: parent(),
        request_id: id(),
        bank: "operating".into(),
        file_hash: "f1".repeat(32),
        part: 1,
        source: v1::StatementSource::Camt053.into(),
        from: Some(april(1)),
        through: Some(april(30)),
        opening: Some(nothing),
        closing: Some(closing),
        lines: deposits,
    };
    books.note_statement(patient(statement)).await.unwrap();
    lines.len()
}

/// Every entry of the month, a page at a time, as the package reads them.
async fn journal(books: &mut Books) -> usize {
    let mut request = v1::ListJournalRequest {
        parent: parent(),
        page_size: 500,
        from: Some(april(1)),
        through: Some(april(30)),
        ..v1::ListJournalRequest::default()
    };
    let mut entries = 0;
    loop {
        let page = books.list_journal(patient(request.clone())).await.unwrap().into_inner();
        entries += page.entries.len();
        if page.next_page_token.is_empty() {
            return entries;
        }
        request.page_token = page.next_page_token;
    }
}
