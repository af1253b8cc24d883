//! What was told late, rightly or wrongly.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::recordable::{append, first};
use super::*;

/// A fact by its name, and what it says if it happened on a day.
type Told = (&'static str, fn(&str) -> Value);

/// Facts are never refused for being late or for their order, so neither verifier takes offence at them.
#[test]
fn facts_that_are_told_late_are_no_finding() {
    let told: [Told; 5] = [
        ("service_ended", |_| json!({"by": "client"})),
        ("consent_cancelled", |day| json!({"sent_on": day})),
        ("service_paused", |_| json!({"reason": "away"})),
        ("service_resumed", |_| json!({})),
        ("billing_day_changed", |_| json!({"billing": {"monthly_on": 15}})),
    ];
    for late in [&told[..], &told[..1], &told[1..2], &told[2..3], &told[3..]] {
        let mut events = parse(&log());
        let fee = events[first(&events, "fee_earned")].clone();
        let day = fee["payload"]["start"].as_str().unwrap().to_owned();
        let days = |day: &str| day.parse::<chrono::NaiveDate>().unwrap();
        for (name, payload) in late {
            append(&mut events, &fee["stream"], name, payload(&day));
            let last = events.last_mut().unwrap();
            let recorded = days(last["occurred_on"].as_str().unwrap());
            last["occurred_on"] = json!(day);
            last["late_days"] = json!((recorded - days(&day)).num_days());
        }
        let made = Unpacked::of(&export(&write(&events), Request::All));
        let none: [Vec<String>; 2] = [vec![], vec![]];
        assert_eq!(both(&made.packed()), none, "{late:?}");
    }
}
