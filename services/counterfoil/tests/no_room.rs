//! A server whose disk is full tells its callers so, keeps what it had, and goes on when there is room.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::process::Command;

use common::Desk;
use common::served::{Served, message};
use tonic::{Code, Status};
use tonic_types::StatusExt;

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";
/// In the shell's blocks of 512 bytes: a handful of commits.
const BLOCKS: u32 = 1_500;
/// More requests than fit, whatever a block is.
const REQUESTS_MAX: usize = 2_000;

/// What a caller is told: try again, later.
fn says_unavailable(status: &Status) {
    assert_eq!(status.code(), Code::Unavailable, "{status}");
    let reason = status.get_details_error_info().unwrap().reason;
    // The commit itself failed, and only the file knows how much of it was written.
    assert_eq!(reason, "OUTCOME_UNKNOWN");
    let retry = status.get_details_retry_info().unwrap().retry_delay.unwrap();
    assert!(!retry.is_zero());
}

/// Another program folds the write-ahead log into the database, so that it can begin anew.
fn make_room(desk: &Desk) {
    let fold = "
import sqlite3, sys
busy, _, _ = sqlite3.connect(sys.argv[1]).execute('PRAGMA wal_checkpoint(RESTART)').fetchone()
sys.exit(busy)
";
    let database = desk.folder.path().join("counterfoil.db");
    let python = Command::new("python3").arg("-c").arg(fold).arg(&database).output().unwrap();
    assert!(python.status.success(), "{python:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_loses_nothing_and_doubles_nothing() {
    let desk = Desk::with_cases();
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let served = Served::start_short_of_room(&desk, BLOCKS);
    let caller = served.caller(&firm, &token).await;
    let mut recorded = Vec::new();
    let mut position = caller.head().await;
    let doubtful = loop {
        let request = message(&firm, CASE);
        match caller.record(&request).await {
            Ok(answer) => {
                assert_eq!((answer.first_position, answer.event_count), (position + 1, 1));
                position = answer.position;
                recorded.push((request, answer));
            }
            Err(status) => {
                says_unavailable(&status);
                break request;
            }
        }
        assert!(recorded.len() < REQUESTS_MAX, "the limit on files is not kept here");
    };
    assert!(!recorded.is_empty(), "there was room for nothing");
    // Still full: the same again, and others.
    for request in [doubtful.clone(), message(&firm, CASE)] {
        says_unavailable(&caller.record(&request).await.unwrap_err());
    }
    // What was answered before stands, and can be read; nothing half written is beside it.
    assert_eq!(caller.head().await, position);
    assert_eq!(desk.log().0, position.to_string());

    make_room(&desk);
    let answer = caller.record(&doubtful).await.unwrap();
    assert_eq!((answer.first_position, answer.event_count), (position + 1, 1));
    let again = caller.record(&doubtful).await.unwrap();
    assert!(again.replayed);
    assert_eq!(again.position, answer.position);
    for (request, first) in &recorded {
        let again = caller.record(request).await.unwrap();
        assert_eq!((again.replayed, again.position), (true, first.position));
    }
    assert_eq!(served.end(), Some(0));
    assert_eq!(desk.log().0, (position + 1).to_string());
    let ids = desk.request_ids();
    for request in recorded.iter().map(|(request, _)| request).chain([&doubtful]) {
        assert_eq!(ids.iter().filter(|id| **id == request.request_id).count(), 1);
    }
}
