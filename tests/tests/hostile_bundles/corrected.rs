//! Corrections of money and of the firm that nobody can have made, and names that are of two movements, told alike in
//! every file and signed.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::recordable::{all_are_found, append, first, place, usd};
use super::*;

fn named(event: &Value) -> Value {
    json!({"id": event["event_id"], "position": event["position"]})
}

/// The last payment: nothing rests on it yet, in a history of which no correction tells.
fn paid(events: &[Value]) -> Value {
    let rests = |payment: &Value| {
        let name = &payment["payload"]["payment"];
        events.iter().any(|event| {
            event["event"] != "payment_settled" && event["payload"]["payment"] == *name
                || event["event"] == "money_deposited"
                    && event["payload"].to_string().contains(name.as_str().unwrap())
        })
    };
    let is_corrected = |payment: &Value| {
        events.iter().any(|event| event["payload"]["fact"]["position"] == payment["position"])
    };
    let is_free = |event: &Value| {
        let unearned = event["payload"]["unearned"]["minor"] == "0";
        unearned && !rests(event) && !is_corrected(event)
    };
    events[place(events, "payment_settled", is_free)].clone()
}

/// Takes a fact about money back, as the account would; `change` makes it a lie.
fn take_back(events: &mut Vec<Value>, fact: &Value, change: impl Fn(&mut Value)) {
    let mut correction = json!({
        "fact": named(fact), "kind": fact["event"], "reason": "mistyped", "said_by": "the bookkeeper",
    });
    change(&mut correction);
    append(events, &fact["stream"], "money_corrected", correction);
}

#[test]
fn a_correction_of_money_that_cannot_be_is_named() {
    all_are_found(&[
        (
            "of_no_fact",
            |events| {
                let fact = paid(events);
                take_back(events, &fact, |c| c["fact"]["position"] = 1.into());
            },
            &["no fact in force about money of this account"],
        ),
        (
            "of_another_account",
            |events| {
                let fact = paid(events);
                let is_other = |event: &Value| event["stream"] != fact["stream"];
                let other = events[place(events, "payment_settled", is_other)].clone();
                take_back(events, &fact, |c| c["fact"] = named(&other));
            },
            &["no fact in force about money of this account"],
        ),
        (
            "twice",
            |events| {
                let fact = paid(events);
                take_back(events, &fact, |_| ());
                take_back(events, &fact, |_| ());
            },
            &["no fact in force about money of this account"],
        ),
        (
            "of_another_kind",
            |events| {
                let fact = paid(events);
                take_back(events, &fact, |c| c["kind"] = "written_off".into());
            },
            &["the fact is of another kind"],
        ),
        (
            "of_what_others_rest_on",
            |events| {
                let opened = events[first(events, "chargeback_opened")].clone();
                let is_its =
                    |event: &Value| event["payload"]["payment"] == opened["payload"]["payment"];
                let fact = events[place(events, "payment_settled", is_its)].clone();
                take_back(events, &fact, |_| ());
            },
            &["it is taken back, and"],
        ),
        (
            "anew_and_not_told",
            |events| {
                let fact = paid(events);
                let own = fact["stream"].as_str().unwrap()["account/".len()..].to_owned();
                take_back(events, &fact, |c| c["again"] = own.clone().into());
            },
            &["told anew, and it is not"],
        ),
        (
            "moved_and_not_told_there",
            |events| {
                let fact = paid(events);
                let is_other = |event: &Value| event["stream"] != fact["stream"];
                let other = events[place(events, "account_opened", is_other)].clone();
                let other = other["stream"].as_str().unwrap()["account/".len()..].to_owned();
                take_back(events, &fact, |c| c["again"] = other.clone().into());
            },
            &["told anew, and it is not"],
        ),
        (
            "its_invoice_is_paid_still",
            |events| {
                // Taken back, and paid once more: the name was free.
                let fact = paid(events);
                take_back(events, &fact, |_| ());
                append(events, &fact["stream"], "payment_settled", fact["payload"].clone());
                append(events, &fact["stream"], "payment_settled", fact["payload"].clone());
            },
            &["the payment was recorded before"],
        ),
    ]);
}

