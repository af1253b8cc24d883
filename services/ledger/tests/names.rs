//! Names and ids that nobody forges, and tokens that end.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::time::Duration;

use api::google::r#type::Date;
use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::{Service, date, first_month, id, new_case, reason, record};
use counterfoil_ledger::Limits;
use domain::command::Command;
use domain::event::{
    AccessGranted, Author, Event, FirmEvent, Recorded, Scope, StreamId, UtcMicros,
};
use domain::ids::{AccessId, AccountId, DocumentHash, EventId, FirmId, RequestId};
use domain::value::Text;
use log::{
    Accepted, AppendRow, Batch, NOTHING_KNOWN, Opening, Outcome, OutcomeResult, Plan, Step,
    Submission,
};
use sha2::{Digest, Sha256};
use tokio::time::timeout;
use tonic::{Code, Status};
use uuid::Uuid;

const PATIENCE: Duration = Duration::from_secs(30);
const A_DAY: i64 = 24 * 3_600_000_000;

fn firm_id(firm: &str) -> FirmId {
    FirmId::parse(firm.strip_prefix("firms/").unwrap()).unwrap()
}

async fn create(
    service: &Service,
    firm: &str,
    token: v1::Token,
) -> Result<v1::CreateTokenResponse, Status> {
    create_on(service, firm, date(2026, 3, 2), token).await
}

async fn create_on(
    service: &Service,
    firm: &str,
    occurred_on: Option<Date>,
    token: v1::Token,
) -> Result<v1::CreateTokenResponse, Status> {
    let (parent, token) = (firm.to_owned(), Some(token));
    let request = v1::CreateTokenRequest { parent, request_id: id(), occurred_on, token };
    Ok(service.administration().create_token(request).await?.into_inner())
}

fn labelled(label: &str) -> v1::Token {
    let scopes = vec![v1::Scope::Read.into()];
    v1::Token { label: label.into(), scopes, ..v1::Token::default() }
}

