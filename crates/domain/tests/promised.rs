//! Promised results of a telemarketing sale: each is matched by a result and by a report, issued more than six
//! months after it, that still shows it; or a person found what was promised (16 CFR 310.4(a)(2)).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate, Opens};
use counterfoil_domain::judge::{Judge, Matter};
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::{Channel, Sale};

const A: u128 = 4;

/// Sold by telephone, a round to North about `a` on 2026-03-09; the promised time frame is over on 2026-04-01.
fn sold(agreement: SignConsent) -> Desk {
    let mut desk = Desk::open();
    let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days: 30 };
    desk.signed_for(case(A), "2026-03-02", Enrol { sale, ..enrol() }, agreement);
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk
}

fn import(desk: &mut Desk, code: &str, on: &str, items: &[&str]) {
    desk.act(case(A), on, CaseAction::ImportReport(report(code, on, items)));
}

/// A report and the progress report that gives it to the client, told in that order.
fn import_and_tell(desk: &mut Desk, on: &str, shows: ImportReport) {
    desk.try_acts(case(A), on, vec![CaseAction::ImportReport(shows), progress()]).unwrap();
}

fn answered(desk: &mut Desk, on: &str, outcome: Outcome) {
    desk.act(case(A), on, response(NORTH, 1, &[("a", outcome)]));
}

/// What G6 answers on a day, and why.
fn g6(desk: &Desk, on: &str) -> (Answer, String) {
    let found = desk.explain(case(A), 1, on).findings;
    let found = found.into_iter().find(|found| found.gate == Gate::Telemarketing).unwrap();
    (found.answer, found.because)
}

fn find(found: &[(&str, &str, &str, Option<u32>)]) -> CaseAction {
    let found = found.iter().map(|(code, name, report_on, promise)| FoundResult {
        bureau: bureau(code),
        item: item(name),
        promise: *promise,
        report_on: day(report_on),
    });
    CaseAction::FindResults(FindResults {
        agreement: None,
        document: None,
        found: found.collect(),
        found_by: personal("Counsel"),
        reason: personal("the advertisement promised these deletions"),
    })
}

/// Every result on the list has to be shown, and what is not on it neither helps nor hurts.
#[test]
fn each_promised_result_is_matched_by_a_later_report_that_still_shows_it() {
    let mut desk = sold(promising([gone(NORTH, "a"), put_right(SOUTH, "b", 20_000)]));
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    import(&mut desk, NORTH, "2026-10-05", &["b"]);
    desk.act(case(A), "2026-10-06", progress());
    let (answer, because) = g6(&desk, "2026-10-06");
    assert_eq!(answer, Answer::Fails);
    assert!(
        because.starts_with("promised result 2 (b at south corrected to USD 200.00)"),
        "{because}"
    );
    // South shows another balance from October on, without an answer to any letter: 185 days are over in April.
    let shows = corrected("b", report(SOUTH, "2026-10-10", &["a", "b"]));
    desk.act(case(A), "2026-10-10", CaseAction::ImportReport(shows));
    let (_, because) = g6(&desk, "2026-10-11");
    assert!(
        because.contains("came about on 2026-10-10") && because.contains("2027-04-13"),
        "{because}"
    );
    for on in ["2027-04-12", "2027-04-13"] {
        let shows = corrected("b", report(SOUTH, on, &["a", "b"]));
        import_and_tell(&mut desk, on, shows);
        assert_eq!(g6(&desk, on).0 == Answer::Holds, on == "2027-04-13", "{on}");
    }
    // A later report that shows the old balance again: it is not as promised.
    import(&mut desk, SOUTH, "2027-05-01", &["a", "b"]);
    assert_eq!(g6(&desk, "2027-05-01").0, Answer::Fails);
    assert_eq!(desk.answer(case(A), 1, "2027-04-20", Gate::Telemarketing), Answer::Fails);
}

/// "issued more than six months after": a report that shows a promised score of another model, or a lower one,
/// shows nothing.
#[test]
fn a_promised_score_is_of_one_model_and_holds_for_six_months() {
    let score = ScoreRaised { at_least: 640, bureau: bureau(NORTH), model: text("Model 8") };
    let mut desk = sold(promising([Showing { score: Some(score), ..Showing::default() }]));
    let mut scored = |on: &str, model: &str, value: u16| {
        let score = Some(Score { model: text(model), value });
        let import = ImportReport { score, ..report(NORTH, on, &["a", "b"]) };
        import_and_tell(&mut desk, on, import);
        g6(&desk, on).0
    };
    assert_eq!(scored("2026-04-10", "Model 8", 650), Answer::Fails);
    assert_eq!(scored("2026-10-11", "Model 9", 700), Answer::Fails);
    assert_eq!(scored("2026-10-12", "Model 8", 639), Answer::Fails);
    assert_eq!(scored("2026-10-13", "Model 8", 640), Answer::Fails, "it was raised on that day");
    assert_eq!(scored("2027-04-16", "Model 8", 655), Answer::Holds);
}

