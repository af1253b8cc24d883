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
    // In words, not as it is stored.
    assert!(shown.contains("on 2025-05-03: amount USD 5.00; invoice 1"), "{shown}");
    assert!(!shown.contains('{'), "{shown}");
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

#[test]
fn pages_list_no_work_that_was_taken_back_and_say_what_is_not_asked_for() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let page = |name: &str| {
        desk.done(&["invoice", "1", "--html", name]);
        std::fs::read_to_string(desk.folder.path().join(name)).unwrap()
    };
    let before = page("before.html");
    assert!(before.contains("progress report, 20"), "{before}");
    assert!(!before.contains("not asked for"), "{before}");
    let facts = desk.run(&["correct", CASE, "--json"]).json();
    let sent = facts.iter().find(|fact| fact["type"] == "progress_report_sent").unwrap();
    let position = sent["position"].as_str().unwrap();
    let gone = [&["correct", CASE, position, "--taken-back", "--yes"][..], &WHY].concat();
    desk.done(&gone);
    let after = page("after.html");
    assert!(!after.contains("progress report"), "{after}");
    assert!(after.contains("dispute round, 20"), "{after}");
    assert!(after.contains("Not allowed, and not asked for"), "{after}");
    let explained = desk.done(&["explain", CASE, "1"]);
    for said in
        ["claimed", "asked for by the invoice", "found to be not allowed: G4 fully performed"]
    {
        assert!(explained.contains(said), "{said}: {explained}");
    }
    let words: Vec<&str> = explained.split_whitespace().collect();
    assert!(words.join(" ").contains("without which it would hold"), "{explained}");
    let claim = explained.lines().find_map(|line| line.strip_prefix("Claim ")).unwrap();
    let claim = claim.split(':').next().unwrap();
    let named = desk.done(&["explain", CASE, "1", "--claim", claim]);
    assert!(named.contains("found to be not allowed"), "{named}");
}

#[test]
fn an_id_that_nothing_carries_is_answered_as_such() {
    let desk = Desk::with_cases();
    for unknown in ["0000000099", "9999999", "+1 (000) 000-0000", "000000000000000000000099"] {
        let ran = desk.run(&["status", unknown]);
        assert_eq!(ran.code, 3, "{ran:?}");
        assert!(ran.err.contains("no case has this id"), "{ran:?}");
    }
}
