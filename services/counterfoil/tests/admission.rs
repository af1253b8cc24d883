//! The process as its system sees it: it ends when it is asked to, whatever is open, and does not spin
//! at the limit of open files.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

mod common;

use std::fs::File;
use std::process::Command;
use std::time::{Duration, Instant};

use api::v1;
use common::Desk;
use common::served::Served;
use ledger::DRAIN_DEADLINE;
use prost::Message as _;
use testbed::stranger::{END_STREAM, Stranger, call, kind, message};
use tokio::time::{sleep, timeout};

const FOLLOW: &str = "/counterfoil.v1.CaseLedger/Follow";
const GET_HEAD: &str = "/counterfoil.v1.Administration/GetHead";
/// How long a process may take to end beyond its drain.
const BEYOND: Duration = Duration::from_secs(5);

/// Everything that can be left open at once: silent sockets, half a handshake, half a call, a stream
/// that is not read, and a caller for metrics who asks nothing.
async fn leave_open(served: &Served, firm: &str, token: &str) -> Vec<Stranger> {
    let to = served.address();
    let connect = async || Stranger::connect(to, [127, 0, 0, 2]).await.unwrap();
    let mut open = vec![connect().await];
    let mut half = connect().await;
    half.send(b"PRI * HTTP/2.0\r\n").await.unwrap();
    open.push(half);
    let mut caller = connect().await;
    caller.greet_with_window(1).await.unwrap();
    caller.send(&call(1, GET_HEAD, Some(token), 0)).await.unwrap();
    let follow = v1::FollowRequest { parent: firm.into(), ..v1::FollowRequest::default() };
    caller.send(&call(3, FOLLOW, Some(token), 0)).await.unwrap();
    caller.send(&message(3, &follow.encode_to_vec(), END_STREAM)).await.unwrap();
    let begun = async { while caller.next().await.unwrap().kind != kind::HEADERS {} };
    timeout(Duration::from_secs(20), begun).await.unwrap();
    open.push(caller);
    open
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_signal_ends_it_within_the_drain_and_five_seconds_whatever_is_open() {
    let desk = Desk::with_firm();
    let token = desk.token("read");
    let serve = ["serve", "--listen", "127.0.0.1:0", "--bill-daily-at", "00:00"];
    let mut served = Served::by(desk.command(&serve));
    let open = leave_open(&served, &desk.firm(), &token).await;
    served.ask_to_end();
    let code = served.ended_within(DRAIN_DEADLINE + BEYOND);
    assert!(code.is_some(), "it is still there");
    drop(open);
    desk.log();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_signal_ends_what_the_first_one_waits_for() {
    let desk = Desk::with_firm();
    let token = desk.token("read");
    let log = desk.folder.path().join("log");
    let serve = desk.command(&["serve", "--listen", "127.0.0.1:0"]);
    let mut served = Served::telling(serve, File::create(&log).unwrap());
    let open = leave_open(&served, &desk.firm(), &token).await;
    served.ask_to_end();
    let draining = || std::fs::read_to_string(&log).unwrap().contains("draining");
    until("it drains", draining).await;
    let again = Instant::now();
    served.ask_to_end();
    assert!(served.ended_within(BEYOND).is_some(), "it is still there");
    assert!(again.elapsed() < DRAIN_DEADLINE);
    drop(open);
    desk.log();
}

async fn until(what: &str, is_so: impl Fn() -> bool) {
    let waiting = async {
        while !is_so() {
            sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(Duration::from_secs(30), waiting).await.unwrap_or_else(|_| panic!("not so: {what}"));
}

/// Hundredths of a second that a process has computed.
fn computed(process: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    // After the name, which may hold anything and ends with the last bracket, the third field is the
    // first; user and system time are the 14th and 15th (proc_pid_stat(5)).
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
}

fn limit_files(process: u32, most: usize) {
    let arguments = [format!("--pid={process}"), format!("--nofile={most}:")];
    assert!(Command::new("prlimit").args(arguments).status().unwrap().success());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn at_the_limit_of_open_files_it_waits_tells_and_still_serves() {
    let desk = Desk::with_firm();
    let (firm, token) = (desk.firm(), desk.token("read"));
    let log = desk.folder.path().join("log");
    let serve = desk.command(&["serve", "--listen", "127.0.0.1:0"]);
    let served = Served::telling(serve, File::create(&log).unwrap());
    served.caller(&firm, &token).await.noted().await.unwrap();
    let before = served.open_files();
    // None more than there are: nobody new can be taken at all.
    limit_files(served.id(), before);
    let mut strangers = Vec::new();
    for _ in 0..100 {
        strangers.push(Stranger::connect(served.address(), [127, 0, 0, 2]).await.unwrap());
    }
    let told = || {
        let log = std::fs::read_to_string(&log).unwrap();
        log.lines().filter(|line| line.contains("connections cannot be taken")).count()
    };
    until("it says that nobody is let in", || told() > 0).await;
    let (begun, before) = (Instant::now(), computed(served.id()));
    sleep(Duration::from_secs(2)).await;
    let tenths = u64::try_from(begun.elapsed().as_millis() / 100).unwrap();
    let share = (computed(served.id()) - before) * 10 / tenths;
    assert!(share < 20, "it computes for {share} of a hundred");
    assert_eq!(told(), 1, "it is told once in a while, not each time");
    // With a few files more, strangers make room for whoever comes with a token.
    limit_files(served.id(), served.open_files() + 8);
    let caller = served.caller(&firm, &token).await;
    timeout(Duration::from_secs(30), caller.noted()).await.unwrap().unwrap();
    assert_eq!(served.end(), Some(0));
}
