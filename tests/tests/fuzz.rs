//! No request, whatever it says, is answered INTERNAL, not when it comes and not when it comes again,
//! and none leaves a log behind that does not verify, rebuild and move.
//!
//! `COUNTERFOIL_FUZZ_REQUESTS` changes how many requests the random campaign makes, `COUNTERFOIL_SEED`
//! its seed, which it prints:
//! `COUNTERFOIL_FUZZ_REQUESTS=100000 cargo test -p counterfoil-tests --test fuzz sqlite::campaign -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use api::google::r#type::Date;
use api::v1::{self, action};
use counterfoil_tests::child;
use counterfoil_tests::fuzz::{Call, Contract, FIRM, Known};
use domain::event::UtcMicros;
use domain::ids::FirmId;
use futures::{StreamExt as _, stream};
use ledger::Ledger;
use log::{Engine, SteppedClock, move_log};
use prost::Message as _;
use prost::bytes::{Buf as _, BufMut as _};
use rand::SeedableRng;
use rand::rngs::StdRng;
use store::Store;
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::transport::Channel;
use tonic::{Code, Request, Status};
use tonic_types::StatusExt as _;
use uuid::Uuid;

/// 2 March 2026, 18:00 UTC: noon where the firm is.
const NOW: UtcMicros = UtcMicros(1_772_474_400_000_000);
/// Requests of a campaign, unless it is told otherwise.
const REQUESTS: u64 = 1_000;
/// The seed, unless it is told otherwise.
const SEED: u64 = 11_586_044_911_949_236_641;
/// Requests between two looks at the log.
const BATCH: usize = 2_500;
/// A client who has not got anywhere yet comes this often.
const CLIENT_EVERY: usize = 50;
const IN_FLIGHT: usize = 16;
/// How long an answer is listened to that does not end.
const HEARD_MAX: Duration = Duration::from_millis(200);
/// Messages of one answer that are read.
const MESSAGES_MAX: usize = 1_000;
const PATIENCE: Duration = Duration::from_mins(1);

/// Messages as bytes.
#[derive(Clone, Default)]
struct Raw;

impl Codec for Raw {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Self;
    type Decoder = Self;
    fn encoder(&mut self) -> Self {
        Self
    }
    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn encode(&mut self, item: Vec<u8>, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        buffer.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        let length = buffer.remaining();
        Ok(Some(buffer.copy_to_bytes(length).to_vec()))
    }
}

/// What came back.
#[derive(Debug)]
struct Answer {
    code: Code,
    /// The stable reason, or what the status says, for whoever reads a fault.
    #[allow(dead_code, reason = "it is shown")]
    said: String,
}

impl Answer {
    /// Whether it is a fault of the service.
    fn is_ours(&self) -> bool {
        // A handler that panics cancels its stream.
        matches!(
            self.code,
            Code::Internal | Code::Unknown | Code::DataLoss | Code::Unimplemented | Code::Cancelled
        )
    }
}

/// A firm with a service in this process.
struct Office {
    ledger: Ledger,
    store: Arc<Store>,
    clock: Arc<SteppedClock>,
    channel: Channel,
    contract: Contract,
    known: Known,
    folder: tempfile::TempDir,
    clients: usize,
}

impl Office {
    async fn open(database: Option<&str>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = format!("sqlite:{}", folder.path().join("ledger.db").display());
        let (engine, store, clock) = child::open(database.unwrap_or(&file)).await.unwrap();
        clock.set(NOW);
        let outbox = folder.path().join("outbox");
        let ledger = child::ledger(engine, store.clone(), clock.clone(), &outbox);
        ledger.keep_evidence_in(vault::BlobStore::in_folder(folder.path().join("evidence")));
        let channel = ledger.connect_in_process().await.unwrap();
        let (contract, known) = (Contract::read(), Known::default());
        let mut office =
            Self { ledger, store, clock, channel, contract, known, folder, clients: 0 };
        office.found().await;
        office
    }

    fn engine(&self) -> &Engine {
        self.ledger.engine()
    }

