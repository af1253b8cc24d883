//! Listings, results and clocks follow from reports, letters and answers by their days; the order of telling
//! decides nothing.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use calendar::Clock;
use common::*;
use counterfoil_domain::case::{Achievement, Listing, ListingStatus, REPORT_ITEMS_MAX};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, Gate};
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::{Channel, Sale};
use proptest::prelude::*;

const A: u128 = 2;

fn by_telephone() -> Enrol {
    let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days: 60 };
    Enrol { sale, ..enrol() }
}

/// Sold by telephone, work open, one letter to North about `a` of 2026-03-09.
fn disputed() -> Desk {
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", by_telephone());
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk
}

/// Whether every result is shown. Nobody said here which were promised, so that shown is not yet known to be enough.
fn is_shown(desk: &Desk, on: &str) -> bool {
    match desk.answer(case(A), 1, on, Gate::Telemarketing) {
        Answer::Unknown => true,
        Answer::Fails => false,
        Answer::Holds => panic!("nobody found what was promised"),
    }
}

fn import(code: &str, on: &str, items: &[&str]) -> CaseAction {
    CaseAction::ImportReport(report(code, on, items))
}

fn north<'a>(desk: &'a Desk, name: &str) -> &'a Listing {
    &desk.state(case(A)).listings[&(item(name), bureau(NORTH))]
}

/// Due day, day done and days late of every clock of a kind.
fn clocks(desk: &Desk, clock: Clock) -> Vec<(String, Option<String>, Option<u32>)> {
    let clocks = desk.state(case(A)).clocks(3);
    let of_kind = clocks.iter().filter(|running| running.clock == clock);
    of_kind
        .map(|running| {
            let done = running.done_on.map(|day| day.to_string());
            (running.due_on.to_string(), done, running.days_late())
        })
        .collect()
}

/// 16 CFR 310.4(a)(2)(ii): a report has to show the result "achieved": one that shows what the letter disputed
/// shows the opposite.
#[test]
fn a_corrected_item_that_a_later_report_contradicts_is_no_result() {
    let mut desk = disputed();
    desk.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Corrected)]));
    assert_eq!(north(&desk, "a").status, ListingStatus::Corrected);
    let shows = corrected("a", report(NORTH, "2026-10-05", &["a", "b"]));
    desk.act(case(A), "2026-10-05", CaseAction::ImportReport(shows));
    desk.act(case(A), "2026-10-06", progress());
    assert!(is_shown(&desk, "2026-10-06"));
    desk.act(case(A), "2026-11-05", import(NORTH, "2026-11-05", &["a", "b"]));
    let listing = north(&desk, "a");
    assert_eq!(listing.status, ListingStatus::Listed);
    let result = &listing.results[0];
    assert_eq!(result.undone.as_ref().map(|mark| mark.on), Some(day("2026-11-05")));
    assert!(!is_shown(&desk, "2026-11-05"));
    // A report of before that is told after it: nothing of what came later changes.
    let told = desk.act(case(A), "2026-11-06", import(NORTH, "2026-09-01", &["a", "b"]));
    assert_eq!(names(&told), ["report_imported"]);
    let result = &north(&desk, "a").results[0];
    assert_eq!(result.undone.as_ref().map(|mark| mark.on), Some(day("2026-09-01")));
    assert_eq!(result.shown, None, "it was undone before the report that showed it");
}