/// The field that was refused.
fn field(status: &Status) -> String {
    use tonic_types::StatusExt;
    let violations = status.get_details_bad_request().map(|bad| bad.field_violations);
    violations.unwrap_or_default().first().map(|first| first.field.clone()).unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_token_is_called_like_the_service_or_like_another() {
    let service = Service::start().await;
    let firm = service.firm().await;
    for forged in [
        "local operator",
        "Local  Operator",
        "local\u{200b} operator\u{2060}",
        "l\u{43e}cal operat\u{43e}r",
        "\u{ff2c}ocal-operator",
        "Daily Schedule",
        "COUPLE MATCHER.",
        "\u{3f2}ouple matcher",
        "local operator (night)",
        "\u{200b}...",
    ] {
        let refused = create(&service, &firm, labelled(forged)).await.unwrap_err();
        // Where the form of the text itself forbids it, it does not even come to the rule.
        let reasons = ["VALUE_REFUSED", "FIELD_INVALID"];
        assert!(reasons.contains(&reason(&refused).as_str()), "{forged:?}: {refused:?}");
        assert!(field(&refused).ends_with("label"), "{forged:?}: {refused:?}");
    }
    let first = create(&service, &firm, labelled("Front desk")).await.unwrap();
    for alike in ["front desk", "FRONT-DESK", "fr\u{43e}nt d\u{435}sk"] {
        let refused = create(&service, &firm, labelled(alike)).await.unwrap_err();
        assert_eq!(reason(&refused), "VALUE_REFUSED", "{refused:?}");
        assert!(field(&refused).ends_with("label"), "{refused:?}");
    }
    create(&service, &firm, labelled("front desk 2")).await.unwrap();
    create(&service, &firm, labelled("Anna Clerk")).await.unwrap();
    for alike in ["Anna \u{3f9}lerk", "\u{1d00}nna Clerk"] {
        let refused = create(&service, &firm, labelled(alike)).await.unwrap_err();
        assert_eq!(field(&refused), "token.label", "{alike}: {refused:?}");
    }
    // Another firm has names of its own, and a token that was taken back leaves its own.
    let other = service.firm().await;
    create(&service, &other, labelled("front desk")).await.unwrap();
    let revoke = v1::RevokeTokenRequest {
        parent: firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        token_id: first.token.unwrap().token_id,
    };
    service.administration().revoke_token(revoke).await.unwrap();
    create(&service, &firm, labelled("front desk")).await.unwrap();
}

async fn last_event(service: &Service, firm: &str, kind: &str) -> v1::Event {
    let read = v1::ReadEventsRequest { parent: firm.into(), page_size: 500, ..Default::default() };
    let events = service.cases().read_events(read).await.unwrap().into_inner().events;
    events.into_iter().rfind(|event| event.r#type == kind).unwrap()
}

async fn wire(service: &Service, token: &str) -> CaseLedgerClient<common::Wire> {
    CaseLedgerClient::new(service.wire(Some(token)).await)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_event_names_the_token_that_recorded_it() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let enrol = || vec![common::enrol(v1::Seat::Individual, "+12015550123", "tok_1")];
    let token = service.create_token(&firm, &[v1::Scope::Record], None).await;
    let clerk = token.token.unwrap();
    let mut cases = wire(&service, &token.secret).await;
    cases.record(record(&new_case(&firm), enrol())).await.unwrap();
    let event = last_event(&service, &firm, "enrolled").await;
    assert_eq!((&event.access, &event.actor), (&clerk.token_id, &clerk.label));
    assert!(
        event.canonical_json.starts_with(&format!(r#"{{"access":"{}","actor":"#, clerk.token_id))
    );
    service.record(&new_case(&firm), enrol()).await;
    let event = last_event(&service, &firm, "enrolled").await;
    assert_eq!((event.access.as_str(), event.actor.as_str()), ("", "local operator"));
    assert!(event.canonical_json.starts_with(r#"{"actor":"local operator","#));
}

/// Puts a grant at the end of the log as it was put there before tokens had to have an end and a name of
/// their own.
struct Grant {
    firm: FirmId,
    granted: AccessGranted,
    now: UtcMicros,
    version: u64,
}

impl Plan for Grant {
    fn open(&mut self, Opening { mut head, .. }: Opening) -> Step {
        let (expected, request_id) = (head.position, RequestId(Uuid::now_v7()));
        let recorded = Recorded {
            access: None,
            actor: Text::parse("local operator").unwrap(),
            causation: None,
            event: Event::Firm(FirmEvent::AccessGranted(self.granted.clone())),
            event_id: EventId(Uuid::now_v7()),
            firm: self.firm,
            late_days: None,
            occurred_at: None,
            occurred_on: "2026-03-02".parse().unwrap(),
            position: expected + 1,
            recorded_at: self.now,
            request_id,
            stream: StreamId::Firm,
            stream_version: self.version,
        };
        let bytes = recorded.to_bytes();
        let leaf = proof::leaf_hash(&bytes);
        head.position += 1;
        head.frontier.push(leaf);
        let streams = vec![(StreamId::Firm, self.version)];
        let result = OutcomeResult::Accepted(Accepted { count: 1, first: head.position, streams });
        let outcome = Outcome { fingerprint: [0; 32], recorded_at: self.now, result };
        Step::Write(Batch {
            expected,
            rows: vec![AppendRow { recorded: recorded.into(), bytes, leaf }],
            outcomes: vec![(request_id, outcome)],
            head,
            people: Vec::new(),
        })
    }

    fn loaded(&mut self, _: Vec<log::LoadedStream>) -> Step {
        unreachable!("nothing was asked for")
    }
}

/// A token from before, and its id.
async fn old_token(service: &Service, firm: &str, label: &str) -> (String, AccessId) {
    let access = AccessId(Uuid::now_v7());
    let firm_id = firm_id(firm);
    let text = format!("cf_{}_{}_{}", firm_id.0.simple(), access.0.simple(), "0a".repeat(32));
    let granted = AccessGranted {
        access,
        bounds: None,
        expires_on: None,
        label: Text::parse(label).unwrap(),
        scopes: [Scope::Record, Scope::Read, Scope::Administer].into(),
        token_hash: DocumentHash(Sha256::digest(text.as_bytes()).into()),
    };
    let (_, states) = service.ledger.engine().states(firm_id, &[StreamId::Firm]).await.unwrap();
    let version = states[0].version() + 1;
    let mut grant =
        Grant { firm: firm_id, granted, now: log::Clock::now(&*service.clock), version };
    service.store.transact(firm_id, NOTHING_KNOWN, &[], &mut grant).await.unwrap();
    (text, access)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_old_token_without_an_end_or_with_a_forged_name_is_told_of() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (secret, access) = old_token(&service, &firm, "local operator").await;
    let (_, desk) = old_token(&service, &firm, "desk").await;
    // A year and more later it still holds.
    service.clock.advance(400 * A_DAY);
    let enrol = vec![common::enrol(v1::Seat::Individual, "+12015550123", "tok_1")];
    wire(&service, &secret).await.record(record(&new_case(&firm), enrol)).await.unwrap();
    let event = last_event(&service, &firm, "enrolled").await;
    assert_eq!(event.actor, format!("local operator (token {access})"));
    assert_eq!(event.access, access.to_string());
    let list = v1::ListTokensRequest { parent: firm.clone(), ..Default::default() };
    let tokens = service.administration().list_tokens(list).await.unwrap().into_inner().tokens;
    assert_eq!(tokens.iter().filter(|token| token.expires_on.is_none()).count(), 2);
    let due = v1::ListDueRequest {
        parent: firm.clone(),
        kind: v1::DueKind::TokenEnding.into(),
        ..Default::default()
    };
    let due = service.administration().list_due(due).await.unwrap().into_inner().due;
    let mut told: Vec<&str> = due.iter().map(|item| item.subject.as_str()).collect();
    let mut expected = [access.to_string(), desk.to_string()];
    told.sort_unstable();
    expected.sort_unstable();
    assert_eq!(told, expected);
    assert!(due.iter().all(|item| item.detail.contains("no end") && item.due_on.is_none()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_token_has_an_end() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let until = |expires_on| v1::Token { expires_on, ..labelled("desk") };
    let too_long = create(&service, &firm, until(date(2027, 3, 4))).await.unwrap_err();
    assert_eq!(reason(&too_long), "FIELD_INVALID");
    assert_eq!(field(&too_long), "token.expires_on");
    let past = create(&service, &firm, until(date(2026, 3, 1))).await.unwrap_err();
    assert_eq!(reason(&past), "FIELD_INVALID");
    let longest = create(&service, &firm, until(date(2027, 3, 3))).await.unwrap();
    assert_eq!(longest.token.unwrap().expires_on, date(2027, 3, 3), "366 days");
    let usual = create(&service, &firm, labelled("usual")).await.unwrap().token.unwrap();
    assert_eq!(usual.expires_on, date(2026, 5, 31), "90 days");
    let due = async || {
        let due = v1::ListDueRequest { parent: firm.clone(), ..Default::default() };
        service.administration().list_due(due).await.unwrap().into_inner().due
    };
    assert_eq!(due().await, []);
    service.clock.advance(76 * A_DAY);
    let [item] = &due().await[..] else { panic!("one token ends in 14 days") };
    assert_eq!((&item.subject, item.due_on), (&usual.token_id, date(2026, 5, 31)));
    assert_eq!(item.kind(), v1::DueKind::TokenEnding);
    service.clock.advance(15 * A_DAY);
    assert_eq!(due().await, [], "it is over, and nobody's business any more");
    create(&service, &firm, labelled("usual")).await.expect_err("nothing is dated back to use it");
    let today = date(2026, 6, 1);
    create_on(&service, &firm, today, labelled("usual")).await.expect("its name is free again");
}

/// The id that a request of the service's own would have without the firm's secret: RFC 9562 section 5.8 over
/// SHA-256, as anybody can work it out who knows what it is made of.
fn guessed(kind: &str, parts: &[&[u8]]) -> RequestId {
    let digest = unkeyed_fingerprint(kind, parts);
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    RequestId(uuid::Builder::from_custom_bytes(bytes).into_uuid())
}

fn unkeyed_fingerprint(kind: &str, parts: &[&[u8]]) -> [u8; 32] {
    let mut hash = Sha256::new();
    for part in std::iter::once(kind.as_bytes()).chain(parts.iter().copied()) {
        hash.update(u64::try_from(part.len()).unwrap().to_be_bytes());
        hash.update(part);
    }
    hash.finalize().into()
}

async fn invoices(service: &Service, firm: &str) -> Vec<v1::Invoice> {
    let head = service.ledger.engine().head(firm_id(firm)).await.unwrap().position;
    let list = v1::ListInvoicesRequest {
        parent: firm.to_owned(),
        at_least_position: i64::try_from(head).unwrap(),
        ..Default::default()
    };
    service.accounts().list_invoices(list).await.unwrap().into_inner().invoices
}

/// Takes an id before the service does.
async fn take(cases: &mut CaseLedgerClient<common::Wire>, firm: &str, request: RequestId) {
    let enrol = vec![common::enrol(v1::Seat::Individual, "+12015550199", "tok_9")];
    let first =
        v1::RecordRequest { request_id: request.to_string(), ..record(&new_case(firm), enrol) };
    cases.record(first).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_takes_the_id_of_a_billing_run_or_of_a_look_first() {
    let look = Duration::from_millis(20);
    let service = Service::with(Limits { daily_billing_look: look, ..Limits::default() }).await;
    let firm = service.firm().await;
    let client = new_case(&firm);
    service.record(&client, first_month(v1::Seat::Individual, "+12015550123", "tok_1")).await;
    let thief = service.token(&firm, &[v1::Scope::Record]).await;
    let mut thief = wire(&service, &thief).await;
    // Today's run by the clock, its line for the client, and the look of everybody who will read.
    let firm_bytes = firm_id(&firm).0;
    let run = guessed("daily billing", &[firm_bytes.as_bytes(), b"2026-03-02"]);
    take(&mut thief, &firm, run).await;
    let case = Uuid::parse_str(client.rsplit('/').next().unwrap()).unwrap();
    take(&mut thief, &firm, guessed("bill", &[run.0.as_bytes(), case.as_bytes()])).await;
    let reader = service.create_token(&firm, &[v1::Scope::Read], None).await;
    let access = Uuid::parse_str(&reader.token.unwrap().token_id).unwrap();
    for reader in [access.as_bytes().as_slice(), &[]] {
        take(&mut thief, &firm, guessed("opening", &[reader, b"2026-03-02", case.as_bytes()]))
            .await;
    }
    service.ledger.bill_daily(Duration::from_secs(1));
    let billed = async {
        while invoices(&service, &firm).await.is_empty() {
            tokio::time::sleep(look).await;
        }
    };
    timeout(PATIENCE, billed).await.expect("the day is billed");
    let get = || v1::GetCaseRequest { name: client.clone(), ..Default::default() };
    let seen = wire(&service, &reader.secret).await.get_case(get()).await.unwrap().into_inner();
    assert_eq!(seen.case.unwrap().client.unwrap().display_name, "Ada Lark");
    service.cases().get_case(get()).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ids_of_the_services_own_requests_are_the_same_on_every_server_and_under_new_firm_keys() {
    let service = Service::start().await;
    let (firm, other) = (firm_id(&service.firm().await), firm_id(&service.firm().await));
    let of = async |engine: &log::Engine, firm| {
        engine.own_requests(firm).await.unwrap().id("daily billing", &[b"2026-03-02"])
    };
    let first = of(service.ledger.engine(), firm).await;
    assert_eq!(first.0.get_version_num(), 8, "RFC 9562 section 5.8");
    assert_ne!(first, of(service.ledger.engine(), other).await, "each firm has its own secret");
    assert_ne!(first, guessed("daily billing", &[b"2026-03-02"]));
    let beside = service.beside(Limits::default()).await;
    assert_eq!(of(beside.engine(), firm).await, first);
    let keys = vec![testbed::firm_keys().current().clone(), vault::FirmKey::from_bytes([9; 32])];
    let rotated = vault::FirmKeys::from_oldest(keys).unwrap();
    assert!(log::rewrap(&**service.store, firm, &rotated).await.unwrap() > 0);
    let rotated = service.beside_with(rotated, Limits::default()).await;
    assert_eq!(of(rotated.engine(), firm).await, first);
}

/// What a server of before recorded of a run by the time it stopped: the mark, and a part of the lines.
async fn begun_before(
    service: &Service,
    firm: FirmId,
    message: &impl prost::Name,
    request: &str,
    line: Submission,
) {
    let engine = service.ledger.engine();
    let nobody = domain::ids::CaseId(Uuid::nil());
    let action = domain::command::CoupleAction::Compare;
    let mark = Submission {
        request_id: RequestId::parse(request).unwrap(),
        fingerprint: api::fingerprint(message),
        author: line.author.clone(),
        command: Command::Couple { first: nobody, second: nobody, action },
    };
    engine.submit(firm, mark).await.unwrap();
    let answer = engine.submit(firm, line).await.unwrap();
    engine.wait_applied(firm, answer.position, PATIENCE).await.unwrap();
}

fn operator() -> Author {
    Author::without_token(Text::parse("local operator").unwrap())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_begun_before_ids_were_keyed_is_ended_since_and_nothing_is_billed_or_charged_twice() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let clients = [new_case(&firm), new_case(&firm)];
    for (client, phone) in clients.iter().zip(["+12015550123", "+12015550124"]) {
        service.record(client, first_month(v1::Seat::Individual, phone, "tok_1")).await;
    }
    let account = AccountId::parse(clients[0].rsplit('/').next().unwrap()).unwrap();
    let run =
        v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: date(2026, 3, 2) };
    let run_id = RequestId::parse(&run.request_id).unwrap();
    let line: [&[u8]; 2] = [run_id.0.as_bytes(), account.0.as_bytes()];
    let whole = api::fingerprint(&run);
    let billed = Submission {
        request_id: guessed("bill", &line),
        fingerprint: unkeyed_fingerprint("bill", &[&whole, account.0.as_bytes()]),
        author: operator(),
        command: Command::BillAccount { account, as_of: "2026-03-02".parse().unwrap() },
    };
    begun_before(&service, firm_id(&firm), &run, &run.request_id, billed).await;
    assert_eq!(invoices(&service, &firm).await.len(), 1);
    for replayed in [false, true] {
        let ran = service.billing().run_billing(run.clone()).await.unwrap().into_inner();
        assert_eq!((ran.invoices_issued, ran.fees_earned, ran.replayed), (2, 2, replayed));
    }
    assert_eq!(invoices(&service, &firm).await.len(), 2);

    let ask = v1::RequestChargesRequest {
        parent: firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        ..Default::default()
    };
    let ask_id = RequestId::parse(&ask.request_id).unwrap();
    let whole = api::fingerprint(&ask);
    let number = 1_u64.to_be_bytes();
    let action = domain::command::AccountAction::RequestCharge { invoice: 1 };
    let occurred_on = "2026-03-02".parse().unwrap();
    let charge = Submission {
        request_id: guessed("charge", &[ask_id.0.as_bytes(), &number]),
        fingerprint: unkeyed_fingerprint("charge", &[&whole, &number]),
        author: operator(),
        command: Command::Account {
            account,
            action: domain::command::Dated { occurred_at: None, occurred_on, action },
        },
    };
    begun_before(&service, firm_id(&firm), &ask, &ask.request_id, charge).await;
    for _ in 0..2 {
        let asked = service.accounts().request_charges(ask.clone()).await.unwrap().into_inner();
        let mut charged: Vec<_> =
            asked.charges.iter().map(|charge| (charge.invoice.clone(), charge.attempt)).collect();
        charged.sort();
        let once = [1, 2].map(|number| (format!("{firm}/invoices/{number}"), 1));
        assert_eq!(charged, once, "each is handed over once, the one of before too");
    }
}

/// Reads a stream to its end, and how it ended.
async fn end_of<T>(stream: &mut tonic::Streaming<T>) -> Code {
    let ended = async {
        loop {
            match stream.message().await {
                Ok(Some(_)) => {}
                Ok(None) => return Code::Ok,
                Err(status) => return status.code(),
            }
        }
    };
    timeout(PATIENCE, ended).await.expect("the stream ends")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn idle_streams_end_when_their_token_does() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let scopes = [v1::Scope::Read, v1::Scope::Record];
    let follow = || v1::FollowRequest { parent: firm.clone(), ..Default::default() };
    // Its last day ends, and nothing happens that would have to be told.
    let short = service.create_token(&firm, &scopes, date(2026, 3, 2)).await;
    let mut cases = wire(&service, &short.secret).await;
    let mut followed = cases.follow(follow()).await.unwrap().into_inner();
    let said = futures::stream::pending::<v1::RecordStreamRequest>();
    let mut recorded = cases.record_stream(said).await.unwrap().into_inner();
    let lasting = service.create_token(&firm, &scopes, None).await;
    let mut others =
        wire(&service, &lasting.secret).await.follow(follow()).await.unwrap().into_inner();
    service.clock.advance(A_DAY);
    let since = std::time::Instant::now();
    assert_eq!(end_of(&mut followed).await, Code::Unauthenticated);
    assert_eq!(end_of(&mut recorded).await, Code::Unauthenticated);
    assert!(since.elapsed() < Duration::from_secs(5), "{:?}", since.elapsed());
    // It is taken back, by another process.
    let beside = service.beside(Limits::default()).await;
    let channel = beside.connect_in_process().await.unwrap();
    let revoke = v1::RevokeTokenRequest {
        parent: firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 3),
        token_id: lasting.token.unwrap().token_id,
    };
    let mut elsewhere = v1::administration_client::AdministrationClient::new(channel);
    elsewhere.revoke_token(revoke).await.unwrap();
    assert_eq!(end_of(&mut others).await, Code::Unauthenticated);
}
