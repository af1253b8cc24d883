//! Letters in the waiting days, without authority and after an end (15 USC 1679d(a); common law of agency): both
//! verifiers say the same of what stands, and an end puts none of it right.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;
use counterfoil_tests::reclaimed::{Desk, enrolment, work};
use domain::command::CaseAction;
use domain::event::{Circumstance, CircumstanceChanged, EndedBy, ServiceEnded};

fn letters(on: &str) -> CaseAction {
    let [_, round, _] = work(on, 0, None);
    let CaseAction::SendRound(round) = round else { panic!("a round") };
    CaseAction::NoteRoundSent(round)
}

fn authority(is_revoked: bool) -> CaseAction {
    let (amount, charge_on, document, least, who) = (None, None, None, None, None);
    let (holds, kind) = (is_revoked, Circumstance::AuthorityRevoked);
    let said = CircumstanceChanged { amount, charge_on, document, holds, kind, least, who };
    CaseAction::ChangeCircumstance(said)
}

#[test]
fn both_verifiers_say_that_no_end_puts_a_breach_right() {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    for on in ["2025-03-04", "2025-03-12", "2025-03-19", "2025-04-07"] {
        desk.tell(on, on, [letters(on)]);
    }
    desk.tell("2025-04-08", "2025-03-11", [authority(true)]);
    desk.tell("2025-04-09", "2025-03-17", [authority(false)]);
    desk.tell("2025-04-09", "2025-03-18", [authority(true)]);
    desk.tell("2025-04-09", "2025-03-18", [authority(false)]);
    desk.tell("2025-04-10", "2025-03-19", [authority(false)]);
    let ended = ServiceEnded { by: EndedBy::Firm, reason: None };
    desk.tell("2025-04-11", "2025-03-31", [CaseAction::EndService(ended)]);
    let sound = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
    assert_eq!(findings(&sound), (vec![], vec![]));
    let table = sound.text("tables/exposures.csv");
    for (on, kind, stands) in [
        ("2025-03-04", "early_service", "yes"),
        ("2025-03-12", "dispute_without_authority", "yes"),
        // Given again on the 19th, and nobody said whether before the letters.
        ("2025-03-19", "dispute_without_authority", "no"),
        ("2025-04-07", "no_agreement", "yes"),
    ] {
        let is_it = |row: &&str| row.contains(on) && row.contains(kind);
        let rows: Vec<&str> = table.lines().filter(is_it).collect();
        assert_eq!(rows.len(), 1, "{on} {kind}: {table}");
        assert!(rows[0].ends_with(stands), "{on} {kind}: {table}");
    }
}
