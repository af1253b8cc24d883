//! What a log has to be after whatever happened to those who wrote it.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use api::v1;
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId};

use crate::child;
use crate::history::firm_id;

/// Events read at a time.
const PAGE: usize = 1_000;

/// A request, and the answer that says where it stands.
pub type Acknowledged = (v1::RecordRequest, v1::RecordResponse);

/// The whole log of the bulk firm, read by a process of its own, after every event was hashed again
/// and the tree over them has the stored root.
pub async fn whole_log(database: &str) -> Vec<Recorded> {
    let (engine, store, _) = child::open(database).await.expect("the database can be opened");
    let verified = engine.verify(firm_id(), |_, _| {}).await;
    verified.expect("every event hashes to the root");
    let head = engine.head(firm_id()).await.expect("the head reads").position;
    let mut log: Vec<Recorded> = Vec::new();
    while count(log.len()) < head {
        let page = engine.read(firm_id(), count(log.len()), PAGE).await.expect("the log reads");
        assert!(!page.is_empty(), "the log ends before its head");
        log.extend(
            page.iter()
                .map(|stored| Recorded::from_bytes(&stored.bytes).expect("a stored event reads")),
        );
    }
    engine.shutdown(Duration::from_secs(5)).await;
    store.close().await;
    log
}

/// Positions and versions are dense, no fee is earned twice, and invoices are gapless in the log's
/// order. Gives how many invoices there are.
pub fn check_log(log: &[Recorded]) -> u64 {
    let mut versions: HashMap<StreamId, u64> = HashMap::new();
    let (mut fees, mut invoices) = (HashSet::new(), 0);
    for (at, recorded) in log.iter().enumerate() {
        assert_eq!(recorded.position, count(at) + 1, "positions are dense");
        let version = versions.entry(recorded.stream).or_default();
        *version += 1;
        assert_eq!(recorded.stream_version, *version, "versions are dense: {}", recorded.stream);
        match &recorded.event {
            Event::Case(CaseEvent::FeeEarned(fee)) => {
                assert!(fees.insert((recorded.stream, fee.period)), "a fee is earned once");
            }
            Event::Account(AccountEvent::InvoiceIssued(invoice)) => {
                invoices += 1;
                assert_eq!(invoice.number, invoices, "invoices are gapless");
            }
            _ => {}
        }
    }
    invoices
}

/// Every acknowledged request stands in the log once, whole, where its answer said.
pub fn check_answers(log: &[Recorded], acknowledged: &[Acknowledged]) {
    let mut positions: HashMap<String, Vec<u64>> = HashMap::new();
    for recorded in log {
        positions.entry(recorded.request_id.to_string()).or_default().push(recorded.position);
    }
    let unsigned = |number: i64| u64::try_from(number).expect("a position is not negative");
    for (request, response) in acknowledged {
        let first = unsigned(response.first_position);
        let events = unsigned(response.event_count.into());
        assert!(events >= count(request.actions.len()), "{}", request.request_id);
        let expected: Vec<u64> = (first..first + events).collect();
        assert_eq!(positions.get(&request.request_id), Some(&expected), "{}", request.request_id);
    }
}

fn count(length: usize) -> u64 {
    u64::try_from(length).expect("a log fits in memory here")
}