#[test]
fn so_many_deletions_are_any_of_them() {
    let two = Showing { deletions: Some(2), ..Showing::default() };
    let mut desk = sold(promising([two]));
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    import(&mut desk, SOUTH, "2026-05-01", &["a"]);
    import_and_tell(&mut desk, "2026-10-05", report(NORTH, "2026-10-05", &["b"]));
    let found = desk.explain(case(A), 1, "2026-10-06").findings;
    let found = found.into_iter().find(|found| found.gate == Gate::Telemarketing).unwrap();
    assert_eq!(found.opens, Some(Opens::Wait { until: day("2026-11-02") }));
    import_and_tell(&mut desk, "2026-11-02", report(SOUTH, "2026-11-02", &["a"]));
    assert_eq!(g6(&desk, "2026-11-02").0, Answer::Holds);
}

/// "Where no list was promised, a person's finding names results and reports; it judges evidence and waives neither
/// the frame nor the six months."
#[test]
fn without_a_list_a_person_finds_what_was_promised() {
    let mut desk = sold(sign());
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    import(&mut desk, NORTH, "2026-09-05", &["b"]);
    desk.act(case(A), "2026-09-06", progress());
    desk.act(case(A), "2026-09-07", find(&[(NORTH, "a", "2026-09-05", None)]));
    let (answer, because) = g6(&desk, "2026-09-07");
    assert_eq!(answer, Answer::Fails, "the report came too soon");
    assert!(because.contains("2026-10-03"), "{because}");
    import(&mut desk, NORTH, "2026-10-05", &["b"]);
    desk.act(case(A), "2026-10-06", progress());
    desk.act(case(A), "2026-10-08", find(&[(NORTH, "a", "2026-10-05", None)]));
    assert_eq!(g6(&desk, "2026-10-07").0, Answer::Fails, "it helps from its own day on");
    assert_eq!(g6(&desk, "2026-10-08").0, Answer::Holds);
    // What was found comes back.
    import(&mut desk, NORTH, "2026-11-01", &["a", "b"]);
    let (answer, because) = g6(&desk, "2026-11-01");
    assert_eq!(answer, Answer::Fails);
    assert!(because.contains("no such result stands"), "{because}");
}

/// Fees from before lists were kept were asked for on every result there was. Nobody says that these were not the
/// promised ones: such a fee is unproved until somebody finds it, never exposed.
#[test]
fn what_nobody_found_holds_new_fees_and_leaves_old_ones_unproved() {
    let mut desk = sold(sign());
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    import(&mut desk, NORTH, "2026-10-05", &["b"]);
    desk.act(case(A), "2026-10-06", progress());
    assert_eq!(g6(&desk, "2026-10-06").0, Answer::Unknown);
    assert_eq!(rules(&desk.claim(case(A), 1, "2026-10-06").unwrap_err()), ["G6"]);
    let own = case(A).own_account();
    let accounts = [(own, desk.world.account(own).unwrap())];
    let matter = Matter {
        id: case(A),
        case: desk.state(case(A)),
        accounts: &accounts,
        firm: desk.firm_state(),
        today: day("2026-10-06"),
    };
    let before = Judge::of_edition(matter, 1).explain(1, day("2026-10-06")).unwrap();
    assert!(before.is_claimable(), "the first edition took every result for a promised one");
    desk.act(case(A), "2026-10-07", find(&[(NORTH, "a", "2026-10-05", None)]));
    desk.claim(case(A), 1, "2026-10-07").unwrap();
    let found = desk.last("results_found");
    let told = desk.correct(case(A), found, Becomes::Nothing);
    assert_eq!(names(&told), ["fact_corrected", "fee_marked"]);
    let standing = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(standing, FeeStanding::Unproved);
    // Found again, on a day after it was asked for: that never reaches back.
    desk.act(case(A), "2026-10-09", find(&[(NORTH, "a", "2026-10-05", None)]));
    let standing = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(standing, FeeStanding::Unproved);
    // Of the day on which it was made, whenever that is told: it does.
    desk.act(case(A), "2026-10-07", find(&[(NORTH, "a", "2026-10-05", None)]));
    let standing = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(standing, FeeStanding::Allowed);
}

