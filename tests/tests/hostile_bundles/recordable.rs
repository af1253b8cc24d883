//! Histories that the ledger could not have recorded, told alike in every file and signed: both verifiers name
//! the event that fits nothing.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use bundle::Openings;
use counterfoil_tests::bundles::try_export;
use counterfoil_tests::forger::number_again;
use counterfoil_tests::history::case_id;

use super::*;

/// The place of the first event of a type, and of one that some values tell apart.
pub(super) fn first(events: &[Value], name: &str) -> usize {
    place(events, name, |_| true)
}

pub(super) fn place(events: &[Value], name: &str, is_it: impl Fn(&Value) -> bool) -> usize {
    let found = events.iter().position(|event| event["event"] == name && is_it(event));
    found.unwrap_or_else(|| panic!("the history has such a {name}"))
}

/// Adds an event of its own request at the end of the log.
pub(super) fn append(events: &mut Vec<Value>, stream: &Value, name: &str, payload: Value) {
    let mut event = events.last().unwrap().clone();
    let number = events.len();
    for member in ["causation", "late_days", "access"] {
        event.as_object_mut().unwrap().remove(member);
    }
    event["stream"] = stream.clone();
    event["event"] = name.into();
    event["payload"] = payload;
    event["event_id"] = format!("00000000-0000-7000-8000-{number:012}").into();
    event["request_id"] = format!("00000000-0000-7000-9000-{number:012}").into();
    let at = event["recorded_at"].as_i64().unwrap();
    let at = chrono::DateTime::from_timestamp_micros(at).unwrap();
    event["occurred_on"] = at.date_naive().to_string().into();
    events.push(event);
    number_again(events);
}

pub(super) fn usd(minor: i64) -> Value {
    json!({"currency": "USD", "minor": minor.to_string()})
}

/// A payment that pays an invoice, and its stream.
fn payment(events: &[Value]) -> (Value, Value) {
    let pays = |event: &Value| !event["payload"]["applied"].as_array().unwrap().is_empty();
    let event = &events[place(events, "payment_settled", pays)];
    (event["stream"].clone(), event["payload"].clone())
}

/// Leaves out what is of a type in the case whose round was the first.
fn without(events: &mut Vec<Value>, name: &str) {
    let stream = events[first(events, "round_sent")]["stream"].clone();
    events.retain(|event| event["event"] != name || event["stream"] != stream);
    number_again(events);
}

