//! `import` and `results`: files of actions.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs;

use common::{Desk, data};
use serde_json::json;

const CASE: &str = "firms/-/cases/00000000-0000-7000-8000-0000000000c1";
const SECOND: &str = "firms/-/cases/00000000-0000-7000-8000-0000000000c2";

fn cases() -> String {
    data("cases.jsonl").to_str().unwrap().to_owned()
}

fn action(on: (i32, i32, i32), what: serde_json::Value) -> serde_json::Value {
    let mut action = what;
    action["occurredOn"] = json!({ "year": on.0, "month": on.1, "day": on.2 });
    action
}

#[test]
fn a_file_that_is_imported_twice_changes_nothing_the_second_time() {
    let desk = Desk::with_firm();
    let first = desk.run(&["import", &cases(), "--json"]);
    assert_eq!(first.code, 0, "{first:?}");
    let summary = &first.json()[0]["summary"];
    assert_eq!((&summary["lines"], &summary["recorded"]), (&json!(8), &json!(8)));
    let log = desk.log();
    let second = desk.run(&["import", &cases(), "--json"]);
    let summary = &second.json()[0]["summary"];
    assert_eq!((&summary["recorded"], &summary["alreadyRecorded"]), (&json!(0), &json!(8)));
    assert_eq!(desk.log(), log);
}

#[test]
fn a_line_whose_fact_was_taken_back_since_is_not_already_there() {
    let desk = Desk::with_cases();
    let message =
        json!({ "messageLogged": { "direction": "DIRECTION_INCOMING", "text": "hello" } });
    let message = json!({ "name": CASE, "actions": [action((2025, 3, 22), message)] });
    let payment = |name: &str, day| {
        json!({
            "name": CASE.replace("cases", "accounts"),
            "occurredOn": { "year": 2025, "month": 5, "day": day },
            "settled": { "payment": name, "amount": { "currencyCode": "USD", "units": "20" } },
        })
    };
    let lines = [message, payment("pay-1", 9), payment("pay-2", 2)].map(|line| line.to_string());
    let file = desk.file("told.jsonl", &lines.join("\n"));
    desk.done(&["import", &file]);
    // Oldest first, whichever was told first.
    let exposures = desk.run(&["payment", "exposures", "--json"]).json().remove(0);
    let found: Vec<_> = exposures["exposures"].as_array().unwrap().iter().collect();
    assert_eq!((&found[0]["foundOn"]["day"], &found[1]["foundOn"]["day"]), (&json!(2), &json!(9)));

    let case = CASE.rsplit('/').next().unwrap();
    let position = |kind: &str| {
        let facts = desk.run(&["correct", case, "--json"]).json();
        let fact = facts.iter().find(|fact| fact["type"] == kind).unwrap();
        fact["position"].as_str().unwrap().to_owned()
    };
    let correct = |position: &str, becomes: &[&str]| {
        let why = ["--reason", "it was mistyped", "--said-by", "the bookkeeper", "--yes"];
        desk.done(&[&["correct", case, position], becomes, &why].concat());
    };
    // Told anew of another day it is there; taken back it is not, whether it was told anew before or not.
    let paid = position("payment_settled");
    correct(&paid, &["--on", "2025-05-08"]);
    let again = desk.run(&["import", &file, "--json"]);
    assert_eq!((again.code, &again.json()[0]["summary"]["alreadyRecorded"]), (0, &json!(3)));
    correct(&position("message_logged"), &["--taken-back"]);
    let facts = desk.run(&["correct", case, "--json"]).json();
    let anew = facts.iter().find(|fact| fact["now"] == "corrected").unwrap();
    correct(anew["position"].as_str().unwrap(), &["--taken-back"]);
    let again = desk.run(&["import", &file, "--json"]);
    assert_eq!(again.code, 3, "{again:?}");
    let told = again.json();
    assert_eq!([&told[0]["line"], &told[1]["line"]], [&json!(1), &json!(2)], "{told:?}");
    assert!(told[0]["reason"].as_str().unwrap().contains("taken back since at position"));
    let summary = &told[2]["summary"];
    assert_eq!((&summary["alreadyRecorded"], &summary["bad"]), (&json!(1), &json!(2)));
}

