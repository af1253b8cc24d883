//! Putting right at a terminal what was told wrongly of money.

use crate::common;

use common::Desk;

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";

const WHY: [&str; 4] = ["--reason", "it was mistyped", "--said-by", "the bookkeeper"];

#[test]
fn what_was_told_wrongly_of_money_is_listed_shown_and_put_right() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk.done(&["payment", "credit", "1", "5.00", "--reason", "a kindness", "--on", "2025-05-02"]);
    let facts = desk.run(&["correct", CASE, "--json"]).json();
    let credit = facts.iter().find(|fact| fact["type"] == "credit_granted").unwrap();
    let position = credit["position"].as_str().unwrap();

    let ask = [&["correct", CASE, position, "--on", "2025-05-03"][..], &WHY].concat();
    let shown = desk.done(&ask);
    assert!(shown.contains("The credit granted told at position"), "{shown}");
    assert!(shown.contains("Nothing is recorded"), "{shown}");
    let gone = [&["correct", CASE, position, "--taken-back"][..], &WHY].concat();
    let shown = desk.done(&gone);
    assert!(shown.contains("USD 5.00 credited"), "{shown}");
    let done = desk.done(&[&gone[..], &["--yes"]].concat());
    assert!(done.contains("Both readings stay in the log."), "{done}");
    let facts = desk.run(&["correct", CASE, "--json"]).json();
    let credit = facts.iter().find(|fact| fact["type"] == "credit_granted").unwrap();
    assert_eq!(credit["now"], "taken back");
    let again = desk.run(&gone);
    assert_ne!(again.code, 0);
    assert!(again.err.contains("record what happened as a fact of its own"), "{again:?}");
}

#[test]
fn what_a_firm_told_wrongly_of_itself_is_listed_shown_and_put_right() {
    let desk = Desk::with_firm();
    let standing = r#"{"kind":"STANDING_KIND_REGISTRATION","stateCode":"TX",
        "validFrom":{"year":2025,"month":1,"day":1},"validThrough":{"year":2025,"month":12,"day":30}}"#;
    let file = desk.file("standing.json", standing);
    desk.done(&["firm", "standing", &file, "--on", "2025-01-02"]);
    let position = || {
        let facts = desk.run(&["firm", "correct", "--json"]).json();
        let told = facts.iter().rfind(|fact| fact["type"] == "standing_recorded").unwrap();
        (told["position"].as_str().unwrap().to_owned(), told["now"].clone())
    };
    let (at, _) = position();
    let anew = standing.replace("\"day\":30", "\"day\":31");
    let anew = format!(r#"{{"occurredOn":{{"year":2025,"month":1,"day":2}},"standing":{anew}}}"#);
    let anew = desk.file("anew.json", &anew);
    let ask = [&["firm", "correct", &at, "--as", &anew][..], &WHY].concat();
    let shown = desk.done(&ask);
    assert!(shown.contains("2025-12-30") && shown.contains("2025-12-31"), "{shown}");
    assert!(shown.contains("Nothing is recorded"), "{shown}");
    let done = desk.done(&[&ask[..], &["--yes"]].concat());
    assert!(done.contains("review shows which fees it changes"), "{done}");
    let (newer, now) = position();
    assert_ne!(newer, at);
    assert_eq!(now, "corrected");
}
