//! Recording: batches, refusals, repeated requests, faults.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use calendar::CivilDate;
use domain::command::{Command, FirmAction};
use domain::event::{Recorded, StandingKind, StandingRecorded, UtcMicros};
use domain::ids::StateCode;
use domain::refusal::Reason;

use super::support::*;
use crate::memory::{FaultPlan, MemoryStore};
use crate::{
    Clock, Engine, LogStore as _, OutcomeResult, SequentialIds, Settings, SteppedClock, SubmitError,
};

/// Strikes whenever it can.
const ALWAYS: u16 = 1_000;

fn reason(error: SubmitError) -> Reason {
    match error {
        SubmitError::Refused(refusal) | SubmitError::RefusedBefore { refusal, .. } => {
            refusal.reason
        }
        other => panic!("{other}"),
    }
}

#[tokio::test]
async fn commands_that_wait_together_share_a_batch() {
    let bench = open_bench(Settings::default()).await;
    let before = bench.engine.stats().batches.load(Ordering::Relaxed);
    let answers = bench.submit_together((10..110).map(|id| submission(id, bureau(id)))).await;
    let positions: Vec<_> = answers.into_iter().map(|answer| answer.unwrap().position).collect();
    assert_eq!(positions, (3..103).collect::<Vec<_>>(), "in the order they were given");
    let stats = bench.engine.stats();
    let batches = stats.batches.load(Ordering::Relaxed) - before;
    assert!(batches <= 2, "one command may have left before the rest came, not {batches}");
    assert!(stats.batch_commands_max.load(Ordering::Relaxed) >= 99);
}

#[tokio::test]
async fn a_refusal_refuses_alone() {
    let bench = open_bench(Settings::default()).await;
    let answers = bench
        .submit_together([
            submission(10, bureau(10)),
            submission(11, refused()),
            submission(12, enrol(1)),
        ])
        .await;
    assert_eq!(answers[0].as_ref().unwrap().position, 3);
    assert_eq!(reason(answers[1].clone().unwrap_err()), Reason::ReferenceUnknown);
    let enrolled = answers[2].as_ref().unwrap();
    assert_eq!((enrolled.first_position, enrolled.count, enrolled.position), (4, 2, 5));
    assert_eq!(enrolled.streams.len(), 2, "a case and its account");
    let refusals: u64 = bench.engine.stats().refused().map(|(_, count)| count).sum();
    assert_eq!(refusals, 1);
}

#[tokio::test]
async fn a_repeated_request_gets_the_first_answer() {
    let bench = open_bench(Settings::default()).await;
    let first = bench.submit(10, bureau(10)).await.unwrap();
    let refusal = bench.submit(11, refused()).await.unwrap_err();
    let again = bench.submit(10, bureau(10)).await.unwrap();
    assert!(!first.replayed && again.replayed);
    assert_eq!((first.position, first.streams), (again.position, again.streams));
    let refused_again = bench.submit(11, refused()).await.unwrap_err();
    assert_eq!(refused_again.refusal(), refusal.refusal());
    assert!(
        matches!(refused_again, SubmitError::RefusedBefore { at: NOW, .. }),
        "it says when: {refused_again:?}"
    );
    assert_eq!(bench.position().await, 3);
    let other = bench.submit(10, bureau(99)).await.unwrap_err();
    assert_eq!(other, SubmitError::RequestReused { first_seen: NOW });
}

#[tokio::test]
async fn a_duplicate_in_one_batch_is_recorded_once() {
    let bench = open_bench(Settings::default()).await;
    let answers = bench
        .submit_together([
            submission(10, bureau(10)),
            submission(10, bureau(10)),
            submission(10, bureau(11)),
            submission(12, refused()),
            submission(12, refused()),
        ])
        .await;
    let (first, second) = (answers[0].as_ref().unwrap(), answers[1].as_ref().unwrap());
    assert_eq!((first.position, second.position), (3, 3));
    assert!(!first.replayed && second.replayed);
    assert!(matches!(answers[2], Err(SubmitError::RequestReused { .. })));
    assert_eq!(answers[3], answers[4]);
    assert_eq!(bench.position().await, 3);
}

#[tokio::test]
async fn answers_outlive_the_engine() {
    let bench = open_bench(Settings::default()).await;
    let first = bench.submit(10, enrol(1)).await.unwrap();
    assert!(bench.engine.shutdown(PATIENCE).await);
    let next = engine_over(&bench.store, Settings::default());
    let again = next.submit(FIRM, submission(10, enrol(1))).await.unwrap();
    assert_eq!((first.position, first.count), (again.position, again.count));
    let twice = next.submit(FIRM, submission(11, enrol(1))).await.unwrap_err();
    assert_eq!(reason(twice), Reason::CaseExists, "the case is loaded and known");
}

