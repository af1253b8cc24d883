//! What no rule pack may say.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::{Command, Dated, FirmAction};
use counterfoil_domain::refusal::{Reason, Refusal};
use counterfoil_domain::rules::{EXAMPLE_PACKS, RulePack, check_pack};

fn changed(pack: &str, pointer: &str, value: serde_json::Value) -> String {
    let mut pack: serde_json::Value = serde_json::from_str(pack).unwrap();
    *pack.pointer_mut(pointer).unwrap() = value;
    pack.to_string()
}

fn adopt(desk: &mut Desk, json: &str) -> Result<(), Refusal> {
    let pack = Box::new(RulePack::from_json(json).unwrap());
    let action = Dated {
        occurred_at: None,
        occurred_on: day("2026-01-02"),
        action: FirmAction::AdoptPack(pack),
    };
    desk.command(&Command::Firm { action }).map(|_| ())
}

/// 15 USC 1679e(a): "before midnight of the 3rd business day"; 16 CFR 310.4(a)(2) is about sales by telephone.
#[test]
fn no_federal_pack_is_below_the_statute() {
    let federal = changed(EXAMPLE_PACKS[0], "/version", 2.into());
    for (pointer, value, named) in [
        ("/cancellation/days", 0.into(), "cancellation.days"),
        ("/cancellation/days", 2.into(), "cancellation.days"),
        ("/cancellation/calendar", "every_day".into(), "cancellation.calendar"),
        ("/telemarketing/exempt", serde_json::json!(["telephone"]), "telemarketing.exempt"),
    ] {
        let weaker = changed(&federal, pointer, value);
        let refused = adopt(&mut Desk::open(), &weaker).unwrap_err();
        is(&refused, Reason::ValueRefused);
        assert!(refused.violations[0].detail.starts_with(named), "{refused}");
        assert_eq!(refused.violations[0].subject, "pack_json");
    }
    for (pointer, value) in [
        ("/cancellation/days", serde_json::json!(5)),
        ("/cancellation/calendar", "federal_reserve_banking".into()),
        ("/telemarketing/exempt", serde_json::json!([])),
    ] {
        adopt(&mut Desk::open(), &changed(&federal, pointer, value)).unwrap();
    }
    // A state's shorter days win against nothing: the later end of the two counts.
    let state = changed(EXAMPLE_PACKS[1], "/version", 9.into());
    adopt(&mut Desk::open(), &changed(&state, "/cancellation/days", 0.into())).unwrap();
}

#[test]
fn a_version_is_shown_as_it_is() {
    let version = |version: u32| changed(EXAMPLE_PACKS[0], "/version", version.into());
    let wrong = |version: String| check_pack(&RulePack::from_json(&version).unwrap());
    assert_eq!(wrong(version(2_147_483_647)), None);
    assert!(wrong(version(2_147_483_648)).unwrap().contains("at most 2147483647"));
    // A lower one that is adopted later takes nobody's place.
    let mut desk = Desk::open();
    adopt(&mut desk, &changed(&version(5), "/cancellation/days", 9.into())).unwrap();
    adopt(&mut desk, &version(4)).unwrap();
    let followed = desk.firm_state().pack_on(None, day("2026-01-02")).unwrap();
    assert_eq!(followed.pack.version, 5);
}

#[test]
fn the_texts_of_a_pack_are_checked_as_any_other() {
    let federal = EXAMPLE_PACKS[0];
    for (pointer, text, rule) in [
        ("/note", "card 4111 1111 1111 1111", "note: a full payment card number must not be kept"),
        ("/note", "SSN 123-45-6789", "note: "),
        ("/note", "\u{202e}law", "note: must not hold characters that are not seen"),
        ("/note", "la\u{200b}w", "note: must not hold characters that are not seen"),
        ("/note", "a\u{0}b", "note: must not hold control characters"),
        ("/note", "\u{1b}[31mred", "note: must not hold control characters"),
        ("/note", "", "note: must not be empty"),
        ("/cancellation/cites", "", "cancellation: cites: must not be empty"),
        ("/cancellation/cites", "\u{202e}", "cancellation: cites: must not"),
        ("/code", "", "code: must be 1 to 64"),
        ("/code", "\u{0}", "code: must be 1 to 64"),
        ("/code", "a b/c\n", "code: must be 1 to 64"),
        ("/code", &"x".repeat(5_000), "code: must be 1 to 64"),
    ] {
        let refused = RulePack::from_json(&changed(federal, pointer, text.into())).unwrap_err();
        assert!(refused.to_string().contains(rule), "{pointer} {text:?}: {refused}");
    }
    let twice = federal.replacen("\"days\": 3", "\"days\": 3, \"days\": 0", 1);
    assert_ne!(twice, federal);
    let refused = RulePack::from_json(&twice).unwrap_err();
    assert!(refused.to_string().contains("named twice"), "{refused}");
}