pub(super) type Lie = (&'static str, fn(&mut Vec<Value>), &'static [&'static str]);

pub(super) fn all_are_found(lies: &[Lie]) {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    for (name, lie, _) in lies {
        let mut events = parse(&log);
        lie(&mut events);
        // With every table made anew, where the events still make any.
        let forged = write(&events);
        let made = try_export(&forged, Request::All, Openings::default());
        let forged =
            made.map_or_else(|_| sealed_again(&sound, &forged), |made| Unpacked::of(&made));
        forged.pack(&folder.path().join(format!("{name}.zip")));
    }
    let python = python_findings(folder.path());
    for (name, _, words) in lies {
        let file = format!("{name}.zip");
        for found in [&rust_findings(&folder.path().join(&file)), &python[&file]] {
            let named = |finding: &String| words.iter().all(|word| finding.contains(word));
            assert!(found.iter().any(named), "{name}: {words:?} in {found:#?}");
        }
    }
}

#[test]
fn money_that_cannot_have_moved_is_named() {
    all_are_found(&[
        (
            "refund_too_much",
            |events| {
                let (stream, paid) = payment(events);
                let payload = json!({"amount": usd(1_000_000_000_000), "payment": paid["payment"], "refund": "rf-1"});
                append(events, &stream, "refund_issued", payload);
            },
            &["more than was left of a payment"],
        ),
        (
            "refund_below_zero",
            |events| {
                let (stream, paid) = payment(events);
                let payload =
                    json!({"amount": usd(-500), "payment": paid["payment"], "refund": "rf-1"});
                append(events, &stream, "refund_issued", payload);
            },
            &["not above zero"],
        ),
        (
            "chargeback_won_twice",
            |events| {
                let opened = events[first(events, "chargeback_opened")].clone();
                let payload = json!({"chargeback": opened["payload"]["chargeback"]});
                for _ in 0..2 {
                    append(events, &opened["stream"], "chargeback_won", payload.clone());
                }
            },
            &["no chargeback of its name was open"],
        ),
        (
            "payment_twice",
            |events| {
                let (stream, paid) = payment(events);
                append(events, &stream, "payment_settled", paid);
            },
            &["the payment was recorded before"],
        ),
        (
            "applied_too_much",
            |events| {
                let (_, paid) = payment(events);
                let at = place(events, "payment_settled", |e| e["payload"] == paid);
                for member in ["/payload/amount", "/payload/applied/0/amount"] {
                    *events[at].pointer_mut(member).unwrap() = usd(99_900);
                }
                events[at]["payload"]["unearned"] = usd(0);
            },
            &["pays more than was due"],
        ),
        (
            "written_off_too_much",
            |events| {
                let (stream, paid) = payment(events);
                let invoice = &paid["applied"][0]["invoice"];
                let payload = json!({"amount": usd(100_000), "invoice": invoice, "reason": "x"});
                append(events, &stream, "written_off", payload);
            },
            &["more than was open on an invoice"],
        ),
        (
            "unearned_not_told",
            |events| {
                events.remove(first(events, "unearned_payment_found"));
                number_again(events);
            },
            &["no unearned payment was recorded with it"],
        ),
        (
            "another_owner",
            |events| {
                let owner = case_id(7).to_string();
                let at = first(events, "account_opened");
                events[at]["payload"]["owner"] = owner.into();
            },
            &["opened for another client"],
        ),
        (
            "moved_to_itself",
            |events| {
                let stream = events[first(events, "account_opened")]["stream"].clone();
                let own = stream.as_str().unwrap()["account/".len()..].to_owned();
                append(events, &stream, "payment_moved", json!({"to": own}));
            },
            &["not linked to"],
        ),
        (
            "moved_to_nobody",
            |events| {
                let stream = events[first(events, "account_opened")]["stream"].clone();
                append(events, &stream, "payment_moved", json!({"to": case_id(77).to_string()}));
            },
            &["not linked to"],
        ),
    ]);
}

#[test]
fn a_fee_or_an_invoice_that_was_not_earned_so_is_named() {
    fn change(events: &mut [Value], member: &str, value: Value) {
        let at = first(events, "fee_earned");
        events[at]["payload"][member] = value;
    }
    all_are_found(&[
        ("start", |e| change(e, "start", json!("2025-01-07")), &["other days than its period"]),
        ("end", |e| change(e, "end", json!("2025-01-20")), &["other days than its period"]),
        ("earned_on", |e| change(e, "earned_on", json!("2025-01-07")), &["earned on another day"]),
        ("plan", |e| change(e, "plan", json!("other")), &["another plan than its agreement"]),
        ("as_of", |e| change(e, "as_of", json!("2026-01-07")), &["judged as of another day"]),
        ("no_rules", |e| change(e, "rules", json!([])), &["other rule packs than its agreement"]),
        (
            "other_rules",
            |e| change(e, "rules", json!([{"code": "blessed", "version": 1}])),
            &["other rule packs than its agreement"],
        ),
        ("price", |e| change(e, "amount", usd(99_900)), &["is not the agreement's price"]),
        (
            "work",
            |events| {
                let at = first(events, "fee_earned");
                events[at]["payload"]["evidence"].as_array_mut().unwrap().pop();
            },
            &["does not name the work that was promised"],
        ),
        (
            "agreement",
            |events| {
                let at = first(events, "fee_earned");
                events[at]["payload"]["agreement"]["position"] = json!(2);
            },
            &["names another agreement than that of its period"],
        ),
        (
            "account",
            |e| change(e, "account", json!(case_id(9_007).to_string())),
            &["is not on the account that paid"],
        ),
        (
            "no_such_period",
            |e| change(e, "period", json!(400)),
            &["is of a period that the case did not have"],
        ),
        (
            "claimed_twice",
            |events| {
                let fee = events[first(events, "fee_earned")].clone();
                append(events, &fee["stream"], "fee_earned", fee["payload"].clone());
            },
            &["is of a period that was settled"],
        ),
        (
            "agreement_not_named",
            |events| {
                let last = events.iter().rposition(|event| event["event"] == "fee_earned").unwrap();
                assert_ne!(last, first(events, "fee_earned"));
                events[last]["payload"].as_object_mut().unwrap().remove("agreement");
            },
            &["names no agreement, and one before it does"],
        ),
        (
            "line",
            |events| {
                let at = first(events, "invoice_issued");
                events[at]["payload"]["lines"][0]["start"] = json!("2025-01-07");
            },
            &["no earned fee of its own behind it"],
        ),
        (
            "invoice_before_fee",
            |events| {
                let fee = first(events, "fee_earned");
                let request = events[fee]["request_id"].clone();
                let invoice = place(events, "invoice_issued", |e| e["request_id"] == request);
                events.swap(fee, invoice);
                number_again(events);
            },
            &["no earned fee of its own behind it"],
        ),
    ]);
}

#[test]
fn papers_and_firms_that_cannot_be_are_named() {
    fn sign(events: &mut [Value], at: &str, value: Value) {
        let stream = events[first(events, "round_sent")]["stream"].clone();
        let place = place(events, "consent_signed", |signed| signed["stream"] == stream);
        *events[place]["payload"].pointer_mut(at).unwrap() = value;
    }
    all_are_found(&[
        (
            "waived_days",
            |events| {
                let day = events[first(events, "consent_signed")]["occurred_on"].clone();
                sign(events, "/cancel_through", day);
            },
            &["by its own rules the client can cancel through"],
        ),
        (
            "no_days",
            |events| sign(events, "/rules/cancellation/days", json!(0)),
            &["not those of the packs that were in force"],
        ),
        (
            "unknown_pack",
            |events| sign(events, "/rules/packs/0/code", json!("us-xx-nothing")),
            &["us-xx-nothing@", "not adopted"],
        ),
        (
            "other_terms",
            |events| sign(events, "/terms/monthly_work", json!([])),
            &["its terms are not those of the plan"],
        ),
        (
            "cancelled_twice",
            |events| {
                let signed = events[first(events, "consent_signed")].clone();
                for _ in 0..2 {
                    let sent = json!({"sent_on": signed["occurred_on"]});
                    append(events, &signed["stream"], "consent_cancelled", sent);
                }
            },
            &["the same cancellation was recorded before it"],
        ),
        (
            "cancelled_before_it_was_sent",
            |events| {
                let stream = events[first(events, "consent_signed")]["stream"].clone();
                append(events, &stream, "consent_cancelled", json!({"sent_on": "2999-12-31"}));
            },
            &["sent after the day on which it came"],
        ),
        (
            "invented_law",
            |events| {
                let at = first(events, "exposure_found");
                events[at]["payload"]["cites"] = json!("15 USC 9999");
            },
            &["an exposure", "cites"],
        ),
        (
            "papers_never_accepted",
            |events| without(events, "identity_paper_accepted"),
            &["no exposure papers_missing was recorded with it"],
        ),
        (
            "no_basis_attested",
            |events| without(events, "basis_attested"),
            &["no exposure dispute_without_basis was recorded with it"],
        ),
        (
            "never_signed",
            |events| without(events, "consent_signed"),
            &["no exposure no_agreement was recorded with it"],
        ),
        (
            "early",
            |events| sign(events, "/service_from", json!("2025-12-31")),
            &["no exposure early_service was recorded with it"],
        ),
        (
            "enrolled_twice",
            |events| {
                let enrolled = events[first(events, "enrolled")].clone();
                append(events, &enrolled["stream"], "enrolled", enrolled["payload"].clone());
            },
            &["enrols a second time"],
        ),
        (
            "never_enrolled",
            |events| {
                events.remove(first(events, "enrolled"));
                number_again(events);
            },
            &["nobody had enrolled"],
        ),
        (
            "firm_twice",
            |events| {
                let payload = events[0]["payload"].clone();
                append(events, &json!("firm"), "firm_registered", payload);
            },
            &["the firm is registered a second time"],
        ),
        (
            "correcting_and_recording",
            |events| {
                let payload = json!({
                    "access": "00000000-0000-0000-0000-00000000000b", "label": "front desk",
                    "scopes": ["record", "correct"], "token_hash": "03".repeat(32),
                });
                append(events, &"firm".into(), "access_granted", payload);
            },
            &["a token that corrects or accepts also records or bills"],
        ),
        (
            "no_firm",
            |events| {
                events.remove(0);
                number_again(events);
            },
            &["the firm was not registered before it"],
        ),
        (
            "firm_last",
            |events| {
                let payload = events.remove(0)["payload"].clone();
                append(events, &json!("firm"), "firm_registered", payload);
            },
            &["not the first thing in the log"],
        ),
        (
            "future",
            |events| {
                let stream = events[first(events, "enrolled")]["stream"].clone();
                append(events, &stream, "progress_report_sent", json!({}));
                events.last_mut().unwrap()["occurred_on"] = json!("2999-12-31");
            },
            &["it happened after", "on which it was recorded"],
        ),
    ]);
}

#[test]
fn a_code_that_nobody_could_choose_is_no_code() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    for code in
        ["pay-1,,,\r\n219,2025-11-05,refund_issued", "a b", "", "=1+1", "x".repeat(65).as_str()]
    {
        let mut events = parse(&log);
        let at = first(&events, "payment_settled");
        events[at]["payload"]["payment"] = json!(code);
        let forged = sealed_again(&sound, &write(&events));
        both_find(&forged, &["events.jsonl", &format!("position {}:", at + 1)]);
    }
}

/// The page of the client of an account, of a log that both verifiers call sound.
fn page_of(log: &[Vec<u8>], stream: &Value) -> String {
    let made = Unpacked::of(&export(log, Request::All));
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&made.packed()), none);
    let client = stream.as_str().unwrap().trim_start_matches("account/");
    made.text(&format!("report/{client}.html"))
}