#[tokio::test(start_paused = true)]
async fn a_commit_whose_answer_was_lost_is_looked_up() {
    let bench = open_bench(Settings::default()).await;
    bench.store.set_faults(FaultPlan { answer_lost: ALWAYS, ..FaultPlan::default() });
    let answers =
        bench.submit_together([submission(10, bureau(10)), submission(11, refused())]).await;
    assert_eq!(answers[0].as_ref().unwrap().position, 3);
    assert_eq!(reason(answers[1].clone().unwrap_err()), Reason::ReferenceUnknown);
    assert_eq!(bench.position().await, 3, "it was not recorded again");
    assert!(bench.engine.stats().outcomes_unknown.load(Ordering::Relaxed) > 0);
}

#[tokio::test(start_paused = true)]
async fn a_commit_that_never_answers_stays_unknown() {
    let bench = open_bench(Settings::default()).await;
    bench.store.set_faults(FaultPlan { commit_vanishes: ALWAYS, ..FaultPlan::default() });
    assert_eq!(bench.submit(10, bureau(10)).await.unwrap_err(), SubmitError::OutcomeUnknown);
    bench.store.set_faults(FaultPlan::default());
    let answer = bench.submit(10, bureau(10)).await.unwrap();
    assert_eq!((answer.position, answer.replayed), (3, false));
}

#[tokio::test(start_paused = true)]
async fn a_store_that_is_down_is_said_to_be() {
    let bench = open_bench(Settings::default()).await;
    bench.store.set_faults(FaultPlan { commit_fails: ALWAYS, ..FaultPlan::default() });
    assert_eq!(bench.submit(10, bureau(10)).await.unwrap_err(), SubmitError::Unavailable);
    bench.store.set_faults(FaultPlan::default());
    assert_eq!(bench.submit(11, bureau(11)).await.unwrap().position, 3, "nothing landed before");
}

#[tokio::test(start_paused = true)]
async fn what_did_not_land_is_not_built_on() {
    let bench = open_bench(Settings::default()).await;
    bench.store.set_faults(FaultPlan { commit_fails: ALWAYS, ..FaultPlan::default() });
    assert_eq!(bench.submit(10, enrol(1)).await, Err(SubmitError::Unavailable));
    bench.store.set_faults(FaultPlan::default());
    // Another process takes the very positions that the enrolment would have had.
    let other = engine_over(&bench.store, Settings::default());
    other.submit(FIRM, submission(11, bureau(1))).await.unwrap();
    other.submit(FIRM, submission(12, bureau(2))).await.unwrap();
    let refusal = bench.submit(13, messages(1, 1, "hello")).await.unwrap_err();
    assert_eq!(reason(refusal), Reason::CaseUnknown);
}