#[test]
fn bad_lines_are_named_and_the_rest_goes_on() {
    let desk = Desk::with_firm();
    let good = fs::read_to_string(cases()).unwrap();
    let mut lines: Vec<String> = good.lines().map(str::to_owned).collect();
    // A card number in a text: refused at the door and never echoed.
    let card = "4111 1111 1111 1111";
    let message = json!({ "messageLogged": { "direction": "DIRECTION_INCOMING", "text": card } });
    let with_card = json!({ "name": CASE, "actions": [action((2025, 3, 22), message)] });
    // A round on a listing for which nobody attested a basis.
    let round = json!({ "sendRound": { "letters": [
        { "bureau": "harbor", "items": ["z"], "mailClass": "MAIL_CLASS_CERTIFIED" },
    ] } });
    let no_basis = json!({ "name": CASE, "actions": [action((2025, 3, 23), round)] });
    let misspelt =
        json!({ "name": CASE, "actions": [action((2025, 3, 22), json!({ "opnWork": {} }))] });
    lines.insert(1, "{ this is no JSON".to_owned());
    lines.push(with_card.to_string());
    lines.push(no_basis.to_string());
    lines.push(misspelt.to_string());
    let file = desk.file("mixed.jsonl", &lines.join("\n"));

    let ran = desk.run(&["import", &file, "--json"]);
    assert_eq!(ran.code, 3, "{ran:?}");
    let told = ran.json();
    let (summary, bad) = told.split_last().unwrap();
    assert_eq!(summary["summary"]["recorded"], 8, "{ran:?}");
    assert_eq!(summary["summary"]["bad"], 4, "{ran:?}");
    let bad_lines: Vec<_> = bad.iter().map(|bad| bad["line"].as_u64().unwrap()).collect();
    let mut sorted = bad_lines.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, [2, 10, 11, 12]);
    let field = |line: u64| {
        let at = bad_lines.iter().position(|bad| *bad == line).unwrap();
        bad[at]["field"].as_str().unwrap().to_owned()
    };
    assert_eq!(field(2), "line");
    assert_eq!(field(10), "actions[0].message_logged.text");
    assert_eq!(field(12), "actions[0].opnWork");

    let ran = desk.run(&["import", &file]);
    assert_eq!(ran.code, 3);
    assert!(ran.err.contains("line 10: actions[0].message_logged.text: "), "{ran:?}");
    assert!(!ran.err.contains("4111") && !ran.out.contains("4111"), "a value is echoed: {ran:?}");
}

