//! Where a command looks: a firm that is not there, a place in the log that is none, a log that was
//! restored.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs;

use common::{Desk, data};
use serde_json::Value;

const NOBODY: &str = "0190a000-0000-7000-8000-00000000ffff";
const CASE: &str = "00000000-0000-7000-8000-0000000000c1";
const HASH: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

/// Commands that are about a database, a file or a server, and `firm register`, which makes a firm.
const ASK_NO_FIRM: &[&str] = &[
    "backup",
    "check-proof",
    "completions",
    "contract",
    "demo",
    "firm register",
    "firm-keys add",
    "firm-keys rewrap",
    "health",
    "migrate",
    "move",
    "pack list",
    "pack show",
    "serve",
];

/// Every command that has none under it, as the program itself lists them.
fn commands_under(desk: &Desk, path: &[&str]) -> Vec<String> {
    let help = desk.done(&[path, &["--help"]].concat());
    let Some((_, list)) = help.split_once("\nCommands:\n") else { return vec![path.join(" ")] };
    let names = list.lines().take_while(|line| line.starts_with("  "));
    // The lines of a name begin two columns in; those that go on with its meaning, further.
    let names = names
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next());
    let names = names.filter(|name| *name != "help");
    names.flat_map(|name| commands_under(desk, &[path, &[name]].concat())).collect()
}

const BANK_ACCOUNT: [&str; 9] = [
    "books",
    "bank-account",
    "operating",
    "--name",
    "Operating account",
    "--opened-on",
    "2025-05-01",
    "--opening",
    "0",
];

const END_OF_A_BOND: [&str; 10] = [
    "firm",
    "end-standing",
    "bond",
    "TX",
    "--valid-from",
    "2026-01-01",
    "--last-day",
    "2026-02-01",
    "--reason",
    "revoked",
];

/// The exit code of what is not found, among what is refused.
const NOT_FOUND: i32 = 3;

#[test]
fn every_command_says_that_a_firm_is_not_there() {
    let desk = Desk::with_cases();
    let letter = desk.file("letter.txt", "abc");
    let cases = data("cases.jsonl").to_str().unwrap().to_owned();
    let plan = data("plan.json").to_str().unwrap().to_owned();
    let before = desk.log();
    let commands: &[&[&str]] = &[
        &["audit", "--pack", "us-federal-1"],
        &["bill"],
        &["review"],
        &["correct", NOBODY],
        &[
            "finding",
            NOBODY,
            "--shown",
            "a@north=2025-03-04",
            "--by",
            "Counsel",
            "--reason",
            "seen",
        ],
        &["books", "aging"],
        &["books", "book", NOBODY, "bank-costs"],
        &["books", "close", "2025-05"],
        &["books", "deposits"],
        &["books", "import-bank", &letter, "--bank", "operating"],
        &["books", "import-payouts", &letter, "--mapping", &letter],
        &["books", "match"],
        &["books", "months"],
        &["books", "movements"],
        &["books", "policy", "certain"],
        &["books", "refuse", NOBODY, "--payout", NOBODY],
        &["books", "revenue", "2025-05"],
        &["books", "statement", CASE],
        &["books", "trial-balance", "2025-05"],
        &["books", "unbook", NOBODY],
        &["books", "unmatch", NOBODY],
        &["checkpoint", "cosign", &letter],
        &["checkpoint", "show"],
        &["couples", "confirm", CASE, CASE],
        &["couples", "refuse", CASE, CASE],
        &["couples", "unlink", CASE, CASE],
        &["firm", "bureau", &plan],
        &["firm", "standing", &plan],
        &["firm", "security-event", "laptop", "--discovered", "2026-01-01", "--consumers", "9"],
        &["firm", "packs"],
        &["firm", "security-events"],
        &["firm", "correct"],
        &["firm", "confirm", "us-ca-2", "--counsel", "Robin Ashdown"],
        &["firm", "own-risk", "us-ca-2", "--reason", "a reason"],
        &END_OF_A_BOND,
        &["keys", "export-public"],
        &["keys", "revoke", "1b1f7269"],
        &["keys", "rotate"],
        &[
            "keys",
            "witness",
            "ledger.example/plum+5f01b2f1+AZnBydE6uhbjuPQnePr3gNiziZZTHIfkSzGW1laNU656",
        ],
        &["prepare", CASE],
        &["payment", "credit", "1", "5.00", "--reason", "a reason"],
        &["keep", NOBODY, "1", "--counsel", "Robin Ashdown", "--reason", "a reason"],
        &["payment", "exposures"],
        &["payment", "refund", "pay-1", "--reason", "a reason"],
        &["payment", "write-off", "1", "5.00", "--reason", "a reason"],
        &["release", CASE, "--matter", "a matter"],
        &["results", &letter],
        &["tokens", "revoke", NOBODY],
        &["books", "accept", "2025-05", "lines-open", "--reason", "a reason"],
        &["books", "chart"],
        &BANK_ACCOUNT,
        &["books", "check", "2025-05"],
        &["books", "reconcile", "2025-05"],
        &["books", "take-back", NOBODY],
        &["books", "withdraw", "2025-05", "lines-open", "--reason", "a reason"],
        &["books", "journal", "2025-05"],
        &["books", "package", "2025-05", "--to", "package"],
        &["charges"],
        &["checkpoint", "list"],
        &["checkpoint", "make"],
        &["claimable"],
        &["clients"],
        &["couples"],
        &["due"],
        &["erase", CASE, "--basis", "asked"],
        &["evidence", "add", CASE, &letter],
        &["evidence", "check"],
        &["evidence", "get", CASE, HASH, "--to", "copy"],
        &["explain", CASE, "1"],
        &["export", "--all", "--output", "bundle.zip"],
        &["firm", "plan", &plan],
        &["firm", "pack", "us-federal-1"],
        &["firm", "show"],
        &["follow", "--once"],
        &["head"],
        &["hold", CASE, "--matter", "a matter"],
        &["import", &cases],
        &["import", &cases, "--dry-run"],
        &["invoice", "1"],
        &["invoices"],
        &["keys", "list"],
        &["looks", CASE],
        &["keys", "new", "--origin", "ledger.example/x"],
        &["payment", "list"],
        &["prove", "--position", "1"],
        &["rebuild"],
        &["retention"],
        &["status", CASE],
        &["tokens", "create", "--label", "x", "--scopes", "read"],
        &["tokens", "list"],
        &["verify"],
        &["verify", "--with-derived"],
        &["verify", "--with-evidence"],
    ];
    let mut named = commands_under(&desk, &[]);
    named.retain(|name| !ASK_NO_FIRM.contains(&name.as_str()));
    for command in commands {
        named.retain(|name| !command.starts_with(&name.split(' ').collect::<Vec<_>>()));
        for json in [&[][..], &["--json"]] {
            let ran = desk.run(&[*command, &["--firm", NOBODY], json].concat());
            assert!(!ran.err.contains("Usage:"), "{command:?} is no command: {ran:?}");
            assert_eq!(ran.code, NOT_FOUND, "{command:?}: {ran:?}");
            assert!(
                ran.err.contains("not found") && ran.err.contains(NOBODY),
                "{command:?}: {ran:?}"
            );
            assert_eq!(ran.out, "", "nothing is said of it: {command:?}");
        }
    }
    assert_eq!(named, Vec::<String>::new(), "every command is asked");
    let mut elsewhere = Desk::empty();
    elsewhere.database =
        Some(format!("sqlite:{}", desk.folder.path().join("counterfoil.db").display()));
    let from = elsewhere.database.clone().unwrap();
    let ran = elsewhere.run(&["move", "--from", &from, "--to", "sqlite:to.db", "--firm", NOBODY]);
    assert_eq!(ran.code, NOT_FOUND, "{ran:?}");
    assert_eq!(desk.log(), before, "and nothing is recorded");
    // The one thing that a firm which is not there is for.
    let firm = fs::read_to_string(data("firm.json")).unwrap();
    let mut firm: Value = serde_json::from_str(&firm).unwrap();
    firm["name"] = format!("firms/{NOBODY}").into();
    let file = desk.file("other.json", &firm.to_string());
    desk.done(&["firm", "register", &file, "--firm", NOBODY, "--on", "2025-01-02"]);
    assert!(desk.done(&["verify", "--firm", NOBODY]).contains("sound"));
}

