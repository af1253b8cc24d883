//! Seeded runs with every fault at once. A failure names its seed.

use std::collections::HashMap;
use std::sync::Arc;

use super::support::*;
use crate::memory::{FaultPlan, Injected, MemoryStore};
use crate::{Answer, Engine, LogStore as _, Settings, Submission, SubmitError};

const SEEDS: u64 = 60;
const REQUESTS: u128 = 40;
const TRIES_MAX: usize = 50;

fn settings() -> Settings {
    Settings {
        project_page: 6,
        batch_commands_max: 5,
        streams_cached_max: 10,
        snapshot_every: 5,
        ..Settings::default()
    }
}

/// Asks until there is an answer that is the request's own, as a client does.
async fn insist(engine: &Engine, submission: &Submission) -> Result<Answer, SubmitError> {
    for _ in 0..TRIES_MAX {
        match engine.submit(FIRM, submission.clone()).await {
            Err(
                SubmitError::Unavailable | SubmitError::OutcomeUnknown | SubmitError::Overloaded,
            ) => {}
            settled => return settled,
        }
    }
    panic!("no answer after {TRIES_MAX} tries");
}

fn requests() -> Vec<Submission> {
    let command = |id: u128| match id % 4 {
        0 => enrol(id / 4 % 5),
        1 => messages(id % 5, 2, "hello"),
        2 => bureau(id),
        _ => refused(),
    };
    (0..REQUESTS).map(|id| submission(100 + id, command(id))).collect()
}

async fn run(seed: u64) -> Injected {
    let store = Arc::new(MemoryStore::default());
    let bench = Bench { engine: engine_over(&store, settings()), store };
    bench.submit(1, register()).await.unwrap();
    bench.submit(2, publish()).await.unwrap();
    bench.store.set_faults(FaultPlan::rough(seed));
    let other = engine_over(&bench.store, settings());
    let mut tasks = Vec::new();
    for (at, submission) in requests().into_iter().enumerate() {
        // Every third request is made twice, through both engines.
        let engines = if at % 3 == 0 { vec![&bench.engine, &other] } else { vec![&bench.engine] };
        for engine in engines {
            let (engine, submission) = (engine.clone(), submission.clone());
            tasks.push(tokio::spawn(async move {
                (submission.request_id, insist(&engine, &submission).await)
            }));
        }
    }
    let mut answers = HashMap::new();
    for task in tasks {
        let (request, answer) = task.await.unwrap();
        let answer = answer.map(|answer| (answer.first_position, answer.count, answer.streams));
        let first = answers.entry(request).or_insert_with(|| answer.clone());
        assert_eq!(*first, answer, "seed {seed}: a request has one answer");
    }
    let injected = bench.store.injected();
    bench.store.set_faults(FaultPlan::default());
    check(seed, &bench, &answers).await;
    injected
}

type Answers = HashMap<
    domain::ids::RequestId,
    Result<(u64, u64, Vec<(domain::event::StreamId, u64)>), SubmitError>,
>;

/// What must hold whatever struck.
async fn check(seed: u64, bench: &Bench, answers: &Answers) {
    let head = bench.position().await;
    let report = bench.engine.verify(FIRM, |_, _| {}).await;
    assert_eq!(report.map(|r| r.events).map_err(|e| e.to_string()), Ok(head), "seed {seed}");
    for (request, answer) in answers {
        if let Ok((first, count, _)) = answer {
            let limit = usize::try_from(*count).unwrap();
            for stored in bench.store.read(FIRM, first - 1, limit).await.unwrap() {
                let recorded = domain::event::Recorded::from_bytes(&stored.bytes).unwrap();
                assert_eq!(recorded.request_id, *request, "seed {seed}: acknowledged, so there");
            }
        }
        assert!(bench.store.outcome(FIRM, *request).is_some(), "seed {seed}");
    }
    let position = bench.caught_up().await;
    let (checkpoint, rows) = bench.store.projected(FIRM);
    assert_eq!(checkpoint.position, position, "seed {seed}");
    assert_eq!(rows, bench.folded(position).await, "seed {seed}: rows are the fold");
}

#[tokio::test(start_paused = true)]
async fn every_invariant_holds_whatever_strikes() {
    let mut total = Injected::default();
    for seed in 0..SEEDS {
        let injected = run(seed).await;
        total.commit_fails += injected.commit_fails;
        total.answer_lost += injected.answer_lost;
        total.commit_vanishes += injected.commit_vanishes;
        total.other_writer += injected.other_writer;
        total.slow += injected.slow;
        total.project_fails += injected.project_fails;
        total.project_answer_lost += injected.project_answer_lost;
    }
    let struck = [
        total.commit_fails,
        total.answer_lost,
        total.commit_vanishes,
        total.other_writer,
        total.slow,
        total.project_fails,
        total.project_answer_lost,
    ];
    assert!(struck.iter().all(|count| *count > 0), "every fault has struck: {total:?}");
}
