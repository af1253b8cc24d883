//! The log on either engine: what is appended stays, once, in order, and unchanged.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use counterfoil_store::{EventsWanted, OpenError, Store};
use domain::command::{Command, Look};
use domain::event::{CaseEvent, Event, LookKind, Recorded, StreamId, UtcMicros, WorkOpened};
use domain::ids::{CaseId, EventId, RequestId};
use domain::terms::Seat;
use log::{
    Accepted, AppendRow, Landing, LoadedStream, Opening, Outcome, OutcomeResult, Plan, Step,
    StoreError, SubmitError, VerifyError,
};
use support::*;

on_both_engines!(
    what_is_appended_is_read_back_by_position_and_by_stream,
    events_are_found_by_stream_day_and_type,
    many_streams_come_in_the_order_asked_for_each_with_its_own_events_and_key,
    the_same_request_gets_the_first_answer_refusals_included_after_a_restart,
    events_and_answers_refuse_update_and_delete,
    a_byte_that_another_tool_changed_is_found_at_its_position,
    what_another_tool_changed_beside_an_event_is_found,
    a_batch_decided_on_another_position_is_a_conflict_and_nothing_lands,
    a_batch_decided_without_the_lock_lands_on_its_own_head_alone,
    a_writer_alone_needs_no_lock_where_the_lock_is_a_journey_away,
    two_processes_on_one_database_keep_one_dense_log,
    what_was_answered_is_there_after_a_drop_without_close,
    a_transaction_dropped_half_way_leaves_nothing_and_blocks_nobody,
    a_firm_of_refusals_alone_has_no_log,
    looks_at_many_clients_are_one_append_and_touch_nothing_else,
);

async fn events_are_found_by_stream_day_and_type(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.first_month(2, Seat::Individual).await;
    let head = bench.store.head(FIRM).await.unwrap().position;
    let read = bench.store.read(FIRM, 0, 1_000).await.unwrap();
    let all: Vec<Recorded> =
        read.iter().map(|stored| Recorded::from_bytes(&stored.bytes).unwrap()).collect();
    let days = || all.iter().map(|event| event.occurred_on);
    let (first, last) = (days().min(), days().max());
    assert!(first < last);
    for stream in [None, Some(StreamId::Firm), Some(StreamId::Case(case_id(2)))] {
        for types in [vec![], vec!["round_sent"], vec!["sent", "enrolled"]] {
            for (from, through) in [(None, None), (last, None), (None, first), (first, last)] {
                for (after, up_to) in [(0, head), (head / 2, head), (3, head / 2)] {
                    let types = types.clone();
                    let expected = all.iter().filter(|event| {
                        stream.is_none_or(|stream| stream == event.stream)
                            && (types.is_empty() || types.contains(&event.event.type_name()))
                            && from.is_none_or(|from| from <= event.occurred_on)
                            && through.is_none_or(|through| event.occurred_on <= through)
                            && (after + 1..=up_to).contains(&event.position)
                    });
                    let expected: Vec<u64> = expected.map(|event| event.position).take(5).collect();
                    let wanted = EventsWanted { stream, types, from, through };
                    let found = bench.store.list_events(FIRM, &wanted, (after, up_to), 5).await;
                    let found = found.unwrap();
                    assert!(found.iter().map(|event| event.position).eq(expected), "{wanted:?}");
                    let same = |event: &log::Stored| read.contains(event);
                    assert!(found.iter().all(same), "the bytes that are hashed");
                }
            }
        }
    }
}

