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
