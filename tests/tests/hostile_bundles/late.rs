//! What was told late, rightly or wrongly.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use rand::rngs::StdRng;
use rand::{RngExt as _, SeedableRng as _};

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

/// One fact about three listings at one bureau; `day` is the day it happened, and of a report that of its issue.
fn of_listings(
    rng: &mut StdRng,
    day: &str,
    rounds: &mut u32,
    contact: &Value,
) -> (&'static str, Value) {
    let bureau = "east";
    let item = format!("late-{}", rng.random_range(0..3));
    let round = rng.random_range(rounds.saturating_sub(2)..=*rounds);
    match rng.random_range(0..12) {
        0..=3 => {
            let mut items: Vec<String> = (0..3).map(|number| format!("late-{number}")).collect();
            items.retain(|_| rng.random_bool(0.7));
            let seen = |item: &String| json!({"delinquent_since": day, "furnisher": "Example", "item": item, "kind": "collection"});
            let seen: Vec<Value> = items.iter().map(seen).collect();
            let report = json!({
                "bureau": bureau, "free_annual": rng.random_bool(0.2), "inquiries": 0, "issued_on": day,
                "items": seen, "listings": seen.len(),
            });
            ("report_imported", report)
        }
        4 | 5 => {
            *rounds += 1;
            let letter = json!({"bureau": bureau, "items": [item], "mail_class": "certified"});
            ("round_sent", json!({"contact": contact, "letters": [letter], "round": *rounds}))
        }
        6..=8 => {
            let outcomes = ["deleted", "corrected", "verified", "frivolous", "no_answer"];
            let outcome = outcomes[rng.random_range(0..5)];
            let said = json!([{"item": item, "outcome": outcome}]);
            let answer =
                json!({"bureau": bureau, "determined_on": day, "outcomes": said, "round": round});
            ("response_received", answer)
        }
        9 => ("item_reinserted", json!({"bureau": bureau, "item": item, "seen_by": "notice"})),
        10 => ("client_information_sent", json!({"bureau": bureau, "round": round})),
        _ => ("letter_delivered", json!({"bureau": bureau, "round": round})),
    }
}

/// Where listings stand and which clocks ran follows from the days alone, in both languages, whatever the order of
/// telling and whatever one request lists of a day.
#[test]
fn listings_told_in_any_order_are_the_same_to_both_verifiers() {
    let mut clocks = String::new();
    for seed in 0..6 {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut events = parse(&log());
        let sent = events[first(&events, "round_sent")].clone();
        let (stream, contact) = (&sent["stream"], &sent["payload"]["contact"]);
        let attest = |number: u32| json!({"basis": "not_mine", "bureau": "east", "item": format!("late-{number}")});
        for number in 0..3 {
            append(&mut events, stream, "basis_attested", attest(number));
        }
        let of_case = |event: &&Value| event["stream"] == *stream && event["event"] == "round_sent";
        let mut rounds = u32::try_from(events.iter().filter(of_case).count()).unwrap();
        let last = events.last().unwrap()["occurred_on"].as_str().unwrap().to_owned();
        let last: chrono::NaiveDate = last.parse().unwrap();
        // A letter about all three, for the answers.
        let letter =
            json!({"bureau": "east", "items": ["late-0", "late-1", "late-2"], "mail_class": "fax"});
        rounds += 1;
        let begun = json!({"contact": contact, "letters": [letter], "round": rounds});
        append(&mut events, stream, "round_sent", begun);
        for _ in 0..40 {
            let on = last - chrono::Days::new(rng.random_range(0..25));
            let (name, payload) = of_listings(&mut rng, &on.to_string(), &mut rounds, contact);
            let named = |event: &&Value| {
                let letters = event["payload"]["letters"].as_array();
                event["stream"] == *stream
                    && event["payload"]["round"] == payload["round"]
                    && letters.is_some_and(|l| l.iter().any(|letter| letter["bureau"] == "east"))
            };
            if name != "round_sent"
                && payload.get("round").is_some()
                && !events.iter().any(|e| named(&e))
            {
                continue;
            }
            append(&mut events, stream, name, payload);
            let (before, told) =
                events.split_last_mut().map(|(told, before)| (before, told)).unwrap();
            if rng.random_bool(0.4) {
                told["request_id"] = before.last().unwrap()["request_id"].clone();
            }
            told["occurred_on"] = json!(on.to_string());
            let late = (last - on).num_days();
            if late > 7 {
                told["late_days"] = json!(late);
            }
        }
        let made = Unpacked::of(&export(&write(&events), Request::All));
        clocks += &made.text("tables/responses_and_clocks.csv");
        let [ours, theirs] = both(&made.packed());
        let of_fees = |finding: &&String| !finding.contains("exposure ");
        assert_eq!(
            ours.iter().filter(of_fees).collect::<Vec<_>>(),
            Vec::<&String>::new(),
            "{seed}"
        );
        assert_eq!(
            theirs.iter().filter(of_fees).collect::<Vec<_>>(),
            Vec::<&String>::new(),
            "{seed}"
        );
    }
    for clock in ["reinsertion_notice", "frivolous_notice", "extended", "free_report"] {
        assert!(clocks.contains(clock), "{clock}");
    }
}

/// Reports from before lists were kept take theirs from the order of the log, in both languages.
#[test]
fn a_log_from_before_lists_were_kept_is_the_same_to_both_verifiers() {
    let mut events = parse(&log());
    let mut reports = 0;
    for event in events.iter_mut().filter(|event| event["event"] == "report_imported") {
        event["payload"].as_object_mut().unwrap().remove("items");
        reports += 1;
    }
    let made = Unpacked::of(&export(&write(&events), Request::All));
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&made.packed()), none);
    assert!(reports > 50, "{reports}");
}