async fn what_is_appended_is_read_back_by_position_and_by_stream(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    let head = bench.store.head(FIRM).await.unwrap();
    let all = bench.store.read(FIRM, 0, 1_000).await.unwrap();
    assert!(all.iter().map(|stored| stored.position).eq(1..=head.position));
    let stream = StreamId::Case(case_id(1));
    let of_case = |up_to: u64| {
        let of = |stored: &&log::Stored| {
            stored.position <= up_to
                && Recorded::from_bytes(&stored.bytes).unwrap().stream == stream
        };
        all.iter().filter(of).cloned().collect::<Vec<_>>()
    };
    for up_to in [head.position, 12, 5, 0] {
        let loaded = bench.store.load(FIRM, &[StreamId::Firm, stream], up_to).await.unwrap();
        assert_eq!(loaded[0].stream, StreamId::Firm);
        let snapshot = loaded[1].snapshot.as_ref().map_or(0, |snapshot| snapshot.version);
        let after = of_case(up_to).into_iter().skip(usize::try_from(snapshot).unwrap());
        assert_eq!(loaded[1].events, after.collect::<Vec<_>>(), "up to {up_to}");
    }
    assert_eq!(bench.store.read(FIRM, 3, 2).await.unwrap(), all[3..5]);
    assert_eq!(bench.store.read(FIRM, head.position, 10).await.unwrap(), []);
    let leaves = bench.store.leaves(FIRM, 0, 1_000).await.unwrap();
    assert!(leaves.iter().eq(&all.iter().map(|s| proof::leaf_hash(&s.bytes)).collect::<Vec<_>>()));
    assert_eq!(head.root(), proof::tree::root_of(&leaves));
    assert_eq!(bench.store.firms().await.unwrap(), [FIRM]);
    let nobody = domain::ids::FirmId(uuid::Uuid::from_u128(0xf2));
    assert_eq!(bench.store.head(nobody).await.unwrap(), log::Head::default());
    assert_eq!(bench.store.read(nobody, 0, 10).await.unwrap(), []);
}

async fn many_streams_come_in_the_order_asked_for_each_with_its_own_events_and_key(
    place: &Place<'_>,
) {
    let bench = bench(place).await;
    for number in 1..=40 {
        let enrolment = on_case(number, "2026-01-05", vec![enrol(number, Seat::Individual)]);
        bench.submit(100 + number, enrolment).await.unwrap();
    }
    let head = bench.store.head(FIRM).await.unwrap();
    // Every third of 41, so that none lies beside its neighbour; the last one is nobody's.
    let cases = (0..41).map(|at| case_id(at * 3 % 41 + 1));
    let streams: Vec<StreamId> =
        cases.flat_map(|id| [StreamId::Account(id.own_account()), StreamId::Case(id)]).collect();
    let loaded = bench.store.load(FIRM, &streams, head.position).await.unwrap();
    assert!(loaded.iter().map(|loaded| loaded.stream).eq(streams));
    let mut keys = std::collections::HashSet::new();
    for loaded in loaded {
        let known = loaded.stream != StreamId::Case(case_id(41))
            && loaded.stream != StreamId::Account(case_id(41).own_account());
        assert_eq!(!loaded.events.is_empty(), known, "{}", loaded.stream);
        for stored in &loaded.events {
            assert_eq!(Recorded::from_bytes(&stored.bytes).unwrap().stream, loaded.stream);
        }
        assert_eq!(loaded.key.is_some(), known, "{}", loaded.stream);
        keys.extend(loaded.key);
    }
    assert_eq!(keys.len(), 40, "a client's two streams share a key, and nobody else has it");
}

