//! Money that says of other lines than those it was to be of, told alike in every file and signed.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::recordable::{all_are_found, place, usd};
use super::*;

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