#[test]
fn a_page_says_what_was_paid_and_what_is_owed() {
    let mut events = parse(&log());
    let at = place(&events, "enrolled", |_| true);
    let on: chrono::NaiveDate = events[at]["occurred_on"].as_str().unwrap().parse().unwrap();
    let stream = json!(events[at]["stream"].as_str().unwrap().replace("case/", "account/"));
    let quiet = page_of(&write(&events), &stream);
    assert!(quiet.contains("No invoice, charge or payment of the client's account is on record"));
    let paid =
        json!({"amount": usd(30_000), "applied": [], "payment": "set-up", "unearned": usd(30_000)});
    append(&mut events, &stream, "payment_settled", paid);
    let cites = "15 USC 1679b(b)";
    let found = json!({"amount": usd(30_000), "cites": cites, "payment": "set-up"});
    append(&mut events, &stream, "unearned_payment_found", found);
    // Both of one request, and told late.
    let last = events.len() - 1;
    events[last]["request_id"] = events[last - 1]["request_id"].clone();
    let told: chrono::NaiveDate = events[last]["occurred_on"].as_str().unwrap().parse().unwrap();
    for event in &mut events[last - 1..] {
        event["occurred_on"] = json!(on.to_string());
        event["late_days"] = json!((told - on).num_days());
    }
    let page = page_of(&write(&events), &stream);
    assert!(
        page.contains("USD 300.00 was paid on the client's account through that day."),
        "{page}"
    );
    assert!(
        !page.contains("Nothing was charged") && !page.contains("none was asked for"),
        "{page}"
    );
    assert!(page.contains("USD 300.00 of the payment is owed to the client."), "{page}");
    for (amount, owed) in [
        (20_000, "; USD 100.00 of the payment is owed"),
        (10_000, "; nothing of it is owed any more."),
    ] {
        let refund = format!("rf-{amount}");
        let payload = json!({"amount": usd(amount), "payment": "set-up", "refund": refund});
        append(&mut events, &stream, "refund_issued", payload);
        let page = page_of(&write(&events), &stream);
        assert!(page.contains(owed), "{owed}: {page}");
    }
}

