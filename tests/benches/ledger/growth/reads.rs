//! Reads over gRPC while nobody writes, proofs among them.

use std::time::Instant;

use api::google::r#type::Date;
use api::v1;
use api::v1::administration_client::AdministrationClient;
use api::v1::audit_client::AuditClient;
use api::v1::billing_client::BillingClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use counterfoil_tests::bulk;
use counterfoil_tests::history::{case_id, firm_id};
use tonic::Request;

use super::Figures;
use super::fill::{Growing, numbers};
use crate::report::Measured;

/// Reads of each kind.
const READS: usize = 1_000;
/// Reads that may take long, and how long they may take together.
const PAGES: usize = 200;
/// Seconds after which no further page is asked for.
const PAGES_SECONDS: f64 = 20.0;
/// Most fees of one page.
const PAGE_SIZE: i32 = 50;

/// Latencies of one read, asked again and again.
pub(crate) async fn latency(
    events: u64,
    measure: &str,
    figures: &mut Figures,
    read: impl AsyncFn(),
) {
    let mut micros = Vec::with_capacity(READS);
    let began = Instant::now();
    for _ in 0..READS {
        let started = Instant::now();
        read().await;
        micros.push(u64::try_from(started.elapsed().as_micros()).unwrap());
    }
    add(events, measure, figures, micros, began);
}

fn add(events: u64, measure: &str, figures: &mut Figures, micros: Vec<u64>, began: Instant) {
    let measured = Measured::of(micros, began.elapsed().as_secs_f64());
    let [p50, p99] = [50, 99].map(|percent| measured.percentile(percent) as f64);
    figures.add(events, &format!("{measure}, p50"), "us", p50);
    figures.add(events, &format!("{measure}, p99"), "us", p99);
}

impl Growing {
    /// Cases at random, and pages of what can be claimed.
    pub(crate) async fn read(&self, events: u64, figures: &mut Figures) {
        let cases = CaseLedgerClient::new(self.channel.clone());
        // The first look at a client on a day is put on record; the same clients again are not.
        for measure in ["GetCase, any client, first look today", "GetCase, any client"] {
            let numbers = std::cell::RefCell::new(numbers(events));
            let get = async || {
                let case = case_id(numbers.borrow_mut().next().unwrap() % self.clients);
                let name = format!("firms/{}/cases/{case}", firm_id());
                let request = v1::GetCaseRequest { name, ..Default::default() };
                cases.clone().get_case(self.authorize(request)).await.unwrap();
            };
            latency(events, measure, figures, get).await;
        }
        self.claimable(events, "ListClaimable, page by page", bulk::today(), figures).await;
        // A day on which no month was over: there is nothing to be found.
        let early = Date { year: 2025, month: 3, day: 4 };
        self.claimable(events, "ListClaimable, nothing to claim", early, figures).await;
        self.proofs(events, figures).await;
    }

    /// Inclusion proofs of events at random, in the tree of all there are.
    async fn proofs(&self, events: u64, figures: &mut Figures) {
        let audit = AuditClient::new(self.channel.clone());
        // Reading has put on record whose values were opened: the log is longer than it was.
        let parent = format!("firms/{}", firm_id());
        let head = self.authorize(v1::GetHeadRequest { parent });
        let mut administration = AdministrationClient::new(self.channel.clone());
        let tree_size = administration.get_head(head).await.unwrap().into_inner().position;
        let numbers = std::cell::RefCell::new(numbers(events));
        let prove = async || {
            let position = u64::from(numbers.borrow_mut().next().unwrap()) % events + 1;
            let request = v1::GetInclusionProofRequest {
                parent: format!("firms/{}", firm_id()),
                position: i64::try_from(position).unwrap(),
                tree_size,
            };
            audit.clone().get_inclusion_proof(self.authorize(request)).await.unwrap();
        };
        // The first one waits until the tiles are there.
        prove().await;
        latency(events, "inclusion proof, any event", figures, prove).await;
    }

    async fn claimable(&self, events: u64, measure: &str, as_of: Date, figures: &mut Figures) {
        let mut client = BillingClient::new(self.channel.clone());
        let (mut micros, mut page_token) = (Vec::new(), String::new());
        let began = Instant::now();
        while micros.len() < PAGES && began.elapsed().as_secs_f64() < PAGES_SECONDS {
            let request = v1::ListClaimableRequest {
                parent: format!("firms/{}", firm_id()),
                page_size: PAGE_SIZE,
                page_token,
                as_of: Some(as_of),
                ..Default::default()
            };
            let started = Instant::now();
            let answer = client.list_claimable(self.authorize(request)).await.unwrap();
            micros.push(u64::try_from(started.elapsed().as_micros()).unwrap());
            // After the last page comes the first one.
            page_token = answer.into_inner().next_page_token;
        }
        add(events, measure, figures, micros, began);
    }

    fn authorize<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        request.metadata_mut().insert("authorization", self.token.clone());
        request
    }
}