async fn looks_at_many_clients_are_one_append_and_touch_nothing_else(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    let cases: BTreeSet<CaseId> = (1..=300).map(case_id).collect();
    let look = |of: &BTreeSet<CaseId>| {
        let (kind, what) = (LookKind::Open, text("ListCases"));
        Command::Look(Look { access: None, cases: of.clone(), kind, on: day("2026-03-02"), what })
    };
    let case = StreamId::Case(case_id(1));
    let version = async || bench.engine.states(FIRM, &[case]).await.unwrap().1[0].version();
    let before = version().await;
    // Two processes that take turns: each has to find how often others saw the client.
    let beside = over(Arc::clone(&bench.store), 1_000);
    for (id, engine) in [(200, &bench), (201, &beside), (202, &bench)] {
        let answer = engine.submit(id, look(&cases)).await.unwrap();
        assert_eq!((answer.count, answer.streams.len()), (300, 300));
    }
    bench.submit(203, look(&[case_id(1)].into())).await.unwrap();
    let firm = bench.submit(204, look(&BTreeSet::new())).await.unwrap();
    assert_eq!(firm.streams[0].0, StreamId::Firm, "a look at no client is one at the firm");
    assert_eq!(version().await, before, "a look changes nothing of the case");

    let head = bench.store.head(FIRM).await.unwrap().position;
    let streams = [1, 2, 301].map(|number| StreamId::Looks(case_id(number)));
    let versions = |loaded: &LoadedStream| -> Vec<u64> {
        let read = |stored: &log::Stored| Recorded::from_bytes(&stored.bytes).unwrap();
        let read = loaded.events.iter().map(read);
        read.inspect(|event| assert!(event.causation.is_none(), "it names another client's look"))
            .map(|event| event.stream_version)
            .collect()
    };
    let last = bench.store.load(FIRM, &streams, head).await.unwrap();
    assert!(last.iter().map(versions).eq([vec![4], vec![3], vec![]]), "the last alone");
    assert!(last.iter().all(|loaded| loaded.key.is_none() && loaded.snapshot.is_none()));
    let earlier = bench.store.load(FIRM, &streams[..1], head - 2).await.unwrap();
    assert_eq!(versions(&earlier[0]), [3]);
    let all = bench.store.load_from_first(FIRM, &streams, head).await.unwrap();
    assert!(all.iter().map(versions).eq([vec![1, 2, 3, 4], vec![1, 2, 3], vec![]]));
    bench.engine.wait_applied(FIRM, head, Duration::from_secs(30)).await.unwrap();
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults, []);
}

async fn the_same_request_gets_the_first_answer_refusals_included_after_a_restart(
    place: &Place<'_>,
) {
    let bench = bench(place).await;
    let enrolment = on_case(1, "2026-01-05", vec![enrol(1, Seat::Individual)]);
    let first = bench.submit(100, enrolment.clone()).await.unwrap();
    let refused = bench.submit(101, on_case(2, "2026-01-05", papers())).await.unwrap_err();
    assert!(matches!(refused, SubmitError::Refused(_)));
    // The engine is gone and so is what it remembered; the store is not.
    let again = over(Arc::clone(&bench.store), 1_000);
    let second = again.submit(100, enrolment).await.unwrap();
    assert_eq!(
        (second.first_position, second.count, second.replayed),
        (first.first_position, first.count, true)
    );
    let refused_again = again.submit(101, on_case(2, "2026-01-05", papers())).await.unwrap_err();
    assert_eq!(refused_again.refusal(), refused.refusal());
    let reused = again.submit(100, on_case(3, "2026-01-05", papers())).await.unwrap_err();
    assert!(matches!(reused, SubmitError::RequestReused { .. }));
}

