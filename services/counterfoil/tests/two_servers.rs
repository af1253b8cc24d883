//! Two servers on one database: one log, which each reads as the other wrote it.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use api::v1;
use common::Desk;
use common::served::{Caller, Served, message};

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";

/// Reads a case through the read models, once they have seen a position.
async fn read(caller: &Caller, at_least_position: i64) -> v1::Case {
    let list = v1::ListCasesRequest {
        parent: caller.firm.clone(),
        at_least_position,
        ..v1::ListCasesRequest::default()
    };
    let listed = caller.cases().list_cases(list).await.unwrap().into_inner();
    assert!(listed.position >= at_least_position);
    let get = v1::GetCaseRequest {
        name: format!("{}/cases/{CASE}", caller.firm),
        at_least_position,
        as_of_position: None,
    };
    caller.cases().get_case(get).await.unwrap().into_inner().case.unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_servers_write_one_dense_log_and_read_what_the_other_wrote() {
    const ALTERNATING: usize = 20;
    const AT_ONCE: usize = 20;
    let desk = Desk::with_cases();
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let servers = [Served::start(&desk), Served::start(&desk)];
    let callers = [servers[0].caller(&firm, &token).await, servers[1].caller(&firm, &token).await];
    let mut sent = Vec::new();
    let mut position = callers[0].head().await;

    // Turn by turn, on one case: each decides on what the other has just written.
    let mut version = None;
    for turn in 0..ALTERNATING {
        let request = v1::RecordRequest { expected_version: version, ..message(&firm, CASE) };
        let answer = callers[turn % 2].record(&request).await.unwrap();
        assert_eq!((answer.first_position, answer.event_count), (position + 1, 1), "turn {turn}");
        assert!(!answer.replayed);
        (position, version) = (answer.position, Some(answer.version));
        sent.push(request.request_id);
    }
    // Each reads the last word, whoever wrote it.
    for caller in &callers {
        assert_eq!(Some(read(caller, position).await.version), version);
    }
    // The two clients whom both servers opened are on record, once each.
    assert_eq!(callers[0].head().await, position + 2);
    position += 2;

    // At once, each under request ids of its own and some under the very same.
    let work = async |caller: &Caller, shared: Vec<v1::RecordRequest>| {
        let own = (0..AT_ONCE).map(|_| message(&firm, CASE));
        let requests: Vec<_> = own.chain(shared).collect();
        let answers = requests.iter().map(|request| caller.record(request));
        let answers = futures::future::try_join_all(answers).await.unwrap();
        requests.into_iter().map(|request| request.request_id).zip(answers).collect::<Vec<_>>()
    };
    let shared: Vec<_> = (0..AT_ONCE).map(|_| message(&firm, CASE)).collect();
    let (one, other) =
        tokio::join!(work(&callers[0], shared.clone()), work(&callers[1], shared.clone()));
    for request in &shared {
        let of = |answers: &[(String, v1::RecordResponse)]| {
            answers.iter().find(|(id, _)| *id == request.request_id).unwrap().1
        };
        let (one, other) = (of(&one), of(&other));
        assert_eq!(one.position, other.position, "one request, one answer");
        assert_ne!(one.replayed, other.replayed, "recorded by one of the two");
    }
    let new = one.iter().chain(&other).filter(|(_, answer)| !answer.replayed);
    let mut positions: Vec<i64> = new.map(|(_, answer)| answer.position).collect();
    positions.sort_unstable();
    let wanted = i64::try_from(3 * AT_ONCE).unwrap();
    assert!(positions.iter().copied().eq(position + 1..=position + wanted), "{positions:?}");
    sent.extend(one.into_iter().chain(other).map(|(id, _)| id));
    sent.sort_unstable();
    sent.dedup();

    assert_eq!(callers[0].head().await, position + wanted);
    for server in servers {
        assert_eq!(server.end(), Some(0));
    }
    let (verified, _) = desk.log();
    assert_eq!(verified, (position + wanted).to_string());
    let mut recorded = desk.request_ids();
    recorded.retain(|id| sent.binary_search(id).is_ok());
    recorded.sort_unstable();
    assert_eq!(recorded, sent, "each request once");
}
