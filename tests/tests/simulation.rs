//! The engine under every fault at once, each time from one seed.
//!
//! A failure prints its seed and how to run that seed alone. `COUNTERFOIL_SEEDS` says how many are run
//! (`ops/soak` runs ten thousand), `COUNTERFOIL_SEED` runs one and prints what happened in it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::cell::Cell;
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, Once};
use std::time::Instant;

use counterfoil_tests::campaign::from_environment;
use counterfoil_tests::simulation::{self, Report};

/// Seeds unless told otherwise: just as many as meet everything.
const SEEDS: u64 = ENOUGH_SEEDS;
const THREADS: usize = 2;
/// Seeds after which everything that can happen must have happened.
const ENOUGH_SEEDS: u64 = 500;
/// What a simulation must have met, or it has shown nothing.
const MUST_HAPPEN: [&str; 33] = [
    "accepted",
    "answer lost",
    "clock jumps back",
    "commit fails",
    "commit vanishes",
    "corrections",
    "cut off",
    "dropped",
    "duplicates",
    "events",
    "fees",
    "floods",
    "head moved",
    "invoices",
    "kills",
    "ordered streams",
    "other bodies",
    "overloaded",
    "payments",
    "poison events",
    "projection answer lost",
    "projection fails",
    "rebuilds",
    "refused",
    "repeats",
    "replayed",
    "restarts",
    "reused",
    "reviews",
    "slow store",
    "unavailable",
    "unknown",
    "unreachable",
];

thread_local! {
    static PANICS: Cell<u64> = const { Cell::new(0) };
}

/// Counts panics by thread: a task of the engine that panics takes nobody else with it.
fn count_panics() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            PANICS.set(PANICS.get() + 1);
            usual(panic);
        }));
    });
}

fn run(seed: u64) -> Result<Report, String> {
    count_panics();
    let panics = PANICS.get();
    let outcome = catch_unwind(AssertUnwindSafe(|| {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
        runtime.unwrap().block_on(simulation::run(seed))
    }));
    let report = match outcome {
        Ok(Ok(report)) if PANICS.get() == panics => return Ok(report),
        Ok(Ok(_)) => "a task panicked".to_owned(),
        Ok(Err(error)) => format!("{error:#}"),
        Err(_) => "it panicked".to_owned(),
    };
    Err(format!(
        "seed {seed}: {report}\nreplay: COUNTERFOIL_SEED={seed} cargo test -p counterfoil-tests --test simulation"
    ))
}

#[derive(Default)]
struct Totals {
    tally: BTreeMap<&'static str, u64>,
    failures: BTreeMap<u64, String>,
}

/// Runs seeds on a few threads until all are done or one has failed.
fn run_all(seeds: u64) -> Totals {
    let (next, totals) = (AtomicU64::new(0), Mutex::new(Totals::default()));
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::SeqCst);
                    if seed >= seeds {
                        return;
                    }
                    let result = run(seed);
                    let mut totals = totals.lock().unwrap();
                    match result {
                        Ok(report) => {
                            for (what, count) in report.tally {
                                *totals.tally.entry(what).or_default() += count;
                            }
                        }
                        Err(failure) => {
                            totals.failures.insert(seed, failure);
                            next.store(seeds, Ordering::SeqCst);
                        }
                    }
                }
            });
        }
    });
    totals.into_inner().unwrap()
}

#[test]
fn every_promise_holds_whatever_strikes() {
    if let Some(seed) = from_environment("COUNTERFOIL_SEED") {
        let report = run(seed).unwrap_or_else(|failure| panic!("{failure}"));
        println!("seed {seed}: {report:#?}");
        return;
    }
    let seeds = from_environment("COUNTERFOIL_SEEDS").unwrap_or(SEEDS);
    let begun = Instant::now();
    let totals = run_all(seeds);
    println!("{seeds} seeds in {:.1?}: {:#?}", begun.elapsed(), totals.tally);
    let failures: Vec<&str> = totals.failures.values().map(String::as_str).collect();
    assert!(failures.is_empty(), "{}", failures.join("\n"));
    if seeds >= ENOUGH_SEEDS {
        let never: Vec<_> = MUST_HAPPEN
            .iter()
            .filter(|what| totals.tally.get(**what).is_none_or(|n| *n == 0))
            .collect();
        assert!(never.is_empty(), "never happened: {never:?}");
    }
}

#[test]
fn a_seed_is_the_same_run_every_time() {
    for seed in 0..20 {
        assert_eq!(run(seed), run(seed), "seed {seed}");
    }
}