/// What is promised in words alone waits for a person too; what reports show needs none.
#[test]
fn a_finding_is_about_promises_in_words_alone_and_about_what_there_is() {
    let mut desk = sold(promising([Showing::default(), gone(NORTH, "a")]));
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    import(&mut desk, NORTH, "2026-10-05", &["b"]);
    desk.act(case(A), "2026-10-06", progress());
    let (answer, because) = g6(&desk, "2026-10-06");
    assert_eq!(answer, Answer::Fails);
    assert!(because.starts_with("promised result 1 is in words alone"), "{because}");
    for (found, reason) in [
        ((NORTH, "a", "2026-10-05", None), Reason::ValueRefused),
        ((NORTH, "a", "2026-10-05", Some(2)), Reason::ValueRefused),
        ((NORTH, "a", "2026-10-05", Some(3)), Reason::ValueRefused),
        ((NORTH, "b", "2026-10-05", Some(1)), Reason::ReferenceUnknown),
        ((NORTH, "c", "2026-10-05", Some(1)), Reason::ReferenceUnknown),
        ((NORTH, "a", "2026-10-04", Some(1)), Reason::ReferenceUnknown),
    ] {
        is(&desk.refusal(case(A), "2026-10-06", find(&[found])), reason);
    }
    is(&desk.refusal(case(A), "2026-10-06", find(&[])), Reason::ValueRefused);
    desk.act(case(A), "2026-10-06", find(&[(NORTH, "a", "2026-10-05", Some(1))]));
    assert_eq!(g6(&desk, "2026-10-06").0, Answer::Holds);
}

/// "Where a gate asks for one before another on one day and neither a time nor such an order is known, it is unknown
/// until one is recorded": a report can be given to the client once it is there.
#[test]
fn a_report_and_the_progress_report_of_its_day_need_a_stated_order() {
    let on = "2026-10-05";
    let timed = |action: &CaseAction, hour: i64| Dated {
        occurred_at: Some(UtcMicros(zone().start_of_day(day(on)) + hour * 3_600_000_000)),
        occurred_on: day(on),
        action: action.clone(),
    };
    let shows = CaseAction::ImportReport(report(NORTH, on, &["b"]));
    let deleted = || {
        let mut desk = sold(promising([gone(NORTH, "a")]));
        answered(&mut desk, "2026-04-01", Outcome::Deleted);
        desk
    };
    for (one_request, answer) in [
        (vec![shows.clone(), progress()], Answer::Holds),
        (vec![progress(), shows.clone()], Answer::Fails),
    ] {
        let mut desk = deleted();
        desk.try_acts(case(A), on, one_request).unwrap();
        assert_eq!(g6(&desk, on).0, answer);
    }
    for (hour, answer) in [(8, Answer::Fails), (9, Answer::Unknown), (10, Answer::Holds)] {
        let mut desk = deleted();
        desk.act(case(A), on, shows.clone());
        desk.act(case(A), on, progress());
        let (said, because) = g6(&desk, on);
        assert_eq!(said, Answer::Unknown);
        assert!(because.contains("nobody has said which came first"), "{because}");
        let positions = ["report_imported", "progress_report_sent"].map(|name| desk.last(name));
        desk.correct(case(A), positions[0], Becomes::Told(Box::new(timed(&shows, 9))));
        assert_eq!(g6(&desk, on).0, Answer::Unknown, "the other has no time yet");
        desk.correct(case(A), positions[1], Becomes::Told(Box::new(timed(&progress(), hour))));
        assert_eq!(g6(&desk, on).0, answer, "{hour}");
    }
    // A report of that day that was imported later was issued at an hour that nobody told; a later progress report
    // gives it to the client for certain.
    let mut desk = deleted();
    let issued = ImportReport { issued_on: day(on), ..report(NORTH, on, &["b"]) };
    desk.act(case(A), on, progress());
    desk.act(case(A), "2026-10-06", CaseAction::ImportReport(issued));
    assert_eq!(g6(&desk, "2026-10-06").0, Answer::Unknown);
    desk.act(case(A), "2026-10-07", progress());
    assert_eq!(g6(&desk, "2026-10-07").0, Answer::Holds);
    // Until the third edition of the rules no order was asked for.
    let own = case(A).own_account();
    let accounts = [(own, desk.world.account(own).unwrap())];
    let (case_state, firm) = (desk.state(case(A)), desk.firm_state());
    let matter = Matter {
        id: case(A),
        case: case_state,
        accounts: &accounts,
        firm,
        today: day("2026-10-07"),
    };
    for (edition, answer) in [(2, Answer::Holds), (3, Answer::Unknown)] {
        let explained = Judge::of_edition(matter, edition).explain(1, day("2026-10-06")).unwrap();
        let found = explained.findings.iter().find(|f| f.gate == Gate::Telemarketing).unwrap();
        assert_eq!(found.answer, answer, "{edition}");
    }
}