    async fn found(&mut self) {
        let mut client = v1::administration_client::AdministrationClient::new(self.channel.clone());
        let register: v1::RegisterFirmRequest = self.contract.sample("register_firm");
        client.register_firm(register).await.unwrap();
        let fresh = || Uuid::now_v7().to_string();
        let adopt: v1::AdoptPackRequest = self.contract.sample("adopt_pack");
        client.adopt_pack(v1::AdoptPackRequest { request_id: fresh(), ..adopt }).await.unwrap();
        let publish: v1::PublishPlanRequest = self.contract.sample("publish_plan");
        let publish = v1::PublishPlanRequest { request_id: fresh(), ..publish };
        client.publish_plan(publish).await.unwrap();
        let bureau: v1::RegisterBureauRequest = self.contract.sample("register_bureau");
        let bureau = v1::RegisterBureauRequest { request_id: fresh(), ..bureau };
        client.register_bureau(bureau).await.unwrap();
        for _ in 0..6 {
            self.enrol().await;
        }
        let mut billing = v1::billing_client::BillingClient::new(self.channel.clone());
        let run: v1::RunBillingRequest = self.contract.sample("run_billing");
        let as_of = Some(Date { year: 2026, month: 3, day: 1 });
        billing
            .run_billing(v1::RunBillingRequest { as_of, request_id: fresh(), ..run })
            .await
            .unwrap();
    }

    /// A client with a first letter sent, or, of every third, one who has only signed.
    async fn enrol(&mut self) {
        self.clients += 1;
        let record: v1::RecordRequest = self.contract.sample("record_all");
        let name = format!(
            "{FIRM}/cases/{}",
            Uuid::from_u128((7 << 76) | 1 << 63 | u128::try_from(self.clients).unwrap())
        );
        let until = if self.clients.is_multiple_of(3) { 4 } else { usize::MAX };
        let actions = first_steps(&record.actions, self.clients).into_iter().take(until).collect();
        let request_id = Uuid::now_v7().to_string();
        let request = v1::RecordRequest { name, request_id, expected_version: None, actions };
        let mut client = v1::case_ledger_client::CaseLedgerClient::new(self.channel.clone());
        client.record(request.clone()).await.unwrap();
        let id = request.name.rsplit('/').next().unwrap();
        self.known.add(&request.name);
        self.known.add(&format!("{FIRM}/accounts/{id}"));
    }

    async fn ask(&self, call: &Call) -> Answer {
        let mut client = tonic::client::Grpc::new(self.channel.clone());
        client.ready().await.unwrap();
        let mut request = Request::new(stream::iter(call.messages.clone()));
        request.set_timeout(PATIENCE);
        let path = call.path.parse().unwrap();
        let listened = tokio::time::timeout(PATIENCE, client.streaming(request, path, Raw)).await;
        let mut messages = match listened.expect("an answer begins in time") {
            Err(status) => return answer(&status),
            Ok(response) => response.into_inner(),
        };
        let endless = call.path.ends_with("/Follow");
        for _ in 0..MESSAGES_MAX {
            let patience = if endless { HEARD_MAX } else { PATIENCE };
            match tokio::time::timeout(patience, messages.next()).await {
                Ok(Some(Ok(message))) => {
                    self.known.learn(&message);
                    if let Some(refused) = inner_error(call, &message) {
                        return refused;
                    }
                }
                Ok(Some(Err(status))) => return answer(&status),
                Ok(None) => break,
                Err(_) => {
                    assert!(endless, "{} goes silent: {}", call.path, call.what);
                    break;
                }
            }
        }
        Answer { code: Code::Ok, said: String::new() }
    }

    /// Asks twice. What is wrong with the answers, and the code of the first.
    async fn twice(&self, call: &Call) -> (Code, Option<String>) {
        let first = self.ask(call).await;
        let again = self.ask(call).await;
        let lost = first.code == Code::Ok && again.code != Code::Ok && has_request_id(call);
        let wrong = first.is_ours() || again.is_ours() || lost;
        let told = || format!("{} {}: {first:?}, then {again:?}", call.path, call.what);
        (first.code, wrong.then(told))
    }