async fn events_and_answers_refuse_update_and_delete(place: &Place<'_>) {
    let bench = bench(place).await;
    let mut raw = place.raw().await;
    for statement in [
        "UPDATE event SET body = '{}' WHERE position = 2",
        "DELETE FROM event WHERE position = 2",
        "UPDATE request SET answer = fingerprint",
        "DELETE FROM stream",
        "DELETE FROM request",
    ] {
        let error = raw.run(statement).await.unwrap_err();
        // SQLITE_CONSTRAINT_TRIGGER; restrict_violation
        let expected = place.either("1811", "23001");
        assert_eq!(error.as_database_error().unwrap().code().unwrap(), expected, "{statement}");
    }
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn a_byte_that_another_tool_changed_is_found_at_its_position(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
    let mut raw = place.raw().await;
    let trigger = place.either("event_is_never_changed", "is_never_changed ON event");
    raw.run(&format!("DROP TRIGGER {trigger}")).await.unwrap();
    let change = place.either(
        "UPDATE event SET body = replace(body, 'Maple', 'Mable') WHERE position = \
         (SELECT MIN(position) FROM event WHERE body LIKE '%Maple%') RETURNING position",
        "UPDATE event SET body = convert_to(replace(convert_from(body, 'UTF8'), 'Maple', 'Mable'), 'UTF8') \
         WHERE position = (SELECT MIN(position) FROM event \
         WHERE convert_from(body, 'UTF8') LIKE '%Maple%') RETURNING position",
    );
    let position = raw.number(change).await;
    let (found, _) = finding(&bench).await;
    assert_eq!(i64::try_from(found).unwrap(), position);
}

/// What a verification finds, and where.
async fn finding(bench: &Bench) -> (u64, String) {
    match bench.engine.verify(FIRM, |_, _| {}).await.unwrap_err() {
        VerifyError::Finding { position, what } => (position, what),
        VerifyError::Store(error) => panic!("{error}"),
    }
}

/// A plan that writes a batch decided on a position the log has left.
struct Late;

impl Plan for Late {
    fn open(&mut self, opening: Opening) -> Step {
        let expected = opening.head.position - 1;
        Step::Write(log::Batch {
            expected,
            rows: Vec::new(),
            outcomes: Vec::new(),
            head: opening.head,
            people: Vec::new(),
        })
    }
    fn loaded(&mut self, _: Vec<log::LoadedStream>) -> Step {
        Step::Nothing
    }
}

/// Streams are loaded by the columns beside the bytes: none of them may say anything else.
async fn what_another_tool_changed_beside_an_event_is_found(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    let mut raw = place.raw().await;
    for (column, other) in [
        ("previous", "CASE previous WHEN 0 THEN 1 ELSE previous - 1 END"),
        ("type", "'round_sent_x'"),
        ("occurred_on", place.either("'2026-01-04'", "occurred_on - 1")),
    ] {
        let keep =
            format!("CREATE TABLE kept AS SELECT {column} AS was FROM event WHERE position = 6");
        raw.run(&keep).await.unwrap();
        let change = format!("UPDATE event SET {column} = {other} WHERE position = 6");
        raw.unguarded(&change).await.unwrap();
        let (position, what) = finding(&bench).await;
        assert!(
            position == 6 && what.contains(&format!(", {column} is not")),
            "{position}: {what}"
        );
        let back = format!("UPDATE event SET {column} = (SELECT was FROM kept) WHERE position = 6");
        raw.unguarded(&back).await.unwrap();
        raw.run("DROP TABLE kept").await.unwrap();
        bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
    }
    let head = bench.store.head(FIRM).await.unwrap().position;
    raw.run(&format!(
        "INSERT INTO event (firm, position, previous, type, occurred_on, leaf, body) \
         SELECT firm, position + 1, position, type, occurred_on, leaf, body FROM event \
         WHERE position = {head}"
    ))
    .await
    .unwrap();
    let (position, what) = finding(&bench).await;
    assert!(position == head + 1 && what.contains("behind the head"), "{position}: {what}");
}

async fn a_batch_decided_on_another_position_is_a_conflict_and_nothing_lands(place: &Place<'_>) {
    let bench = bench(place).await;
    let before = bench.store.head(FIRM).await.unwrap();
    let error = bench.store.transact(FIRM, log::NOTHING_KNOWN, &[], &mut Late).await.unwrap_err();
    assert!(
        matches!(error, StoreError::Conflict { actual } if actual == before.position),
        "{error}"
    );
    assert_eq!(bench.store.head(FIRM).await.unwrap(), before);
    bench.first_month(1, Seat::Individual).await;
}

/// An event and its answer, after whatever head it is shown.
struct Next {
    request: u128,
    written: Option<log::Head>,
}

impl Plan for Next {
    fn open(&mut self, Opening { mut head, .. }: Opening) -> Step {
        let request = RequestId(uuid::Uuid::from_u128(self.request));
        let expected = head.position;
        let recorded = Recorded {
            access: None,
            actor: text("tests"),
            causation: None,
            event: Event::Case(CaseEvent::WorkOpened(WorkOpened {})),
            event_id: EventId(uuid::Uuid::from_u128(self.request)),
            firm: FIRM,
            late_days: None,
            occurred_at: None,
            occurred_on: day("2026-01-05"),
            position: expected + 1,
            recorded_at: UtcMicros(0),
            request_id: request,
            stream: StreamId::Case(case_id(self.request)),
            stream_version: 1,
        };
        let bytes = recorded.to_bytes();
        let leaf = proof::leaf_hash(&bytes);
        head.position += 1;
        head.recorded_at = recorded.recorded_at;
        head.frontier.push(leaf);
        let streams = vec![(recorded.stream, 1)];
        let result = OutcomeResult::Accepted(Accepted { count: 1, first: head.position, streams });
        let outcome = Outcome { fingerprint: [0; 32], recorded_at: UtcMicros(0), result };
        self.written = Some(head.clone());
        Step::Write(log::Batch {
            expected,
            rows: vec![AppendRow { recorded: recorded.into(), bytes, leaf }],
            outcomes: vec![(request, outcome)],
            head,
            people: Vec::new(),
        })
    }
    fn loaded(&mut self, _: Vec<log::LoadedStream>) -> Step {
        Step::Nothing
    }
}

async fn a_batch_decided_without_the_lock_lands_on_its_own_head_alone(place: &Place<'_>) {
    let bench = bench(place).await;
    let store = &bench.store;
    let before = store.head(FIRM).await.unwrap();
    let at = async |head: &log::Head, request: u128| {
        let mut plan = Next { request, written: None };
        let landing = store.transact_at(FIRM, head, &mut plan).await.unwrap();
        (landing, plan.written)
    };
    let (landing, written) = at(&before, 501).await;
    if matches!(place, Place::File(_)) {
        assert_eq!((landing, written), (Landing::NotTried, None), "the lock costs nothing here");
        return;
    }
    assert_eq!(landing, Landing::Landed);
    let after = store.head(FIRM).await.unwrap();
    assert_eq!(Some(&after), written.as_ref());
    let mut other_tree = log::Head { position: after.position, ..log::Head::default() };
    for _ in 0..after.position {
        other_tree.frontier.push(proof::leaf_hash(b"of another log"));
    }
    for (head, request, why) in [
        (&before, 502, "the log has grown since"),
        (&other_tree, 503, "as long, and another log"),
        (&after, 501, "the request was answered before"),
    ] {
        assert_eq!(at(head, request).await.0, Landing::Lost, "{why}");
        assert_eq!(store.head(FIRM).await.unwrap(), after, "{why}");
        assert_eq!(store.read(FIRM, after.position, 10).await.unwrap(), [], "{why}");
    }
    let [lost, kept] = [503, 501].map(|id| RequestId(uuid::Uuid::from_u128(id)));
    let answers = store.answers(FIRM, &[lost, kept]).await.unwrap();
    assert_eq!(answers.keys().collect::<Vec<_>>(), [&kept]);
    // The firm that was named for the statement is not named after it.
    assert_eq!(at(&after, 504).await.0, Landing::Landed);
}

async fn a_writer_alone_needs_no_lock_where_the_lock_is_a_journey_away(place: &Place<'_>) {
    let bench = bench(place).await;
    let enrolled = |case: u128| on_case(case, "2026-01-05", vec![enrol(case, Seat::Individual)]);
    let mut answers = Vec::new();
    for case in 1..=20 {
        answers.push(bench.submit(100 + case, enrolled(case)).await.unwrap());
    }
    let stats = bench.engine.stats();
    let unlocked = stats.unlocked.load(Ordering::Relaxed);
    assert_eq!(unlocked > 10, matches!(place, Place::Server(_)), "{unlocked} without the lock");
    // Another process, which then knows everybody's key, and a request that was answered before.
    let other = over(place.open().await, 1_000_000);
    other.submit(300, on_case(7, "2026-01-05", papers())).await.unwrap();
    for case in 1..=20 {
        let again = bench.submit(100 + case, enrolled(case)).await.unwrap();
        assert!(
            again.replayed
                && again.position == answers[usize::try_from(case).unwrap() - 1].position
        );
        bench.submit(400 + case, on_case(case, "2026-01-05", papers())).await.unwrap_or_else(
            |refused| {
                assert!(
                    case == 7 && matches!(refused, SubmitError::Refused(_)),
                    "{case}: {refused}"
                );
                answers[0].clone()
            },
        );
    }
    let people = bench.store.people_after(FIRM, None, 100).await.unwrap();
    assert_eq!(people.len(), 1 + 20, "the firm and each client has one key");
    bench.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn two_processes_on_one_database_keep_one_dense_log(place: &Place<'_>) {
    let one = bench(place).await;
    let other = over(place.open().await, 1_000_000);
    let work = async |bench: &Bench, from: u128| {
        for case in from..from + 20 {
            bench
                .submit(case * 10, on_case(case, "2026-01-05", vec![enrol(case, Seat::Individual)]))
                .await
                .unwrap();
            // Both write to the same case, so each has to see what the other did to it.
            let shared = on_case(case % 20 + 100, "2026-01-05", papers());
            let _ = bench.submit(case * 10 + 1, shared).await;
        }
    };
    tokio::join!(work(&one, 100), work(&other, 120));
    let report = one.engine.verify(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(report.streams, 1 + 2 * 40);
    assert_eq!(one.store.head(FIRM).await.unwrap(), other.store.head(FIRM).await.unwrap());
    one.caught_up().await;
    other.caught_up().await;
    let cases = one.store.case_ids(FIRM, case_id(0), case_id(u128::MAX), 100).await.unwrap().rows;
    assert_eq!(cases.len(), 40);
}

async fn what_was_answered_is_there_after_a_drop_without_close(place: &Place<'_>) {
    let head = {
        let bench = over(place.open().await, 0);
        bench.found().await;
        bench.first_month(1, Seat::Individual).await;
        bench.store.head(FIRM).await.unwrap()
    };
    let store = place.open().await;
    assert_eq!(store.head(FIRM).await.unwrap(), head);
    over(store, 1_000).engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn a_transaction_dropped_half_way_leaves_nothing_and_blocks_nobody(place: &Place<'_>) {
    let bench = bench(place).await;
    let head = bench.store.head(FIRM).await.unwrap();
    for polls in 1..40 {
        let mut plan = Late;
        let mut transaction = bench.store.transact(FIRM, log::NOTHING_KNOWN, &[], &mut plan);
        for _ in 0..polls {
            if futures::poll!(&mut transaction).is_ready() {
                break;
            }
            tokio::task::yield_now().await;
        }
    }
    assert_eq!(bench.store.head(FIRM).await.unwrap(), head);
    bench.submit(100, on_case(1, "2026-01-05", vec![enrol(1, Seat::Individual)])).await.unwrap();
}

async fn a_firm_of_refusals_alone_has_no_log(place: &Place<'_>) {
    let bench = over(place.open().await, 0);
    let early = on_case(1, "2026-01-05", papers());
    let refused = bench.submit(900, early.clone()).await.unwrap_err();
    assert!(matches!(refused, SubmitError::Refused(_)));
    let again = bench.submit(900, early).await.unwrap_err();
    assert_eq!(again.refusal(), refused.refusal());
    assert_eq!(bench.store.firms().await.unwrap(), []);
    assert_eq!(bench.store.head(FIRM).await.unwrap(), log::Head::default());
    bench.found().await;
    assert_eq!(bench.store.firms().await.unwrap(), [FIRM]);
}

#[tokio::test]
async fn what_cannot_be_opened_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let missing = Store::open(folder.path().join("none/firm.db")).await.unwrap_err();
    assert!(matches!(missing, OpenError::NoFolder { .. }), "{missing}");
    let is_folder = Store::open(folder.path()).await.unwrap_err();
    assert!(matches!(is_folder, OpenError::IsFolder { .. }), "{is_folder}");
}

#[tokio::test]
async fn a_copy_holds_what_was_committed_and_leaves_the_store_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("copy.db");
    let place = Place::File(tempfile::tempdir().unwrap());
    let bench = bench(&place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.store.copy_to(&path).await.unwrap();
    let head = bench.store.head(FIRM).await.unwrap();
    let copy = Store::open(&path).await.unwrap();
    assert_eq!(copy.head(FIRM).await.unwrap(), head);
    let events = bench.store.read(FIRM, 0, 1_000).await.unwrap();
    assert_eq!(copy.read(FIRM, 0, 1_000).await.unwrap(), events);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "for its owner alone");
    }
    // The two go their own ways.
    bench.case(2_000, 2, "2026-02-01", vec![enrol(2, Seat::Individual)]).await;
    assert_eq!(copy.head(FIRM).await.unwrap(), head);
    assert!(bench.store.head(FIRM).await.unwrap().position > head.position);
    // A file that is there is never written over.
    let refused = bench.store.copy_to(&path).await.unwrap_err();
    assert!(matches!(refused, OpenError::Unreadable { .. }), "{refused}");
}