/// A refund of one dollar of a payment, and what of it is said to give back what was owed.
fn refund_of_owed(events: &mut Vec<Value>, amount: i64, exposed: impl Fn(i64) -> i64) {
    let fact = paid(events);
    let invoice = &fact["payload"]["applied"][0]["invoice"];
    let is_its = |event: &Value| event["payload"]["number"] == *invoice;
    let issued = &events[place(events, "invoice_issued", is_its)]["payload"];
    let whole: i64 = issued["lines"][0]["amount"]["minor"].as_str().unwrap().parse().unwrap();
    let owed = json!([{
        "amount": usd(amount), "exposed": usd(exposed(whole)), "invoice": invoice, "line": 1,
    }]);
    let refund = json!({"amount": usd(100), "owed": owed, "payment": fact["payload"]["payment"], "refund": "rf-owed"});
    append(events, &fact["stream"], "refund_issued", refund);
}

#[test]
fn a_refund_of_what_was_not_owed_is_named() {
    all_are_found(&[
        (
            "owed_more_than_was",
            |events| refund_of_owed(events, 100, |_| 1),
            &["does not give back what was owed as it says"],
        ),
        (
            "owed_of_nothing_exposed",
            |events| refund_of_owed(events, 100, |whole| whole),
            &["something else was exposed"],
        ),
    ]);
}

#[test]
fn a_name_that_is_of_two_movements_of_a_firm_is_named() {
    all_are_found(&[(
        "of_two_accounts",
        |events| {
            let fact = paid(events);
            let is_other = |event: &Value| event["stream"] != fact["stream"];
            let other = events[place(events, "account_opened", is_other)].clone();
            let amount = &fact["payload"]["amount"];
            let zero = json!({"currency": "USD", "minor": "0"});
            let mut payment = fact["payload"].clone();
            payment.as_object_mut().unwrap().remove("lines");
            payment["applied"] = json!([]);
            payment["unearned"] = amount.clone();
            assert_ne!(payment["unearned"], zero);
            append(events, &other["stream"], "payment_settled", payment.clone());
            let request = events.last().unwrap()["request_id"].clone();
            let found = json!({"amount": amount, "cites": "15 USC 1679b(b)", "payment": payment["payment"]});
            append(events, &other["stream"], "unearned_payment_found", found);
            events.last_mut().unwrap()["request_id"] = request;
        },
        &["is recorded on account", "too"],
    )]);
}

#[test]
fn a_correction_of_the_firm_that_cannot_be_is_named() {
    fn correct(events: &mut Vec<Value>, change: impl Fn(&mut Value)) {
        let fact = events[first(events, "pack_adopted")].clone();
        let mut correction = json!({
            "fact": named(&fact), "kind": "pack_adopted", "reason": "mistyped", "said_by": "the owner",
        });
        change(&mut correction);
        append(events, &json!("firm"), "firm_corrected", correction);
    }
    all_are_found(&[
        (
            "firm_of_no_fact",
            |events| correct(events, |c| c["fact"]["position"] = 1.into()),
            &["no fact in force of this kind"],
        ),
        (
            "firm_of_another_kind",
            |events| correct(events, |c| c["kind"] = "standing_recorded".into()),
            &["no fact in force of this kind"],
        ),
        (
            "firm_twice",
            |events| {
                correct(events, |_| ());
                correct(events, |_| ());
            },
            &["no fact in force of this kind"],
        ),
        (
            "firm_anew_and_not_told",
            |events| correct(events, |c| c["again"] = true.into()),
            &["told anew, and it is not"],
        ),
        (
            "firm_anew_and_something_else_told",
            |events| {
                correct(events, |c| c["again"] = true.into());
                let fact = events[first(events, "bureau_registered")].clone();
                append(events, &json!("firm"), "bureau_registered", fact["payload"].clone());
            },
            &["told anew, and it is not"],
        ),
    ]);
}
