//! No room, and answers that are lost: what is not acknowledged is there whole or not at all, and the
//! same request is recorded once.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use std::sync::Arc;

use domain::command::CaseAction;
use domain::event::ProgressReportSent;
use domain::terms::Seat;
use log::memory::Process;
use log::{Engine, SequentialIds, Settings, SteppedClock, SubmitError};
use support::*;

on_both_engines!(
    without_room_nothing_is_recorded_and_with_room_again_everything_once,
    the_read_models_wait_for_room_and_miss_nothing,
    a_commit_whose_answer_is_lost_is_found_again_and_not_repeated,
    a_caller_who_is_left_in_doubt_asks_again_and_gets_the_first_answer,
);

/// Makes the engine answer that there is no room for one kind of writing, such as `INSERT ON event`,
/// without filling a disk. In SQLite a table whose largest AUTOINCREMENT row id is used up answers
/// SQLITE_FULL (<https://www.sqlite.org/autoinc.html>), and a trigger passes it on; in PostgreSQL a
/// trigger raises disk_full by its code.
async fn no_room(place: &Place<'_>, writing: &str) -> Raw {
    let mut raw = place.raw().await;
    let used_up = place.either(
        "CREATE TABLE used_up (id INTEGER PRIMARY KEY AUTOINCREMENT, filler INTEGER); \
         INSERT INTO used_up VALUES (9223372036854775807, 0)",
        "CREATE FUNCTION no_room() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN \
         RAISE EXCEPTION 'no room' USING ERRCODE = 'disk_full'; END $$",
    );
    raw.run(used_up).await.unwrap();
    let then = place.either(
        "BEGIN INSERT INTO used_up (filler) VALUES (0); END",
        "FOR EACH ROW EXECUTE FUNCTION no_room()",
    );
    change_table(&mut raw, &format!("CREATE TRIGGER no_room AFTER {writing} {then}")).await;
    raw
}

/// Changes a table that the program reads meanwhile. PostgreSQL locks a table and its partitions one
/// after the other, and lets one of two go that wait for each other (deadlock_detected).
async fn change_table(raw: &mut Raw, statement: &str) {
    while let Err(error) = raw.run(statement).await {
        let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code);
        assert_eq!(code.as_deref(), Some("40P01"), "{error}");
    }
}

async fn make_room(place: &Place<'_>, mut raw: Raw) {
    let table =
        place.either("DROP TRIGGER no_room; DROP TABLE used_up", "DROP FUNCTION no_room CASCADE");
    change_table(&mut raw, table).await;
}

fn a_few() -> [(u128, domain::command::Command); 4] {
    [100, 101, 102, 103]
        .map(|case| (case, on_case(case, "2026-01-05", vec![enrol(case, Seat::Individual)])))
}

async fn without_room_nothing_is_recorded_and_with_room_again_everything_once(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.caught_up().await;
    let before = bench.store.head(FIRM).await.unwrap();
    // The events are written before the requests and the head: each is undone.
    for writing in ["INSERT ON event", "INSERT ON request", "UPDATE ON log_head"] {
        let raw = no_room(place, writing).await;
        let tries = a_few().map(|(id, command)| bench.submit(id, command));
        for refused in futures::future::join_all(tries).await {
            assert_eq!(refused.unwrap_err(), SubmitError::Unavailable, "{writing}");
        }
        assert_eq!(bench.store.head(FIRM).await.unwrap(), before, "{writing}");
        let events = bench.store.read(FIRM, before.position, 10).await.unwrap();
        assert_eq!(events, [], "{writing}");
        let report = bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
        assert_eq!(report.streams, 1, "{writing}");
        make_room(place, raw).await;
    }
    for (at, (id, command)) in (1..).zip(a_few()) {
        let answer = bench.submit(id, command).await.unwrap();
        assert!(!answer.replayed, "nothing of the tries before is remembered");
        // An enrolment, its account and its card.
        assert_eq!((answer.count, answer.position), (3, before.position + 3 * at));
    }
    for (id, command) in a_few() {
        assert!(bench.submit(id, command).await.unwrap().replayed);
    }
    assert_eq!(bench.caught_up().await, before.position + 12);
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn the_read_models_wait_for_room_and_miss_nothing(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.caught_up().await;
    let raw = no_room(place, "INSERT ON case_status").await;
    let (id, enrolment) = a_few()[0].clone();
    // The log has room: what it answers is so, whether or not the rows can follow.
    let answer = bench.submit(id, enrolment).await.unwrap();
    let patience = std::time::Duration::from_millis(100);
    let behind = bench.engine.wait_applied(FIRM, answer.position, patience).await.unwrap_err();
    assert!(behind.applied < answer.position);
    make_room(place, raw).await;
    bench.caught_up().await;
    let cases = bench.store.case_ids(FIRM, case_id(0), case_id(u128::MAX), 10);
    assert_eq!(cases.await.unwrap().rows.len(), 1);
}

/// A bench whose next commits land without an answer.
async fn losing(place: &Place<'_>, lost: u32) -> (Bench, Engine) {
    let bench = bench(place).await;
    bench.case(100, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    let lossy = Process::new(bench.store.ports());
    lossy.lose_answers(lost);
    let clock = Arc::new(SteppedClock::at(domain::event::UtcMicros(1_767_636_000_000_000)));
    let ids = Arc::new(SequentialIds::default());
    // The first ids are those of the bench.
    for _ in 0..1_000 {
        log::Ids::event_id(&*ids, domain::event::UtcMicros(0));
    }
    let retry_delay = std::time::Duration::from_millis(1);
    let settings = Settings { retry_delay, ..Settings::default() };
    (bench, Engine::new(Arc::new(lossy), clock, ids, firm_keys(), settings))
}

fn report() -> domain::command::Command {
    let sent = ProgressReportSent { completes_before: None, document: None };
    on_case(1, "2026-01-05", vec![CaseAction::ProgressReportSent(sent)])
}

async fn a_commit_whose_answer_is_lost_is_found_again_and_not_repeated(place: &Place<'_>) {
    let (bench, engine) = losing(place, 1).await;
    let before = bench.store.head(FIRM).await.unwrap().position;
    let answer = engine.submit(FIRM, submission(200, report())).await.unwrap();
    assert_eq!((answer.count, answer.position), (1, before + 1));
    assert_eq!(bench.store.head(FIRM).await.unwrap().position, before + 1);
    let again = engine.submit(FIRM, submission(200, report())).await.unwrap();
    assert!(again.replayed);
    assert_eq!(again.position, answer.position);
    engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn a_caller_who_is_left_in_doubt_asks_again_and_gets_the_first_answer(place: &Place<'_>) {
    // Every try of the writer is lost: the first, and each that is made again.
    let (bench, engine) = losing(place, log::RETRIES_MAX + 1).await;
    let before = bench.store.head(FIRM).await.unwrap().position;
    let doubt = engine.submit(FIRM, submission(200, report())).await.unwrap_err();
    assert_eq!(doubt, SubmitError::OutcomeUnknown);
    assert_eq!(bench.store.head(FIRM).await.unwrap().position, before + 1, "it landed, once");
    let answer = engine.submit(FIRM, submission(200, report())).await.unwrap();
    assert_eq!((answer.replayed, answer.position, answer.count), (true, before + 1, 1));
    assert_eq!(engine.verify(FIRM, |_, _| {}).await.unwrap().events, before + 1);
}
