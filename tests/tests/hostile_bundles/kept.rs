//! Money that was kept or asked back as it cannot have been, told alike in every file and signed.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::recordable::{all_are_found, append, first, place, usd};
use super::*;

/// Adds a decision to keep money of the first fee.
fn keep(events: &mut Vec<Value>, amount: i64, exposed: i64) {
    let fee = events[first(events, "fee_earned")].clone();
    let claim = json!({"id": fee["event_id"], "position": fee["position"]});
    let kept = json!({
        "amount": usd(amount), "counsel": "Robin Ashdown", "exposed": usd(exposed), "fee": claim, "gates": [],
        "reason": "a reason",
    });
    append(events, &fee["stream"], "fee_kept", kept);
}

/// A payment of which nothing went back or was asked back, and its stream.
fn untouched(events: &[Value]) -> (Value, String) {
    let goes_back = |event: &Value, name: &Value| {
        event["event"] != "payment_settled" && event["payload"]["payment"] == *name
    };
    let is_whole = |event: &Value| {
        let name = &event["payload"]["payment"];
        !events.iter().any(|other| goes_back(other, name))
    };
    let event = &events[place(events, "payment_settled", is_whole)];
    (event["stream"].clone(), event["payload"]["payment"].as_str().unwrap().to_owned())
}

fn ask_back(events: &mut Vec<Value>, amount: i64, number: impl Fn(usize) -> usize) {
    let (stream, payment) = untouched(events);
    let before = events
        .iter()
        .filter(|event| event["event"] == "refund_requested" && event["stream"] == stream);
    let number = number(before.count() + 1);
    let asked =
        json!({"amount": usd(amount), "number": number, "payment": payment, "reason": "owed"});
    append(events, &stream, "refund_requested", asked);
}

#[test]
fn money_that_cannot_have_been_kept_or_asked_back_is_named() {
    all_are_found(&[
        ("kept_more_than_exposed", |events| keep(events, 100, 0), &["this could not be kept"]),
        ("kept_below_zero", |events| keep(events, -100, 100), &["this could not be kept"]),
        ("nothing_taken_back", |events| keep(events, 0, 0), &["this could not be kept"]),
        (
            "kept_of_nothing",
            |events| {
                keep(events, 100, 100);
                let last = events.last_mut().unwrap();
                last["payload"]["fee"]["position"] = 1.into();
            },
            &["this could not be kept"],
        ),
        (
            "asked_back_too_much",
            |events| ask_back(events, 1_000_000_000_000, |next| next),
            &["more than was left of a payment"],
        ),
        ("asked_back_below_zero", |events| ask_back(events, -1, |next| next), &["not above zero"]),
        (
            "asked_back_out_of_count",
            |events| ask_back(events, 1, |next| next + 7),
            &["not counted from 1"],
        ),
        (
            "failed_without_a_request",
            |events| {
                let (stream, _) = untouched(events);
                let failed = json!({"number": 99, "reason": "declined"});
                append(events, &stream, "refund_failed", failed);
            },
            &["no request for a refund of its number waited"],
        ),
        (
            "answers_no_request",
            |events| {
                let (stream, payment) = untouched(events);
                let back =
                    json!({"amount": usd(1), "payment": payment, "refund": "rf-9", "request": 99});
                append(events, &stream, "refund_issued", back);
            },
            &["answers no request for its payment"],
        ),
    ]);
}