    /// Everything that has to hold of the log after whatever was asked.
    async fn look(&self) {
        let firm = firm();
        let report = self.engine().verify(firm, |_, _| {}).await.unwrap();
        let head = self.engine().head(firm).await.unwrap();
        assert_eq!((report.events, report.root), (head.position, head.root()));
        assert_eq!(report.ran_back, None);
        self.engine().wait_applied(firm, head.position, PATIENCE).await.unwrap();
        self.engine().rebuild(firm, |_, _| {}).await.unwrap();
        let derived = self.engine().check_derived(firm, |_, _| {}).await.unwrap();
        assert!(derived.faults.is_empty(), "{:?}", derived.faults);
        let folder = tempfile::tempdir_in(self.folder.path()).unwrap();
        let other = format!("sqlite:{}", folder.path().join("moved.db").display());
        let (engine, store, _) = child::open(&other).await.unwrap();
        let moved = move_log(&**self.store, &**store, firm, |_| {}).await.unwrap();
        assert_eq!((moved.events, moved.target_root), (head.position, head.root()));
        assert_eq!(engine.verify(firm, |_, _| {}).await.unwrap().root, head.root());
        engine.shutdown(PATIENCE).await;
        store.close().await;
    }

    async fn close(self) {
        assert!(self.ledger.shutdown().await, "everything ends in time");
        self.store.close().await;
        drop(self.clock);
    }
}

fn firm() -> FirmId {
    FirmId::parse(FIRM.rsplit('/').next().unwrap()).unwrap()
}

fn answer(status: &Status) -> Answer {
    let said = status.get_details_error_info().map(|info| info.reason);
    Answer { code: status.code(), said: said.unwrap_or_else(|| status.message().to_owned()) }
}

/// An error inside a message: a stream of records goes on after one, and what is derived is said not to
/// follow from a log that nobody touched.
fn inner_error(call: &Call, message: &[u8]) -> Option<Answer> {
    if call.path.ends_with("/CheckDerived") {
        let response = v1::CheckDerivedResponse::decode(message).unwrap();
        return match response.message? {
            v1::check_derived_response::Message::Report(report) if !report.sound => {
                Some(Answer { code: Code::DataLoss, said: report.faults.join("; ") })
            }
            v1::check_derived_response::Message::Report(_)
            | v1::check_derived_response::Message::Progress(_) => None,
        };
    }
    if !call.path.ends_with("/RecordStream") {
        return None;
    }
    let response = v1::RecordStreamResponse::decode(message).unwrap();
    match response.result? {
        v1::record_stream_response::Result::Error(error) => {
            Some(Answer { code: Code::from(error.code), said: error.message })
        }
        v1::record_stream_response::Result::Recorded(_) => None,
    }
}

/// A request that may be repeated: what it was answered once it is answered again.
fn has_request_id(call: &Call) -> bool {
    let method = call.path.rsplit('/').next().unwrap();
    let input = api::json::descriptors()
        .services()
        .find_map(|service| service.methods().find(|m| m.name() == method).map(|m| m.input()));
    input.unwrap().get_field_by_name("request_id").is_some()
}

/// What a client does in the first days, out of the sample's actions.
fn first_steps(sample: &[v1::Action], client: usize) -> Vec<v1::Action> {
    use action::Action as A;
    let find = |wanted: fn(&A) -> bool| {
        let found = sample.iter().filter_map(|action| action.action.clone()).find(wanted);
        found.expect("the sample has every action")
    };
    let mut steps = Vec::new();
    let mut on = |day: i32, action: A| {
        let occurred_on = Some(Date { year: 2025, month: 3, day });
        steps.push(v1::Action { occurred_at: None, occurred_on, action: Some(action) });
    };
    let A::Enrol(mut enrol) = find(|a| matches!(a, A::Enrol(_))) else { unreachable!() };
    if let Some(contact) = &mut enrol.contact {
        contact.phone = format!("(201) 555-{:04}", 100 + client % 100);
    }
    on(4, A::Enrol(enrol));
    on(4, find(|a| matches!(a, A::DisclosureDelivered(_))));
    on(4, find(|a| matches!(a, A::DisclosureAcknowledged(_))));
    on(4, find(|a| matches!(a, A::SignConsent(_))));
    for (paper, kind) in [("p1", v1::PaperKind::PhotoId), ("p2", v1::PaperKind::Residence)] {
        let received = v1::IdentityPaperReceived {
            paper: paper.into(),
            kind: kind.into(),
            document_sha256: String::new(),
        };
        on(5, A::IdentityPaperReceived(received));
        on(5, A::IdentityPaperAccepted(v1::IdentityPaperAccepted { paper: paper.into() }));
    }
    on(6, find(|a| matches!(a, A::ReportSourceConnected(_))));
    let A::ImportReport(mut report) = find(|a| matches!(a, A::ImportReport(_))) else {
        unreachable!()
    };
    report.issued_on = Some(Date { year: 2025, month: 3, day: 12 });
    on(12, A::ImportReport(report));
    on(12, find(|a| matches!(a, A::AttestBasis(_))));
    on(12, find(|a| matches!(a, A::OpenWork(_))));
    // No pack of the client's state is adopted: the service writes no letter, and what left is a fact.
    let A::SendRound(round) = find(|a| matches!(a, A::SendRound(_))) else { unreachable!() };
    on(13, A::NoteRoundSent(round));
    steps
}

