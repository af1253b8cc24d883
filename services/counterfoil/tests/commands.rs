//! What people see: pages, JSON, exit codes, and the log proved whole.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::process::Command;

use common::{Desk, Ran, data};

#[test]
fn every_answer_has_a_json_form() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    for arguments in [
        &["firm", "show"][..],
        &["firm", "packs"],
        &["pack", "list"],
        &["pack", "show", "us-nc-1"],
        &["clients"],
        &["clients", "--state", "open", "--exceptions"],
        &["clients", "--order", "next-due"],
        &["due", "--names"],
        &["status", "ada"],
        &["due"],
        &["claimable", "--as-of", "2025-05-01"],
        &["bill", "--dry-run", "--as-of", "2025-05-01"],
        &["explain", "ada", "1"],
        &["invoice", "1"],
        &["invoices"],
        &["charges", "--as-of", "2025-05-01"],
        &["payment", "list"],
        &["payment", "exposures"],
        &["couples"],
        &["tokens", "list"],
        &["follow", "--once"],
        &["looks", "ada lark"],
        &["verify", "--with-derived"],
        &["rebuild"],
    ] {
        let mut with_json = arguments.to_vec();
        with_json.push("--json");
        let ran = desk.run(&with_json);
        assert_eq!(ran.code, 0, "{arguments:?}: {ran:?}");
        assert!(!ran.json().is_empty(), "{arguments:?}");
        assert!(!desk.done(arguments).is_empty(), "{arguments:?}");
    }
}

#[test]
fn pages_say_what_people_look_for() {
    let desk = Desk::with_cases();
    let status = desk.done(&["status", "00c1"]);
    for part in ["Ada Lark", "Before work opens: 100 % done", "in dispute", "15 USC 1681i(a)(1)(A)"]
    {
        assert!(status.contains(part), "{part}: {status}");
    }
    let explained = desk.done(&["explain", "ada", "1", "--as-of", "2025-05-01"]);
    for gate in 1..=8 {
        assert!(explained.contains(&format!("passed G{gate} ")), "{explained}");
    }
    let named = desk.done(&["claimable", "--names", "--as-of", "2025-05-01"]);
    assert!(named.contains("Ada Lark"), "{named}");
    for (choice, claimable) in [("--earned", true), ("--held", false)] {
        // What is chosen is chosen before the list is cut.
        let all = ["claimable", choice, "--as-of", "2025-05-01", "--json"];
        let first = [&all[..], &["--limit", "1"]].concat();
        let [all, first] = [&all[..], &first].map(|arguments| desk.run(arguments).json().remove(0));
        let fees =
            |answer: &serde_json::Value| answer["fees"].as_array().cloned().unwrap_or_default();
        assert!(fees(&all).iter().all(|fee| fee["claimable"] == claimable), "{all}");
        assert_eq!(fees(&first), fees(&all)[..fees(&all).len().min(1)]);
    }
    let held = desk.done(&["claimable", "--held", "--as-of", "2025-05-02"]);
    assert!(held.contains("over and not billed, by what opens it"), "{held}");
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let claimed = desk.done(&["explain", "ada", "1", "--as-of", "2025-05-01"]);
    assert!(claimed.lines().nth(1).unwrap().ends_with("on 2025-05-01, invoice 1"), "{claimed}");
    for gate in 1..=8 {
        assert!(claimed.contains(&format!("passed G{gate} ")), "{claimed}");
    }
    assert!(!claimed.contains("claimable") && !claimed.contains("HELD"), "{claimed}");
    let invoice = desk.done(&["invoice", "1"]);
    for part in ["Ada Lark", "USD 199.00", "2025-03-03", "2025-04-01"] {
        assert!(invoice.contains(part), "{part}: {invoice}");
    }
    for page in [&explained, &held, &invoice] {
        let last = page.lines().last().unwrap();
        assert!(last.contains("not legal advice"), "{page}");
    }
    // Nobody's name where it is not needed.
    for arguments in [&["due"][..], &["claimable"], &["invoices"], &["follow", "--once"]] {
        assert!(!desk.done(arguments).contains("Lark"), "{arguments:?}");
    }
}

#[test]
fn an_invoice_is_lowered_by_its_number_alone() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk.done(&["payment", "credit", "1", "20.00", "--reason", "promised"]);
    desk.done(&["payment", "write-off", "1", "179.00", "--reason", "given up"]);
    assert!(desk.done(&["invoice", "1"]).contains("closed"));
    let ran = desk.run(&["payment", "credit", "7", "20.00", "--reason", "promised"]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.err.contains("REFERENCE_UNKNOWN") && ran.err.contains("/invoices/7"), "{ran:?}");
}