#[test]
fn a_promise_that_makes_no_sense_is_refused() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    let both = Showing { deletions: Some(1), ..gone(NORTH, "a") };
    let none = Showing { deletions: Some(0), ..Showing::default() };
    for (showing, reason) in [
        (both, Reason::ValueRefused),
        (none, Reason::ValueRefused),
        (put_right(NORTH, "a", -1), Reason::ValueRefused),
        (gone("nowhere", "a"), Reason::ReferenceUnknown),
    ] {
        let sign = CaseAction::SignConsent(promising([showing]));
        is(&desk.refusal(case(A), "2026-03-09", sign), reason);
    }
}

/// "Only a fact whose day is on or before the asking helps it, whenever told."
#[test]
fn a_finding_of_an_earlier_day_settles_what_was_asked_for_since() {
    for (agreement, promise) in [(sign(), None), (promising([Showing::default()]), Some(1))] {
        let mut desk = Desk::open();
        desk.signed_for(case(A), "2026-03-02", enrol(), agreement);
        desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
        desk.month(case(A), "2026-03-09");
        answered(&mut desk, "2026-04-01", Outcome::Deleted);
        import(&mut desk, NORTH, "2026-10-05", &["b"]);
        desk.act(case(A), "2026-10-06", progress());
        desk.bill(account(A), "2026-10-09");
        let standing =
            |desk: &Desk| desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
        assert_eq!(standing(&desk), FeeStanding::Allowed);
        let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days: 30 };
        let enrolled = desk.first("enrolled");
        desk.today("2026-11-20");
        let told = Enrol { sale, card: None, ..enrol() };
        desk.correct(case(A), enrolled, anew("2026-03-02", CaseAction::Enrol(Box::new(told))));
        assert_ne!(standing(&desk), FeeStanding::Allowed);
        let told = desk.act(case(A), "2026-10-08", find(&[(NORTH, "a", "2026-10-05", promise)]));
        assert_eq!(names(&told), ["results_found", "fee_marked"]);
        assert_eq!(standing(&desk), FeeStanding::Allowed);
    }
}

/// What opens a gate is never a day that is past: then something is missing.
#[test]
fn no_past_day_is_waited_for() {
    let mut desk = sold(promising([gone(NORTH, "a")]));
    answered(&mut desk, "2026-04-01", Outcome::Deleted);
    let opens = |desk: &Desk, as_of: &str| {
        let found = desk.explain(case(A), 1, as_of).findings;
        found.into_iter().find(|found| found.gate == Gate::Telemarketing).unwrap().opens
    };
    desk.today("2026-04-10");
    assert_eq!(opens(&desk, "2026-04-10"), Some(Opens::Wait { until: day("2026-10-03") }));
    desk.today("2026-11-20");
    assert_eq!(opens(&desk, "2026-11-20"), Some(Opens::PutRight), "a report is missing");
    // As of an earlier day the frame ran, or the report had still time to come: that is over.
    for as_of in ["2026-03-20", "2026-04-10"] {
        assert_eq!(opens(&desk, as_of), Some(Opens::PutRight), "{as_of}");
    }
    import(&mut desk, NORTH, "2026-11-20", &["b"]);
    desk.act(case(A), "2026-11-21", progress());
    assert_eq!(opens(&desk, "2026-11-21"), None);
    assert_eq!(opens(&desk, "2026-03-20"), Some(Opens::Wait { until: day("2026-11-21") }));
}

/// "Only a fact whose day is on or before the asking helps it": no waiting heals a fee that was asked for too early.
#[test]
fn what_was_asked_for_waits_for_nothing() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    answered(&mut desk, "2026-03-30", Outcome::Deleted);
    desk.bill(account(A), "2026-04-01");
    let correct = |desk: &mut Desk, promised_days| {
        let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days };
        let told = Enrol { sale, card: None, ..enrol() };
        let at = match desk.log.iter().rfind(|r| r.event.type_name() == "fact_corrected") {
            Some(corrected) => corrected.position,
            None => desk.first("enrolled"),
        };
        desk.correct(case(A), at, anew("2026-03-02", CaseAction::Enrol(Box::new(told))));
        let explained =
            desk.judged(case(A), |judge| judge.explain_claimed(&judge.fees().next().unwrap()));
        explained.findings.into_iter().find(|f| f.gate == Gate::Telemarketing).unwrap().opens
    };
    assert_eq!(correct(&mut desk, 60), Some(Opens::Never), "it was asked for in the frame");
    assert_eq!(correct(&mut desk, 20), Some(Opens::Never), "no report can have come by then");
}