/// A report tells of the day it was issued, whenever it is told (16 CFR 310.4(a)(2)(ii): "issued more than six
/// months after the results were achieved").
#[test]
fn a_deletion_told_late_counts_from_the_day_of_its_report() {
    let mut desk = disputed();
    let told = desk.act(case(A), "2026-06-20", import(NORTH, "2026-06-20", &["b"]));
    assert_eq!(names(&told), ["report_imported", "item_deleted"]);
    assert_eq!(north(&desk, "a").since.on, day("2026-06-20"));
    // 185 days after May 1st, and not after June 20th.
    desk.act(case(A), "2026-11-02", import(NORTH, "2026-11-02", &["b"]));
    desk.act(case(A), "2026-11-03", progress());
    assert!(!is_shown(&desk, "2026-11-03"));
    let late = desk.act(case(A), "2026-11-03", import(NORTH, "2026-05-01", &["b"]));
    assert_eq!(names(&late), ["report_imported", "item_deleted"], "what is concluded differs");
    let listing = north(&desk, "a");
    assert_eq!((listing.status, listing.since.on), (ListingStatus::Deleted, day("2026-05-01")));
    assert_eq!(listing.results.len(), 1);
    assert!(is_shown(&desk, "2026-11-03"));
    // A late report between the two that shows it: it was back, and gone again.
    let between = desk.act(case(A), "2026-11-04", import(NORTH, "2026-06-01", &["a", "b"]));
    assert_eq!(names(&between), ["report_imported", "item_reinserted", "item_deleted"]);
    assert!(!is_shown(&desk, "2026-11-04"));
}

/// 15 USC 1681i(a)(1)(A), (a)(5)(A): that nothing came is the firm's note, and no act of the bureau.
#[test]
fn no_answer_never_meets_the_clock_and_an_answer_after_it_does_late() {
    let mut desk = disputed();
    // Mailed March 9th, received the 12th, due April 11th.
    desk.act(case(A), "2026-04-20", response(NORTH, 1, &[("a", Outcome::NoAnswer)]));
    assert_eq!(north(&desk, "a").status, ListingStatus::Unanswered);
    assert_eq!(clocks(&desk, Clock::Reinvestigation), [("2026-04-11".into(), None, None)]);
    desk.act(case(A), "2026-05-01", response(NORTH, 1, &[("a", Outcome::Verified)]));
    assert_eq!(north(&desk, "a").status, ListingStatus::Verified);
    let late = ("2026-04-11".into(), Some("2026-05-01".into()), Some(20));
    assert_eq!(clocks(&desk, Clock::Reinvestigation), [late]);
    // An answer that came in time and is told last: the note never said anything.
    desk.act(case(A), "2026-04-10", response(NORTH, 1, &[("a", Outcome::Corrected)]));
    let met = ("2026-04-11".into(), Some("2026-04-10".into()), None);
    assert_eq!(clocks(&desk, Clock::Reinvestigation), [met]);
    assert_eq!(north(&desk, "a").results[0].what, Achievement::Corrected);
}

/// 15 USC 1681i(a)(5)(B)(ii): five business days from the reinsertion, whenever the notice came.
#[test]
fn a_notice_of_reinsertion_that_comes_late_is_shown_with_its_days() {
    let mut desk = disputed();
    desk.act(case(A), "2026-04-01", import(NORTH, "2026-04-01", &["b"]));
    desk.act(case(A), "2026-05-01", import(NORTH, "2026-05-01", &["a", "b"]));
    let notice = NoteReinsertion { bureau: bureau(NORTH), item: item("a") };
    desk.act(case(A), "2026-05-18", CaseAction::NoteReinsertion(notice.clone()));
    let late = ("2026-05-08".into(), Some("2026-05-18".into()), Some(10));
    assert_eq!(clocks(&desk, Clock::ReinsertionNotice), [late]);
    let again = desk.refusal(case(A), "2026-05-18", CaseAction::NoteReinsertion(notice.clone()));
    is(&again, Reason::AlreadyRecorded);
    // Gone and back once more: a clock of its own.
    desk.act(case(A), "2026-06-01", import(NORTH, "2026-06-01", &["b"]));
    desk.act(case(A), "2026-07-01", CaseAction::NoteReinsertion(notice));
    let again = ("2026-07-09".into(), Some("2026-07-01".into()), None);
    assert_eq!(clocks(&desk, Clock::ReinsertionNotice)[1], again);
    assert!(north(&desk, "a").back_without_notice().is_none());
}