#[test]
fn what_is_due_is_named_once() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk.done(&["charges", "--as-of", "2025-05-01", "--outbox", "outbox"]);
    let failed = desk.file(
        "failed.jsonl",
        "{\"outcome\":\"failed\",\"invoice\":1,\"reason\":\"lost_or_stolen\",\"on\":\"2025-05-01\"}\n",
    );
    desk.done(&["results", &failed]);
    let due = desk.done(&["due", "--kind", "charge-failed"]);
    let line = due.lines().find(|line| line.contains("invoice 1")).unwrap();
    assert!(!line.contains("invoice 1, "), "{due}");
}

#[test]
fn a_changed_byte_is_found_with_its_position() {
    let desk = Desk::with_cases();
    let (position, root) = desk.log();
    assert_eq!(root.len(), 64);
    assert!(position.parse::<u64>().unwrap() > 20);
    // Another program does what no statement of ours can: the triggers are dropped first.
    let change = "
for (name,) in db.execute(\"SELECT name FROM sqlite_master WHERE type = 'trigger'\").fetchall():
    db.execute('DROP TRIGGER ' + name)
(body,) = db.execute('SELECT body FROM event WHERE position = 9').fetchone()
changed = body.replace('2025-03-03', '2025-03-04', 1)
assert changed != body and len(changed) == len(body)
db.execute('UPDATE event SET body = ? WHERE position = 9', (changed,))
";
    change_beside(&desk, change);
    let ran = desk.run(&["verify"]);
    assert_eq!(ran.code, 4, "{ran:?}");
    assert!(ran.out.contains("NOT SOUND at position 9: "), "{ran:?}");
    let report = desk.run(&["verify", "--json"]).json().pop().unwrap();
    assert_eq!(report["report"]["fault"]["position"], "9", "{report}");
}

/// Changes the database as another program does, in Python.
fn change_beside(desk: &Desk, change: &str) {
    let script =
        format!("import sqlite3, sys\ndb = sqlite3.connect(sys.argv[1])\n{change}\ndb.commit()");
    let database = desk.folder.path().join("counterfoil.db");
    let python = Command::new("python3").arg("-c").arg(script).arg(&database).output().unwrap();
    assert!(python.status.success(), "{python:?}");
}

/// Past every trigger, which comes back as it was.
fn change_past_triggers(desk: &Desk, statement: &str) {
    let change = format!(
        "
triggers = db.execute(\"SELECT name, sql FROM sqlite_master WHERE type = 'trigger'\").fetchall()
for (name, _) in triggers:
    db.execute('DROP TRIGGER ' + name)
db.execute(\"{statement}\")
for (_, sql) in triggers:
    db.execute(sql)
"
    );
    change_beside(desk, &change);
}

#[test]
fn a_head_that_another_tool_changed_stops_every_command_at_once_and_verify_names_it() {
    let reads: [&[&str]; 6] = [
        &["due"],
        &["status", "ada"],
        &["clients"],
        &["books", "check", "2025-03"],
        &["books", "journal", "2025-03"],
        &["head"],
    ];
    for (statement, what) in [
        ("DELETE FROM log_head", "the log has no head"),
        ("UPDATE log_head SET firm = randomblob(16)", "the log has no head"),
        ("UPDATE log_head SET root = zeroblob(32)", "the head's root is not that of its tree"),
        ("UPDATE log_head SET recorded_at = 2777137552331833", "the head has another time"),
    ] {
        let desk = Desk::with_cases();
        let firm =
            desk.run(&["firm", "show", "--json"]).json().pop().unwrap()["firm"]["name"].clone();
        let firm = firm.as_str().unwrap().rsplit('/').next().unwrap().to_owned();
        change_past_triggers(&desk, statement);
        for arguments in reads {
            let ran = desk.run(arguments);
            let says = ran.err.contains("LOG_CORRUPT") && ran.err.contains("at position ");
            assert_eq!((ran.code, says), (4, true), "{statement} {arguments:?}: {ran:?}");
        }
        let ran = desk.run(&["firm", "register", data("firm.json").to_str().unwrap()]);
        assert_eq!((ran.code, ran.err.contains("LOG_CORRUPT")), (4, true), "{ran:?}");
        let ran = desk.run(&["--firm", &firm, "verify"]);
        assert_eq!((ran.code, ran.out.contains(what)), (4, true), "{statement}: {ran:?}");
    }
}

#[test]
fn read_models_of_which_none_are_active_are_told_at_once_and_mended_by_a_rebuild() {
    let desk = Desk::with_cases();
    change_past_triggers(&desk, "UPDATE projection SET active = 0");
    for arguments in [&["due"][..], &["verify", "--with-derived"]] {
        let ran = desk.run(arguments);
        assert_eq!(ran.code, 4, "{arguments:?}: {ran:?}");
    }
    assert!(desk.run(&["verify"]).out.contains("the active one; rebuild"));
    desk.done(&["rebuild"]);
    desk.done(&["verify", "--with-derived"]);
}

#[test]
fn a_changed_row_is_found_by_its_table_and_mended_by_a_rebuild() {
    let desk = Desk::with_cases();
    let sound = "Read models and snapshots follow from the log, and so do clients' keys";
    // Whoever reads waits for the rows.
    desk.done(&["clients"]);
    assert!(desk.done(&["verify", "--with-derived"]).contains(sound));
    change_beside(
        &desk,
        "assert db.execute(\"UPDATE clock SET due_on = '2031-01-01'\").rowcount > 0",
    );
    assert_eq!(desk.run(&["verify"]).code, 0, "the log is what was written");
    let ran = desk.run(&["verify", "--with-derived"]);
    assert_eq!(ran.code, 4, "{ran:?}");
    let fault = "NOT SOUND: rows of clock that are not what the log makes of them: ";
    assert!(ran.out.contains(fault), "{ran:?}");
    let report = desk.run(&["verify", "--with-derived", "--json"]).json().pop().unwrap();
    assert_eq!(report["report"]["faultCount"], "1", "{report}");
    desk.done(&["rebuild"]);
    assert!(desk.done(&["verify", "--with-derived"]).contains(sound));
}

#[test]
fn a_firm_says_who_stands_for_its_packs_and_when_a_bond_ended() {
    let desk = Desk::with_firm();
    let on = ["--on", "2025-01-02"];
    let adopted = desk.done(&["firm", "pack", "us-ca-2", on[0], on[1]]);
    let adoption = "us-ca version 2 is adopted, which counsel has to confirm";
    for part in [adoption, "not read        advertising", "performance"] {
        assert!(adopted.contains(part), "{part}: {adopted}");
    }
    let confirm = ["firm", "confirm", "us-ca-2", "--counsel", "Robin Ashdown", on[0], on[1]];
    let unknown = desk.run(&["firm", "confirm", "us-tx-2", "--counsel", "Robin Ashdown"]);
    assert_eq!(unknown.code, 3, "{unknown:?}");
    assert!(unknown.err.contains("pack us-tx version 2 was not adopted"), "{unknown:?}");
    desk.done(&["firm", "pack", "us-tx-2", on[0], on[1]]);
    assert!(desk.done(&["firm", "packs"]).contains("confirmed       by nobody"));
    desk.done(&confirm);
    desk.done(&["firm", "own-risk", "us-tx-2", "--reason", "read next month", on[0], on[1]]);
    let packs = desk.done(&["firm", "packs"]);
    for part in [
        "us-ca version 2",
        "confirmed       by Robin Ashdown on 2025-01-02",
        "at own risk     since 2025-01-02: read next month",
        "confirmed       by nobody; the federal statute holds without",
        "in force        from 2023-01-01",
        "not read        advertising",
        "This is not legal advice",
    ] {
        assert!(packs.contains(part), "{part}: {packs}");
    }
    // Counsel read another text than the one that the firm adopted.
    let pack = include_str!("../../../crates/domain/packs/us-ca-2.json");
    let other = desk.file("other.json", &pack.replace("\"days\": 5", "\"days\": 3"));
    let other = desk.run(&["firm", "confirm", &other, "--counsel", "Kim Vale"]);
    assert!(other.code != 0 && other.err.contains("counsel read another one"), "{other:?}");

    let bond = desk.file(
        "bond.json",
        r#"{"kind": "STANDING_KIND_BOND", "stateCode": "TX", "amount": {"currencyCode": "USD", "units": "10000"},
            "validFrom": {"year": 2025, "month": 1, "day": 1}, "validThrough": {"year": 2025, "month": 12, "day": 31}}"#,
    );
    desk.done(&["firm", "standing", &bond, on[0], on[1]]);
    let end = ["firm", "end-standing", "bond", "TX", "--valid-from", "2025-01-01", "--last-day"];
    let end = [&end[..], &["2025-03-31", "--reason", "surety-cancelled", on[0], on[1]]].concat();
    assert!(desk.done(&end).contains("Its last day is 2025-03-31."));
    let shown = desk.done(&["firm", "show"]);
    for part in ["2025-03-31", "surety cancelled, told on 2025-01-02", "own risk", "counsel"] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    assert!(!shown.contains("2025-12-31"), "{shown}");
}

#[test]
fn exit_codes_are_those_that_the_help_lists() {
    let help = Desk::empty().done(&["--help"]);
    for code in 0..=6 {
        assert!(help.contains(&format!("\n  {code}  ")), "{help}");
    }
    let desk = Desk::with_firm();
    let code = |arguments: &[&str]| desk.run(arguments).code;
    assert_eq!(code(&["no-such-command"]), 2);
    assert_eq!(code(&["clients", "--database", "sqlite:elsewhere.db"]), 2);
    assert_eq!(code(&["clients", "--database", "postgres:elsewhere"]), 2);
    assert!(!desk.folder.path().join("elsewhere.db").exists(), "a misspelt path makes nothing");
    desk.file("other.db", "this file is another program's");
    assert_eq!(code(&["clients", "--database", "sqlite:other.db"]), 5);
    assert_eq!(code(&["serve", "--listen", "0.0.0.0:0"]), 2);
    assert_eq!(code(&["invoice", "7"]), 3);
    assert_eq!(code(&["status", "00000000-0000-7000-8000-0000000000c9"]), 3);
    assert_eq!(code(&["clients", "--server", "http://127.0.0.1:1"]), 5);
}

#[test]
fn several_firms_have_to_be_told_apart() {
    let desk = Desk::with_firm();
    desk.done(&["firm", "register", data("firm.json").to_str().unwrap()]);
    let ran = desk.run(&["clients"]);
    assert_eq!(ran.code, 2);
    let firms: Vec<_> = ran.err.lines().skip(1).map(str::trim).collect();
    assert_eq!(firms.len(), 2, "{ran:?}");
    desk.done(&["clients", "--firm", firms[0]]);
}

#[test]
fn a_refusal_says_what_to_do_next() {
    let desk = Desk::with_firm();
    let ran = desk.run(&["firm", "plan", &desk.file("plan.json", "{\"code\":\"x\"}")]);
    assert_eq!(ran.code, 3);
    assert!(ran.err.contains("plan.individual: is required"), "{ran:?}");
    let ran = desk.run(&["status", "00000000-0000-7000-8000-0000000000c9"]);
    assert!(ran.err.contains("next: "), "{ran:?}");
}

#[test]
fn shells_get_completions() {
    let desk = Desk::empty();
    for shell in ["bash", "zsh", "fish"] {
        let script = desk.done(&["completions", shell]);
        assert!(script.contains("claimable"), "{shell}");
    }
}

/// The figures and samples of README.md, but for what is another one in each run: ids, keys, the root.
#[test]
fn the_readme_shows_what_the_demo_prints() {
    let readme = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../../README.md"));
    let readme = readme.unwrap();
    let desk = Desk::empty();
    let played = desk.done(&["demo", "--keep", "demo.db"]);
    let case = "00000000-0000-7000-8000-000000000006";
    let kept = ["--database", "sqlite:demo.db", "--as-of", "2026-10-31"];
    // It was made under keys of its own, in a file beside it.
    let mut explain = desk.command(&[&["explain", case, "1"][..], &kept].concat());
    let explained = Ran::of(explain.env_remove("COUNTERFOIL_KEYS").output().unwrap()).out;
    let sample = readme.split("$ counterfoil explain ").nth(1).unwrap();
    let (explaining, verifying) = sample.split_once("$ counterfoil verify\n").unwrap();
    for line in explaining.lines().skip(1) {
        assert!(explained.contains(line), "{line:?} is not in\n{explained}");
    }
    let verifying: Vec<_> = verifying.lines().take_while(|line| *line != "```").collect();
    assert!(verifying.len() > 5, "{verifying:?}");
    for line in verifying.iter().filter(|line| !line.contains("root")) {
        assert!(played.contains(line), "{line:?} is not in\n{played}");
    }
    let events = played.lines().find_map(|line| line.strip_prefix("  events          ")).unwrap();
    for sample in [format!("ledger.example/plum\n{events}\n"), format!("of {events} events.")] {
        assert!(readme.contains(&sample), "{sample:?}");
    }
}
