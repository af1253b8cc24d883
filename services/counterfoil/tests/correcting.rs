//! Putting right at a terminal what was told wrongly of money.

use crate::common;

use common::Desk;

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";

const OTHER: &str = "00000000-0000-7000-8000-0000000000c2";

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

/// Both clients wrote on one day.
fn logged(desk: &Desk) {
    let line = |case: &str| {
        format!(
            r#"{{"name":"firms/-/cases/{case}","actions":[{{"occurredOn":{{"year":2025,"month":3,"day":4}},"messageLogged":{{"direction":"DIRECTION_INCOMING","text":"thank you"}}}}]}}"#
        )
    };
    let lines = desk.file("messages.jsonl", &[line(CASE), line(OTHER)].join("\n"));
    desk.done(&["import", &lines]);
}

/// One mistake over many clients: shown in all, refused in all if one of them is, recorded once however often tried.
#[test]
fn one_mistake_over_many_clients_is_shown_and_put_right_at_once() {
    let desk = Desk::with_cases();
    logged(&desk);
    let followed = desk.done(&["follow", "--once", "--json", "--types", "message_logged"]);
    let events: Vec<&str> = followed.lines().filter(|line| line.contains("\"event\"")).collect();
    assert_eq!(events.len(), 2, "{followed}");
    // As it was printed, with the line that says how far it went.
    let file = desk.file("positions.txt", &followed);
    let ask = [&["correct", "--each", &file, "--taken-back"][..], &WHY].concat();
    let shown = desk.done(&ask);
    assert!(shown.contains("2 facts of 2 clients"), "{shown}");
    assert!(shown.contains("Nothing is recorded."), "{shown}");

    // A position of no client's file, and a line that names none: nothing of any client is recorded.
    let bad = desk.file("bad.txt", &format!("{}\n1\n", events[0]));
    let refused =
        desk.run(&[&["correct", "--each", &bad, "--taken-back", "--yes"][..], &WHY].concat());
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(
        refused.err.contains("position 1 is no fact of a client's case but of firm"),
        "{refused:?}"
    );
    let bad = desk.file("bad.txt", "{\"position\":\"x\"}");
    let refused = desk.run(&[&["correct", "--each", &bad, "--taken-back"][..], &WHY].concat());
    assert!(refused.err.contains("line 1: must be the position of a fact"), "{refused:?}");

    let batch = ["--yes", "--request-id", "018f3b7a-0000-7000-8000-000000000001"];
    let done = desk.done(&[&ask[..], &batch].concat());
    assert!(done.contains("Both readings stay in the log."), "{done}");
    let count = || desk.run(&["follow", "--once", "--json"]).json().len();
    let once = count();
    desk.done(&[&ask[..], &batch].concat());
    assert_eq!(count(), once, "a second try finds what the first recorded");
    // Taken back already: each client's is refused, and said.
    let again = desk.run(&[&ask[..], &["--yes"]].concat());
    assert_eq!(again.code, 3, "{again:?}");
    assert!(again.out.contains("Nothing is recorded of any client."), "{again:?}");
}

#[test]
fn a_fact_of_the_wrong_client_is_shown_of_both_and_moved() {
    let desk = Desk::with_cases();
    let facts = desk.run(&["correct", CASE, "--json"]).json();
    let report = facts.iter().find(|fact| fact["type"] == "progress_report_sent").unwrap();
    let position = report["position"].as_str().unwrap();
    let other = OTHER;
    let ask = [&["correct", CASE, position, "--to", other][..], &WHY].concat();
    let shown = desk.done(&ask);
    assert!(shown.contains(&format!("Of client {other}")), "{shown}");
    desk.done(&[&ask[..], &["--yes"]].concat());
    let there = desk.run(&["correct", other, "--json"]).json();
    let on = &report["occurredOn"];
    assert!(
        there
            .iter()
            .any(|fact| fact["type"] == "progress_report_sent" && fact["occurredOn"] == *on)
    );
    let here = desk.run(&["correct", CASE, "--json"]).json();
    let gone = here.iter().find(|fact| fact["type"] == "progress_report_sent").unwrap();
    assert_eq!(gone["now"], "taken back, another person's");
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
    assert!(words.join(" ").contains("without which it would pass"), "{explained}");
    let claim = explained.lines().find_map(|line| line.strip_prefix("Claim ")).unwrap();
    let claim = claim.split(':').next().unwrap();
    let named = desk.done(&["explain", CASE, "1", "--claim", claim]);
    assert!(named.contains("found to be not allowed"), "{named}");
}