/// 15 USC 1681i(a)(5)(B): a second dispute erases no clock.
#[test]
fn a_second_dispute_beside_a_missed_notice_leaves_it_missed() {
    let mut desk = disputed();
    desk.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Deleted)]));
    desk.act(case(A), "2026-05-01", import(NORTH, "2026-05-01", &["a", "b"]));
    desk.act(case(A), "2026-05-04", CaseAction::SendRound(round(NORTH, &["a"])));
    let listing = north(&desk, "a");
    assert_eq!(listing.status, ListingStatus::InDispute);
    assert!(listing.back_without_notice().is_some());
    assert_eq!(clocks(&desk, Clock::ReinsertionNotice), [("2026-05-08".into(), None, None)]);
    assert_eq!(clocks(&desk, Clock::Reinvestigation).len(), 2, "each dispute has its own");
    desk.act(case(A), "2026-05-20", response(NORTH, 2, &[("a", Outcome::Deleted)]));
    assert_eq!(clocks(&desk, Clock::ReinsertionNotice), [("2026-05-08".into(), None, None)]);
}

/// 15 USC 1681i(a)(3)(B): five business days after the determination.
#[test]
fn a_dispute_found_frivolous_starts_the_clock_of_its_notice() {
    let mut desk = disputed();
    let CaseAction::ReceiveResponse(refused) = response(NORTH, 1, &[("a", Outcome::Frivolous)])
    else {
        panic!("it is an answer")
    };
    let on = |text| {
        CaseAction::ReceiveResponse(ResponseReceived {
            determined_on: Some(day(text)),
            ..refused.clone()
        })
    };
    is(&desk.refusal(case(A), "2026-04-01", on("2026-04-02")), Reason::DateImpossible);
    is(&desk.refusal(case(A), "2026-04-01", on("2026-03-08")), Reason::DateImpossible);
    desk.act(case(A), "2026-04-01", on("2026-03-20"));
    let late = ("2026-03-27".into(), Some("2026-04-01".into()), Some(5));
    assert_eq!(clocks(&desk, Clock::FrivolousNotice), [late]);
    assert_eq!(north(&desk, "a").status, ListingStatus::Refused);
}

/// 15 USC 1681i(a)(3)(A): a bureau may refuse a dispute that says nothing new.
#[test]
fn a_dispute_repeated_without_anything_new_says_so() {
    let mut desk = disputed();
    desk.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Verified)]));
    let verified = |desk: &Desk| north(desk, "a").unchanged_since.as_ref().map(|mark| mark.on);
    assert_eq!(verified(&desk), Some(day("2026-04-01")));
    desk.act(case(A), "2026-04-20", CaseAction::SendRound(round(NORTH, &["a"])));
    let repeated = |desk: &Desk| north(desk, "a").repeated.as_ref().map(|mark| mark.on);
    assert_eq!(repeated(&desk), Some(day("2026-04-20")));
    // Each of these, told late, was something new.
    let attest = |basis, statement: Option<&str>| {
        let statement = statement.map(personal);
        let (bureau, item) = (bureau(NORTH), item("a"));
        CaseAction::AttestBasis(BasisAttested { basis, bureau, item, statement })
    };
    let information = ClientInformationSent { bureau: bureau(NORTH), document: None, round: 1 };
    for (new, is_new) in [
        (attest(Basis::NotMine, None), false),
        (attest(Basis::NotMine, Some("I was abroad that year.")), true),
        (attest(Basis::Paid, None), true),
        (CaseAction::ClientInformationSent(information), true),
        (import(NORTH, "2026-04-10", &["a", "b"]), true),
        (import(NORTH, "2026-03-20", &["a", "b"]), false),
    ] {
        let mut told = disputed();
        told.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Verified)]));
        told.act(case(A), "2026-04-20", CaseAction::SendRound(round(NORTH, &["a"])));
        told.act(case(A), "2026-04-10", new.clone());
        assert_eq!(repeated(&told).is_none(), is_new, "{new:?}");
    }
    desk.act(case(A), "2026-05-04", response(NORTH, 2, &[("a", Outcome::Frivolous)]));
    assert_eq!(repeated(&desk), None, "the bureau has answered it");
    assert_eq!(verified(&desk), Some(day("2026-04-01")), "and nothing is new");
}