#[test]
fn no_page_is_of_a_day_that_was_not_yet() {
    let mut events = parse(&log());
    let stream = events[first(&events, "enrolled")]["stream"].clone();
    append(&mut events, &stream, "progress_report_sent", json!({}));
    events.last_mut().unwrap()["occurred_on"] = json!("2999-12-31");
    let made = Unpacked::of(&export(&write(&events), Request::All));
    for (name, bytes) in made.0.iter().filter(|(name, _)| name.starts_with("report/")) {
        let page = String::from_utf8_lossy(bytes);
        assert!(!page.contains("as of 31 December 2999"), "{name}");
    }
    assert!(!made.text("tables/fees.csv").contains("2999"));
}

#[test]
fn events_of_one_client_that_do_not_fold_make_no_sentence_false() {
    let log = log();
    let sound = Unpacked::of(&export(&log, Request::All));
    let mut events = parse(&log);
    let (stream, paid) = payment(&events);
    let at = place(&events, "payment_settled", |e| e["payload"] == paid);
    events[at]["payload"]["applied"][0]["invoice"] = json!(4711);
    let refund = json!({"amount": usd(-5), "payment": paid["payment"], "refund": "rf-1"});
    append(&mut events, &stream, "refund_issued", refund);
    let forged = sealed_again(&sound, &write(&events));
    let found = both_find(&forged, &["pays more than was due"]);
    for findings in &found {
        assert!(findings.iter().any(|f| f.contains("not above zero")), "{findings:#?}");
        for lie in ["make no such file", "no earned fee of its own"] {
            assert!(!findings.iter().any(|f| f.contains(lie)), "{lie}: {findings:#?}");
        }
    }
}

