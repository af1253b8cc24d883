//! What it costs that facts are told late, and that claimed fees are judged again.

use std::hint::black_box;
use std::time::{Duration, Instant};

use counterfoil_tests::history::{case_id, firm_id, zone};
use counterfoil_tests::lives::{self, Telling};
use counterfoil_tests::player::Player;
use counterfoil_tests::{bulk, child, judging};
use domain::State;
use domain::event::{Recorded, StreamId, UtcMicros};
use log::Engine;

use crate::load::Server;
use crate::report::{Goal, Table, figure};

/// Pairs of measurements.
const PAIRS: u32 = 5;
/// Clients whose month is told in one measurement.
const CLIENTS: u32 = 200;
/// Months of the client that is judged.
const MONTHS: u32 = 36;
/// Messages in each of them: with all else some 5,000 events.
const MESSAGES: usize = 120;
/// Facts told late in one request.
const LATE: u32 = 100;
/// What such a request may take.
const LATE_MAX: Duration = Duration::from_millis(50);
/// What judging every claimed fee of the client may take.
const JUDGING_MAX: Duration = Duration::from_micros(50);
/// Times that something short is done to be timed once.
const TIMES: u32 = 1_000;

pub(crate) async fn everything() {
    telling().await;
    judging().await;
}

/// A month of facts over one stream, in order and late in turn.
async fn telling() {
    let folder = tempfile::tempdir().unwrap();
    let place = format!("sqlite:{}", folder.path().join("late.db").display());
    let server = Server::start(&["serve-ours", &place]).await;
    let mut table = Table::new("RecordStream of case facts, durable facts/s (one fact a request)");
    let (in_order, late) = ("told in order", "three in ten told one to ten days late");
    for pair in 0..PAIRS {
        // Each goes first in turn.
        let mut tellings = [(Telling::InOrder, in_order), (Telling::Late, late)];
        if pair % 2 == 1 {
            tellings.reverse();
        }
        for (at, (telling, name)) in (0..).zip(tellings) {
            let first = (pair * 2 + at) * CLIENTS;
            let facts = lives::month_of_facts(server.firm(), first..first + CLIENTS, telling);
            table.add(name, server.stream_all(facts).await);
        }
    }
    table.print();
    table.compare(&[Goal::at_least(90.0, figure(late), figure(in_order))]);
}

/// A client of three years: 100 facts told late in one request, all claimed fees judged, the case folded.
async fn judging() {
    let mut table = Table::new("A client of 36 billed months and some 5,000 events");
    let row = |what: &str| format!("{what}, us");
    let late = row(&format!("{LATE} facts told late in one request"));
    let (judged, folded) = (row("every claimed fee judged"), row("an event folded, on average"));
    let mut size = (0, 0);
    for _ in 0..PAIRS {
        let folder = tempfile::tempdir().unwrap();
        let place = format!("sqlite:{}", folder.path().join("long.db").display());
        let (engine, _store, clock) = child::open(&place).await.unwrap();
        engine.start().await.unwrap();
        bulk::set_up(&engine).await;
        let life = lives::long_life(0, MONTHS, MESSAGES);
        let last = life.last().unwrap().0;
        for (on, command) in life {
            clock.set(UtcMicros(zone().start_of_day(on) + 12 * 3_600_000_000));
            engine.submit(firm_id(), bulk::submission(command)).await.unwrap();
        }
        let log = read(&engine).await;
        let world = Player::of_log(log.iter().cloned()).world;
        let case = world.case(case_id(0)).unwrap();
        assert_eq!(case.earned.len(), usize::try_from(MONTHS).unwrap(), "every month is claimed");
        let fees = || judging::judged(&world, case_id(0), last, |judge| judge.fees().count());
        table.add(&judged, micros(TIMES, || assert!(black_box(fees()) > 0)));
        let of_case: Vec<&Recorded> =
            log.iter().filter(|of| of.stream == StreamId::Case(case_id(0))).collect();
        let fold = || {
            let mut state = State::empty(StreamId::Case(case_id(0)));
            for recorded in &of_case {
                state.apply(recorded);
            }
            state
        };
        let events = f64::from(u32::try_from(of_case.len()).unwrap());
        table.add(&folded, micros(20, || drop(black_box(fold()))) / events);
        size = (of_case.len(), fold().to_snapshot().len());
        let told = bulk::submission(lives::told_late(0, MONTHS, LATE));
        let started = Instant::now();
        engine.submit(firm_id(), told).await.unwrap();
        table.add(&late, started.elapsed().as_secs_f64() * 1e6);
        engine.shutdown(Duration::from_secs(10)).await;
    }
    table.print();
    println!("  {} events of the case, {} bytes of a snapshot of it", size.0, size.1);
    let verdict = |row: &str, most: Duration| {
        let met = if table.median(row) <= most.as_secs_f64() * 1e6 { "met" } else { "MISSED" };
        println!("{row}: target {} us: {met}", most.as_micros());
    };
    verdict(&late, LATE_MAX);
    verdict(&judged, JUDGING_MAX);
}

/// How long something takes on average, in microseconds.
fn micros(times: u32, mut what: impl FnMut()) -> f64 {
    let started = Instant::now();
    (0..times).for_each(|_| what());
    started.elapsed().as_secs_f64() * 1e6 / f64::from(times)
}

async fn read(engine: &Engine) -> Vec<Recorded> {
    let mut log = Vec::new();
    loop {
        let after = u64::try_from(log.len()).unwrap();
        let page = engine.read(firm_id(), after, 1_000).await.unwrap();
        if page.is_empty() {
            return log;
        }
        log.extend(page.iter().map(|stored| Recorded::from_bytes(&stored.bytes).unwrap()));
    }
}