/// 15 USC 1681i(a)(1)(B): 15 days more, once; the information that came first decides, whichever was told first.
#[test]
fn information_extends_once_by_its_day() {
    let sent = |code| {
        let bureau = bureau(code);
        CaseAction::ClientInformationSent(ClientInformationSent {
            bureau,
            document: None,
            round: 1,
        })
    };
    let mut desk = disputed();
    desk.today("2026-05-30");
    desk.act(case(A), "2026-05-20", sent(NORTH));
    assert_eq!(clocks(&desk, Clock::ReinvestigationExtended), []);
    desk.act(case(A), "2026-03-20", sent(NORTH));
    assert_eq!(clocks(&desk, Clock::ReinvestigationExtended).len(), 1);
    is(&desk.refusal(case(A), "2026-03-20", sent(NORTH)), Reason::AlreadyRecorded);
}

/// 15 USC 1681j(a)(3): 45 days where the dispute follows the free annual report, by the days of both.
#[test]
fn a_free_report_that_is_told_late_gives_the_bureau_its_days() {
    let mut desk = disputed();
    let free = ImportReport { free_annual: true, ..report(NORTH, "2026-03-05", &["a", "b"]) };
    desk.today("2026-03-20");
    assert_eq!(clocks(&desk, Clock::FreeReportReinvestigation), []);
    desk.act(case(A), "2026-03-20", CaseAction::ImportReport(free));
    let due = ("2026-04-26".into(), None, None);
    assert_eq!(clocks(&desk, Clock::FreeReportReinvestigation), [due]);
}

/// On one day: as one request lists them, else letters, answers, reports.
#[test]
fn what_one_request_lists_of_a_day_keeps_its_order() {
    let answered = || response(NORTH, 1, &[("a", Outcome::Deleted)]);
    let shows = || import(NORTH, "2026-04-01", &["a", "b"]);
    let mut apart = disputed();
    apart.act(case(A), "2026-04-01", shows());
    apart.act(case(A), "2026-04-01", answered());
    assert_eq!(north(&apart, "a").status, ListingStatus::Reinserted);
    let mut listed = disputed();
    listed.try_acts(case(A), "2026-04-01", vec![shows(), answered()]).unwrap();
    assert_eq!(north(&listed, "a").status, ListingStatus::Deleted);
}

/// A round that went out is a fact, also where its listing was gone by then; the service itself sends none.
#[test]
fn a_letter_about_what_was_gone_is_noted_and_not_sent() {
    let mut desk = disputed();
    desk.act(case(A), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Deleted)]));
    let sent = desk.refusal(case(A), "2026-04-06", CaseAction::SendRound(round(NORTH, &["a"])));
    is(&sent, Reason::ReferenceUnknown);
    desk.act(case(A), "2026-03-20", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(north(&desk, "a").status, ListingStatus::Deleted, "the answer came after both");
    desk.act(case(A), "2026-04-06", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(north(&desk, "a").status, ListingStatus::Deleted, "what is gone is not in dispute");
}

/// An event holds at most 65,535 bytes: a list that does not fit is refused, and what does is recorded.
#[test]
fn a_list_that_no_event_can_hold_is_refused() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    let long = |count: usize, length: usize| {
        let furnisher = text(&"f".repeat(length));
        let mut report = report(NORTH, "2026-03-02", &[]);
        let seen = |number: usize| ItemSeen {
            balance: Some(usd(120_000)),
            delinquent_since: Some(day("2023-02-01")),
            furnisher: furnisher.clone(),
            item: item(&format!("item-{number:03}")),
            kind: ItemKind::Collection,
        };
        report.items = (0..count).map(seen).collect();
        CaseAction::ImportReport(report)
    };
    let refusal = desk.refusal(case(A), "2026-03-03", long(REPORT_ITEMS_MAX, 40));
    is(&refusal, Reason::TooLarge);
    assert!(refusal.violations[0].detail.starts_with("items: the 500 listings"), "{refusal}");
    let told = desk.act(case(A), "2026-03-03", long(350, 20));
    assert!(told[0].to_bytes().len() > 50_000, "{}", told[0].to_bytes().len());
}

