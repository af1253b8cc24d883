//! The keys that personal values are sealed under, as an operator handles them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::os::unix::fs::PermissionsExt as _;

use common::{Desk, Ran, data};

/// A desk whose commands find their keys as anybody's do.
struct Plain(Desk);

impl Plain {
    fn run(&self, arguments: &[&str]) -> Ran {
        Ran::of(self.0.command(arguments).env_remove("COUNTERFOIL_KEYS").output().unwrap())
    }

    fn done(&self, arguments: &[&str]) -> String {
        let ran = self.run(arguments);
        assert_eq!(ran.code, 0, "{arguments:?}: {ran:?}");
        ran.out
    }
}

#[test]
fn a_new_database_gets_a_key_file_and_is_not_opened_without_it() {
    let desk = Plain(Desk::empty());
    let path = |name: &str| desk.0.folder.path().join(name);
    desk.done(&["firm", "register", data("firm.json").to_str().unwrap(), "--on", "2025-01-02"]);
    let keys = path("counterfoil.db.keys");
    assert_eq!(std::fs::metadata(&keys).unwrap().permissions().mode() & 0o777, 0o600);
    desk.done(&["firm", "show"]);

    let hidden = path("elsewhere");
    std::fs::rename(&keys, &hidden).unwrap();
    let ran = desk.run(&["firm", "show"]);
    assert_eq!((ran.code, ran.err.contains("counterfoil.db.keys")), (5, true), "{ran:?}");
    desk.done(&["--key-file", hidden.to_str().unwrap(), "firm", "show"]);

    let other = desk.0.file("other", &"5c".repeat(32));
    std::fs::set_permissions(&other, std::fs::Permissions::from_mode(0o644)).unwrap();
    let ran = desk.run(&["--key-file", &other, "firm", "show"]);
    assert_eq!((ran.code, ran.err.contains("chmod 600")), (5, true), "{ran:?}");
    std::fs::set_permissions(&other, std::fs::Permissions::from_mode(0o600)).unwrap();
    let ran = desk.run(&["--key-file", &other, "firm", "show"]);
    assert!(ran.code != 0 && ran.err.contains("not among the keys given"), "{ran:?}");
    assert!(!ran.err.contains("5c5c"), "no key is ever shown");
}

#[test]
fn keys_rotate_and_the_earlier_one_can_go() {
    let desk = Plain(Desk::empty());
    let keys = desk.0.folder.path().join("counterfoil.db.keys");
    let on = ["--on", "2025-01-02"];
    for (command, what) in [
        ("register", data("firm.json")),
        ("plan", data("plan.json")),
        ("pack", "us-federal-1".into()),
        ("pack", data("nothing-added.json")),
        ("bureau", data("bureau.json")),
    ] {
        desk.done(&["firm", command, what.to_str().unwrap(), on[0], on[1]]);
    }
    let pack = data("nothing-added.json");
    let confirm = ["firm", "confirm", pack.to_str().unwrap(), "--counsel", "C. Ounsel"];
    desk.done(&[&confirm[..], &on].concat());
    desk.done(&["import", data("cases.jsonl").to_str().unwrap()]);
    desk.done(&["keys", "new"]);
    let clients = desk.done(&["clients"]);
    let head = desk.done(&["head"]);

    desk.done(&["firm-keys", "add"]);
    assert_eq!(std::fs::read_to_string(&keys).unwrap().lines().count(), 2);
    assert_eq!(desk.done(&["clients"]), clients, "the earlier key still opens");
    // The firm's own, two clients', and the seed that signs.
    assert!(desk.done(&["firm-keys", "rewrap"]).starts_with("4 keys are wrapped anew"));
    assert!(desk.done(&["firm-keys", "rewrap"]).starts_with("0 keys are wrapped anew"));
    let text = std::fs::read_to_string(&keys).unwrap();
    std::fs::write(&keys, text.lines().next_back().unwrap()).unwrap();
    assert_eq!(desk.done(&["clients"]), clients, "the later key opens everything");
    assert_eq!(desk.done(&["head"]), head, "no event was touched");
    desk.done(&["checkpoint", "make"]);
}