#[tokio::test]
async fn a_head_that_another_process_moved_is_decided_on() {
    let bench = open_bench(Settings::default()).await;
    bench.submit(10, enrol(1)).await.unwrap();
    bench.store.set_faults(FaultPlan { other_writer: ALWAYS, ..FaultPlan::default() });
    let answer = bench.submit(11, messages(1, 2, "hello")).await.unwrap();
    assert_eq!(bench.store.injected().other_writer, 1);
    assert_eq!((answer.first_position, answer.position), (6, 7), "5 is the other writer's");
    let firm = bench.submit(12, bureau(1)).await.unwrap();
    assert_eq!(firm.streams[0].1, 5, "two other writes, and ours after the firm's first two");
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_writer_that_is_alone_decides_without_the_lock_until_it_rests() {
    let bench = open_bench(Settings::default()).await;
    let unlocked = || bench.engine.stats().unlocked.load(Ordering::Relaxed);
    bench.submit(9, bureau(9)).await.unwrap();
    bench.submit(10, enrol(1)).await.unwrap();
    let before = unlocked();
    for id in 11..21 {
        bench.submit(id, bureau(id)).await.unwrap();
    }
    assert_eq!(unlocked(), before + 10);
    tokio::time::sleep(crate::settings::BELIEF_LASTS).await;
    bench.submit(21, bureau(21)).await.unwrap();
    assert_eq!(unlocked(), before + 10, "a rested writer looks first");
    let first = bench.submit(22, messages(1, 2, "hello")).await.unwrap();
    assert_eq!(unlocked(), before + 11);
    // A request that was answered is found out where it would be answered again.
    let again = bench.submit(22, messages(1, 2, "hello")).await.unwrap();
    assert!(again.replayed && again.first_position == first.first_position);
    assert_eq!(bench.engine.stats().unlocked_lost.load(Ordering::Relaxed), 1);
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test]
async fn what_was_decided_on_a_head_that_moved_is_decided_again() {
    let bench = open_bench(Settings::default()).await;
    bench.submit(10, enrol(1)).await.unwrap();
    for id in 11..15 {
        bench.submit(id, bureau(id)).await.unwrap();
    }
    let other = engine_over(&bench.store, Settings::default());
    let theirs = other.submit(FIRM, submission(20, messages(1, 1, "ho"))).await.unwrap();
    let ours = bench.submit(21, messages(1, 2, "hi")).await.unwrap();
    assert_eq!(bench.engine.stats().unlocked_lost.load(Ordering::Relaxed), 1);
    assert_eq!(ours.first_position, theirs.position + 1);
    assert_eq!(ours.streams[0].1, theirs.streams[0].1 + 2, "versions go on after the other's");
    let after = bench.submit(22, messages(1, 1, "hi")).await.unwrap();
    assert_eq!(after.streams[0].1, ours.streams[0].1 + 1);
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test]
async fn two_engines_on_one_log_share_it() {
    let bench = open_bench(Settings::default()).await;
    let other = engine_over(&bench.store, Settings::default());
    for round in 0..20 {
        bench.submit(100 + round, bureau(round)).await.unwrap();
        other.submit(FIRM, submission(200 + round, enrol(round))).await.unwrap();
        bench.submit(300 + round, messages(round, 1, "hi")).await.unwrap();
        let answer = other.submit(FIRM, submission(400 + round, messages(round, 1, "ho"))).await;
        assert_eq!(answer.unwrap().streams[0].1, 3, "it sees what the other engine wrote");
    }
    assert_eq!(bench.engine.verify(FIRM, |_, _| {}).await.unwrap().events, 2 + 20 * 5);
}

#[tokio::test]
async fn a_full_queue_turns_away_and_nobody_waits_for_ever() {
    let settings = Settings { queue_depth_max: 4, batch_commands_max: 2, ..Settings::default() };
    let bench = open_bench(settings).await;
    let held = bench.store.hold().await;
    let mut waiting = Vec::new();
    let mut turned_away = 0;
    for id in 10..30 {
        let engine = bench.engine.clone();
        let mut submit =
            Box::pin(async move { engine.submit(FIRM, submission(id, bureau(id))).await });
        match futures::poll!(&mut submit) {
            std::task::Poll::Ready(Err(SubmitError::Overloaded)) => turned_away += 1,
            std::task::Poll::Ready(other) => panic!("{other:?}"),
            std::task::Poll::Pending => waiting.push(submit),
        }
        tokio::task::yield_now().await;
    }
    assert_eq!(turned_away, 20 - 4 - 1, "four wait in the queue and one in the batch");
    drop(held);
    for submit in waiting {
        submit.await.unwrap();
    }
    assert_eq!(bench.engine.stats().overloaded.load(Ordering::Relaxed), 15);
}

#[tokio::test]
async fn a_poison_command_does_not_sink_its_neighbours() {
    let bench = open_bench(Settings::default()).await;
    bench.store.reject(request(11));
    let answers = bench.submit_together((10..13).map(|id| submission(id, bureau(id)))).await;
    assert!(answers[0].is_ok() && answers[2].is_ok());
    assert!(matches!(answers[1], Err(SubmitError::Internal(_))), "{:?}", answers[1]);
    assert_eq!(bench.position().await, 4);
}

#[tokio::test]
async fn a_dropped_request_is_still_recorded() {
    let bench = open_bench(Settings::default()).await;
    let held = bench.store.hold().await;
    drop(bench.engine.enqueue(FIRM, submission(10, bureau(10))).await.unwrap());
    drop(held);
    assert!(bench.submit(10, bureau(10)).await.unwrap().replayed);
}

#[tokio::test]
async fn shutdown_answers_what_waits_and_takes_nothing_more() {
    let bench = open_bench(Settings::default()).await;
    let held = bench.store.hold().await;
    let mut pending = Vec::new();
    for id in 10..20 {
        pending.push(bench.engine.enqueue(FIRM, submission(id, bureau(id))).await.unwrap());
    }
    let engine = bench.engine.clone();
    let shutdown = tokio::spawn(async move { engine.shutdown(PATIENCE).await });
    tokio::task::yield_now().await;
    assert_eq!(bench.submit(99, refused()).await, Err(SubmitError::ShuttingDown));
    drop(held);
    assert!(shutdown.await.unwrap());
    for answer in pending {
        answer.await.unwrap().unwrap();
    }
}

#[tokio::test]
async fn an_event_that_is_too_large_refuses_its_command_alone() {
    let bench = open_bench(Settings::default()).await;
    let answers = bench
        .submit_together([
            submission(10, enrol(1)),
            // Every promise takes 16 bytes, so this event would have more than 65,535.
            submission(11, publish_promising(5_000)),
            submission(12, messages(1, 1, "hello")),
            submission(13, publish_promising(2)),
        ])
        .await;
    assert_eq!(reason(answers[1].clone().unwrap_err()), Reason::TooLarge);
    let positions = [0, 2, 3].map(|at: usize| answers[at].as_ref().unwrap().position);
    assert_eq!(positions, [4, 5, 6]);
    let again = bench.submit(11, publish_promising(5_000)).await.unwrap_err();
    assert_eq!(again.refusal(), answers[1].as_ref().unwrap_err().refusal());
    assert_eq!(bench.engine.verify(FIRM, |_, _| {}).await.unwrap().events, 6);
}

#[tokio::test]
async fn a_day_that_no_four_digits_name_refuses_its_command_alone() {
    let bench = open_bench(Settings::default()).await;
    let until = |year| {
        let valid_through = CivilDate::from_ymd_opt(year, 12, 31).unwrap();
        let standing = StandingRecorded {
            amount: None,
            document: None,
            kind: StandingKind::Registration,
            state: StateCode::parse("IL").unwrap(),
            valid_from: CivilDate::from_ymd_opt(2026, 1, 1).unwrap(),
            valid_through,
        };
        on_firm(FirmAction::RecordStanding(standing))
    };
    let commands =
        [submission(10, until(9_999)), submission(11, until(10_000)), submission(12, until(2_030))];
    let answers = bench.submit_together(commands).await;
    let Err(SubmitError::Refused(refusal)) = answers[1].clone() else { panic!("{answers:?}") };
    assert_eq!(refusal.reason, Reason::DateImpossible);
    assert!(refusal.to_string().contains("years 0001 to 9999"), "{refusal}");
    assert_eq!([0, 2].map(|at: usize| answers[at].as_ref().unwrap().position), [3, 4]);
    assert_eq!(bench.engine.verify(FIRM, |_, _| {}).await.unwrap().events, 4);
}

#[tokio::test]
async fn more_streams_than_the_cache_holds_are_loaded_again() {
    let settings = Settings { streams_cached_max: 8, ..Settings::default() };
    let bench = open_bench(settings).await;
    for number in 0..40 {
        bench.submit(100 + number, enrol(number)).await.unwrap();
    }
    for number in 0..40 {
        let answer = bench.submit(200 + number, messages(number, 1, "hello")).await.unwrap();
        assert_eq!(answer.streams[0].1, 2, "the case goes on where it was");
    }
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

#[tokio::test]
async fn a_corrupt_stream_stops_only_who_needs_it() {
    let bench = open_bench(Settings::default()).await;
    bench.submit(10, enrol(1)).await.unwrap();
    bench.submit(11, enrol(2)).await.unwrap();
    assert!(bench.store.tamper(FIRM, 3, |bytes| bytes.truncate(20)));
    let next = engine_over(&bench.store, Settings::default());
    let bench = super::support::Bench { engine: next, store: bench.store };
    let answers = bench
        .submit_together([
            submission(12, messages(1, 1, "lost")),
            submission(13, messages(2, 1, "kept")),
        ])
        .await;
    assert_eq!(answers[0], Err(SubmitError::Corrupt { position: 3 }));
    assert!(answers[1].is_ok());
}

#[tokio::test]
async fn outcomes_of_refusals_are_kept() {
    let bench = open_bench(Settings::default()).await;
    bench.submit(10, refused()).await.unwrap_err();
    let outcome = bench.store.outcome(FIRM, request(10)).unwrap();
    assert!(matches!(outcome.result, OutcomeResult::Refused(_)));
}

/// An engine, its store and its clock.
fn with_clock() -> (Engine, Arc<MemoryStore>, Arc<SteppedClock>) {
    let (store, clock) = (Arc::new(MemoryStore::default()), Arc::new(SteppedClock::at(NOW)));
    let (log, ids): (Arc<MemoryStore>, _) =
        (Arc::clone(&store), Arc::new(SequentialIds::default()));
    let engine = Engine::new(log, clock.clone(), ids, firm_keys(), Settings::default());
    (engine, store, clock)
}

async fn times(store: &MemoryStore) -> Vec<i64> {
    let stored = store.read(FIRM, 0, 100).await.unwrap();
    let recorded = stored.iter().map(|stored| Recorded::from_bytes(&stored.bytes).unwrap());
    recorded.map(|recorded| recorded.recorded_at.0 - NOW.0).collect()
}

/// The instant of the last event again: one a microsecond later would be as untrue.
#[tokio::test]
async fn a_clock_that_is_set_back_waits_where_the_log_is() {
    let (engine, store, clock) = with_clock();
    let submit = async |id, command| engine.submit(FIRM, submission(id, command)).await.unwrap();
    submit(1, register()).await;
    clock.advance(10);
    submit(2, publish()).await;
    clock.advance(-1_000);
    submit(3, bureau(1)).await;
    submit(4, bureau(2)).await;
    // Another process whose clock is behind, and which has seen nothing yet.
    let other = engine_over(&store, Settings::default());
    other.submit(FIRM, submission(5, bureau(3))).await.unwrap();
    clock.advance(2_000);
    submit(6, bureau(4)).await;
    assert_eq!(times(&store).await, [0, 10, 10, 10, 10, 1_010]);
    assert_eq!(store.head(FIRM).await.unwrap().recorded_at.0 - NOW.0, 1_010);
    assert_eq!(engine.verify(FIRM, |_, _| {}).await.unwrap().ran_back, None);
    // What it answers says so too, whether it records or refuses.
    clock.advance(-5_000);
    engine.submit(FIRM, submission(7, refused())).await.unwrap_err();
    assert_eq!(store.outcome(FIRM, request(7)).unwrap().recorded_at.0 - NOW.0, 1_010);
}

/// What is in the future goes by the clock: a step forwards that was taken back opens no later day.
#[tokio::test]
async fn a_day_that_was_only_reached_by_a_wrong_clock_is_in_the_future_again() {
    let (engine, store, clock) = with_clock();
    engine.submit(FIRM, submission(1, register())).await.unwrap();
    clock.advance(400 * 86_400_000_000);
    engine.submit(FIRM, submission(2, bureau(1))).await.unwrap();
    clock.advance(-400 * 86_400_000_000);
    let Command::Firm { mut action } = bureau(2) else { unreachable!("it is the firm's") };
    action.occurred_on = "2026-03-01".parse().unwrap();
    let ahead = Command::Firm { action };
    let refusal = engine.submit(FIRM, submission(3, ahead)).await.unwrap_err();
    assert_eq!(reason(refusal), Reason::DateImpossible);
    engine.submit(FIRM, submission(4, bureau(3))).await.unwrap();
    let times = times(&store).await;
    assert_eq!(times[1], times[2], "{times:?}");
}

/// A clock that breaks the first time it is read.
#[derive(Default)]
struct BrokenClock(AtomicBool);

impl Clock for BrokenClock {
    fn now(&self) -> UtcMicros {
        assert!(self.0.swap(true, Ordering::SeqCst), "the clock is broken");
        NOW
    }
}

#[tokio::test]
async fn a_writer_that_died_is_replaced() {
    let store = Arc::new(MemoryStore::default());
    let (clock, ids) = (Arc::new(BrokenClock::default()), Arc::new(SequentialIds::default()));
    let engine = Engine::new(store, clock, ids, firm_keys(), Settings::default());
    let submit = || engine.submit(FIRM, submission(1, register()));
    assert_eq!(
        submit().await,
        Err(SubmitError::OutcomeUnknown),
        "it was taken, and no answer came"
    );
    assert_eq!(submit().await, Err(SubmitError::Unavailable));
    assert_eq!(submit().await.unwrap().position, 1);
}

#[tokio::test]
async fn an_unknown_firm_has_an_empty_log() {
    let store = Arc::new(MemoryStore::default());
    assert_eq!(store.head(FIRM).await.unwrap().position, 0);
    assert!(store.firms().await.unwrap().is_empty());
    let engine = engine_over(&store, Settings::default());
    let refusal = engine.submit(FIRM, submission(1, bureau(1))).await.unwrap_err();
    assert_eq!(reason(refusal), Reason::FirmUnknown);
}