/// A position alone means another event after a restore; its leaf hash does not.
#[test]
fn a_cursor_survives_a_restore_only_where_both_logs_agree() {
    let desk = Desk::with_cases();
    let at = |name: &str| desk.folder.path().join(name);
    // Who looks for the first time puts that on record; the second time nothing is added.
    desk.done(&["follow", "--once", "--json"]);
    let known = desk.run(&["follow", "--once", "--json"]).json();
    desk.done(&["backup", "then.db"]);
    let shared = known.iter().rev().find_map(|message| message.get("caughtUp")).unwrap().clone();
    let cursor = |message: &Value| {
        use std::fmt::Write as _;
        let position = message["position"].as_str().unwrap().to_owned();
        let leaf = message["leafHash"].as_str().unwrap();
        let mut hex = String::new();
        for byte in base64(leaf) {
            write!(hex, "{byte:02x}").unwrap();
        }
        format!("{position}:{hex}")
    };
    let follow = |after: &str| desk.run(&["follow", "--once", "--json", "--after", after]);
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let latest = follow(shared["position"].as_str().unwrap()).json().pop().unwrap();
    let latest = latest["caughtUp"].clone();
    assert_eq!(follow(&cursor(&latest)).code, 0);

    // Restored: the log ends before what the follower knows.
    for side in ["counterfoil.db-wal", "counterfoil.db-shm"] {
        let _ = fs::remove_file(at(side));
    }
    fs::copy(at("then.db"), at("counterfoil.db")).unwrap();
    let ran = follow(latest["position"].as_str().unwrap());
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(
        ran.err.contains("POSITION_BEYOND_LOG") && ran.err.contains("counterfoil head"),
        "{ran:?}"
    );
    // What both have is gone on from.
    assert_eq!(follow(&cursor(&shared)).code, 0);
    // Written to anew, it has another event there: the position alone would go on as if nothing were.
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let ran = follow(&cursor(&latest));
    assert!(ran.code == 3 && ran.err.contains("CURSOR_FORKED"), "{ran:?}");
    assert_eq!(follow(&cursor(&shared)).code, 0);
}

/// RFC 4648 section 4.
fn base64(text: &str) -> Vec<u8> {
    const DIGITS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let digits: Vec<u32> = text
        .chars()
        .filter_map(|c| DIGITS.find(c))
        .map(|digit| u32::try_from(digit).unwrap())
        .collect();
    let mut bytes = Vec::new();
    for four in digits.chunks(4) {
        let bits = four.iter().fold(0, |bits, digit| bits << 6 | digit) << (6 * (4 - four.len()));
        bytes.extend(bits.to_be_bytes()[1..four.len()].iter());
    }
    bytes
}