#[test]
fn a_part_states_that_nobody_looked_and_says_what_it_cannot_show() {
    let log = log();
    let case = case_id(1);
    let part = Unpacked::of(&export(&log, Request::Cases([case].into())));
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&part.packed()), none);
    let stated = part.text("proofs/streams.txt");
    let line = format!("looks/{case} 0\n");
    assert!(stated.contains(&line), "{stated}");
    both_find(
        &part.forged("proofs/streams.txt", stated.replace(&line, "")),
        &["proofs/streams.txt"],
    );
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("it.zip");
    part.pack(&path);
    let said = python(&path, &[]);
    for words in ["under a version that is here", "tells of others", "nobody looked"] {
        assert!(said.contains(words), "{words} in {said}");
    }
    let day = |text: &str| text.parse().unwrap();
    let days = Request::Days { from: day("2025-01-06"), through: day("2025-01-12") };
    Unpacked::of(&export(&log, days)).pack(&path);
    let said = python(&path, &[]);
    assert!(said.contains("a case with an event in these days is missing"), "{said}");
}

#[test]
fn a_label_that_a_spreadsheet_calculates_is_refused_and_an_old_one_is_guarded() {
    use counterfoil_tests::history::Move;
    use domain::command::{Command, Dated, FirmAction};
    use domain::event::{AccessGranted, Scope};
    use domain::ids::{AccessId, DocumentHash};
    use domain::value::Text;
    let shape = Shape { clients: 2, enrol_days: 5, nonsense_percent: 0 };
    let mut crm = Crm::new(7, shape);
    let mut player = Player::days(&mut crm, 10);
    let now = player.log.last().unwrap().recorded_at;
    let occurred_on = player.log.last().unwrap().occurred_on;
    let mut grant = |number: u128, label: &str| {
        let granted = AccessGranted {
            access: AccessId(uuid::Uuid::from_u128(number)),
            bounds: None,
            expires_on: None,
            label: Text::parse(label).unwrap(),
            scopes: [Scope::Read].into(),
            token_hash: DocumentHash([0; 32]),
        };
        let action =
            Dated { occurred_at: None, occurred_on, action: FirmAction::GrantAccess(granted) };
        player.play(&Move { now, command: Command::Firm { action } }).map(|_| ())
    };
    for (number, label) in (1..).zip(["=HYPERLINK(1)", "@SUM(1+1)", "+desk", "-desk", "'=1"]) {
        let refusal = grant(number, label).unwrap_err();
        assert!(format!("{refusal:?}").contains("must not begin with"), "{label}: {refusal:?}");
    }
    grant(9, "desk = 1").unwrap();
    // What was granted before that was refused.
    let mut events = parse(&log());
    append(
        &mut events,
        &json!("firm"),
        "access_used",
        json!({"cases": [], "kind": "read", "what": "=1+1"}),
    );
    events.last_mut().unwrap()["actor"] = json!("@SUM(1+1)");
    let made = Unpacked::of(&export(&write(&events), Request::All));
    let none: [Vec<String>; 2] = [vec![], vec![]];
    assert_eq!(both(&made.packed()), none);
    for table in ["access", "timeline"] {
        assert!(made.text(&format!("tables/{table}.csv")).contains(",'@SUM(1+1),"), "{table}");
    }
}