/// What happens to North's file in a random history. Days are counted from 2026-03-10.
#[derive(Clone, Debug)]
enum Told {
    Report { day: u16, a: Option<i64>, b: bool },
    Round { day: u16, items: u8 },
    Answer { round: usize, after: u16, item: bool, outcome: Outcome },
    Notice { day: u16 },
}

fn told() -> impl Strategy<Value = Told> {
    let outcome = prop::sample::select(Outcome::ALL);
    prop_oneof![
        3 => (0_u16..400, prop::option::weighted(0.6, 1_i64..4), any::<bool>())
            .prop_map(|(day, a, b)| Told::Report { day, a, b }),
        2 => (0_u16..300, 1_u8..4).prop_map(|(day, items)| Told::Round { day, items }),
        3 => (0_usize..4, 0_u16..90, any::<bool>(), outcome).prop_map(
            |(round, after, item, outcome)| Told::Answer { round, after, item, outcome }),
        1 => (0_u16..400).prop_map(|day| Told::Notice { day }),
    ]
}

fn after(days: u16) -> calendar::CivilDate {
    day("2026-03-10") + chrono::Days::new(days.into())
}

/// Tells facts in the order of a list, an answer once its round is told. Two reports of one bureau and day, and two
/// letters of one day, are told of no more than once: what is not known apart needs no order.
fn tell(told: &[Told], order: &[usize]) -> Desk {
    let mut desk = disputed();
    desk.today("2027-06-01");
    desk.act(case(A), "2027-05-30", progress());
    let mut rounds: Vec<Option<u32>> = vec![None; told.len()];
    let sent: Vec<usize> =
        (0..told.len()).filter(|at| matches!(told[*at], Told::Round { .. })).collect();
    let mut waiting: Vec<usize> = order.to_vec();
    while !waiting.is_empty() {
        let mut left = Vec::new();
        for at in waiting.iter().copied() {
            let (on, action) = match &told[at] {
                Told::Report { day, a, b } => {
                    let mut shows = report(NORTH, &after(*day).to_string(), &[]);
                    if let Some(hundreds) = a {
                        shows.items = report(NORTH, "2026-03-02", &["a"]).items;
                        shows.items[0].balance = Some(usd(120_000 / hundreds));
                    }
                    if *b {
                        shows.items.extend(report(NORTH, "2026-03-02", &["b"]).items);
                    }
                    (day + 20, CaseAction::ImportReport(shows))
                }
                Told::Round { day, items } => {
                    let items: Vec<&str> = ["a", "b"]
                        .into_iter()
                        .zip([1, 2])
                        .filter(|(_, bit)| items & bit != 0)
                        .map(|(name, _)| name)
                        .collect();
                    (*day, CaseAction::NoteRoundSent(round(NORTH, &items)))
                }
                Told::Answer { round, after: later, item, outcome } => {
                    let Some(of) = sent.get(*round) else { continue };
                    let Told::Round { day, items } = &told[*of] else { unreachable!() };
                    let Some(number) = rounds[*of] else {
                        left.push(at);
                        continue;
                    };
                    let name = if *item { "a" } else { "b" };
                    if items & if *item { 1 } else { 2 } == 0 {
                        continue;
                    }
                    (day + later, response(NORTH, number, &[(name, *outcome)]))
                }
                Told::Notice { day } => {
                    let notice = NoteReinsertion { bureau: bureau(NORTH), item: item("a") };
                    (*day, CaseAction::NoteReinsertion(notice))
                }
            };
            match desk.try_act(case(A), &after(on).to_string(), action) {
                Ok(events) => {
                    if let Event::Case(CaseEvent::RoundSent(e)) = &events[0].event {
                        rounds[at] = Some(e.round);
                    }
                }
                Err(refusal) => {
                    let is_note =
                        matches!(&told[at], Told::Answer { outcome: Outcome::NoAnswer, .. });
                    assert!(is_note || refusal.reason == Reason::AlreadyRecorded, "{refusal}");
                }
            }
        }
        waiting = left;
    }
    desk
}