#[test]
fn what_is_kept_of_a_fee_is_said_until_that_is_withdrawn() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let paid = r#"{"outcome":"settled","invoice":1,"payment":"pay-1","amount_minor":19900,"on":"2025-05-01"}"#;
    desk.done(&["results", &desk.file("results.jsonl", paid)]);
    let facts = desk.run(&["correct", CASE, "--json"]).json();
    let sent = facts.iter().find(|fact| fact["type"] == "progress_report_sent").unwrap();
    let position = sent["position"].as_str().unwrap();
    desk.done(&[&["correct", CASE, position, "--taken-back", "--yes"][..], &WHY].concat());
    desk.done(&["review"]);

    let owed = || {
        let status = desk.done(&["status", CASE]);
        let account = status.split("\nAccount ").nth(1).unwrap();
        account.lines().find(|line| line.contains("owed to client")).map(str::to_owned)
    };
    assert!(owed().unwrap().contains("USD 199.00"), "what was paid for a fee that is not allowed");

    let keep = ["keep", CASE, "1", "--counsel", "C. Ounsel", "--reason", "the client agreed"];
    let kept = desk.done(&[&keep[..], &["--yes"]].concat());
    assert!(kept.contains("shown as kept until that is withdrawn"), "{kept}");
    assert_eq!(owed(), None);
    for page in [&["invoice", "1"][..], &["books", "statement", CASE]] {
        desk.done(&[page, &["--html", "page.html"]].concat());
        let html = desk.folder.path().join("page.html");
        let text = std::fs::read_to_string(&html).unwrap();
        std::fs::remove_file(html).unwrap();
        assert!(text.contains("kept by counsel") && text.contains("USD 199.00"), "{text}");
        assert!(desk.done(page).contains("not allowed, kept"), "{page:?}");
    }

    let withdrawn = desk.done(&[&keep[..], &["--withdraw", "--yes"]].concat());
    assert!(withdrawn.contains("Nothing of this fee is kept any more."), "{withdrawn}");
    assert!(!withdrawn.contains("shown as kept"), "{withdrawn}");
    assert!(owed().unwrap().contains("USD 199.00"));
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

/// Which circumstance was told is listed, so that the right one is corrected; and what is late of an event of security is said
/// in its own list (16 CFR 314.4(j)).
#[test]
fn circumstances_are_told_apart_and_late_notices_are_called_late() {
    let desk = Desk::with_cases();
    let told = |circumstance: &str| {
        format!(
            r#"{{"name":"firms/-/cases/{CASE}","actions":[{{"occurredOn":{{"year":2025,"month":4,"day":2}},"changeCircumstance":{{{circumstance}}}}}]}}"#
        )
    };
    let mandate = told(
        r#""kind":"CIRCUMSTANCE_CHARGE_MANDATE","amount":{"currencyCode":"USD","units":"99"}"#,
    );
    let lines = [mandate, told(r#""kind":"CIRCUMSTANCE_DO_NOT_CALL""#)].join("\n");
    desk.done(&["import", &desk.file("told.jsonl", &lines)]);
    let listed = desk.done(&["correct", CASE]);
    assert!(listed.contains("circumstance changed: charge mandate, USD 99.00"), "{listed}");
    assert!(listed.contains("circumstance changed: do not call"), "{listed}");
    let event = ["firm", "security-event", "laptop", "--discovered", "2025-01-02", "--consumers"];
    let told = ["500", "--notified", "2025-02-05"];
    desk.done(&[&event[..], &told].concat());
    let listed = desk.done(&["firm", "security-events"]);
    assert!(listed.contains("notified 4 days late (16 CFR 314.4(j))"), "{listed}");
}