#[derive(Default)]
struct Tally {
    codes: BTreeMap<String, u64>,
    paths: BTreeSet<String>,
    faults: Vec<String>,
}

/// Asks all of them, several at a time.
async fn ask_all(office: &Office, calls: Vec<Call>, tally: &Mutex<Tally>) {
    stream::iter(calls)
        .for_each_concurrent(IN_FLIGHT, async |call| {
            let (code, fault) = office.twice(&call).await;
            let mut tally = tally.lock().unwrap();
            *tally.codes.entry(format!("{code:?}")).or_default() += 1;
            tally.paths.insert(call.path);
            tally.faults.extend(fault);
        })
        .await;
}

fn hold(tally: &Tally) {
    let some: Vec<_> = tally.faults.iter().take(20).collect();
    assert!(some.is_empty(), "{} faults, among them {some:#?}", tally.faults.len());
}

fn from_environment(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|text| text.parse().expect("a number"))
}

async fn every_boundary(database: Option<&str>) {
    let mut office = Office::open(database).await;
    let tally = Mutex::new(Tally::default());
    let contract = Contract::read();
    let known = Known::default();
    let count = contract.boundaries(&known, 1).count();
    println!("{count} requests");
    let mut asked = 0;
    while asked < count {
        office.enrol().await;
        let calls: Vec<Call> =
            contract.boundaries(&office.known, 1).skip(asked).take(BATCH / 2).collect();
        asked += calls.len();
        ask_all(&office, calls, &tally).await;
    }
    let tally = tally.into_inner().unwrap();
    println!("{:?}", tally.codes);
    hold(&tally);
    assert_eq!(tally.paths, contract.paths(), "an RPC was not asked");
    assert!(tally.codes["Ok"] > 500, "{:?}", tally.codes);
    office.look().await;
    office.close().await;
}

async fn campaign(database: Option<&str>) {
    let requests = from_environment("COUNTERFOIL_FUZZ_REQUESTS").unwrap_or(REQUESTS);
    let requests = usize::try_from(requests).unwrap();
    let seed = from_environment("COUNTERFOIL_SEED").unwrap_or(SEED);
    println!("COUNTERFOIL_SEED={seed}");
    let mut rng = StdRng::seed_from_u64(seed);
    let mut office = Office::open(database).await;
    let tally = Mutex::new(Tally::default());
    let mut asked = 0;
    while asked < requests {
        let batch = BATCH.min(requests - asked);
        for from in (0..batch).step_by(CLIENT_EVERY) {
            office.enrol().await;
            let count = CLIENT_EVERY.min(batch - from);
            let calls = (0..count).map(|_| office.contract.random(&office.known, &mut rng));
            let calls = calls.collect();
            ask_all(&office, calls, &tally).await;
        }
        asked += batch;
        hold(&tally.lock().unwrap());
        office.look().await;
        let head = office.engine().head(firm()).await.unwrap();
        println!(
            "{asked} requests, each asked twice; the log is at {} with {} invoices; {:?}",
            head.position,
            head.invoices,
            tally.lock().unwrap().codes
        );
    }
    office.close().await;
}

mod sqlite {
    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn every_boundary() {
        super::every_boundary(None).await;
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn campaign() {
        super::campaign(None).await;
    }
}

mod postgres {
    use testbed::Database;

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn every_boundary() {
        let database = Database::make("boundaries");
        super::every_boundary(Some(&database.url())).await;
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn campaign() {
        let database = Database::make("campaign");
        super::campaign(Some(&database.url())).await;
    }
}