/// Everything that is concluded, with rounds named by their days.
fn concluded(desk: &Desk) -> Vec<String> {
    let case_of = desk.state(case(A));
    let sent_on = |number: u32| {
        let round = case_of.rounds.iter().find(|round| round.number == number);
        round.map(|round| round.mark.on)
    };
    let mut all = Vec::new();
    for (key, listing) in case_of.listings.iter() {
        let results: Vec<_> = listing
            .results
            .iter()
            .map(|r| {
                let on =
                    |mark: &Option<counterfoil_domain::case::Mark>| mark.as_ref().map(|m| m.on);
                (r.what, r.seen_by, r.since.on, on(&r.shown), on(&r.undone))
            })
            .collect();
        let back: Vec<_> = listing
            .reinsertions
            .iter()
            .map(|b| (b.since.on, b.seen_by, b.notice.as_ref().map(|n| n.on)))
            .collect();
        all.push(format!(
            "{key:?} {:?} {:?} {:?} {results:?} {back:?} {:?} {:?} {:?} {:?}",
            listing.status,
            listing.since.on,
            listing.seen_by,
            listing.seen,
            listing.basis_on,
            listing.repeated.as_ref().map(|m| m.on),
            listing.unchanged_since.as_ref().map(|m| m.on)
        ));
    }
    let mut clocks: Vec<String> = case_of
        .clocks(3)
        .iter()
        .map(|c| {
            let of = (c.round.and_then(sent_on), &c.item);
            format!(
                "{:?} {} {of:?} {} {} {:?}",
                c.clock, c.bureau, c.started_on, c.due_on, c.done_on
            )
        })
        .collect();
    clocks.sort();
    all.extend(clocks);
    let explained = desk.explain(case(A), 1, "2027-06-01");
    let g6 = explained.findings.into_iter().find(|f| f.gate == Gate::Telemarketing).unwrap();
    all.push(format!("{:?} {:?} {:?}", g6.answer, g6.because, g6.not_before()));
    all
}

/// Facts of which each is told once: no two of one kind and day of one bureau, no answer twice to one listing in a
/// letter. "Only exact repeats are refused", and which of two is the repeat is no fact.
fn once(told: Vec<Told>) -> Vec<Told> {
    let mut seen = std::collections::BTreeSet::new();
    let is_new = |told: &Told| match told {
        Told::Report { day, .. } => seen.insert((0, u64::from(*day), 0)),
        Told::Round { day, .. } => seen.insert((1, u64::from(*day), 0)),
        Told::Answer { round, item, .. } => {
            seen.insert((2, u64::try_from(*round).unwrap(), u8::from(*item)))
        }
        Told::Notice { day } => seen.insert((3, u64::from(*day), 0)),
    };
    told.into_iter().filter(is_new).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// "The order of telling decides nothing": listings, clocks and the answer of G6 are the same.
    #[test]
    fn the_order_of_telling_decides_nothing(
        (told, order) in prop::collection::vec(told(), 2..14).prop_map(once).prop_flat_map(|told| {
            let order: Vec<usize> = (0..told.len()).collect();
            (Just(told), Just(order).prop_shuffle())
        })
    ) {
        let straight: Vec<usize> = (0..told.len()).collect();
        let (one, other) = (tell(&told, &straight), tell(&told, &order));
        prop_assert_eq!(concluded(&one), concluded(&other));
    }
}

/// The histories of the property reach what they are about.
#[test]
fn g6_fails_where_nothing_was_achieved() {
    let desk = tell(&[Told::Report { day: 300, a: Some(1), b: true }], &[0]);
    assert!(!is_shown(&desk, "2027-06-01"));
    let desk = tell(
        &[Told::Report { day: 10, a: None, b: true }, Told::Report { day: 300, a: None, b: true }],
        &[1, 0],
    );
    assert!(is_shown(&desk, "2027-06-01"));
}