#[test]
fn a_dry_run_says_what_would_happen_and_changes_nothing() {
    let desk = Desk::with_firm();
    let log = desk.log();
    let ran = desk.run(&["import", &cases(), "--dry-run", "--json"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert_eq!(ran.json()[0]["summary"]["recorded"], 8);
    assert_eq!(ran.json()[0]["summary"]["dryRun"], "scratch copy");
    assert_eq!(desk.log(), log);
    // It goes by the rules, not only by the form: the second line enrols the same client again.
    let text = fs::read_to_string(cases()).unwrap();
    let enrolment = text.lines().next().unwrap();
    let again = enrolment.replacen('{', "{ ", 1);
    let ran = desk.run(&[
        "import",
        &desk.file("twice.jsonl", &format!("{enrolment}\n{again}\n")),
        "--dry-run",
    ]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.err.contains("CASE_EXISTS"), "{ran:?}");
    assert_eq!(desk.log(), log);
}

#[test]
fn an_import_goes_on_from_a_line() {
    let desk = Desk::with_firm();
    let ran = desk.run(&["import", &cases(), "--from-line", "8", "--json"]);
    assert_eq!(ran.json()[0]["summary"]["lines"], 1);
    assert!(desk.done(&["clients"]).contains("Ben Finch"));
}

#[test]
fn a_refused_line_is_asked_for_again_once_what_it_lacked_is_there() {
    let desk = Desk::with_firm();
    let text = fs::read_to_string(cases()).unwrap();
    let (enrolment, rest) = text.split_once('\n').unwrap();
    let rest = desk.file("rest.jsonl", rest);
    let ran = desk.run(&["import", &rest, "--json"]);
    assert_eq!(ran.code, 3, "nobody had enrolled: {ran:?}");
    desk.done(&["import", &desk.file("enrolment.jsonl", enrolment)]);
    // The service keeps its word about a request, and says when it gave it; the file's lines are new ones.
    let ran = desk.run(&["import", &rest, "--json"]);
    assert_eq!((ran.code, &ran.json()[0]["summary"]["recorded"]), (0, &json!(6)), "{ran:?}");
    let log = desk.log();
    let ran = desk.run(&["import", &rest, "--json"]);
    assert_eq!(ran.json()[0]["summary"]["alreadyRecorded"], 7, "{ran:?}");
    assert_eq!(desk.log(), log);
}

#[test]
fn a_corrected_file_is_taken_whole_and_a_line_with_its_own_id_keeps_its_answer() {
    let desk = Desk::with_firm();
    let text = fs::read_to_string(cases()).unwrap();
    let wrong = text.replacen("\"plan\":\"standard\"", "\"plan\":\"standrad\"", 1);
    assert_ne!(wrong, text);
    assert_eq!(desk.run(&["import", &desk.file("wrong.jsonl", &wrong)]).code, 3);
    let ran = desk.run(&["import", &cases(), "--json"]);
    assert_eq!((ran.code, &ran.json()[0]["summary"]["bad"]), (0, &json!(0)), "{ran:?}");

    let line = r#"{"requestId":"00000000-0000-7000-8000-0000000000a1","name":"firms/-/cases/00000000-0000-7000-8000-0000000000ff","actions":[{"occurredOn":{"year":2025,"month":3,"day":3},"openWork":{}}]}"#;
    let own = desk.file("own.jsonl", &format!("{line}\n"));
    let first = desk.run(&["import", &own]);
    assert!(first.code == 3 && !first.err.contains("the answer of"), "{first:?}");
    let again = desk.run(&["import", &own]);
    assert!(again.code == 3 && again.err.contains("this is the answer of 20"), "{again:?}");
}

#[test]
fn what_became_of_charges_is_recorded_from_the_processors_file() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk.done(&["charges", "--as-of", "2025-05-01", "--outbox", "outbox"]);
    let mut files = fs::read_dir(desk.folder.path().join("outbox")).unwrap();
    let charges = fs::read_to_string(files.next().unwrap().unwrap().path()).unwrap();
    let charge: serde_json::Value = serde_json::from_str(charges.lines().next().unwrap()).unwrap();
    assert_eq!((&charge["invoice"], &charge["amount_minor"]), (&json!(1), &json!("19900")));
    let results = desk.file(
        "results.jsonl",
        "{\"outcome\":\"settled\",\"invoice\":1,\"payment\":\"pay-1\",\"amount_minor\":19900,\"on\":\"2025-05-01\"}\n\
         {\"outcome\":\"settled\",\"invoice\":9,\"payment\":\"pay-9\",\"amount_minor\":100,\"on\":\"2025-05-01\"}\n",
    );
    let ran = desk.run(&["results", &results]);
    assert_eq!(ran.code, 3, "there is no invoice 9: {ran:?}");
    assert!(ran.err.contains("line 2"), "{ran:?}");
    let invoice = desk.run(&["invoice", "1", "--json"]).json().remove(0);
    assert_eq!(invoice["invoice"]["state"], "INVOICE_STATE_PAID", "{invoice}");
    // A refund names its payment, not its account.
    let refund = json!({
        "occurredOn": { "year": 2025, "month": 5, "day": 9 },
        "refunded": {
            "refund": "ref-1", "payment": "pay-1",
            "amount": { "currencyCode": "USD", "units": "20" },
        },
    });
    desk.done(&["results", &desk.file("refund.jsonl", &refund.to_string())]);
    let payments = desk.run(&["payment", "list", "--json"]).json().remove(0);
    assert_eq!(payments["payments"][0]["state"], "PAYMENT_STATE_REFUNDED_PARTLY", "{payments}");
    // Actions do not belong into a file of results.
    let wrong =
        json!({ "name": SECOND, "actions": [action((2025, 3, 22), json!({ "openWork": {} }))] });
    assert_eq!(desk.run(&["results", &desk.file("wrong.jsonl", &wrong.to_string())]).code, 3);
}
