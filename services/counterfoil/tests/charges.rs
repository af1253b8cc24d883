//! Asking for charges at a terminal, when what comes between record and outbox fails.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs;

use common::Desk;
use common::served::Served;

const REQUEST: &str = "00000000-0000-7000-8000-0000000000a1";

fn billed() -> Desk {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk
}

/// The file of the request, as a folder: nothing can be written there.
fn stand_in_the_way(desk: &Desk, outbox: &str) -> std::path::PathBuf {
    let firm = desk.firm();
    let firm = firm.strip_prefix("firms/").unwrap();
    let file = desk.folder.path().join(outbox).join(format!("charges-{firm}-{REQUEST}.jsonl"));
    fs::create_dir_all(&file).unwrap();
    file
}

#[test]
fn a_charge_that_was_not_handed_over_is_said_and_goes_out_with_the_next() {
    let desk = billed();
    let charges = ["charges", "--as-of", "2025-05-01"];
    let in_the_way = stand_in_the_way(&desk, "outbox");
    let ran = desk.run(&[&charges[..], &["--request-id", REQUEST]].concat());
    assert_eq!(ran.code, 5, "{ran:?}");
    let again = format!("charges --as-of 2025-05-01 --request-id {REQUEST}");
    assert!(ran.err.contains(&again), "{ran:?}");
    assert!(ran.err.contains("CHARGES_NOT_HANDED_OVER"), "{ran:?}");
    let due = desk.done(&["due", "--kind", "charge-waiting"]);
    assert!(due.contains("invoice 1") && due.contains("2025-05-01"), "{due}");
    let invoices = desk.done(&["invoices"]);
    assert!(invoices.contains("waits since"), "{invoices}");
    let next = desk.done(&charges);
    assert!(next.contains("Asked for earlier"), "{next}");
    assert!(!next.contains("No charge is due."), "{next}");
    fs::remove_dir(in_the_way).unwrap();
    assert_eq!(fs::read_dir(desk.folder.path().join("outbox")).unwrap().count(), 1);
    assert!(desk.done(&charges).contains("No charge is due."));
}

#[test]
fn a_server_says_it_as_well() {
    let desk = billed();
    let token = desk.file("token", &desk.token("bill,read"));
    #[cfg(unix)]
    fs::set_permissions(&token, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    stand_in_the_way(&desk, "outbox");
    let served = Served::start(&desk);
    let charges =
        ["charges", "--as-of", "2025-05-01", "--server", &served.url, "--token-file", &token];
    let ran = desk.run(&[&charges[..], &["--request-id", REQUEST]].concat());
    assert!(ran.code == 5 && ran.err.contains(REQUEST), "{ran:?}");
    assert!(desk.done(&charges).contains("Asked for earlier"));
    assert_eq!(served.end(), Some(0));
}
