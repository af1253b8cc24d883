//! What no service on this PostgreSQL can go beyond: batches, single rows, group commit.

use std::sync::Arc;
use std::time::{Duration, Instant};

use proof::{Frontier, leaf_hash};
use tokio::sync::{Barrier, mpsc, oneshot};
use uuid::Uuid;

use super::plain::{Plain, Rows};
use crate::report::Measured;
use crate::{SPAN, WARM_UP};

/// Most rows of one group commit.
const GROUP_MAX: usize = 1_000;

/// How rows reach the server.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    Unnest,
    Copy,
}

impl Way {
    pub(crate) const BOTH: [Self; 2] = [Self::Unnest, Self::Copy];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Unnest => "UNNEST",
            Self::Copy => "COPY",
        }
    }
}

/// Rows a second over one connection, so many a durable transaction. Only the time that the driver
/// and the server take counts: making the rows is not the database's work.
pub(crate) async fn batches(database: &str, way: Way, rows: usize, bytes: usize) -> f64 {
    let mut plain = Plain::fresh(database).await;
    let firm = Uuid::now_v7();
    let (mut written, mut busy) = (0_i64, Duration::ZERO);
    while busy < SPAN {
        let batch = Rows::made(firm, written + 1, rows, bytes);
        let started = Instant::now();
        match way {
            Way::Unnest => plain.insert(&batch).await,
            Way::Copy => plain.copy(&batch).await,
        }
        // The first statement is prepared and finds the caches cold.
        if written > 0 {
            busy += started.elapsed();
        }
        written += i64::try_from(rows).unwrap();
    }
    (written as f64 - rows as f64) / busy.as_secs_f64()
}

/// Rows a second, one a durable transaction, over so many connections, each to a firm of its own.
pub(crate) async fn singles(database: &str, connections: usize, bytes: usize) -> Measured {
    drop(Plain::fresh(database).await);
    let ready = Arc::new(Barrier::new(connections));
    let caller = |_| {
        let (database, ready) = (database.to_owned(), Arc::clone(&ready));
        tokio::spawn(async move {
            let mut plain = Plain::connect(&database).await;
            let firm = Uuid::now_v7();
            plain.insert(&Rows::made(firm, 1, 1, bytes)).await;
            ready.wait().await;
            let mut rows = (2..).map(|position| Rows::made(firm, position, 1, bytes));
            let mut micros = Vec::new();
            let counted_from = Instant::now() + WARM_UP;
            while counted_from.elapsed() < SPAN {
                let row = rows.next().unwrap();
                let sent = Instant::now();
                plain.insert(&row).await;
                if sent >= counted_from {
                    micros.push(u64::try_from(sent.elapsed().as_micros()).unwrap());
                }
            }
            micros
        })
    };
    together((0..connections).map(caller)).await
}

/// Rows a second of callers in this process who hand one row each to one task, which commits whatever
/// has come. With evidence, each row is hashed, pushed on a frontier, and the root of each group is
/// stored in a head; without, there are no hashes and no head.
pub(crate) async fn group(
    database: &str,
    callers: usize,
    bytes: usize,
    evidence: bool,
) -> Measured {
    let plain = Plain::fresh(database).await;
    let (sender, waiting) = mpsc::channel(GROUP_MAX);
    let writer = tokio::spawn(commit(plain, waiting, evidence));
    let caller = |at: usize| {
        let sender = sender.clone();
        tokio::spawn(async move {
            let mut micros = Vec::new();
            let stream = format!("case/00000000-0000-0000-0000-{at:012}");
            let counted_from = Instant::now() + WARM_UP;
            while counted_from.elapsed() < SPAN {
                let row = (stream.clone(), vec![b'x'; bytes]);
                let sent = Instant::now();
                let (answer, answered) = oneshot::channel();
                sender.send((row, answer)).await.unwrap();
                answered.await.unwrap();
                if sent >= counted_from {
                    micros.push(u64::try_from(sent.elapsed().as_micros()).unwrap());
                }
            }
            micros
        })
    };
    let measured = together((0..callers).map(caller)).await;
    drop(sender);
    writer.await.unwrap();
    measured
}

type Single = ((String, Vec<u8>), oneshot::Sender<()>);

async fn commit(mut plain: Plain, mut waiting: mpsc::Receiver<Single>, evidence: bool) {
    let firm = Uuid::now_v7();
    plain.make_head(firm).await;
    let (mut group, mut frontier, mut position) = (Vec::new(), Frontier::new(), 0);
    while waiting.recv_many(&mut group, GROUP_MAX).await > 0 {
        let (mut rows, mut answers) = (Rows::new(firm), Vec::with_capacity(group.len()));
        for ((stream, body), answer) in group.drain(..) {
            position += 1;
            let leaf = evidence.then(|| leaf_hash(&body));
            if let Some(leaf) = leaf {
                frontier.push(leaf);
            }
            rows.push(position, stream, leaf, body);
            answers.push(answer);
        }
        if evidence {
            plain.insert_with_head(&rows, &frontier).await;
        } else {
            plain.insert(&rows).await;
        }
        for answer in answers {
            let _ = answer.send(());
        }
    }
}

/// What all callers measured.
async fn together(callers: impl Iterator<Item = tokio::task::JoinHandle<Vec<u64>>>) -> Measured {
    let callers: Vec<_> = callers.collect();
    let mut micros = Vec::new();
    for caller in callers {
        micros.extend(caller.await.unwrap());
    }
    Measured::of(micros, SPAN.as_secs_f64())
}

/// Microseconds that the leaf, the frontier and a root per group of 32 take for one event.
pub(crate) fn hashing(bytes: usize) -> f64 {
    const EVENTS: usize = 64_000;
    let body = vec![b'x'; bytes];
    let mut frontier = Frontier::new();
    let started = Instant::now();
    for _ in 0..EVENTS / 32 {
        for _ in 0..32 {
            frontier.push(leaf_hash(std::hint::black_box(&body)));
        }
        std::hint::black_box(frontier.root());
    }
    started.elapsed().as_secs_f64() * 1e6 / EVENTS as f64
}
