//! Money that says of other lines than those it was to be of, told alike in every file and signed.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::recordable::{all_are_found, place, usd};
use super::*;
use bundle::Openings;
use counterfoil_tests::bundles::try_export;
use counterfoil_tests::shared;

/// The last payment that says of which lines it is.
fn of_lines(events: &mut [Value]) -> &mut Value {
    let named = events.iter_mut().rev().find(|event| says_lines(event));
    &mut named.unwrap()["payload"]
}

#[test]
fn money_of_other_lines_is_named() {
    all_are_found(&[
        (
            "other_lines",
            |events| {
                let payload = of_lines(events);
                let minor = |part: &Value| part["amount"]["minor"].as_str().unwrap().parse::<i64>();
                let (first, second) = (&payload["lines"][0], &payload["lines"][1]);
                let moved = [minor(first).unwrap() - 1, minor(second).unwrap() + 1];
                for (at, minor) in moved.into_iter().enumerate() {
                    payload["lines"][at]["amount"] = usd(minor);
                }
            },
            &["not of the lines that it was to be of"],
        ),
        (
            "exposed_otherwise",
            |events| of_lines(events)["lines"][0]["exposed"] = usd(1),
            &["something else was exposed"],
        ),
        (
            "no_lines_any_more",
            |events| drop(of_lines(events).as_object_mut().unwrap().remove("lines")),
            &["does not say which lines it is of"],
        ),
        (
            "lines_of_one",
            |events| {
                let is_one = |event: &Value| {
                    event["payload"]["lines"].is_null()
                        && event["payload"]["applied"][0].is_object()
                };
                let at = place(events, "payment_settled", is_one);
                let applied = events[at]["payload"]["applied"][0].clone();
                let part =
                    json!({"amount": applied["amount"], "invoice": applied["invoice"], "line": 1});
                events[at]["payload"]["lines"] = json!([part]);
            },
            &["names lines where there is one alone"],
        ),
    ]);
}

/// What is said of lines follows from the days of what was told and from how their fees are judged, and both verifiers hold
/// it to that.
#[test]
fn lines_that_are_shared_otherwise_are_named() {
    let log = bytes(&shared::log());
    let sound = Unpacked::of(&export(&log, Request::All));
    let nothing: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&sound.packed()), nothing);
    let events = parse(&log);
    let is_said = |at: &usize| events[*at]["event"] == "lines_shared";
    let said: Vec<usize> = (0..events.len()).filter(is_said).collect();
    assert!(said.len() > 2, "{said:?}");
    let forged = |change: &dyn Fn(&mut Value)| {
        let mut events = events.clone();
        change(&mut events[said[0]]["payload"]["lines"]);
        let forged = write(&events);
        let made = try_export(&forged, Request::All, Openings::default());
        made.map_or_else(|_| sealed_again(&sound, &forged), |made| Unpacked::of(&made))
    };
    let other = forged(&|lines| {
        let minor = |part: &Value| part["paid"]["minor"].as_str().unwrap().parse::<i64>().unwrap();
        let (first, second) = (minor(&lines[0]), minor(&lines[1]));
        (lines[0]["paid"], lines[1]["paid"]) = (usd(first - 1), usd(second + 1));
    });
    both_find(&other, &["its money is of other lines"]);
    let [found, _] = both(&forged(&|lines| lines[1]["exposed"] = usd(1)).packed());
    assert!(found.iter().any(|what| what.contains("may not be asked for")), "{found:#?}");
}

/// What money comes to by its days follows from what was told, and both verifiers hold it to that.
#[test]
fn money_that_comes_to_something_else_by_its_days_is_named() {
    let log = bytes(&shared::restated());
    let sound = Unpacked::of(&export(&log, Request::All));
    let nothing: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&sound.packed()), nothing);
    let events = parse(&log);
    let said = (0..events.len()).find(|&at| {
        events[at]["event"] == "money_restated" && !events[at]["payload"]["invoices"].is_null()
    });
    let said = said.unwrap();
    let forged = |change: &dyn Fn(&mut Value)| {
        let mut events = events.clone();
        change(&mut events[said]["payload"]);
        let forged = write(&events);
        let made = try_export(&forged, Request::All, Openings::default());
        made.map_or_else(|_| sealed_again(&sound, &forged), |made| Unpacked::of(&made))
    };
    both_find(&forged(&|payload| payload["beyond"] = usd(1)), &["by the days of what was told"]);
}

/// What counsel kept is of the money told since: both verifiers hold what is said of lines to that.
#[test]
fn what_counsel_kept_is_of_the_money_of_later_days() {
    let log = bytes(&shared::kept());
    let sound = Unpacked::of(&export(&log, Request::All));
    let nothing: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&sound.packed()), nothing);
    let events = parse(&log);
    let says_kept = |line: &Value| line["kept"].is_array();
    let of_event = |event: &Value| -> Vec<Value> {
        let restated = event["payload"]["invoices"].as_array().into_iter().flatten();
        let restated = restated.flat_map(|of| of["lines"].as_array().into_iter().flatten());
        let shared = event["payload"]["lines"].as_array().into_iter().flatten();
        restated.chain(shared).cloned().collect()
    };
    assert!(events.iter().flat_map(of_event).any(|line| says_kept(&line)), "counsel kept some");
}

/// 15 USC 1679b(b): what the order of telling found of a payment, and its days do not, is listed no more; what was found
/// twice is listed once.
#[test]
fn a_payment_that_no_fee_stood_behind_is_listed_once_as_it_was_by_its_days() {
    let log = bytes(&shared::restated());
    let sound = Unpacked::of(&export(&log, Request::All));
    let events = parse(&log);
    let found = events.iter().filter(|event| event["event"] == "unearned_payment_found");
    let found: Vec<&str> = found.map(|of| of["payload"]["payment"].as_str().unwrap()).collect();
    let table = sound.text("tables/exposures.csv");
    let listed: Vec<&str> = table.lines().filter(|row| row.contains("payment_unearned")).collect();
    assert!(listed.len() < found.len(), "{found:?} {listed:#?}");
    let mut names: Vec<&str> =
        found.iter().copied().filter(|name| table.contains(&format!(",{name},"))).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), listed.len(), "{listed:#?}");
}
